"""Was the model right, and what did caution cost? Predicted against happened, charge thrown away, and a fixed interval instead.

Sums of expected ends are fair whatever is done to the batteries: for lives that follow the fit, ends seen minus ends
expected has mean 0 in any period, for any group that was chosen before it. Source: the project's battery model, sections 5 and 7.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv

from maintenance.rules.battery.fits import BoolArray, Fit, FloatArray, IntArray, floats, held
from maintenance.rules.battery.hazard import cumulated_by
from maintenance.rules.battery.lots import group_z, interval_of_ratio

LEAST_FACTOR = 0.01
"""No lot lives shorter than this share of its kind's."""
LONGEST_DAYS = 100_000.0
"""Ages beyond this [day] are mistakes, and left out."""


def expected_in(fit: Fit, stratum: ArrayLike, u_from: ArrayLike, u_to: ArrayLike, f: ArrayLike = 1.0) -> FloatArray:
    """Give the ends expected of each battery while it went from one exposure to another.

    Parameters
    ----------
    fit : Fit
        What was known at the start of the period.
    stratum : array of int
        Stratum of each battery.
    u_from, u_to : array
        Exposure at the start of the period (or at the fitting in it) and at its end (or at the end of the battery) [1],
        with the learnt multiplier (`fit.scaled`).
    f : array
        Life factor of the battery's lot (0 … 1].

    Returns
    -------
    array
        H(u_to / f) − H(u_from / f) [0 …], H = −ln S; 0 where `u_to` is not above `u_from`, NaN where a number is unknown
        or negative.
    """
    which, begin, end, factor = np.broadcast_arrays(np.asarray(stratum), floats(u_from), floats(u_to), floats(f))
    is_sound = np.isfinite(begin) & np.isfinite(end) & (begin >= 0) & (end >= 0) & (factor > 0) & np.isfinite(factor)
    divisor = np.where(is_sound, np.maximum(factor, LEAST_FACTOR), 1.0)
    low, high = (held(np.where(is_sound, u, 0.0)) / divisor for u in (begin, end))
    cumulated = cumulated_by(fit, which)
    gained = cumulated(which, np.maximum(low, high)) - cumulated(which, low)
    return np.where(is_sound, np.maximum(gained, 0.0), np.nan)


@dataclass(frozen=True, slots=True)
class Compared:
    """Predicted against happened; every array has one entry per group.

    Parameters
    ----------
    n : array of int
        Batteries in the group.
    expected : array
        Ends predicted.
    happened : array of int
        Ends seen.
    ratio, low, high : array
        Happened over predicted, and the interval of the true ratio; NaN where nothing was predicted.
    z : array
        Standard deviations apart (`lots.group_z`).
    """

    n: IntArray
    expected: FloatArray
    happened: IntArray
    ratio: FloatArray
    low: FloatArray
    high: FloatArray
    z: FloatArray


def compared(
    group: ArrayLike, expected: ArrayLike, is_end: ArrayLike, n_groups: int, *, level: float = 0.9
) -> Compared:
    """Add up predicted and happened by group: duty class, type, lot, half-year.

    Parameters
    ----------
    group : array of int
        Group of each battery; numbers outside 0 … n_groups − 1 are left out.
    expected : array
        Ends expected of it (`expected_in`); NaN is left out with its battery.
    is_end : array of bool
        Whether it ended by wear in the period.
    n_groups : int
        Number of groups.
    level : float
        Chance that an interval holds the true ratio, at least.
    """
    which, x, end = np.asarray(group), floats(expected), np.asarray(is_end, dtype=np.bool_)
    counts = (which >= 0) & (which < n_groups) & np.isfinite(x)
    g = which[counts].astype(np.int64)
    n = np.bincount(g, minlength=n_groups)
    total = floats(np.bincount(g, weights=x[counts], minlength=n_groups))
    happened = np.bincount(g, weights=end[counts], minlength=n_groups).astype(np.int64)
    low, high = interval_of_ratio(happened, total, level)
    ratio = happened / np.where(total > 0, total, np.nan)
    return Compared(n, total, happened, ratio, low, high, group_z(happened, total))


def share_interval(n_hits: ArrayLike, n: ArrayLike, level: float = 0.9) -> tuple[FloatArray, FloatArray]:
    """Bound a share from counts, for example the share that was found dead of all that came out.

    Parameters
    ----------
    n_hits, n : array
        Counts, 0 ≤ hits ≤ n.
    level : float
        Chance that the interval holds the true share, at least [0 < level < 1].

    Returns
    -------
    low, high : array
        Exact limits [0 … 1]; 0 and 1 where n is 0.

    Notes
    -----
    Quantiles of Beta(k, n − k + 1) and Beta(k + 1, n − k) (C. J. Clopper and E. S. Pearson, Biometrika 26, 1934; from
    memory).
    """
    if not 0.0 < level < 1.0:
        raise ValueError("The level of an interval must lie between 0 and 1.")
    total = np.maximum(np.nan_to_num(floats(n)), 0.0)
    hits = np.clip(np.nan_to_num(floats(n_hits)), 0.0, total)
    misses = total - hits
    low = np.where(hits > 0, betaincinv(np.maximum(hits, 1.0), misses + 1.0, 0.5 * (1.0 - level)), 0.0)
    high = np.where(misses > 0, betaincinv(hits + 1.0, np.maximum(misses, 1.0), 0.5 * (1.0 + level)), 1.0)
    return low, high


