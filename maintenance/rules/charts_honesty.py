"""Numbers to SVG geometry for the pages on how the predictions came out and on what each kind lasts. No colours, no words of the trade.

Lengths are user units of the drawing's view box. Shapes tell readings apart, so that the drawings hold without colour.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from maintenance.rules.charts import Tick
from maintenance.rules.honesty_words import Group

RATIO_MOST = 4.0
"""The scale runs from 1/4 to 4 times as many as expected, evenly in the logarithm; what lies beyond ends in an arrow."""
RATIO_TICKS = ((0.25, "¼"), (0.5, "½"), (1.0, "as expected"), (2.0, "2 ×"), (4.0, "4 ×"))
ROW = 28.0
WORDS_WIDTH, WORDS_ROW = 130.0, 20.0
"""Room that the words of a risk need beside its leader."""


@dataclass(frozen=True, slots=True)
class Span:
    """One group: its range from `low` to `high`, its ratio at `at` (None where none can be given) on height `y`."""

    label: str
    figures: str
    reading: str
    y: float
    low: float
    high: float
    at: float | None
    mark: str
    beyond_low: str
    beyond_high: str


@dataclass(frozen=True, slots=True)
class Ratios:
    """Ranges of happened ÷ expected under each other."""

    width: float
    height: float
    left: float
    right: float
    top: float
    base: float
    one: float
    ticks: tuple[Tick, ...]
    spans: tuple[Span, ...]
    finding: str


def ratio_chart(groups: Sequence[Group], *, width: float = 700.0) -> Ratios:
    """Draw the groups as ranges around "as expected".

    Parameters
    ----------
    groups : sequence of Group
        From top to bottom.
    width : float
        View box [user units].
    """
    left, right, top = 170.0, width - 90.0, 34.0
    base = top + ROW * len(groups) + 4.0

    def x_of(ratio: float) -> float:
        place = 0.5 + 0.5 * math.log(min(max(ratio, 1 / RATIO_MOST), RATIO_MOST)) / math.log(RATIO_MOST)
        return round(left + (right - left) * place, 1)

    spans = []
    for i, each in enumerate(groups):
        y = round(top + ROW * (i + 0.5), 1)
        at = x_of(each.ratio) if each.ratio is not None else None
        low, high = x_of(each.low), x_of(each.high)
        spans.append(
            Span(
                each.label, f"{each.happened} of {each.expected_words}", each.reading, y, low, high, at,
                _mark(each.reading, at, y),
                f"M{low + 6} {y - 5}L{low - 3} {y}L{low + 6} {y + 5}" if each.low < 1 / RATIO_MOST else "",
                f"M{high - 6} {y - 5}L{high + 3} {y}L{high - 6} {y + 5}" if each.high > RATIO_MOST else "",
            )
        )  # fmt: skip
    finding = "; ".join(
        f"{each.label}: {each.happened} happened, {each.expected_words} expected, {each.words}" for each in groups
    )
    ticks = tuple(Tick(x_of(value), word) for value, word in RATIO_TICKS)
    return Ratios(width, base + 30.0, left, right, top, base, x_of(1.0), ticks, tuple(spans), finding)


def _mark(reading: str, x: float | None, y: float, r: float = 6.0) -> str:
    """Path of the mark: triangle up for more, down for fewer, ring or disc (two arcs) otherwise."""
    if x is None:
        return ""
    if reading == "more":
        return f"M{x - r} {y + r}L{x} {y - r}L{x + r} {y + r}Z"
    if reading == "fewer":
        return f"M{x - r} {y - r}L{x} {y + r}L{x + r} {y - r}Z"
    return _disc(x, y)


def _disc(x: float, y: float) -> str:
    """Path of a disc of radius 5: two arcs."""
    return f"M{round(x - 5.0, 1)} {y}a5 5 0 1 0 10 0a5 5 0 1 0 -10 0Z"


@dataclass(frozen=True, slots=True)
class RiskMark:
    """A point of the curve with its words: the path of its disc, of the line to its words, and where they end."""

    disc: str
    leader: str
    word: str
    word_x: float
    word_y: float
    is_left: bool


@dataclass(frozen=True, slots=True)
class Lives:
    """Share still working against the charge used: `path` where cells have been, `path_beyond` where none is left to go."""

    width: float
    height: float
    left: float
    right: float
    top: float
    base: float
    path: str
    path_beyond: str
    prior_path: str
    one: float
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    marks: tuple[RiskMark, ...]
    rows: tuple[tuple[str, str, str], ...]

    @property
    def middle(self) -> float:
        """Middle of the drawing area [user units]."""
        return (self.left + self.right) / 2


def lives_chart(
    u: NDArray[np.float64],
    survival: NDArray[np.float64],
    from_catalogue: NDArray[np.float64],
    risks: Sequence[tuple[str, float]],
    *,
    known_to: float,
    width: float = 700.0,
    height: float = 380.0,
) -> Lives:
    """Draw what is known of one kind beside what the catalogue alone would let expect.

    Parameters
    ----------
    u : array
        Exposure, increasing from 0 [1 = the charge that the catalogue promises].
    survival, from_catalogue : array
        Share still working at each u: learnt, and before any life of this kind was seen [0 … 1].
    risks : sequence of (str, float)
        Words and exposure of the points to mark, such as ("1 in 100", 0.55).
    known_to : float
        Exposure at which cells are changed at the latest [1]: beyond it the curve is the model's guess.
    width, height : float
        View box [user units].

    Raises
    ------
    ValueError
        If the columns differ in length or u does not increase.
    """
    is_even = u.shape == survival.shape == from_catalogue.shape and u.ndim == 1 and len(u) > 1
    if not is_even or not bool(np.all(np.diff(u) > 0)):
        raise ValueError("A curve needs an increasing u and as many shares.")
    left, right, top, base = 56.0, width - 24.0, 24.0 + WORDS_ROW * len(risks), height - 48.0
    u_max = float(u[-1])

    def x_of(value: float) -> float:
        return round(left + (right - left) * min(max(value / u_max, 0.0), 1.0), 1)

    def y_of(value: float) -> float:
        return round(base - (base - top) * min(max(value, 0.0), 1.0), 1)

    def line(shares: NDArray[np.float64], low: float = 0.0, high: float = u_max) -> str:
        inner = (u > low) & (u < high)
        at = np.concatenate([[low], u[inner], [high]])
        on = np.interp(at, u, shares)
        return "M" + "L".join(f"{x_of(float(a))} {y_of(float(b))}" for a, b in zip(at, on, strict=True))

    cut = min(max(known_to, 0.0), u_max)
    steps = [float(s) for s in np.arange(0.0, u_max + 1e-9, 0.25)]
    shown = [(word, at) for word, at in risks if math.isfinite(at) and at <= u_max]
    points = [(word, x_of(at), y_of(float(np.interp(at, u, survival)))) for word, at in shown]
    rows = tuple(
        (f"{round(s * 100)} %", _percent(float(np.interp(s, u, survival))), _percent(float(np.interp(s, u, from_catalogue))))
        for s in steps
    )  # fmt: skip
    return Lives(
        width, height, left, right, top, base, line(survival, high=cut), line(survival, low=cut) if cut < u_max else "",
        line(from_catalogue), x_of(1.0),
        tuple(Tick(x_of(s), f"{round(s * 100)} %") for s in steps),
        tuple(Tick(y_of(s), f"{round(s * 100)} %") for s in (0.0, 0.25, 0.5, 0.75, 1.0)),
        _risk_marks(points, right), rows,
    )  # fmt: skip


def _risk_marks(points: Sequence[tuple[str, float, float]], right: float) -> tuple[RiskMark, ...]:
    """Put the words in rows above the drawing, where no curve runs: right of their leaders, or left if there is no room.

    Words run over the leaders of other points only where those have ended in a lower row.
    """
    is_left = any(x + WORDS_WIDTH > right for _, x, _ in points)
    marks = []
    for i, (word, x, y) in enumerate(points):
        row = len(points) - 1 - i if is_left else i
        word_y, turn = 12.0 + WORDS_ROW * row, -6.0 if is_left else 6.0
        word_x = round(x + turn * 5 / 3, 1)
        marks.append(RiskMark(_disc(x, y), f"M{x} {y}V{word_y}h{turn}", word, word_x, word_y, is_left))
    return tuple(marks)


def _percent(share: float) -> str:
    """Write a share without pretending to know more than a whole per cent."""
    if share > 0.995:
        return "more than 99 %" if share < 1 - 1e-6 else "100 %"
    return "under 1 %" if 0 < share < 0.005 else f"{round(share * 100)} %"
