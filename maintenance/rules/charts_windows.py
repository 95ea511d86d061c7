"""Numbers to SVG geometry: faults a year that each supervision window would raise by itself, on an axis that grows by factors."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from devices.rules.radio_record import MOST_A_YEAR
from devices.rules.window_advice import WindowOption
from devices.rules.words import span_words
from maintenance.rules.charts import Tick, hatch

LEAST, MOST = 1e-3, 1e3
"""Ends of the axis [1/year]: rarer than once in 1,000 years is as good as never, more than 1,000 a year as bad as it gets."""
TICKS = (
    (1e-3, "1 in 1,000 y"),
    (1e-2, "100 y"),
    (1e-1, "10 y"),
    (1.0, "1 a year"),
    (10.0, "10"),
    (100.0, "100"),
    (1e3, "1,000"),
)
WIDTH, LEFT, RIGHT, TOP, STEP, TALL = 470.0, 64.0, 448.0, 12.0, 26.0, 14.0


@dataclass(frozen=True, slots=True)
class WindowBar:
    """One window: kind "quiet", "loud" (with its hatching) or "open" (nobody can tell), its words, and whether it is in use."""

    kind: str
    label: str
    y: float
    text_y: float
    width: float
    hatch: str
    is_current: bool


@dataclass(frozen=True, slots=True)
class WindowChart:
    """Bars of all windows known (each as long as the upper reading of its record), the line of one fault a year, and where the windows begin that are too long for the duty."""

    bars: tuple[WindowBar, ...]
    ticks: tuple[Tick, ...]
    height: float
    base: float
    limit_x: float
    has_open: bool
    too_long_y: float | None
    finding: str
    width: float = WIDTH
    left: float = LEFT
    right: float = RIGHT
    top: float = TOP
    tall: float = TALL


def _x_of(a_year: float) -> float:
    share = (math.log10(min(max(a_year, LEAST), MOST)) - math.log10(LEAST)) / (math.log10(MOST) - math.log10(LEAST))
    return round(LEFT + share * (RIGHT - LEFT), 1)


def window_chart(options: Sequence[WindowOption]) -> WindowChart | None:
    """Draw the windows of which something is known, shortest first.

    Parameters
    ----------
    options : sequence of WindowOption
        Shortest first; those whose faults [1/year] are not known are left out.

    Returns
    -------
    WindowChart or None
        None where nothing is known of any.
    """
    known = [one for one in options if one.a_year is not None]
    if not known:
        return None
    bars, said = [], []
    too_long_y = None
    for place, one in enumerate(known):
        assert one.a_year is not None
        y = TOP + place * STEP
        if one.is_over_duty and too_long_y is None:
            too_long_y = round(y - (STEP - TALL) / 2, 1)
        most = one.rates.up_to if one.rates and one.rates.up_to is not None else one.a_year
        width = max(_x_of(most) - LEFT, 2.0)
        kind = "open" if one.is_quiet is None else "quiet" if one.is_quiet else "loud"
        lines = hatch(LEFT, y, width, TALL, 6.0) if kind == "loud" else ""
        bars.append(
            WindowBar(
                kind, span_words(one.window_s), round(y, 1), round(y + 11.5, 1),
                round(width, 1), lines, one.is_current,
            )
        )  # fmt: skip
        said.append(f"{span_words(one.window_s)}{' (in use)' if one.is_current else ''}: {one.expected_words}")
    base = TOP + len(known) * STEP
    return WindowChart(
        bars=tuple(bars), ticks=tuple(Tick(_x_of(value), word) for value, word in TICKS), height=base + 24.0, base=base,
        limit_x=_x_of(MOST_A_YEAR), has_open=any(bar.kind == "open" for bar in bars), too_long_y=too_long_y, finding="; ".join(said),
    )  # fmt: skip
