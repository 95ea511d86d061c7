"""Would the model have been right? Cut the facts at the start of each half-year, predict, and compare with what happened.

Each cut knows what was known then: batteries in service are censored at it, ends that came to light later are unknown.
Predicted ends are cumulated hazard over the exposure that each battery really drew in the half-year, so the test is of
lives given use, not of a forecast of use; under a right model happened − predicted is noise of mean 0. A battery that was
in service at the cut is among the facts already, so its hazard is that of `chance_ahead`: −ln S alone would count its
survival twice, and predict too few ends wherever little is known. No data base.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maintenance.rules.battery.fleet import Batteries, FleetFit, Strata, fit_fleet
from maintenance.rules.battery.honesty import Histories, ended_early, expected_in, fixed_interval
from maintenance.rules.battery.limits import dead_shares, fleet_limits
from maintenance.rules.battery.lots import judge_lots
from maintenance.rules.due_facts import to_date, to_day

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

ExposureAt = Callable[[FloatArray], FloatArray]
"""Exposure of every battery at a day of its own, catalogue figures [day → 1]; defined beyond the end too."""
SeenBefore = Callable[[float], FloatArray]
"""Last day before a moment on which each battery was known to work; the moment itself where check-ins reach us."""
Learn = Callable[[Batteries, Strata], FleetFit]

N_DUTIES = 3
HALF_YEAR_MONTHS = (1, 7)
YEARLY_DAYS = 365.0
"""The fixed interval that the firm's way is held against: everything changed once a year."""
MIDNIGHT = 0.5
"""Days are whole numbers that stand for the whole day; a half-year begins half a day before its first one."""


@dataclass(frozen=True, slots=True)
class History:
    """Every battery that teaches something, one row each, with the day on which its end came to be known.

    Parameters
    ----------
    stratum, lot, duty : array of int
        Numbers; lot −1 = none; duty 0 life safety, 1 security, 2 convenience.
    fitted_day, entry_day : array
        Day of its fitting, and day since which our records follow it: the fitting, or the import [day since 2000].
    until_day : array
        Day of its end by wear, or day up to which it is known to have worked.
    is_end : array of bool
        Ended by wear.
    lower_day : array
        Left end of the interval (lower, until] of the end; NaN = on `until_day` exactly, or no end.
    known_day : array
        Day since which the end is known: the signal, the silence, or the visit that found it; NaN = `until_day`.
    out_day : array
        Day on which it came out; NaN = still in service.
    is_found_dead, is_signalled : array of bool
        Came out dead; came out alive after a low-battery signal.
    is_other : array of bool
        Came out for another cause than wear: counted as out, never as changed too early.
    sleep_share : array
        Share of the exposure that scales with the sleep current [0 … 1].
    """

    stratum: IntArray
    lot: IntArray
    duty: IntArray
    fitted_day: FloatArray
    entry_day: FloatArray
    until_day: FloatArray
    is_end: BoolArray
    lower_day: FloatArray
    known_day: FloatArray
    out_day: FloatArray
    is_found_dead: BoolArray
    is_signalled: BoolArray
    is_other: BoolArray
    sleep_share: FloatArray

    def __post_init__(self) -> None:
        if len({getattr(self, f.name).shape for f in fields(self)}) != 1 or self.stratum.ndim != 1:
            raise ValueError("The columns of a history must be one-dimensional and equally long.")

    def __len__(self) -> int:
        return int(self.stratum.shape[0])

    @property
    def stop_day(self) -> FloatArray:
        """Best guess of the day of the end, the middle of its interval; else the day up to which it worked."""
        has_interval = self.is_end & np.isfinite(self.lower_day)
        return np.where(has_interval, 0.5 * (self.lower_day + self.until_day), self.until_day)

    def known_before(self, cut: float) -> BoolArray:
        """Tell whose end had come to light before a moment [day]."""
        known_day = np.where(np.isfinite(self.known_day), self.known_day, self.until_day)
        return self.is_end & (known_day < cut)