def ended_early(is_end: ArrayLike, end_u: ArrayLike, u_limit: ArrayLike) -> BoolArray:
    """Tell which batteries ended before their planned change: ended by wear below the limit that held for them."""
    return np.asarray(is_end, dtype=np.bool_) & (floats(end_u) < floats(u_limit))


@dataclass(frozen=True, slots=True)
class Histories:
    """What was lived, one row per set of cells.

    Parameters
    ----------
    group : array of int
        Strata or kinds that are looked at apart, from 0: a smoke detector's cells say nothing of a pendant's.
    entry_day, end_day : array
        Age at which records began (0 if fitted by us) and age at the end, removal, or last look [day].
    is_end : array of bool
        Ended by wear at `end_day`.
    is_dead : array of bool
        Ended unannounced (found dead).
    is_changed : array of bool
        Came out, for whatever reason.
    """

    group: IntArray
    entry_day: FloatArray
    end_day: FloatArray
    is_end: BoolArray
    is_dead: BoolArray
    is_changed: BoolArray

    def __post_init__(self) -> None:
        if len({np.shape(getattr(self, f.name)) for f in fields(self)}) != 1:
            raise ValueError("The columns differ in length.")


@dataclass(frozen=True, slots=True)
class FixedInterval:
    """What a fixed interval would have cost on the same history, beside what happened; one entry per group.

    Parameters
    ----------
    days : array
        Device-days of the history [day].
    changes, ends, dead : array
        Sets of cells that a change every so many days would have used in those days; ends in service before their
        change; those of them that come unannounced. NaN where nothing was followed for so long.
    changes_now, ends_now, dead_now : array of int
        The same as it happened.
    is_known : array of bool
        False where no battery was followed up to the interval, so that nothing can be said.
    """

    days: FloatArray
    changes: FloatArray
    ends: FloatArray
    dead: FloatArray
    changes_now: IntArray
    ends_now: IntArray
    dead_now: IntArray
    is_known: BoolArray


def fixed_interval(history: Histories, interval_days: float) -> FixedInterval:
    """Say what changing all cells at one age would have cost on the same history.

    Parameters
    ----------
    history : Histories
        Rows in any order; rows with an unknown or impossible age are left out.
    interval_days : float
        Age at which cells would be changed [day], above 0; 365 = every year.

    Returns
    -------
    FixedInterval
        One entry per group, from 0 to the largest number.

    Raises
    ------
    ValueError
        If the interval is not above 0.

    Notes
    -----
    Within a group, S(t) is the product-limit estimate with delayed entry, M = ∫₀^interval S dt the mean stay. D days use
    D / M sets, of which 1 − S(interval) end before their change. Product limit: E. L. Kaplan and P. Meier, J. Am. Stat.
    Assoc. 53 (1958), from memory; checked in the tests against lifelines.
    """
    if not interval_days > 0:
        raise ValueError("An interval must be longer than 0 days.")
    h = history
    entry, end = floats(h.entry_day), floats(h.end_day)
    sound = (entry >= 0) & (end > entry) & (end <= LONGEST_DAYS) & (np.asarray(h.group) >= 0)
    group = np.asarray(h.group, dtype=np.int64)[sound]
    n = int(group.max()) + 1 if len(group) else 0
    stay, share_end, share_dead = np.full((3, n), np.nan)
    order = np.argsort(group, kind="stable")
    bounds = np.searchsorted(group[order], np.arange(n + 1))
    for i in range(n):
        rows = np.flatnonzero(sound)[order[bounds[i] : bounds[i + 1]]]
        found = _product_limit(entry[rows], end[rows], h.is_end[rows], h.is_dead[rows], float(interval_days))
        stay[i], share_end[i], share_dead[i] = found
    days = floats(np.bincount(group, weights=end[sound] - entry[sound], minlength=n))
    is_known = np.isfinite(stay)
    changes = days / stay
    now = [np.bincount(group[np.asarray(c)[sound]], minlength=n) for c in (h.is_changed, h.is_end, h.is_dead)]
    return FixedInterval(days, changes, changes * share_end, changes * share_dead, now[0], now[1], now[2], is_known)


def _product_limit(
    entry: FloatArray, end: FloatArray, is_end: BoolArray, is_dead: BoolArray, interval: float
) -> tuple[float, float, float]:
    """Give mean stay [day], share ended and share found dead up to the interval; NaN where nothing was followed so long."""
    if not (end >= interval).any():
        return (np.nan, np.nan, np.nan)
    at = np.unique(end[is_end & (end < interval)])
    # At risk at t: entered before t, and not ended before t.
    at_risk = np.searchsorted(np.sort(entry), at, side="left") - np.searchsorted(np.sort(end), at, side="left")
    ended = np.searchsorted(np.sort(end[is_end]), at, side="right") - np.searchsorted(np.sort(end[is_end]), at, "left")
    dead_at = np.sort(end[is_end & is_dead])
    dead = np.searchsorted(dead_at, at, side="right") - np.searchsorted(dead_at, at, side="left")
    after = np.cumprod(1.0 - ended / at_risk)
    before = np.concatenate([[1.0], after])
    if before[-1] <= 0.0:
        # The only battery at risk ended, before others entered: too few were followed at that age.
        return (np.nan, np.nan, np.nan)
    stay = float(np.sum(before * np.diff(np.concatenate([[0.0], at, [interval]]))))
    return stay, float(1.0 - before[-1]), float(np.sum(before[:-1] * dead / at_risk))
