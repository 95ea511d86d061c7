"""Strip of check-ins: one column a day, heard of expected, activations below, low-battery reports, outages of the receiver and
the day on which a link fell marked; and its words.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from devices.rules.findings_facts import WeakLink
from devices.rules.findings_radio import weak_words
from maintenance.rules.charts import Tick, hatch
from maintenance.rules.due_words import MONTHS, day_words

N_DAYS = 90
QUARTERS_A_DAY = 96
LOW_BATTERY = 1
"""Bit of a day's flags that stands for a low-battery report."""
WIDTH, HEIGHT, LEFT, STEP = 470.0, 104.0, 10.0, 5.0
BAR_TOP, BAR_BASE = 16.0, 52.0
ACT_TOP, ACT_BASE = 62.0, 82.0


@dataclass(frozen=True, slots=True)
class DayHeard:
    """One day of a transmitter: check-ins heard and expected, activations, flags (bit 1: low battery)."""

    day: date
    heard: int
    expected: int
    activations: int
    flags: int

    @property
    def is_silent(self) -> bool:
        """Nothing came although something was expected."""
        return self.heard == 0 and self.expected > 0

    @property
    def is_low(self) -> bool:
        """A low battery was reported."""
        return bool(self.flags & LOW_BATTERY)


@dataclass(frozen=True, slots=True)
class Column:
    """One day of the drawing: kind "heard", "silent" or "none" (nothing kept), its bar, what was activated, and the hatching of a
    day on which the receiver heard too little of everybody.
    """

    kind: str
    x: float
    y: float
    height: float
    act_y: float
    act_height: float
    is_low: bool
    hatch: str = ""


@dataclass(frozen=True, slots=True)
class WeekRow:
    """One week of the table."""

    begins: date
    heard: int
    expected: int
    activations: int
    n_silent: int
    n_low: int
    n_outage: int = 0


@dataclass(frozen=True, slots=True)
class Strip:
    """The drawing, the table and the words of it."""

    columns: tuple[Column, ...]
    ticks: tuple[Tick, ...]
    weeks: tuple[WeekRow, ...]
    words: tuple[str, ...]
    most_activations: int
    n_outage: int = 0
    onset_x: float | None = None
    is_weak: bool = False
    leaves_site: bool = False
    width: float = WIDTH
    height: float = HEIGHT
    bar_width: float = STEP - 1
    bar_top: float = BAR_TOP
    bar_base: float = BAR_BASE
    bar_tall: float = BAR_BASE - BAR_TOP
    act_base: float = ACT_BASE


def strip_of(
    days: Sequence[DayHeard],
    until: date,
    n_days: int = N_DAYS,
    *,
    outages: Collection[date] = (),
    weak: WeakLink | None = None,
    leaves_site: bool = False,
) -> Strip | None:
    """Draw the last days of a transmitter and say what they show.

    Parameters
    ----------
    days : sequence of DayHeard
        Days that are kept, in any order; others in the span show as gaps.
    until : date
        Last day of the strip.
    n_days : int
        Days shown [count].
    outages : collection of date
        Days on which so little of the receiver came that no single transmitter is blamed.
    weak : WeakLink or None
        How its link fell, where it is called weak.
    leaves_site : bool
        It may only have been carried out of range.

    Returns
    -------
    Strip or None
        None where nothing at all is kept of these days.
    """
    first = until - timedelta(days=n_days - 1)
    by_day = {row.day: row for row in days if first <= row.day <= until}
    if not by_day:
        return None
    most = max(row.activations for row in by_day.values())
    out = {day for day in outages if first <= day <= until}
    columns = tuple(
        _column(by_day.get(day), round(LEFT + i * STEP, 1), most, is_out=day in out)
        for i, day in enumerate(first + timedelta(days=i) for i in range(n_days))
    )
    ordered = [by_day[day] for day in sorted(by_day)]
    onset_x = None
    if weak is not None and weak.fine_on is not None and first <= weak.fine_on < until:
        # Between the last day that was as usual and the first that was not.
        onset_x = round(LEFT + ((weak.fine_on - first).days + 1) * STEP - 0.5, 1)
    return Strip(
        columns, _ticks(first, n_days), _weeks(ordered, first, out),
        _words(ordered, n_days) + _outage_words(out) + _weak_words(weak, leaves_site=leaves_site), most, n_outage=len(out), onset_x=onset_x,
        is_weak=weak is not None, leaves_site=leaves_site,
    )  # fmt: skip


