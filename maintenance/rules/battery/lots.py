"""Lots: does one delivery of cells end sooner than its kind? Ends seen against ends expected; exact intervals; alarms.

The same counts serve sites, duty classes and half-years: any group of batteries has ends seen O and ends expected
E = Σ (−ln S(u) + ln S(entry)). Source: the project's battery model, section 5.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammaincinv

from maintenance.rules.battery.fits import BatteryColumns, BoolArray, Fit, FloatArray, IntArray, floats, held
from maintenance.rules.battery.hazard import cumulated_by

FACTORS = np.array([1.0, 0.85, 0.7, 0.55, 0.4, 0.28])
"""Lives that a lot may have, as a share of its kind's (section 5)."""
FACTOR_PRIOR = np.array([0.94, 0.012, 0.012, 0.012, 0.012, 0.012])
"""Chance of each before a battery of the lot has ended (section 5)."""
MIN_OBSERVED = 2
"""One early end is no bad lot (section 5)."""
ALARM_Z = 4.0
"""A stratum further off than this is not described by the model (section 5)."""
MIN_EXPECTED = 0.5
"""Least spread in z, so that one end where none was expected is no alarm (section 5)."""


@dataclass(frozen=True, slots=True)
class Lots:
    """What is known of each lot; every array has one entry per lot.

    Parameters
    ----------
    n_batteries : array of int
        Batteries of the lot that count.
    observed : array of int
        Ends by wear.
    expected : array
        Ends that its kind would have had in what the lot has lived [0 …].
    factor : array
        Life of the lot as a share of its kind's (0 … 1], averaged over what is possible; 1 where it is not suspect.
    chance_normal : array
        Chance that nothing is wrong with it [0 … 1].
    is_suspect : array of bool
        Chance below one half, and two ends or more.
    """

    n_batteries: IntArray
    observed: IntArray
    expected: FloatArray
    factor: FloatArray
    chance_normal: FloatArray
    is_suspect: BoolArray


@dataclass(frozen=True, slots=True)
class Alarms:
    """How well each stratum is described by the model; every array has one entry per stratum.

    Parameters
    ----------
    observed, expected : array
        Ends seen and expected.
    z : array
        Standard deviations apart, see `group_z`.
    in_alarm : array of bool
        |z| > 4: its dates should not be believed before somebody has looked.
    """

    observed: IntArray
    expected: FloatArray
    z: FloatArray
    in_alarm: BoolArray


def expected_ends(batteries: BatteryColumns, fit: Fit) -> FloatArray:
    """Give the ends that the fit expects of each battery in what it has lived.

    Parameters
    ----------
    batteries : BatteryColumns
        Exposures by catalogue figures; the learnt multiplier is applied here. Of an interval the middle is taken.
    fit : Fit
        What is known of every stratum.

    Returns
    -------
    array, (n_batteries,)
        −ln S(u) + ln S(entry) [0 …]; NaN where the numbers cannot be: not finite, negative,
        ended before entry, or of no stratum.
    """
    lower, end, entry = held(batteries.lower_u), held(batteries.end_u), held(batteries.entry_u)
    middle = np.where(np.isfinite(lower), 0.5 * (np.fmax(lower, entry) + end), end)
    is_negative = (floats(batteries.end_u) < 0) | (floats(batteries.entry_u) < 0)
    is_known = (batteries.stratum >= 0) & (batteries.stratum < len(fit.n_ends))
    is_sound = is_known & ~is_negative & np.isfinite(middle) & np.isfinite(entry) & (middle >= entry)
    stratum = np.where(is_sound, batteries.stratum, 0)
    u = fit.scaled(stratum, np.where(is_sound, middle, 0.0), batteries.sleep_share)
    e = fit.scaled(stratum, np.where(is_sound, entry, 0.0), batteries.sleep_share)
    cumulated = cumulated_by(fit, stratum)
    gained = cumulated(stratum, u)
    if bool(np.any(e > 0)):
        gained = gained - cumulated(stratum, e)
    return np.where(is_sound, np.maximum(gained, 0.0), np.nan)