@dataclass(frozen=True, slots=True)
class Policy:
    """The firm's risk per duty (three each): share that may die unannounced, share that may end at all."""

    p_dead: FloatArray
    p_call: FloatArray


@dataclass(frozen=True, slots=True)
class Cells:
    """What came of one half-year, one row per stratum × duty that had batteries in service.

    Parameters
    ----------
    stratum, duty, n_batteries : array of int
        Number of the stratum, duty, batteries that were in service on any day of it.
    predicted : array
        Ends by wear that the facts at its start made expect.
    happened, n_found_dead : array of int
        Ends by wear in it, and those of them that came unannounced.
    n_early : array of int
        Ends before the exposure limit that held at its start; the rest ended when a change was due already.
    n_changed, n_unspent : array of int
        Taken out in it for whatever reason; of them before any end, by plan.
    unspent : array
        Charge left in the latter, summed [1 = a battery of the catalogue].
    device_days : array
        Days in service within it.
    fixed_cells, fixed_dead : array
        Sets that a change once a year would have used in those days, and those of them found dead; NaN where no
        battery of the kind has been followed for a year.
    """

    stratum: IntArray
    duty: IntArray
    n_batteries: IntArray
    predicted: FloatArray
    happened: IntArray
    n_found_dead: IntArray
    n_early: IntArray
    n_changed: IntArray
    n_unspent: IntArray
    unspent: FloatArray
    device_days: FloatArray
    fixed_cells: FloatArray
    fixed_dead: FloatArray


@dataclass(frozen=True, slots=True)
class Period:
    """One half-year: first day, first day after it, what the prediction rested on, and its rows."""

    from_day: int
    to_day: int
    n_known: int
    n_ends_known: int
    cells: Cells


def half_years(first_day: float, last_day: int) -> list[tuple[int, int]]:
    """Give the half-years that begin after the first records, up to the one that holds the last day.

    Parameters
    ----------
    first_day : float
        Day on which the records begin [day since 2000]; NaN gives none.
    last_day : int
        Last day whose facts are known; the last half-year ends with it.

    Returns
    -------
    list of (int, int)
        First day, and first day after; the last one is cut off after `last_day`.
    """
    if not np.isfinite(first_day):
        return []
    begin, end = to_date(int(first_day)), to_date(last_day)
    starts = [
        to_day(date(year, month, 1))
        for year in range(begin.year, end.year + 1)
        for month in HALF_YEAR_MONTHS
        if first_day < to_day(date(year, month, 1)) <= last_day
    ]
    return list(zip(starts, [*starts[1:], last_day + 1][: len(starts)], strict=True))


def known_at(history: History, u_at: ExposureAt, cut: float, seen_before: SeenBefore | None = None) -> Batteries:
    """Give the batteries as they were known at a moment.

    Parameters
    ----------
    history : History
        All facts of today.
    u_at : callable
        Exposure at a day.
    cut : float
        Moment [day]; what came to light at or after it is unknown.
    seen_before : callable, optional
        Up to when an unknown end leaves a battery alive; left out, every battery is taken as followed by its check-ins.

    Notes
    -----
    Only rows with a finite, positive span of exposure are given: the rest teaches nothing.
    """
    is_end = history.known_before(cut)
    seen_day = seen_before(cut) if seen_before else np.full(len(history), cut)
    last_day = np.where(is_end, history.until_day, np.minimum(history.until_day, seen_day))
    # An end that nobody knew of yet: worked until then, for all that was known.
    unseen = history.is_end & ~is_end
    last_day = np.where(unseen, np.minimum(seen_day, cut), last_day)
    end_u, entry_u = u_at(last_day), u_at(history.entry_day)
    has_interval = is_end & np.isfinite(history.lower_day)
    lower_u = u_at(np.where(has_interval, history.lower_day, history.entry_day))
    keep = (history.entry_day < cut) & np.isfinite(end_u) & (entry_u >= 0) & (end_u > entry_u)
    return Batteries.of(
        stratum=history.stratum[keep],
        end_u=end_u[keep],
        entry_u=entry_u[keep],
        is_end=is_end[keep],
        lower_u=np.where(has_interval, np.maximum(lower_u, entry_u), np.nan)[keep],
        sleep_share=history.sleep_share[keep],
        lot=history.lot[keep],
    )


