"""Which supervision window suits a slot, by its own record of check-ins: quiet enough, and short enough for its duty. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from devices.rules.legality import MIN_CHECK_INS_PER_WINDOW
from devices.rules.nuisance import misses_in_window
from devices.rules.radio_record import (
    MIN_DAYS,
    MIN_EXPECTED,
    MOST_A_YEAR,
    QUARTER_S,
    RadioRecord,
    faults_a_year,
    rate_words,
)
from devices.rules.words import DUTY_WORDS, count_words, span_words


@dataclass(frozen=True, slots=True)
class Ask:
    """The slot, and what is asked of its window.

    Attributes
    ----------
    window_s : int or None
        Window in use [s]; 0 = not supervised, None = not known.
    interval_s : int
        Check-in interval [s].
    offered_s : sequence of int
        Windows that the receiver can be set to [s]; empty = not known.
    longest_s : int or None
        Longest window that the duty class asks for [s]; None = no limit set.
    duty : str
        Duty class.
    source : str
        Whose figure the longest window is.
    """

    window_s: int | None
    interval_s: int
    offered_s: Sequence[int]
    longest_s: int | None
    duty: str
    source: str = ""


@dataclass(frozen=True, slots=True)
class WindowOption:
    """One window, judged.

    Attributes
    ----------
    window_s : int
        [s].
    misses : int
        Check-ins lost in a row that make a fault [count]; quarter hours without any where `by_quarter`.
    a_year, at_most : float or None
        Faults a year without anything being wrong, by the share lost and by its upper limit [1/year]; None = not known.
    is_current, is_under_two, is_over_duty : bool
        In use now; holds fewer than two check-ins; longer than the duty asks.
    by_quarter : bool
        The record is kept by the quarter hour.
    """

    window_s: int
    misses: int
    a_year: float | None
    at_most: float | None
    is_current: bool
    is_under_two: bool
    is_over_duty: bool
    by_quarter: bool = False

    @property
    def is_quiet(self) -> bool | None:
        """At most one such fault a year is expected; None = not known."""
        return None if self.a_year is None else self.a_year <= MOST_A_YEAR

    @property
    def fits(self) -> bool:
        """Quiet, short enough for its duty, and at least two check-ins long."""
        return bool(self.is_quiet) and not self.is_under_two and not self.is_over_duty

    @property
    def verdict(self) -> str:
        """Why it fits or does not, in words."""
        against = []
        if self.is_under_two:
            against.append("shorter than two check-ins")
        if self.is_quiet is False:
            against.append("would cry wolf more than once a year")
        if self.is_over_duty:
            against.append("longer than the duty asks")
        if self.is_quiet is None and not against:
            return "cannot be told from this record"
        return "; ".join(against) or "fits"


@dataclass(frozen=True, slots=True)
class WindowAdvice:
    """The windows and what to do.

    Attributes
    ----------
    code : str
        keep, change, path (a better path first) or unknown.
    headline : str
        The advice in one sentence.
    reasons : tuple of str
        Why.
    options : tuple of WindowOption
        Shortest first.
    window_s : int or None
        Window to change to [s], for `change`.
    """

    code: str
    headline: str
    reasons: tuple[str, ...]
    options: tuple[WindowOption, ...]
    window_s: int | None = None


BETTER_PATH = (
    "Take a reading on site: signal margin at the receiver, with doors as they usually stand.",
    "Move the transmitter or the receiver's aerial, away from metal, and take another reading.",
    "If that does not help, put a repeater between them.",
)
"""What helps where no window does. Common practice, no source."""


def judge_windows(record: RadioRecord, ask: Ask) -> tuple[WindowOption, ...]:
    """Judge every window offered, and the one in use, shortest first."""
    windows = sorted({*ask.offered_s, *([ask.window_s] if ask.window_s else [])})
    by_quarter = ask.interval_s < QUARTER_S
    options = []
    for window_s in windows:
        a_year = at_most = None
        if record.is_enough:
            a_year = faults_a_year(record.share, record.burst, window_s, ask.interval_s)
            at_most = faults_a_year(record.limits[1], record.burst, window_s, ask.interval_s)
        options.append(
            WindowOption(
                window_s=window_s, misses=misses_in_window(window_s, max(ask.interval_s, QUARTER_S)), a_year=a_year,
                at_most=at_most, by_quarter=by_quarter, is_current=window_s == ask.window_s,
                is_under_two=window_s < MIN_CHECK_INS_PER_WINDOW * ask.interval_s,
                is_over_duty=bool(ask.longest_s and window_s > ask.longest_s),
            )
        )  # fmt: skip
    return tuple(options)


def advise(record: RadioRecord, ask: Ask) -> WindowAdvice:
    """Advise on the window of a slot.

    Parameters
    ----------
    record : RadioRecord
        Its own record, outages left out.
    ask : Ask
        The slot and its duty's longest window.

    Returns
    -------
    WindowAdvice
        `keep` where the window in use fits; `change` to the shortest that fits; `path` where none does; `unknown` where
        too little is on record.
    """
    options = judge_windows(record, ask)
    if not record.is_enough:
        return WindowAdvice("unknown", "There is too little of its own record to advise on its window.",
                            (_basis_words(record),), options)  # fmt: skip
    current = next((one for one in options if one.is_current), None)
    if current is not None and current.fits:
        return WindowAdvice("keep", f"The window of {span_words(current.window_s)} may stay.",
                            (_why(current, record), *_duty(ask)), options)  # fmt: skip
    fitting = next((one for one in options if one.fits), None)
    if fitting is not None:
        against = () if current is None else (f"The window in use, {span_words(current.window_s)}: {current.verdict}.",)
        return WindowAdvice("change", f"Set the window to {span_words(fitting.window_s)}.",
                            (_why(fitting, record), *against, *_duty(ask)), options, fitting.window_s)  # fmt: skip
    if any(one.is_quiet is None for one in options) or not options:
        return WindowAdvice("unknown", "No window can be advised from what is known.",
                            (_basis_words(record), *_duty(ask)), options)  # fmt: skip
    return WindowAdvice("path", "No window is both quiet and short enough: a better path first.",
                        (_none_fits(options), *_duty(ask), *BETTER_PATH), options)  # fmt: skip


def _why(option: WindowOption, record: RadioRecord) -> str:
    assert option.a_year is not None
    floor = "" if record.burst or not record.lost else ", at the least"
    lost = f"{count_words(option.misses, 'check-in')} would have to be lost in a row"
    if option.by_quarter:
        lost = f"{count_words(option.misses, 'quarter hour')} in a row would have to pass without a check-in"
    return f"{lost}: {rate_words(option.a_year)}{floor}, although the transmitter works."


def _duty(ask: Ask) -> tuple[str, ...]:
    duty = DUTY_WORDS.get(ask.duty, ask.duty)
    if not ask.longest_s:
        return (f"No longest window is set for {duty}.",)
    source = f" (asked by: {ask.source})" if ask.source else ""
    return (f"For {duty} a window of at most {span_words(ask.longest_s)} is asked{source}.",)


def _none_fits(options: Sequence[WindowOption]) -> str:
    quiet = [one for one in options if one.is_quiet and not one.is_under_two]
    if quiet:
        return f"Only {span_words(quiet[0].window_s)} or longer would be quiet, and that is longer than the duty asks."
    return "Every window that the receiver offers would raise more than one fault a year without anything being wrong."


def _basis_words(record: RadioRecord) -> str:
    return (
        f"On record: {count_words(record.n_days, 'day')} with {count_words(record.expected, 'expected check-in')}; "
        f"advice needs {MIN_DAYS} days and {MIN_EXPECTED}."
    )
