"""Ends that are not wear: leaks, defects, water, bad contacts. A constant chance per day, by battery type; shown and alarmed.

They do not enter the limit, because an earlier change prevents none of them: the answer is supervision or another battery.
Source: the project's battery model, section 4.5.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betainc, gammaincinv

from maintenance.rules.battery.fits import BoolArray, FloatArray, floats

DAYS_PER_YEAR = 365.25
PRIOR_ENDS = 0.5
"""Ends that the prior counts for: half a one, so that data soon outweigh it. Own choice."""
PRIOR_DAYS = 50 * DAYS_PER_YEAR
"""Device-days [day] that the prior counts for: with half an end, one in a hundred device-years. Own guess, no source."""
MOST = 1e12
"""Counts and days are held here, so that no sum of them overflows."""
ALARM_CHANCE = 0.001
"""A type is in alarm where so many ends would have a smaller chance than this if it were like all others. Own choice."""
ALARM_MIN = 3
"""Ends below which there is no alarm. Own choice."""


@dataclass(frozen=True, slots=True)
class OtherCauses:
    """Ends that are not wear; every array has one entry per battery type.

    Parameters
    ----------
    n : array
        Ends counted.
    days : array
        Device-days lived [day].
    per_day : array
        Posterior mean of the rate κ [1/day].
    low, high : array
        Interval of κ [1/day].
    chance_like_others : array
        Chance of so many ends or more if the type were like all others together [0 … 1].
    in_alarm : array of bool
        That chance is below 0.1 %, with three ends or more.
    """

    n: FloatArray
    days: FloatArray
    per_day: FloatArray
    low: FloatArray
    high: FloatArray
    chance_like_others: FloatArray
    in_alarm: BoolArray


def other_causes(n: ArrayLike, device_days: ArrayLike, *, level: float = 0.9) -> OtherCauses:
    """Give the rate of ends that are not wear, for every battery type.

    Parameters
    ----------
    n : array, (n_types,)
        Ends by a cause other than wear; negative or not finite counts as 0.
    device_days : array, (n_types,)
        Days lived by all batteries of the type [day]; negative or not finite counts as 0.
    level : float
        Chance that the interval holds κ [0 < level < 1].

    Returns
    -------
    OtherCauses
        One entry per type.

    Raises
    ------
    ValueError
        If the columns differ in length, or the level is not between 0 and 1.

    Notes
    -----
    κ ~ Gamma(a + n, b + days), a = ½, b = 50 years. Compared with the others, whose κ has the same form: the number
    of ends in d days is then negative-binomial, and P(N ≥ n) = I_{d/(d + b')}(n, a') with a', b' of the others.
    """
    count, days = np.atleast_1d(floats(n)), np.atleast_1d(floats(device_days))
    if count.shape != days.shape or count.ndim != 1:
        raise ValueError("The columns differ in length.")
    if not 0.0 < level < 1.0:
        raise ValueError("The level of an interval must lie between 0 and 1.")
    count, days = (np.where(np.isfinite(x) & (x > 0), np.minimum(x, MOST), 0.0) for x in (count, days))
    shape, rate = PRIOR_ENDS + count, PRIOR_DAYS + days
    others_shape = PRIOR_ENDS + count.sum() - count
    others_rate = PRIOR_DAYS + days.sum() - days
    share = days / (days + others_rate)
    chance = np.where(count > 0, betainc(np.maximum(count, 1.0), others_shape, share), 1.0)
    return OtherCauses(
        n=count,
        days=days,
        per_day=shape / rate,
        low=gammaincinv(shape, 0.5 * (1.0 - level)) / rate,
        high=gammaincinv(shape, 0.5 * (1.0 + level)) / rate,
        chance_like_others=chance,
        in_alarm=(count >= ALARM_MIN) & (chance < ALARM_CHANCE),
    )
