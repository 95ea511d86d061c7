"""What happened to each set of cells, and what that teaches about wear: an end, an interval, a survivor, or nothing.

Everything is in days (whole days since 1 January 2000 in this product; any count of days will do). Whoever knows the rates turns
the days into exposure afterwards. The end of a life is the first of *low-battery signal seen* and *dead*. A battery that
nobody looked at is never a survivor: it counts as alive up to the last sign of life only. Source: the project's battery
model, sections 3 and 13.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

WHY = MappingProxyType(
    {
        "": 0,
        "preventive": 1,
        "low_battery": 2,
        "dead": 3,
        "leaked": 4,
        "defect": 5,
        "wrong_type": 6,
        "retired": 7,
        "unknown": 8,
    }
)
"""Why cells came out, as numbers; 0 = still in service. Any other number is read as unknown."""

NONE, WEAR, OTHER = 0, 1, 2
CAUSES = MappingProxyType({NONE: "none", WEAR: "wear", OTHER: "other"})
"""What ended the life: nothing yet (or a planned change), wear, or something that no earlier change would prevent."""

COUNTS, UNKNOWN_AGE, IN_FUTURE, ENDS_BEFORE_FITTING, ENDS_BEFORE_ENTRY, NOT_LIVED, NOT_SEEN = range(7)
LEFT_OUT = MappingProxyType(
    {
        UNKNOWN_AGE: "unknown_age",
        IN_FUTURE: "in_future",
        ENDS_BEFORE_FITTING: "ends_before_fitting",
        ENDS_BEFORE_ENTRY: "ends_before_entry",
        NOT_LIVED: "not_lived",
        NOT_SEEN: "not_seen",
    }
)
LEFT_OUT_WORDS = MappingProxyType(
    {
        UNKNOWN_AGE: "day of fitting not known",
        IN_FUTURE: "a date lies in the future",
        ENDS_BEFORE_FITTING: "came out before it was fitted",
        ENDS_BEFORE_ENTRY: "had ended before our records began",
        NOT_LIVED: "not yet a day in service, or came out on the day it was fitted",
        NOT_SEEN: "no sign of life since it was fitted or taken over",
    }
)
"""Why a row teaches nothing, in words for a page."""

DATED_WITHIN_DAYS = 3.0
"""A death that nobody can date to within so many days says little about a grace of one or two weeks. Own choice."""

_OTHER_WHY = (WHY["leaked"], WHY["defect"], WHY["wrong_type"])
_CAME_OUT_ALIVE = (WHY["preventive"], WHY["low_battery"])
_MILD_WHY = (WHY["preventive"], WHY["retired"], WHY["unknown"])


@dataclass(frozen=True, slots=True)
class EndFacts:
    """What is known about how cells fared, as equally long columns. Build it with `EndFacts.of`.

    Parameters
    ----------
    fitted_day : array
        Day of fitting [day]; negative or NaN = not known, here and in every other day.
    entered_day : array
        Day our records begin [day]. Later than the fitting = taken over in mid-life.
    removed_day : array
        Day the cells came out [day]; not known = still in service.
    why : array of int
        Why they came out, see `WHY`.
    first_low_day : array
        First low-battery signal of these cells [day]. Ignored unless it lies after the fitting and not after removal.
    last_alive_day : array
        Last sign of life before the end [day]: last check-in where check-ins reach us, else the last visit at which it
        worked. Where only faults reach us and the caller trusts "no fault", the caller gives today.
    silent_since_day : array
        Given only where the transmitter has been silent for more than three windows and its site is not in an outage:
        day of the last check-in [day].
    next_expected_day : array
        Day by which the check-in after the last one was expected [day].
    has_log : array of bool
        Check-ins and signals reach us by radio as they are sent, so that days are exact.
    signals_reach_us : array of bool
        Faults reach us as they are raised, though check-ins may not: the day of a signal is exact.
    volts, cutoff_volts : array
        Voltage measured when the cells came out, and the voltage at which the transmitter stops [V].
    is_under_load : array of bool
        The voltage was measured under load; a voltage without load proves nothing.
    low_confirmed : array of bool
        The signal was repeated on two days or seen on a visit. One that cold or a heavy load brought is no end.
    low_noted : array of bool
        The signal stands noted on the cells, so that their due date counted from it, confirmed or not.
    """

    fitted_day: FloatArray
    entered_day: FloatArray
    removed_day: FloatArray
    why: IntArray
    first_low_day: FloatArray
    last_alive_day: FloatArray
    silent_since_day: FloatArray
    next_expected_day: FloatArray
    has_log: BoolArray
    signals_reach_us: BoolArray
    volts: FloatArray
    cutoff_volts: FloatArray
    is_under_load: BoolArray
    low_confirmed: BoolArray
    low_noted: BoolArray

    def __post_init__(self) -> None:
        if len({getattr(self, f.name).shape for f in fields(self)}) != 1 or self.why.ndim != 1:
            raise ValueError("The columns differ in length.")

    @classmethod
    def of(cls, n: int, **columns: ArrayLike) -> EndFacts:
        """Make the columns, in one place for what is not known.

        Parameters
        ----------
        n : int
            Rows.
        **columns
            Numbers (for all rows) or arrays of n; a column left out is not known, or false.

        Returns
        -------
        EndFacts
            Days and volts as floats, NaN where a value is negative, infinite or not a number.

        Raises
        ------
        ValueError
            If a column is not one of `EndFacts`, or of another length.
        """
        names = {f.name for f in fields(cls)}
        if columns.keys() - names:
            raise ValueError(f"No such column: {', '.join(sorted(columns.keys() - names))}.")
        made: dict[str, Any] = {}
        for name in names:
            given = np.asarray(columns.get(name, np.nan if name not in _FLAGS else False))
            if given.ndim > 1 or (given.ndim == 1 and given.shape != (n,)):
                raise ValueError("The columns differ in length.")
            made[name] = _column(name, np.broadcast_to(given, (n,)))
        return cls(**made)


_FLAGS = frozenset({"has_log", "signals_reach_us", "is_under_load", "low_confirmed", "low_noted"})


def _column(name: str, given: NDArray[np.generic]) -> NDArray[np.generic]:
    """Bring one column to its type; NaN is false in a flag and unknown elsewhere."""
    if given.dtype == np.bool_ and name in _FLAGS:
        return given.copy()
    values = np.asarray(given, dtype=np.float64)
    if name in _FLAGS:
        return np.asarray(np.nan_to_num(values) != 0)
    if name == "why":
        known = np.isin(values, list(WHY.values()))
        return np.where(known, np.nan_to_num(values), np.where(np.isnan(values), 0, WHY["unknown"])).astype(np.int64)
    return np.where(np.isfinite(values) & (values >= 0), values, np.nan)


@dataclass(frozen=True, slots=True)
class Outcomes:
    """What each row teaches; every array has one entry per row of `EndFacts`.

    Parameters
    ----------
    is_end : array of bool
        Ended by wear and fit to count.
    end_day : array
        Day of the end, or up to which it is known to have lived [day]; NaN only where the row is left out.
    lower_day : array
        Left end of the interval (lower, end] in which it ended [day]; NaN = on `end_day` exactly, or no end.
    entry_day : array
        Day from which it counts [day]; the day of fitting, or later where it was taken over in mid-life.
    cause : array of int
        `NONE`, `WEAR` or `OTHER`; told also of rows that are left out.
    left_out : array of int
        0 = counts, else the reason, see `LEFT_OUT` and `LEFT_OUT_WORDS`.
    is_provisional : array of bool
        Taken as ended because it is silent; a visit will tell.
    is_found_dead : array of bool
        Came out dead. Told also where the age is not known.
    is_signalled : array of bool
        Came out alive after a low-battery signal: signalled in time. Told also where the age is not known.
    gap_days : array
        Time from the first signal to the death of those found dead after one [day], never longer than it was; NaN = no
        such death, or nobody can date it to within `DATED_WITHIN_DAYS`. Told also where the age is not known.
    outlasted_days : array
        Time from the first signal for which the others are known to have lasted after it [day]; NaN = no signal, or found
        dead. Both are told only where check-ins reach us: elsewhere those that lived to a visit are dated and those that
        did not are not, and who counts the first alone learns that batteries last longer than they do.
    """

    is_end: BoolArray
    end_day: FloatArray
    lower_day: FloatArray
    entry_day: FloatArray
    cause: IntArray
    left_out: IntArray
    is_provisional: BoolArray
    is_found_dead: BoolArray
    is_signalled: BoolArray
    gap_days: FloatArray
    outlasted_days: FloatArray

    @property
    def lived_days(self) -> FloatArray:
        """Days under observation [day]; 0 where the row is left out."""
        return np.where(self.left_out == COUNTS, self.end_day - self.entry_day, 0.0)


@dataclass(frozen=True, slots=True)
class _Seen:
    """The facts once more, without what cannot be true: signals of other cells, signs of life after removal."""

    entry: FloatArray
    removed: FloatArray
    low: FloatArray
    alive: FloatArray
    silent: FloatArray
    expected: FloatArray


def outcomes(facts: EndFacts, today_day: float) -> Outcomes:
    """Say what each set of cells teaches about wear.

    Parameters
    ----------
    facts : EndFacts
        Columns. Nothing in them raises or warns: what cannot be used gets a reason.
    today_day : float
        Today [day].

    Returns
    -------
    Outcomes
        One entry per row.

    Notes
    -----
    ============================================  ====================================================================
    what happened                                 what it counts as
    ============================================  ====================================================================
    came out after a low-battery signal           end on the day of the first signal; without a log (last alive, out]
    open signal, confirmed, still in service      the same, today
    found dead                                    end in (last check-in, next expected]; without a log (last alive, out]
    silent now, site not in an outage             the same, provisional
    planned change, retired, unknown              lived up to that day
    the same, but under load below cut-off        end in (last alive, out]
    leaked, defect, wrong cells                   another cause: lived up to that day
    in service                                    lived up to the last sign of life (today, where the log is running)
    taken over in mid-life                        counts from the day our records begin
    ============================================  ====================================================================
    """
    seen = _cleaned(facts, today_day)
    is_out = np.isfinite(facts.removed_day)
    why = np.where(is_out, np.where(facts.why == 0, WHY["unknown"], facts.why), 0)
    is_other, is_dead = np.isin(why, _OTHER_WHY), why == WHY["dead"]
    is_mild = np.isin(why, _MILD_WHY)
    is_low = ~is_other & ((why == WHY["low_battery"]) | (facts.low_confirmed & np.isfinite(seen.low)))
    is_silent = ~is_low & np.isfinite(seen.silent) & (~is_out | (why == WHY["unknown"]))
    below = facts.is_under_load & (facts.volts < facts.cutoff_volts)
    kinds = [is_low, is_dead | is_silent, is_mild & below]
    ends = [_by_signal(facts, seen), _by_silence(facts, seen), _by_look(seen)]
    is_wear = np.logical_or.reduce(kinds)
    end = np.select(kinds, [e for e, _ in ends], _lived_to(facts, seen, is_out, today_day))
    lower = np.select(kinds, [low for _, low in ends], np.nan)
    lower = np.where(is_wear, np.maximum(lower, seen.entry), np.nan)
    lower = np.where(lower < end, lower, np.nan)
    left_out = _left_out(facts, seen, end, is_wear | is_out, today_day)
    return Outcomes(
        is_end=is_wear & (left_out == COUNTS),
        end_day=end,
        lower_day=lower,
        entry_day=seen.entry,
        cause=np.select([is_wear, is_other], [WEAR, OTHER], NONE).astype(np.int64),
        left_out=left_out,
        is_provisional=is_silent & (left_out == COUNTS),
        is_found_dead=is_dead,
        is_signalled=is_low & is_out & ~is_dead,
        gap_days=_gap_days(facts, seen, is_dead & (facts.removed_day <= today_day)),
        outlasted_days=_outlasted_days(facts, seen, is_dead, np.isin(why, _CAME_OUT_ALIVE)),
    )


def _cleaned(facts: EndFacts, today_day: float) -> _Seen:
    """Leave out what cannot belong to these cells. A day that is not known compares as false."""
    f = facts
    removed = np.where(np.isfinite(f.removed_day), f.removed_day, today_day)
    last = np.minimum(removed, today_day)
    begun = np.nan_to_num(f.fitted_day, nan=-1.0)
    entry = np.where(f.entered_day > f.fitted_day, f.entered_day, f.fitted_day)
    low = np.where((f.first_low_day > begun) & (f.first_low_day <= last), f.first_low_day, np.nan)
    alive = np.where((f.last_alive_day >= begun) & (f.last_alive_day <= today_day), f.last_alive_day, np.nan)
    silent = np.where((f.silent_since_day >= begun) & (f.silent_since_day <= last), f.silent_since_day, np.nan)
    expected = np.where(f.next_expected_day >= begun, f.next_expected_day, np.nan)
    return _Seen(entry, last, low, np.minimum(alive, last), silent, np.minimum(expected, last))


def _by_signal(facts: EndFacts, seen: _Seen) -> tuple[FloatArray, FloatArray]:
    """End and left end after a signal: exact by radio, else between the last look before it and the day it was seen."""
    end = np.where(np.isfinite(seen.low), seen.low, seen.removed)
    is_exact = (facts.has_log | facts.signals_reach_us) & np.isfinite(seen.low)
    return end, np.where(is_exact, np.nan, np.where(seen.alive < end, seen.alive, seen.entry))


def _by_silence(facts: EndFacts, seen: _Seen) -> tuple[FloatArray, FloatArray]:
    """End and left end of a life that just stopped: between the last sign of life and the next one expected."""
    last = np.fmax(seen.alive, seen.silent)
    by_log = (facts.has_log | np.isfinite(seen.silent)) & np.isfinite(last)
    day_after = np.where(np.isfinite(seen.silent), np.fmin(last + 1.0, seen.removed), seen.removed)
    expected = np.where(seen.expected >= last, seen.expected, day_after)
    end = np.where(by_log, expected, seen.removed)
    return end, np.where(np.isfinite(last), last, seen.entry)


def _gap_days(facts: EndFacts, seen: _Seen, is_dead: BoolArray) -> FloatArray:
    """Time from signal to death [day]: up to the last sign of life, the earliest moment at which it can have died.

    Whoever signals is alive. A signal that somebody read on the day that the cells were found dead may be of any age.
    """
    latest, last = _by_silence(facts, seen)
    earliest = np.fmax(last, seen.low)
    # Signalled after the last check-in on record: that log says nothing about the end.
    latest = np.where(latest >= earliest, latest, seen.removed)
    is_told = is_dead & _signalled(facts, seen)
    return np.where(is_told & (latest - earliest <= DATED_WITHIN_DAYS), earliest - seen.low, np.nan)


def _outlasted_days(facts: EndFacts, seen: _Seen, is_dead: BoolArray, is_out_alive: BoolArray) -> FloatArray:
    """Time from signal to the last moment at which they are known to have lived [day]: the change, or a sign of life.

    Whoever changed them may have taken them for alive though their check-ins had stopped: then the log has the last word.
    """
    heard = np.fmax(seen.alive, seen.silent)
    is_out_alive = is_out_alive & (facts.removed_day <= seen.removed)
    is_out_alive &= ~(seen.removed - heard > DATED_WITHIN_DAYS)
    last = np.where(is_out_alive, seen.removed, heard)
    return np.where(~is_dead & _signalled(facts, seen) & (last >= seen.low), last - seen.low, np.nan)


def _signalled(facts: EndFacts, seen: _Seen) -> BoolArray:
    """A signal that began before the day on which the cells came out, that somebody could act on, and what followed is logged."""
    return facts.has_log & (facts.low_confirmed | facts.low_noted) & (seen.low < seen.removed)


def _by_look(seen: _Seen) -> tuple[FloatArray, FloatArray]:
    """End and left end of cells found too weak when they came out."""
    return seen.removed, np.where(np.isfinite(seen.alive), seen.alive, seen.entry)


def _lived_to(facts: EndFacts, seen: _Seen, is_out: BoolArray, today_day: float) -> FloatArray:
    """Day up to which a battery that did not wear out is known to have worked [day]; NaN = never seen to work."""
    is_other = np.isin(facts.why, _OTHER_WHY)
    out = np.fmin(seen.removed, seen.silent)
    out = np.where(is_other & facts.low_confirmed, np.fmin(out, seen.low), out)
    in_service = np.where(np.isfinite(seen.alive), seen.alive, np.where(facts.has_log, today_day, np.nan))
    return np.where(is_out, out, in_service)


def _left_out(facts: EndFacts, seen: _Seen, end: FloatArray, is_settled: BoolArray, today_day: float) -> IntArray:
    """Reason for which a row cannot count, the plainest first."""
    begin = np.fmax(facts.fitted_day, facts.entered_day)
    # Nobody has looked, though there was time to.
    is_unseen = ~np.isfinite(end) | (~is_settled & (end <= seen.entry) & (today_day > seen.entry))
    reasons = [
        (~np.isfinite(facts.fitted_day), UNKNOWN_AGE),
        ((begin > today_day) | (facts.removed_day > today_day), IN_FUTURE),
        (facts.removed_day < facts.fitted_day, ENDS_BEFORE_FITTING),
        (is_unseen, NOT_SEEN),
        (end <= facts.fitted_day, NOT_LIVED),
        (end < seen.entry, ENDS_BEFORE_ENTRY),
        (end == seen.entry, NOT_LIVED),
    ]
    return np.select([r for r, _ in reasons], [c for _, c in reasons], COUNTS).astype(np.int64)
