"""Picture of one battery's date: how many of a hundred of its kind have ended, against charge used and the calendar.

One curve with two scales below it: the charge used, and the dates on which this battery reaches it at its own rate. A band
shows how far the truth may lie from the curve. Lengths are user units of the view box; no colours here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import permutations, product

import numpy as np
from numpy.typing import NDArray

from maintenance.rules.charts import Tick
from maintenance.rules.due_words import DAYS_PER_YEAR, day_words, share_words

FloatArray = NDArray[np.float64]

WIDTH, HEIGHT = 460.0, 338.0
"""Narrow on purpose: on a phone of 390 px the words must stay readable without scrolling sideways."""
LEFT, RIGHT, TOP, BASE = 46.0, 446.0, 62.0, 254.0
ROWS_Y = (16.0, 34.0, 52.0)
"""Rows above the drawing in which the words of the marks stand, each in its own."""
LETTER = 7.4
"""Mean width of a letter in a mark's words, for placing them."""
GAP = 6.0
"""Between a mark's line and its words, a little less than is drawn."""
MOST_TICKS = 6
NEAR = 0.02
"""A round share of the charge so near to a named place gets no line of its own in the table."""
LAST_YEAR = 2100
"""Dates beyond it mean nothing."""
SHARE_STEPS = (0.05, 0.1, 0.25, 0.5, 1.0, 2.0)
YEAR_STEPS = (1, 2, 5, 10, 20, 50)


@dataclass(frozen=True, slots=True)
class UseByDate:
    """When this battery reaches which exposure: straight lines between known days, its own rate from today on.

    Parameters
    ----------
    days : sequence of (date, float)
        Day and exposure [1], both increasing; the last one is today.
    rate_per_day : float
        What a day adds from then on [1/day], above 0.
    """

    days: Sequence[tuple[date, float]]
    rate_per_day: float

    def __post_init__(self) -> None:
        pairs = list(zip(self.days, self.days[1:], strict=False))
        if not self.days or not self.rate_per_day > 0 or any(a[0] >= b[0] or a[1] > b[1] for a, b in pairs):
            raise ValueError("Use by date needs increasing days and a rate above 0.")

    def u_on(self, on: date) -> float:
        """Exposure on a day [1]; before the first day that of the first day."""
        last_on, last_u = self.days[-1]
        if on >= last_on:
            return last_u + (on - last_on).days * self.rate_per_day
        xs = [(day - last_on).days for day, _ in self.days]
        return float(np.interp((on - last_on).days, xs, [u for _, u in self.days]))

    def reached_on(self, u: float) -> date | None:
        """Day on which an exposure is reached; None beyond `LAST_YEAR`."""
        last_on, last_u = self.days[-1]
        if u >= last_u:
            n_days = (u - last_u) / self.rate_per_day
            is_far = n_days > (date(LAST_YEAR, 1, 1) - last_on).days
            return None if is_far else last_on + timedelta(days=int(n_days + 1e-6))
        xs = [(day - last_on).days for day, _ in self.days]
        return last_on + timedelta(days=int(np.floor(np.interp(u, [v for _, v in self.days], xs) + 1e-6)))


@dataclass(frozen=True, slots=True)
class Mark:
    """A place on the curve with its words: "today", "limit" or "due"."""

    kind: str
    at: float
    word: str
    y: float
    is_after: bool


@dataclass(frozen=True, slots=True)
class LifeRow:
    """One line of the table beside the picture."""

    what: str
    used: str
    on: str
    ended: str
    between: str


@dataclass(frozen=True, slots=True)
class LifeChart:
    """The drawing with everything that the template places."""

    path: str
    band: str
    x_ticks: tuple[Tick, ...]
    date_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    marks: tuple[Mark, ...]
    rows: tuple[LifeRow, ...]
    finding: str
    whose: str
    width: float = WIDTH
    height: float = HEIGHT
    left: float = LEFT
    right: float = RIGHT
    top: float = TOP
    base: float = BASE

    @property
    def middle(self) -> float:
        """Middle of the drawing area [user units]."""
        return (self.left + self.right) / 2


