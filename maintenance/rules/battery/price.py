"""What a policy costs: cells and unannounced deaths a year, for three named levels and for the whole curve.

In the long run a slot uses one set of cells per ∫ S(u) du of exposure, taken from 0 to the limit: nobody replaces a
battery later than the limit, and those that end before it are replaced at their end.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from maintenance.rules.battery.exposure import DAYS_PER_YEAR
from maintenance.rules.battery.fits import Fit, FloatArray, floats, held
from maintenance.rules.battery.limits import fleet_limits

DUTIES = ("life_safety", "security", "convenience")
BALANCED = MappingProxyType({"life_safety": (0.01, 0.10), "security": (0.03, 0.15), "convenience": (0.06, 0.25)})
"""p_dead and p_call that a new firm starts with, as in `company.actions.DEFAULT_POLICIES` (a test compares them)."""
MOST = 0.5
"""No level lets more than every second battery end in service."""
LEAST_LIMIT = 1e-6
"""A limit [1] below this is none: cells would be changed every minute."""
MOST_BATTERIES = 1e9
"""More in one stratum are a mistake in the numbers."""
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)
_BLOCK = 64
"""Strata worked out at once: each takes classes × nodes × components of the fit."""


@dataclass(frozen=True, slots=True)
class Level:
    """A policy with a name that a manager can choose.

    Parameters
    ----------
    code : str
        "cautious", "balanced" or "thrifty".
    words : str
        What it means, in one sentence.
    p_dead, p_call : float
        Share that may die in service unannounced, and share that may end in service at all [0 < p < 1].
    """

    code: str
    words: str
    p_dead: float
    p_call: float


_LEVELS = (
    ("cautious", 0.5, "Half the usual risk: cells are changed earlier, and more of them are used."),
    ("balanced", 1.0, "What this product suggests to begin with."),
    ("thrifty", 2.0, "Twice the usual risk: cells stay in longer, and more of them run empty in service."),
)


def levels(duty: str) -> tuple[Level, Level, Level]:
    """Give the three named levels of a duty class, most careful first.

    Parameters
    ----------
    duty : str
        "life_safety", "security" or "convenience".

    Returns
    -------
    tuple of Level
        Cautious (half of the balanced shares), balanced, thrifty (double, at most one half). A firm's own policy.

    Raises
    ------
    ValueError
        If there is no such duty class.
    """
    if duty not in BALANCED:
        raise ValueError(f"There is no duty class {duty!r}.")
    p_dead, p_call = BALANCED[duty]
    first, second, third = (Level(c, w, min(f * p_dead, MOST), min(f * p_call, MOST)) for c, f, w in _LEVELS)
    return first, second, third


def level_of(duty: str, p_dead: float, p_call: float) -> str:
    """Give the code of the level with these shares [0 … 1]; empty where they are the firm's own."""
    for level in levels(duty):
        if np.allclose((level.p_dead, level.p_call), (p_dead, p_call), rtol=1e-9, atol=0.0):
            return level.code
    return ""


@dataclass(frozen=True, slots=True)
class Price:
    """What limits cost in the long run; every array has the shape of the limits.

    Parameters
    ----------
    cells_a_year : array
        Cells used [1/year], changes at an end and planned changes together.
    ends_a_year : array
        Batteries that end before their planned change [1/year], a low-battery signal included.
    dead_a_year : array
        Those of them that are expected to die unannounced [1/year].
    mean_used : array
        Mean exposure at which cells come out [1]; ∫ S du.
    """

    cells_a_year: FloatArray
    ends_a_year: FloatArray
    dead_a_year: FloatArray
    mean_used: FloatArray


def mean_used(fit: Fit, u_limit: ArrayLike) -> FloatArray:
    """Give the mean exposure at which cells come out, when they are changed at their end or at a limit.

    Parameters
    ----------
    fit : Fit
        What is known of every stratum.
    u_limit : array, (n_strata, …)
        Limits [1]; not finite or not above a millionth gives NaN.

    Returns
    -------
    array
        ∫₀^{limit} S(u) du [1], by Gauss-Legendre with 24 nodes; the shape of the limits.
    """
    limit = held(u_limit)
    is_sound = limit > LEAST_LIMIT
    safe = np.where(is_sound, limit, 1.0)
    stratum = np.arange(limit.shape[0]).reshape(-1, *[1] * limit.ndim)
    share = np.empty_like(safe)
    for begin in range(0, limit.shape[0], _BLOCK):
        block = slice(begin, begin + _BLOCK)
        u = safe[block, ..., np.newaxis] * (0.5 * (_NODES + 1.0))
        failed = fit.failed(np.broadcast_to(stratum[block], u.shape), u)
        share[block] = 0.5 * ((1.0 - failed) @ _WEIGHTS)
    return np.where(is_sound, safe * share, np.nan)


