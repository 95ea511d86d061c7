"""Which supervision window suits a slot, by its own record of check-ins: quiet enough, and short enough for its duty. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from devices.rules.false_faults import DAYS_A_YEAR, FalseFaults, cries_wolf, false_faults, is_denied, is_exceeded
from devices.rules.findings_facts import SupervisionAsk, off_is_right, source_words, window_over
from devices.rules.legality import MIN_CHECK_INS_PER_WINDOW
from devices.rules.nuisance import misses_in_window
from devices.rules.radio_record import MIN_DAYS, MIN_EXPECTED, QUARTER_S, RadioRecord, Watched, rate_words
from devices.rules.words import DUTY_WORDS, WINDOW_OFF, count_words, span_words


@dataclass(frozen=True, slots=True)
class Ask:
    """The slot, and what is asked of its window.

    Attributes
    ----------
    window_s : int or None
        Window in use [s]; 0 = not supervised, None = not known.
    interval_s : int
        Check-in interval [s]; 0 = not known, then no window can be judged.
    offered_s : sequence of int
        Windows that the receiver can be set to [s]; empty = not known.
    longest_s : int or None
        Longest window that the duty class asks for [s]; None = no limit set.
    duty : str
        Duty class.
    source : str
        Whose figure the longest window is.
    is_portable : bool
        The transmitter leaves the site.
    can_switch_off : bool
        The receiver can do without a window for one slot.
    """

    window_s: int | None
    interval_s: int
    offered_s: Sequence[int]
    longest_s: int | None
    duty: str
    source: str = ""
    is_portable: bool = False
    can_switch_off: bool = True

    @property
    def off_is_right(self) -> bool:
        """Whether it is best without a window."""
        return off_is_right(is_portable=self.is_portable)

    def is_over(self, window_s: int) -> bool:
        """Whether a window [s] is longer than the duty asks, by the rule of the findings."""
        asked = SupervisionAsk(self.duty, must_supervise=False, longest_window_s=self.longest_s, source=self.source)
        return window_over(asked, window_s=window_s, is_portable=self.is_portable)

    def needs_reason(self, window_s: int) -> bool:
        """Whether a window [s] may be planned only by somebody who says why: longer than the duty asks, or a window for what
        leaves the site.
        """
        return bool(window_s) and (self.is_over(window_s) or self.off_is_right)


@dataclass(frozen=True, slots=True)
class WindowOption:
    """One window, judged.

    Attributes
    ----------
    window_s : int
        [s].
    misses : int
        Check-ins lost in a row that make a fault [count].
    rates : FalseFaults or None
        Faults a year without anything being wrong; None = too little on record.
    is_quiet : bool or None
        At most one such fault a year is expected; None = it cannot be told.
    is_current, is_under_two, is_over_duty, leaves_site : bool
        In use now; holds fewer than two check-ins; longer than the duty asks; for a transmitter that leaves the site.
    is_denied : bool
        More are expected than the record of faults allows.
    is_exceeded : bool
        The window in use raised more faults than its figures allow: no figure of this record can be relied on.
    """

    window_s: int
    misses: int
    rates: FalseFaults | None
    is_quiet: bool | None
    is_current: bool
    is_under_two: bool
    is_over_duty: bool
    leaves_site: bool = False
    is_denied: bool = False
    is_exceeded: bool = False

    @property
    def a_year(self) -> float | None:
        """Faults a year to reckon with [1/year]; None where the record cannot say even that."""
        if self.rates is None or (self.is_quiet is None and self.rates.up_to is None):
            return None
        return self.rates.for_sure

    @property
    def fits(self) -> bool:
        """Quiet, short enough for its duty, at least two check-ins long, and for what stays on the site."""
        return bool(self.is_quiet) and not self.is_under_two and not self.is_over_duty and not self.leaves_site

    @property
    def expected_words(self) -> str:
        """Say what is expected; a span where the quarter hours leave one open; empty where nothing can be said."""
        if self.rates is None or self.a_year is None:
            return ""
        low = rate_words(self.rates.for_sure)
        if self.rates.up_to is None:
            return f"{low}, or more"
        high = rate_words(self.rates.up_to)
        return low if low == high else f"between {low} and {high}"

    @property
    def most_words(self) -> str:
        """Say the upper limit; empty where there is none."""
        return "" if self.rates is None or self.rates.at_most is None else rate_words(self.rates.at_most)

    @property
    def verdict(self) -> str:
        """Why it fits or does not, in words."""
        against = []
        if self.leaves_site:
            return "would raise a fault whenever it is carried out of range"
        if self.is_under_two:
            against.append("shorter than two check-ins")
        if self.is_quiet is False:
            against.append("would call a sound transmitter missing more than once a year")
        if self.is_over_duty:
            against.append("longer than the duty asks")
        if self.is_quiet is None:
            against.append(self._untold)
        return "; ".join(against) or "fits"

    @property
    def _untold(self) -> str:
        if self.rates is None:
            return "cannot be told from this record"
        if self.is_exceeded:
            return "quiet by its losses, but the faults on record are more than these explain"
        if self.is_denied:
            return "by its losses it would call a sound transmitter missing too often, but the faults on record do not bear that out"
        if self.window_s < LEAST_JUDGED_S:
            return f"the record keeps quarter hours: it cannot judge windows under {span_words(LEAST_JUDGED_S)}"
        return "the record keeps quarter hours: it cannot tell whether the gaps were long enough for a fault"


@dataclass(frozen=True, slots=True)
class WindowAdvice:
    """The windows and what to do.

    Attributes
    ----------
    code : str
        keep, change, path (a better path first), off (no window at all), exceeded (more faults on record than the lost
        check-ins explain) or unknown.
    headline : str
        The advice in one sentence.
    reasons : tuple of str
        Why.
    options : tuple of WindowOption
        Shortest first.
    window_s : int or None
        Window to change to [s], for `change`; 0 for `off` where a window is set and can be switched off.
    """

    code: str
    headline: str
    reasons: tuple[str, ...]
    options: tuple[WindowOption, ...]
    window_s: int | None = None


LEAST_JUDGED_S = 2 * QUARTER_S
"""A gap as long as a shorter window may leave no quarter hour empty."""

BETTER_PATH = (
    "Take a reading on site: signal margin at the receiver, with doors as they usually stand.",
    "Move the transmitter or the receiver's aerial, away from metal, and take another reading.",
    "If that does not help, put a repeater between them.",
)
"""What helps where no window does. Common practice, no source."""


def judge_windows(record: RadioRecord, ask: Ask, watched: Watched | None = None) -> tuple[WindowOption, ...]:
    """Judge every window offered, and the one in use, shortest first; `watched` are the faults of the window in use. Of what
    leaves the site no figure is given: nobody can tell a lost check-in from one sent out of range.
    """
    knows = record.is_enough and not ask.off_is_right
    denied = _denied_from(record, ask, watched) if knows else None
    exceeded = knows and _is_exceeded(record, ask, watched)
    windows = sorted({*ask.offered_s, *([ask.window_s] if ask.window_s else [])} if ask.interval_s else ())
    options = []
    for window_s in windows:
        rates = false_faults(record, window_s, ask.interval_s) if knows else None
        cries = None if rates is None else cries_wolf(rates)
        denied_here = bool(cries and denied is not None and window_s >= denied)
        options.append(
            WindowOption(
                window_s=window_s, misses=misses_in_window(window_s, ask.interval_s), rates=rates,
                is_quiet=None if cries is None or denied_here or (exceeded and not cries) else not cries,
                is_current=window_s == ask.window_s, is_exceeded=exceeded and cries is False,
                is_under_two=window_s < MIN_CHECK_INS_PER_WINDOW * ask.interval_s, is_over_duty=ask.is_over(window_s),
                leaves_site=ask.off_is_right, is_denied=denied_here,
            )
        )  # fmt: skip
    return tuple(options)


def _denied_from(record: RadioRecord, ask: Ask, watched: Watched | None) -> int | None:
    """Window [s] from which on the record of faults denies the figures: the one in use, whose figure it disproves, and longer
    ones, whose figures rest on the same losses; None where it denies nothing.
    """
    if not ask.window_s or not ask.interval_s:
        return None
    rates = false_faults(record, ask.window_s, ask.interval_s)
    return ask.window_s if is_denied(rates.for_sure, record, watched) else None


def _is_exceeded(record: RadioRecord, ask: Ask, watched: Watched | None) -> bool:
    """Whether the window in use raised more faults than its losses explain; then no other figure of this record holds either."""
    if not ask.window_s or not ask.interval_s:
        return False
    return is_exceeded(false_faults(record, ask.window_s, ask.interval_s), watched)


def advise(record: RadioRecord, ask: Ask, watched: Watched | None = None, today: date | None = None) -> WindowAdvice:
    """Advise on the window of a slot.

    Parameters
    ----------
    record : RadioRecord
        Its own record, outages left out.
    ask : Ask
        The slot and its duty's longest window.
    watched : Watched or None
        Missing faults of the window in use; None = nobody has looked for silence.
    today : date or None
        Local day, only used for words.

    Returns
    -------
    WindowAdvice
        `off` for what leaves the site; `exceeded` where the faults on record contradict the figures; `keep` where the window in use fits; `change` to the shortest that fits; `path` where
        none does; `unknown` where too little is on record, or it cannot tell about the window in use.
    """
    options = judge_windows(record, ask, watched)
    if ask.off_is_right:
        return _off(ask, options)
    if not record.is_enough:
        return WindowAdvice("unknown", "There is too little of its own record to advise on its window.",
                            (_basis_words(record), *_duty(ask)), options)  # fmt: skip
    current = next((one for one in options if one.is_current), None)
    if current is not None and watched is not None and _is_exceeded(record, ask, watched):
        return _exceeded(current, watched, ask, today, options)
    if current is not None and current.fits:
        return WindowAdvice("keep", f"The window of {span_words(current.window_s)} may stay.",
                            (_why(current, record), *_duty(ask)), options)  # fmt: skip
    fitting = next((one for one in options if one.fits), None)
    if current is not None and current.is_quiet is None and not current.is_under_two and not current.is_over_duty:
        return _untold(current, fitting, record, ask, watched, today, options)
    if fitting is not None:
        against = () if current is None else (f"The window in use, {span_words(current.window_s)}: {current.verdict}.",)
        return WindowAdvice("change", f"Set the window to {span_words(fitting.window_s)}.",
                            (_why(fitting, record), *against, *_duty(ask)), options, fitting.window_s)  # fmt: skip
    if any(one.is_quiet is None for one in options) or not options:
        return WindowAdvice("unknown", "No window can be advised from what is known.",
                            (_basis_words(record), *_duty(ask)), options)  # fmt: skip
    return WindowAdvice("path", "No window is both quiet and short enough: a better path first.",
                        (_none_fits(options), *_duty(ask), *BETTER_PATH), options)  # fmt: skip


def _off(ask: Ask, options: tuple[WindowOption, ...]) -> WindowAdvice:
    """What leaves the site is better without a window, whatever its record says."""
    why = (
        "Whoever carries it out of range raises a missing fault, and people learn to ignore faults.",
        "Agree how it is looked after instead, and record when it is away.",
        *_duty(ask),
    )
    if ask.window_s == WINDOW_OFF:
        return WindowAdvice("off", "It leaves the site: that its supervision is off is right.", why, options)
    headline = "It leaves the site: supervision off is right for it."
    if ask.can_switch_off:
        return WindowAdvice("off", headline, why, options, WINDOW_OFF)
    cannot = (
        "This receiver cannot switch the supervision of one slot off: then recording when it is away is all there is."
    )
    return WindowAdvice("off", headline, (why[0], cannot, *why[1:]), options)


def _untold(
    current: WindowOption, fitting: WindowOption | None, record: RadioRecord, ask: Ask, watched: Watched | None,
    today: date | None, options: tuple[WindowOption, ...],
) -> WindowAdvice:  # fmt: skip
    """The window in use is not shown to be wrong, so no other is advised in its place."""
    window = span_words(current.window_s)
    reasons = [f"The window in use, {window}: {current.verdict}."]
    if current.is_denied and current.rates is not None and watched is not None:
        n = round(current.rates.for_sure * min(watched.n_days, record.n_days) / DAYS_A_YEAR)
        seen = watched.words(today) if today else count_words(watched.n_missing, "missing fault")
        reasons.append(
            f"By its losses {count_words(n, 'missing fault')} would have been expected over these days; on record: {seen}. "
            "Check-ins that were handed over late or not at all count as lost without a fault."
        )  # fmt: skip
    if fitting is not None:
        reasons.append(f"The shortest that its record shows to be quiet: {span_words(fitting.window_s)}.")
    return WindowAdvice(
        "unknown",
        f"How often {window} would call a sound transmitter missing here cannot be told.",
        (*reasons, *_duty(ask)),
        options,
    )


def _exceeded(
    current: WindowOption, watched: Watched, ask: Ask, today: date | None, options: tuple[WindowOption, ...]
) -> WindowAdvice:
    """More faults than the lost check-ins explain: what they were comes before any window."""
    seen = watched.words(today) if today else count_words(watched.n_missing, "missing fault")
    return WindowAdvice(
        "exceeded",
        f"With {span_words(current.window_s)} there were more faults than its lost check-ins explain: {seen}.",
        (
            f"On record that is {rate_words(watched.a_year)}; by its lost check-ins {current.expected_words} would be expected "
            f"without anything being wrong, at most {current.most_words}.",
            "Such a fault may be true: days without any check-in are left out of the figures below. Find out what came before "
            "each, then judge the window.",
            *_duty(ask),
        ),
        options,
    )


def _why(option: WindowOption, record: RadioRecord) -> str:
    assert option.rates is not None
    assert option.rates.up_to is not None
    floor = "" if record.burst or not record.lost else ", at the least"
    lost = f"{count_words(option.misses, 'check-in')}" + (" in a row" if option.misses > 1 else "")
    return (
        f"With {span_words(option.window_s)} a working transmitter is called missing once {lost} of it "
        f"{'is' if option.misses == 1 else 'are'} lost. Expected: {rate_words(option.rates.up_to)}{floor}."
    )


def _duty(ask: Ask) -> tuple[str, ...]:
    duty = DUTY_WORDS.get(ask.duty, ask.duty)
    if not ask.longest_s:
        return () if ask.off_is_right else (f"No longest window is set for {duty}.",)
    said = f"For {duty} a window of at most {span_words(ask.longest_s)} is asked{source_words(ask.source)}"
    return (f"{said}; that does not bind what leaves the site." if ask.off_is_right else f"{said}.",)


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