def _column(row: DayHeard | None, x: float, most: int, *, is_out: bool) -> Column:
    """One day at its place [user units]; `most` activations on a day fill the lower bar [count]."""
    lines = hatch(x, BAR_TOP, STEP - 1, BAR_BASE - BAR_TOP, 4.0) if is_out else ""
    if row is None or (row.expected == 0 and row.heard == 0):
        is_low = row is not None and row.is_low
        return Column("none", x, BAR_BASE, 0.0, ACT_BASE, 0.0, is_low=is_low, hatch=lines)
    share = min(row.heard / row.expected, 1.0) if row.expected else 1.0
    tall = round((BAR_BASE - BAR_TOP) * share, 1)
    act = round((ACT_BASE - ACT_TOP) * row.activations / most, 1) if most else 0.0
    kind = "silent" if row.is_silent else "heard"
    return Column(
        kind, x, round(BAR_BASE - tall, 1), tall, round(ACT_BASE - act, 1), act, is_low=row.is_low, hatch=lines
    )


def _outage_words(outages: Collection[date]) -> tuple[str, ...]:
    """Say on which days the receiver itself heard too little."""
    if not outages:
        return ()
    last = day_words(max(outages))
    when = f"on {last}" if len(outages) == 1 else f"on {len(outages)} days, last on {last}"
    return (f"The receiver heard too little of everybody {when}: that says nothing about this transmitter.",)


def _weak_words(weak: WeakLink | None, *, leaves_site: bool) -> tuple[str, ...]:
    """Say how its link fell, since when, and that this asks for a reading."""
    if weak is None:
        return ()
    since = f"It was as usual until {day_words(weak.fine_on)}." if weak.fine_on else ""
    advice = (
        "It leaves the site: it may only have been out of range, or its link is weak. Ask where it was before you take a "
        "reading. It says nothing about the battery."
        if leaves_site
        else "That is a weak link: take a reading on site. It says nothing about the battery."
    )
    return tuple(text for text in (weak_words(weak), since, advice) if text)


def _ticks(first: date, n_days: int) -> tuple[Tick, ...]:
    """The first of each month."""
    ticks = []
    for i in range(n_days):
        day = first + timedelta(days=i)
        if day.day == 1:
            ticks.append(Tick(round(LEFT + i * STEP, 1), f"1 {MONTHS[day.month - 1][:3]}"))
    return tuple(ticks)


def _weeks(days: Sequence[DayHeard], first: date, outages: Collection[date]) -> tuple[WeekRow, ...]:
    weeks: dict[date, list[DayHeard]] = {}
    for row in days:
        weeks.setdefault(first + timedelta(days=(row.day - first).days // 7 * 7), []).append(row)
    return tuple(
        WeekRow(
            begins, sum(r.heard for r in rows), sum(r.expected for r in rows), sum(r.activations for r in rows),
            sum(r.is_silent for r in rows), sum(r.is_low for r in rows), sum(r.day in outages for r in rows),
        )
        for begins, rows in weeks.items()
    )  # fmt: skip


def _words(days: Sequence[DayHeard], n_days: int) -> tuple[str, ...]:
    """Say what came, what did not, what was reported, and how often it was used."""
    heard, expected = sum(row.heard for row in days), sum(row.expected for row in days)
    # Heard is kept by quarter hours, each of which may hold many check-ins or one.
    by_quarter = any(row.expected >= QUARTERS_A_DAY for row in days)
    if heard < expected:
        share = f" ({min(round(heard / expected * 100), 99)} %)"
        said = [
            f"Heard in {heard:,} of {expected:,} quarter hours{share}."
            if by_quarter
            else f"{heard:,} of {expected:,} expected check-ins came{share}."
        ]
    elif heard:
        said = ["Heard in every quarter hour." if by_quarter else "Every expected check-in came."]
    else:
        said = ["No check-in was expected, and none came."]
    if by_quarter:
        said.append("It checks in every quarter hour or more often, so quarter hours are counted.")
    silent = [row.day for row in days if row.is_silent]
    if silent:
        last = day_words(silent[-1])
        said.append(
            f"Nothing was heard on {last}."
            if len(silent) == 1
            else f"Nothing was heard on {len(silent)} days, last on {last}."
        )
    missing = n_days - len(days)
    if missing > 0:
        said.append(f"Nothing is kept of {'one day' if missing == 1 else f'{missing} days'}.")
    low = [row.day for row in days if row.is_low]
    if low:
        when = day_words(low[0])
        more = f" and on {len(low) - 1} later {'day' if len(low) == 2 else 'days'}" if len(low) > 1 else ""
        said.append(f"Low battery was reported on {when}{more}.")
    else:
        said.append("No low battery was reported.")
    n = sum(row.activations for row in days)
    said.append("It was never activated." if n == 0 else f"It was activated {'once' if n == 1 else f'{n:,} times'}.")
    return tuple(said)