def policy_price(
    fit: Fit,
    u_limit: ArrayLike,
    rate_per_day: ArrayLike,
    n_in_service: ArrayLike,
    dead_share: ArrayLike,
    *,
    cells_per_change: ArrayLike = 1.0,
) -> Price:
    """Give what limits cost in a year of the long run.

    Parameters
    ----------
    fit : Fit
        What is known of every stratum.
    u_limit : array, (n_strata, n_classes)
        Limits [1] (`limits.fleet_limits`).
    rate_per_day : array
        Mean exposure gained a day [1/day], with the learnt multiplier; broadcasts with the limits.
    n_in_service : array
        Batteries in service; broadcasts with the limits.
    dead_share : array, (n_strata,)
        Share of ends that come unannounced [0 … 1]. The upper bound of `limits.dead_shares` errs on the careful side.
    cells_per_change : array
        Cells in one set; broadcasts with the limits.

    Returns
    -------
    Price
        Nothing (0) where no battery is in service or no rate is known.
    """
    limit = held(u_limit)
    stratum = np.arange(limit.shape[0]).reshape(-1, *[1] * (limit.ndim - 1))
    used = mean_used(fit, limit)
    gained = held(rate_per_day) * np.clip(floats(n_in_service), 0.0, MOST_BATTERIES) * DAYS_PER_YEAR
    is_known = np.isfinite(gained) & (gained > 0) & np.isfinite(used)
    changes = np.where(is_known, gained, 0.0) / np.where(np.isfinite(used), used, 1.0)
    failed = fit.failed(np.broadcast_to(stratum, limit.shape), np.where(np.isfinite(used), limit, 0.0))
    ends = changes * failed
    share = floats(dead_share).reshape(-1, *[1] * (limit.ndim - 1))
    return Price(changes * floats(cells_per_change), ends, ends * share, used)


def price_of_shares(
    fit: Fit,
    p_dead: ArrayLike,
    p_call: ArrayLike,
    rate_per_day: ArrayLike,
    n_in_service: ArrayLike,
    dead_share: ArrayLike,
    *,
    cells_per_change: ArrayLike = 1.0,
) -> Price:
    """Give the price of policies (n_classes,), floor included; parameters as in `fleet_limits` and `policy_price`."""
    limits = fleet_limits(fit, p_dead, p_call, dead_share)
    return policy_price(fit, limits.u, rate_per_day, n_in_service, dead_share, cells_per_change=cells_per_change)


CURVE_Q = np.array([0.001, 0.002, 0.005, 0.01, 0.02, 0.03, 0.05, 0.075, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5])
"""Planning probabilities of the curve that a page draws."""


@dataclass(frozen=True, slots=True)
class Curve:
    """What each planning probability would cost, over all strata; every array has one entry per probability.

    Parameters
    ----------
    q : array
        Share of batteries that may end before their planned change [0 < q < 1].
    cells_a_year, ends_a_year, dead_a_year : array
        As in `Price`, summed over the strata [1/year].
    """

    q: FloatArray
    cells_a_year: FloatArray
    ends_a_year: FloatArray
    dead_a_year: FloatArray


def curve(
    fit: Fit,
    rate_per_day: ArrayLike,
    n_in_service: ArrayLike,
    dead_share: ArrayLike,
    q: ArrayLike = CURVE_Q,
    *,
    cells_per_change: ArrayLike = 1.0,
) -> Curve:
    """Give the price of every planning probability for one duty class.

    Parameters
    ----------
    fit : Fit
        What is known of every stratum.
    rate_per_day, n_in_service, dead_share : array, (n_strata,)
        Mean exposure a day [1/day], batteries in service, share of ends that come unannounced [0 … 1].
    q : array, (n_q,)
        Planning probabilities [0 < q < 1].
    cells_per_change : array, (n_strata,) or a number
        Cells in one set.

    Returns
    -------
    Curve
        Sums over the strata.

    Raises
    ------
    ValueError
        If a probability is out of range.
    """
    share = floats(q)
    if not bool(np.all((share > 0) & (share < 1))):
        raise ValueError("A planning probability must lie between 0 and 1.")
    dead = np.atleast_1d(floats(dead_share))
    u = fit.quantile(np.tile(share, (len(dead), 1)))
    rate, n, cells = (
        np.broadcast_to(np.atleast_1d(floats(x)), dead.shape)[:, np.newaxis]
        for x in (rate_per_day, n_in_service, cells_per_change)
    )
    price = policy_price(fit, u, rate, n, dead, cells_per_change=cells)
    sums = (x.sum(axis=0) for x in (price.cells_a_year, price.ends_a_year, price.dead_a_year))
    return Curve(share, *sums)
