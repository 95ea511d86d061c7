"""Numbers to SVG geometry: bars by week. Lengths are user units of the drawing's view box; no colours here.

Each piece bears a kind; the template gives it a class for the screen and the palette's literal value for paper, because
the PDF engine draws an inline SVG without the page's style sheet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from maintenance.rules.due_words import MONTHS

WEEK_KINDS = ("grave", "late", "plan", "soon", "later")
"""From the axis upwards: late on life safety, late otherwise, in a round, due in four weeks, due later."""
WORDS = {
    "grave": "late on life safety",
    "late": "late",
    "plan": "in a round",
    "soon": "due in four weeks",
    "later": "due later",
}


@dataclass(frozen=True, slots=True)
class WeekCount:
    """How many things are due in one week, by kind. `begins` is its Monday; None stands for all that is late."""

    begins: date | None
    counts: dict[str, int]

    @property
    def n(self) -> int:
        """Number of things."""
        return sum(self.counts.values())

    @property
    def in_order(self) -> list[int]:
        """Numbers in the order of `WEEK_KINDS`, for the table."""
        return [self.counts.get(kind, 0) for kind in WEEK_KINDS]


def count_weeks(
    rows: Sequence[tuple[date, int, bool, int]], today: date, n_weeks: int, soon_days: int
) -> list[WeekCount]:
    """Sort counts per day into what is late and the weeks ahead.

    Parameters
    ----------
    rows : sequence of (date, int, bool, int)
        Due day, harm (0 = life safety), whether it stands in a round, number of things.
    today : date
        What is due before it is late.
    n_weeks : int
        Weeks to show, the present one included [count].
    soon_days : int
        "Soon" reaches so far [day].

    Returns
    -------
    list of WeekCount
        The late ones first, then every week; what lies beyond is left out.
    """
    monday = today - timedelta(days=today.weekday())
    weeks = [WeekCount(None, {})] + [WeekCount(monday + timedelta(weeks=i), {}) for i in range(n_weeks)]
    for due_on, harm, is_placed, n in rows:
        if due_on < today:
            kind, week = "grave" if harm == 0 else "late", 0
        else:
            week = (due_on - monday).days // 7 + 1
            kind = "plan" if is_placed else "soon" if (due_on - today).days <= soon_days else "later"
        if week <= n_weeks:
            counts = weeks[week].counts
            counts[kind] = counts.get(kind, 0) + n
    return weeks


@dataclass(frozen=True, slots=True)
class Block:
    """One rectangle of a bar, with the hatching of what is due soon as a path (empty for other kinds)."""

    kind: str
    x: float
    y: float
    width: float
    height: float
    hatch: str


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar with its number on top and two lines of words below."""

    x: float
    centre: float
    width: float
    blocks: tuple[Block, ...]
    n: int
    n_y: float
    word: str
    sub: str
    is_now: bool


@dataclass(frozen=True, slots=True)
class WeekBars:
    """Bars by week: view box `width` × `height`, axis at `base`."""

    width: float
    height: float
    base: float
    bars: tuple[Bar, ...]
    finding: str


def week_bars(weeks: Sequence[WeekCount], *, today: date, width: float = 1200.0, height: float = 170.0) -> WeekBars:
    """Draw the counts as stacked bars.

    Parameters
    ----------
    weeks : sequence of WeekCount
        From `count_weeks`.
    today : date
        The week that holds it is marked.
    width, height : float
        View box [user units].
    """
    base, top = height - 42.0, 24.0
    step = width / max(len(weeks), 1)
    bar_width = step * 0.62
    most = max((week.n for week in weeks), default=0)
    scale = (base - top) / most if most else 0.0
    bars = []
    for i, week in enumerate(weeks):
        x, y = i * step + (step - bar_width) / 2, base
        blocks = []
        for kind in WEEK_KINDS:
            n = week.counts.get(kind, 0)
            if n:
                tall = n * scale
                y -= tall
                lines = hatch(x, y, bar_width, tall) if kind == "soon" else ""
                blocks.append(Block(kind, round(x, 1), round(y, 1), round(bar_width, 1), round(tall, 1), lines))
        if week.begins is None:
            word, sub = "late", "until now"
        else:
            word, sub = f"week {week.begins.isocalendar().week}", _short(week.begins)
        is_now = week.begins is not None and 0 <= (today - week.begins).days < 7
        bars.append(
            Bar(round(i * step, 1), round(x + bar_width / 2, 1), round(step, 1), tuple(blocks), week.n,
                round(y - 6, 1), word, sub, is_now)
        )  # fmt: skip
    return WeekBars(width, height, base, tuple(bars), _finding(weeks))


def _finding(weeks: Sequence[WeekCount]) -> str:
    """Say in words what the bars show, for those who cannot see them."""
    parts = []
    for week in weeks:
        said = ", ".join(f"{week.counts[kind]} {WORDS[kind]}" for kind in WEEK_KINDS if kind in week.counts)
        if said:
            parts.append(said if week.begins is None else f"week of {_short(week.begins)}: {said}")
    return "; ".join(parts) or "nothing is due in these weeks"


def hatch(x: float, y: float, width: float, height: float, step: float = 7.0) -> str:
    """Give a path of lines rising at 45° inside a rectangle, `step` apart [user units]; empty for a flat one."""
    pieces = []
    offset = step
    while offset < width + height:
        x1, y1 = (x, y + offset) if offset <= height else (x + offset - height, y + height)
        x2, y2 = (x + offset, y) if offset <= width else (x + width, y + offset - width)
        pieces.append(f"M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}")
        offset += step
    return "".join(pieces)


def _short(on: date) -> str:
    return f"{on.day} {MONTHS[on.month - 1][:3]}"


@dataclass(frozen=True, slots=True)
class Tick:
    """A mark on an axis: place and words."""

    at: float
    word: str