def life_chart(
    u: FloatArray,
    ended: FloatArray,
    low: FloatArray,
    high: FloatArray,
    *,
    use: UseByDate,
    u_limit: float,
    due_on: date | None,
    whose: str = "of this kind",
) -> LifeChart:
    """Draw how many of a hundred have ended against charge used and dates.

    Parameters
    ----------
    u : array (n,)
        Exposure, increasing from 0 [1].
    ended, low, high : array (n,)
        Share that has ended by then, and the band of what is known [0 … 1].
    use : UseByDate
        This battery's own use; its last day is today.
    u_limit : float
        Exposure at the limit [1].
    due_on : date or None
        The date that holds.
    whose : str
        Of which batteries the curve tells: "of this kind", "of its lot".

    Raises
    ------
    ValueError
        If the columns differ in length or u does not increase.
    """
    if not u.shape == ended.shape == low.shape == high.shape or u.ndim != 1 or not bool(np.all(np.diff(u) > 0)):
        raise ValueError("A curve needs an increasing u and as many shares.")
    scale = _Scale(float(u[-1]))
    there = [f"{scale.x(float(a))} {scale.y(float(b))}" for a, b in zip(u, high, strict=True)]
    back = [f"{scale.x(float(a))} {scale.y(float(b))}" for a, b in zip(u[::-1], low[::-1], strict=True)]
    points = [f"{scale.x(float(a))} {scale.y(float(b))}" for a, b in zip(u, ended, strict=True)]
    rows = _rows(u, (ended, low, high), use, u_limit, due_on)
    named = [row for row in rows if row.what]
    return LifeChart(
        path="M" + "L".join(points),
        band="M" + "L".join(there + back) + "Z",
        x_ticks=_share_ticks(scale),
        date_ticks=_year_ticks(scale, use),
        y_ticks=tuple(Tick(scale.y(s), f"{round(s * 100)}") for s in (0.0, 0.25, 0.5, 0.75, 1.0)),
        marks=_marks(scale, use, u_limit, due_on),
        rows=rows,
        finding="; ".join(f"{row.what}, {row.on}: {row.ended} of 100 have ended" for row in named),
        whose=whose,
    )


@dataclass(frozen=True, slots=True)
class _Scale:
    u_max: float

    def x(self, u: float) -> float:
        return round(LEFT + (RIGHT - LEFT) * min(max(u / self.u_max, 0.0), 1.0), 1)

    def y(self, share: float) -> float:
        return round(BASE - (BASE - TOP) * min(max(share, 0.0), 1.0), 1)


def _share_ticks(scale: _Scale) -> tuple[Tick, ...]:
    step = next((s for s in SHARE_STEPS if scale.u_max / s <= MOST_TICKS), SHARE_STEPS[-1])
    return tuple(Tick(scale.x(float(s)), f"{round(s * 100)} %") for s in np.arange(0.0, scale.u_max + 1e-9, step))


def _year_ticks(scale: _Scale, use: UseByDate) -> tuple[Tick, ...]:
    """First of January of round years, at the exposure that this battery has then."""
    first = use.days[0][0]
    last = use.reached_on(scale.u_max)
    last_year = last.year if last else LAST_YEAR
    n_years = max(last_year - first.year, 1)
    step = next((s for s in YEAR_STEPS if n_years / s <= MOST_TICKS), YEAR_STEPS[-1])
    years = range(first.year + 1, last_year + 1)
    return tuple(
        Tick(scale.x(use.u_on(date(year, 1, 1))), str(year))
        for year in years
        if year % step == 0 and use.u_on(date(year, 1, 1)) <= scale.u_max
    )


def _marks(scale: _Scale, use: UseByDate, u_limit: float, due_on: date | None) -> tuple[Mark, ...]:
    """Today, limit, due date, each with its words in a row of its own; one mark where limit and due date are the same."""
    u_now = use.days[-1][1]
    reached_on = use.reached_on(u_limit)
    places = []
    if due_on is not None and _is_same_day(reached_on, due_on):
        places.append(("due", u_limit, f"limit, change by {_short(due_on)}"))
    else:
        places.append(("limit", u_limit, f"limit{f', {_short(reached_on)}' if reached_on else ''}"))
        if due_on is not None:
            places.append(("due", use.u_on(due_on), f"change by {_short(due_on)}"))
    places.append(("today", u_now, "today"))
    at = [scale.x(u) for _, u, _ in places]
    spots = _spots(at, [LETTER * len(word) + 10 for _, _, word in places])
    return tuple(
        Mark(kind, x, word, y, is_after) for (kind, _, word), x, (y, is_after) in zip(places, at, spots, strict=True)
    )