def backtest(
    history: History,
    u_at: ExposureAt,
    strata: Strata,
    policy: Policy,
    *,
    last_day: int,
    seen_before: SeenBefore | None = None,
    learn: Learn = fit_fleet,
    watch: Callable[[int, int], None] = lambda done, total: None,
) -> list[Period]:
    """Predict every half-year from the facts at its start and count what happened.

    Parameters
    ----------
    history, u_at, strata, policy, seen_before
        See there.
    last_day : int
        Last day whose facts are in the history [day since 2000].
    learn : callable
        Fits the fleet; another one in tests.
    watch : callable
        Told (half-years done, half-years in all) after each: a job shows its progress with it.

    Returns
    -------
    list of Period
        Oldest first; none before a half-year has begun within the records.
    """
    begins = history.entry_day[np.isfinite(history.entry_day)]
    spans = half_years(float(begins.min()) if len(begins) else np.nan, last_day)
    per_day = _yearly_per_day(history)
    periods = []
    for done, (from_day, after_day) in enumerate(spans, start=1):
        begin, end = from_day - MIDNIGHT, after_day - MIDNIGHT
        known = known_at(history, u_at, begin, seen_before)
        known = known.subset(known.faults(strata.n) == 0)
        fit = learn(known, strata)
        seen_day = seen_before(begin) if seen_before else np.full(len(history), begin)
        span = _Span(
            begin, end, fit, _lot_factors(history, known, fit), _limits(history, fit, policy, begin, strata.n),
            np.maximum(np.minimum(seen_day, begin), history.entry_day),
        )  # fmt: skip
        cells = _count(history, u_at, span, per_day)
        periods.append(Period(from_day, after_day, len(known), int(known.is_end.sum()), cells))
        watch(done, len(spans))
    return periods


@dataclass(frozen=True, slots=True)
class _Span:
    """One half-year in days, with what was believed at its start.

    Fit, life factor of each battery's lot, limits, and the day up to which each battery was known to work.
    """

    begin: float
    end: float
    fit: FleetFit
    factor: FloatArray
    limit_u: FloatArray
    seen_day: FloatArray


def _yearly_per_day(history: History) -> FloatArray:
    """Sets used and found dead per device-day under a yearly change, (2, strata × duties); NaN where nothing is known."""
    n_keys = (int(history.stratum.max(initial=-1)) + 1) * N_DUTIES
    found = fixed_interval(
        Histories(
            group=history.stratum * N_DUTIES + history.duty,
            entry_day=history.entry_day - history.fitted_day,
            end_day=history.stop_day - history.fitted_day,
            is_end=history.is_end,
            is_dead=history.is_end & history.is_found_dead,
            is_changed=np.isfinite(history.out_day),
        ),
        YEARLY_DAYS,
    )
    per_day = np.full((2, n_keys), np.nan)
    days = np.where(found.is_known & (found.days > 0), found.days, np.nan)
    per_day[:, : len(days)] = np.stack([found.changes, found.dead]) / days
    return per_day


def _lot_factors(history: History, known: Batteries, fit: FleetFit) -> FloatArray:
    """Life factor of each battery's lot as judged at the cut; 1 without a lot."""
    n_lots = int(history.lot.max(initial=-1)) + 1
    if n_lots == 0:
        return np.ones(len(history))
    factor = judge_lots(known, fit, n_lots).factor
    return np.where(history.lot >= 0, factor[np.maximum(history.lot, 0)], 1.0)