def judge_lots(batteries: BatteryColumns, fit: Fit, n_lots: int, *, expected: FloatArray | None = None) -> Lots:
    """Say of each lot how its life compares with its kind's.

    Parameters
    ----------
    batteries : BatteryColumns
        Batteries in any order; a lot lies within one stratum; −1 = no lot.
    fit : Fit
        What is known of every stratum.
    n_lots : int
        Number of lots over the whole fleet.
    expected : array, (n_batteries,), optional
        What `expected_ends` gave, where the caller has it already.

    Returns
    -------
    Lots
        One entry per lot; a lot without batteries is normal.

    Notes
    -----
    With f the lot's life factor and β̂ its stratum's mean β: ln w(f) = ln π(f) − β̂ O ln f − E f^(−β̂).
    """
    x = expected_ends(batteries, fit) if expected is None else expected
    lot = np.asarray(batteries.lot, dtype=np.int64)
    counts = (lot >= 0) & (lot < n_lots) & np.isfinite(x)
    which = lot[counts]
    n = np.bincount(which, minlength=n_lots)
    observed = np.bincount(which, weights=batteries.is_end[counts], minlength=n_lots).astype(np.int64)
    total = floats(np.bincount(which, weights=x[counts], minlength=n_lots))
    beta = np.ones(n_lots)
    beta[which] = np.asarray(fit.mean_beta)[batteries.stratum[counts]]
    weight = _factor_weights(observed, total, beta)
    is_suspect = (weight[:, 0] < 0.5) & (observed >= MIN_OBSERVED)
    factor = np.where(is_suspect, weight @ FACTORS, 1.0)
    return Lots(n, observed, total, factor, weight[:, 0], is_suspect)


def _factor_weights(observed: IntArray, expected: FloatArray, beta: FloatArray) -> FloatArray:
    """Give the chance of each factor, (n_lots, n_factors)."""
    ln_f, b = np.log(FACTORS), beta[:, np.newaxis]
    ln_w = np.log(FACTOR_PRIOR) - b * observed[:, np.newaxis] * ln_f - expected[:, np.newaxis] * np.exp(-b * ln_f)
    weight = np.exp(ln_w - ln_w.max(axis=1, keepdims=True))
    return np.asarray(weight / weight.sum(axis=1, keepdims=True))


def group_z(observed: ArrayLike, expected: ArrayLike) -> FloatArray:
    """Say how many standard deviations the ends seen lie from the ends expected: (O − E) / √max(E, ½)."""
    o, e = floats(observed), floats(expected)
    return (o - e) / np.sqrt(np.maximum(e, MIN_EXPECTED))


def interval_of_ratio(observed: ArrayLike, expected: ArrayLike, level: float = 0.9) -> tuple[FloatArray, FloatArray]:
    """Bound the ratio of ends seen to ends expected.

    Parameters
    ----------
    observed, expected : array
        Ends seen [0 …] and expected [0 …]; they broadcast.
    level : float
        Chance that the interval holds the true ratio, at least [0 < level < 1].

    Returns
    -------
    low, high : array
        Exact limits for a Poisson count over the expectation [0 …]; NaN where nothing was expected.

    Raises
    ------
    ValueError
        If the level is not between 0 and 1.

    Notes
    -----
    Half the chi-square quantile at 2O and 2O + 2 degrees of freedom, that is a gamma quantile (F. Garwood,
    Biometrika 28, 1936; from memory).
    """
    if not 0.0 < level < 1.0:
        raise ValueError("The level of an interval must lie between 0 and 1.")
    o, e = np.broadcast_arrays(np.maximum(floats(observed), 0.0), floats(expected))
    is_known = np.isfinite(o) & np.isfinite(e) & (e > 0)
    count, divisor = np.where(is_known, o, 0.0), np.where(is_known, e, np.nan)
    low = np.where(count > 0, gammaincinv(np.maximum(count, 1.0), 0.5 * (1.0 - level)), 0.0)
    high = gammaincinv(count + 1.0, 0.5 * (1.0 + level))
    return low / divisor, high / divisor


def stratum_alarm(batteries: BatteryColumns, fit: Fit, n_strata: int, *, expected: FloatArray | None = None) -> Alarms:
    """Say how well each stratum is described by the model; parameters as in `judge_lots`."""
    x = expected_ends(batteries, fit) if expected is None else expected
    counts = np.isfinite(x)
    which = np.asarray(batteries.stratum, dtype=np.int64)[counts]
    observed = np.bincount(which, weights=batteries.is_end[counts], minlength=n_strata).astype(np.int64)
    total = floats(np.bincount(which, weights=x[counts], minlength=n_strata))
    z = group_z(observed, total)
    return Alarms(observed, total, z, np.abs(z) > ALARM_Z)


def health(lots: Lots, *, min_expected: float = MIN_EXPECTED, is_left_out: BoolArray | None = None) -> float:
    """Give the spread of z over the lots, which is about 1 while the model is right.

    Parameters
    ----------
    lots : Lots
        Lots of the whole fleet.
    min_expected : float
        Lots of which less was expected are left out: they say nothing yet.

    is_left_out : array of bool, (n_lots,), optional
        Lots not to count, for example the suspect ones: what is left then tells whether the rest is described well.

    Returns
    -------
    float
        Root of the mean square of `group_z`; NaN where fewer than two lots say anything.
    """
    counts = lots.expected >= min_expected
    if is_left_out is not None:
        counts = counts & ~is_left_out
    if int(np.count_nonzero(counts)) < 2:
        return float("nan")
    z = group_z(lots.observed[counts], lots.expected[counts])
    return float(np.sqrt(np.mean(z**2)))