def _spots(at: Sequence[float], widths: Sequence[float]) -> tuple[tuple[float, bool], ...]:
    """Choose a row and a side for each mark's words, so that as few as possible are cut off or crossed by another's line."""
    rows = ROWS_Y[3 - len(at) :]

    def trouble(ys: Sequence[float], sides: Sequence[bool]) -> float:
        total = 0.0
        for x, width, y, after in zip(at, widths, ys, sides, strict=True):
            begin, end = (x + GAP, x + width) if after else (x - width, x - GAP)
            total += 10.0 * max(end - WIDTH, -begin, 0.0)
            # A line runs from its own row down: it crosses the words of every lower row that it stands under.
            total += sum(1.0 for other, above in zip(at, ys, strict=True) if above < y and begin < other < end)
        return total

    choices = product(permutations(rows), product((True, False), repeat=len(at)))
    ys, sides = min(choices, key=lambda choice: trouble(*choice))
    return tuple(zip(ys, sides, strict=True))


def _is_same_day(reached_on: date | None, due_on: date | None) -> bool:
    """Whether limit and due date are one; rounding down at either may leave a day between them."""
    return due_on is not None and reached_on is not None and abs((reached_on - due_on).days) <= 1


def _rows(
    u: FloatArray,
    shares: tuple[FloatArray, FloatArray, FloatArray],
    use: UseByDate,
    u_limit: float,
    due_on: date | None,
) -> tuple[LifeRow, ...]:
    """Today, due date, limit and round shares of the charge, by charge used."""
    today, u_now = use.days[-1]
    places: list[tuple[str, float, date | None]] = [("today", u_now, today)]
    reached_on = use.reached_on(u_limit)
    if _is_same_day(reached_on, due_on):
        places.append(("limit, change by", u_limit, due_on))
    else:
        places.append(("limit", u_limit, reached_on))
        if due_on is not None and due_on != today:
            places.append(("change by", use.u_on(due_on), due_on))
    u_max = float(u[-1])
    for share in np.arange(0.25, u_max + 1e-9, 0.25):
        if all(abs(share - at) >= NEAR for _, at, _ in places):
            places.append(("", float(share), use.reached_on(float(share))))
    rows = []
    for what, at, on in sorted(places, key=lambda place: place[1]):
        ended, low, high = (float(np.interp(at, u, column)) for column in shares)
        rows.append(
            LifeRow(
                what, share_words(at), _short(on) if on else "after 2100", of_hundred(ended),
                f"{of_hundred(low)} to {of_hundred(high)}",
            )
        )  # fmt: skip
    return tuple(rows)


def of_hundred(share: float) -> str:
    """Write a share as a count of a hundred, with one decimal where small: "0.3", "12", "over 99"."""
    n = share * 100
    if n < 0.05:
        return "0" if n <= 0 else "under 0.1"
    if n > 99.5:
        return "100" if n > 100 - 1e-6 else "over 99"
    return f"{n:.1f}" if n < 9.95 else f"{n:.0f}"


def _short(on: date) -> str:
    words = day_words(on).split(" ")
    return f"{words[0]} {words[1][:3]} {words[2]}"


def use_of(
    row_days: Sequence[tuple[date | None, float]], today: date, u_now: float, rate_per_day: float
) -> UseByDate | None:
    """Build the use by date from what is known; None where nothing can be drawn.

    Parameters
    ----------
    row_days : sequence of (date or None, float)
        Earlier days with their exposure, oldest first; unknown ones and those out of order are left out.
    today : date
        Last day.
    u_now, rate_per_day : float
        Exposure today [1] and rate from now on [1/day].
    """
    if not (np.isfinite(u_now) and np.isfinite(rate_per_day)) or rate_per_day <= 1e-9 / DAYS_PER_YEAR:
        return None
    days: list[tuple[date, float]] = []
    for on, u in row_days:
        if (
            on is not None
            and np.isfinite(u)
            and on < today
            and u <= u_now
            and (not days or (on > days[-1][0] and u >= days[-1][1]))
        ):
            days.append((on, u))
    return UseByDate((*days, (today, u_now)), rate_per_day)