def _limits(history: History, fit: FleetFit, policy: Policy, cut: float, n_strata: int) -> FloatArray:
    """Exposure limits (strata × duties) that the policy gave at the cut, with the signals seen until then."""
    known = history.known_before(cut)
    dead = np.bincount(history.stratum[known & history.is_found_dead], minlength=n_strata)
    signalled = np.bincount(history.stratum[known & history.is_signalled], minlength=n_strata)
    return np.asarray(fleet_limits(fit, policy.p_dead, policy.p_call, dead_shares(dead, signalled)).u)


def _ahead(fit: FleetFit, stratum: IntArray, known_u: FloatArray, from_u: FloatArray, to_u: FloatArray) -> FloatArray:
    """Give the ends expected from one exposure to another of batteries that the fit knows to have reached `known_u`."""
    to_end = fit.chance_ahead(stratum, known_u, np.maximum(to_u - known_u, 0.0))
    to_begin = fit.chance_ahead(stratum, known_u, np.maximum(from_u - known_u, 0.0))
    most = 1.0 - 1e-12
    return np.maximum(np.log1p(-np.minimum(to_begin, most)) - np.log1p(-np.minimum(to_end, most)), 0.0)


def _count(history: History, u_at: ExposureAt, span: _Span, per_day: FloatArray) -> Cells:
    """Add up one half-year by stratum × duty."""
    stop_day = np.minimum(history.stop_day, span.end)
    from_day = np.maximum(history.entry_day, span.begin)
    from_u, to_u = u_at(from_day), u_at(stop_day)
    here = (history.entry_day < span.end) & (stop_day > from_day) & np.isfinite(from_u) & np.isfinite(to_u)
    s, d = history.stratum[here], history.duty[here]
    share, factor = history.sleep_share[here], span.factor[here]
    used_u = span.fit.scaled(s, to_u[here], share)
    began_u = span.fit.scaled(s, from_u[here], share)
    hazard = expected_in(span.fit, s, began_u, used_u, factor)
    known_u = span.fit.scaled(s, u_at(span.seen_day)[here], share)
    among = (history.entry_day < span.begin)[here] & (known_u >= 0) & (known_u <= began_u)
    by_lot = factor[among]
    hazard[among] = _ahead(span.fit, s[among], known_u[among] / by_lot, began_u[among] / by_lot, used_u[among] / by_lot)
    ends_here = (history.is_end & (history.stop_day <= span.end))[here]
    # A battery that ended in an earlier half-year may be taken out in this one; its end has been counted there.
    out_here = (history.out_day > span.begin) & (history.out_day <= span.end)
    unspent = (out_here & ~history.is_end & ~history.is_other)[here]
    keys, n_keys = history.stratum * N_DUTIES + history.duty, per_day.shape[1]

    def total(weights: NDArray[np.generic], key: IntArray = keys[here]) -> FloatArray:
        return np.bincount(key, weights=np.asarray(weights, dtype=np.float64), minlength=n_keys).astype(np.float64)

    columns: dict[str, Any] = {
        "n_batteries": total(np.ones(len(s))),
        "predicted": total(np.nan_to_num(hazard)),
        "happened": total(ends_here),
        "n_found_dead": total(ends_here & history.is_found_dead[here]),
        "n_early": total(ended_early(ends_here, used_u, span.limit_u[s, d] * factor)),
        "n_changed": total(out_here, keys),
        "n_unspent": total(unspent),
        "unspent": total(np.where(unspent, np.maximum(1.0 - used_u, 0.0), 0.0)),
        "device_days": total((stop_day - from_day)[here]),
    }
    columns["fixed_cells"], columns["fixed_dead"] = per_day * columns["device_days"]
    rows = np.flatnonzero((columns["n_batteries"] > 0) | (columns["n_changed"] > 0))
    counts = {f.name for f in fields(Cells) if "IntArray" in str(f.type)}
    return Cells(
        stratum=rows // N_DUTIES,
        duty=rows % N_DUTIES,
        **{name: column[rows].astype(np.int64) if name in counts else column[rows] for name, column in columns.items()},
    )
