"""Strip of check-ins: one column a day, heard of expected, activations below, low-battery reports marked; and its words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from maintenance.rules.charts import Tick
from maintenance.rules.due_words import MONTHS, day_words

N_DAYS = 90
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
    """One day of the drawing: kind "heard", "silent" or "none" (nothing kept), its bar and what was activated."""

    kind: str
    x: float
    y: float
    height: float
    act_y: float
    act_height: float
    is_low: bool


@dataclass(frozen=True, slots=True)
class WeekRow:
    """One week of the table."""

    begins: date
    heard: int
    expected: int
    activations: int
    n_silent: int
    n_low: int


@dataclass(frozen=True, slots=True)
class Strip:
    """The drawing, the table and the words of it."""

    columns: tuple[Column, ...]
    ticks: tuple[Tick, ...]
    weeks: tuple[WeekRow, ...]
    words: tuple[str, ...]
    most_activations: int
    width: float = WIDTH
    height: float = HEIGHT
    bar_width: float = STEP - 1
    bar_top: float = BAR_TOP
    bar_base: float = BAR_BASE
    act_base: float = ACT_BASE


def strip_of(days: Sequence[DayHeard], until: date, n_days: int = N_DAYS) -> Strip | None:
    """Draw the last days of a transmitter and say what they show.

    Parameters
    ----------
    days : sequence of DayHeard
        Days that are kept, in any order; others in the span show as gaps.
    until : date
        Last day of the strip.
    n_days : int
        Days shown [count].

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
    columns = []
    for i in range(n_days):
        row = by_day.get(first + timedelta(days=i))
        x = round(LEFT + i * STEP, 1)
        if row is None or (row.expected == 0 and row.heard == 0):
            columns.append(Column("none", x, BAR_BASE, 0.0, ACT_BASE, 0.0, is_low=row is not None and row.is_low))
            continue
        share = min(row.heard / row.expected, 1.0) if row.expected else 1.0
        tall = round((BAR_BASE - BAR_TOP) * share, 1)
        act = round((ACT_BASE - ACT_TOP) * row.activations / most, 1) if most else 0.0
        kind = "silent" if row.is_silent else "heard"
        columns.append(
            Column(kind, x, round(BAR_BASE - tall, 1), tall, round(ACT_BASE - act, 1), act, is_low=row.is_low)
        )
    ordered = [by_day[day] for day in sorted(by_day)]
    return Strip(tuple(columns), _ticks(first, n_days), _weeks(ordered, first), _words(ordered, n_days), most)


def _ticks(first: date, n_days: int) -> tuple[Tick, ...]:
    """The first of each month."""
    ticks = []
    for i in range(n_days):
        day = first + timedelta(days=i)
        if day.day == 1:
            ticks.append(Tick(round(LEFT + i * STEP, 1), f"1 {MONTHS[day.month - 1][:3]}"))
    return tuple(ticks)


def _weeks(days: Sequence[DayHeard], first: date) -> tuple[WeekRow, ...]:
    weeks: dict[date, list[DayHeard]] = {}
    for row in days:
        weeks.setdefault(first + timedelta(days=(row.day - first).days // 7 * 7), []).append(row)
    return tuple(
        WeekRow(
            begins, sum(r.heard for r in rows), sum(r.expected for r in rows), sum(r.activations for r in rows),
            sum(r.is_silent for r in rows), sum(r.is_low for r in rows),
        )
        for begins, rows in weeks.items()
    )  # fmt: skip


def _words(days: Sequence[DayHeard], n_days: int) -> tuple[str, ...]:
    """Say what came, what did not, what was reported, and how often it was used."""
    heard, expected = sum(row.heard for row in days), sum(row.expected for row in days)
    if heard < expected:
        share = f" ({min(round(heard / expected * 100), 99)} %)"
        said = [f"{heard:,} of {expected:,} expected check-ins came{share}."]
    elif heard:
        said = ["Every expected check-in came."]
    else:
        said = ["No check-in was expected, and none came."]
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
