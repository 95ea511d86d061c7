"""Numbers to SVG geometry: what each limit costs, in cells and in sets found dead. Lengths are user units of the view box."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from maintenance.rules.charts import Tick

X_TICKS = (0.001, 0.01, 0.05, 0.1, 0.2, 0.5)


@dataclass(frozen=True, slots=True)
class Panel:
    """One curve over the common axis: its line, its scale, and where the present choice lies on it (None: nowhere)."""

    title: str
    path: str
    top: float
    base: float
    y_ticks: tuple[Tick, ...]
    now_y: float | None


@dataclass(frozen=True, slots=True)
class PolicyChart:
    """Cells a year above, found dead a year below, against the share of batteries that may end before their change."""

    width: float
    height: float
    left: float
    right: float
    panels: tuple[Panel, Panel]
    x_ticks: tuple[Tick, ...]
    now_x: float | None
    finding: str

    @property
    def middle(self) -> float:
        """Middle of the drawing area [user units]."""
        return (self.left + self.right) / 2


def policy_chart(
    q: Sequence[float],
    cells: Sequence[float],
    dead: Sequence[float],
    *,
    q_now: float | None,
    width: float = 640.0,
    height: float = 400.0,
) -> PolicyChart:
    """Draw both curves over one axis of shares, which grows by factors.

    Parameters
    ----------
    q : sequence of float
        Share that may end before its planned change, increasing [0 < q < 1].
    cells, dead : sequence of float
        Cells used and sets found dead [1/year].
    q_now : float or None
        Share of the present policy; outside the curve it is left out.
    width, height : float
        View box [user units].

    Raises
    ------
    ValueError
        If the columns differ in length, or q does not increase within 0 and 1.
    """
    grows = all(0 < a < b < 1 for a, b in pairwise(q))
    if not (len(q) == len(cells) == len(dead) >= 2 and grows):
        raise ValueError("The curve needs increasing shares between 0 and 1, and as many prices.")
    left, right = 64.0, width - 28.0
    low, high = math.log(q[0]), math.log(q[-1])

    def x_of(share: float) -> float:
        return round(left + (right - left) * (math.log(share) - low) / (high - low), 1)

    now = q_now if q_now is not None and q[0] <= q_now <= q[-1] else None
    half = (height - 96.0) / 2
    panels = (
        _panel("cells a year", q, cells, x_of, now, 26.0, 26.0 + half),
        _panel("sets found dead a year", q, dead, x_of, now, 26.0 + half + 30.0, 26.0 + 2 * half + 30.0),
    )
    ticks = tuple(Tick(x_of(s), f"{100 * s:g} %") for s in X_TICKS if q[0] <= s <= q[-1])
    finding = (
        f"From {100 * q[0]:g} % to {100 * q[-1]:g} % allowed to end early, cells a year fall from {cells[0]:.0f} to "
        f"{cells[-1]:.0f}, and sets found dead rise from {dead[0]:.2g} to {dead[-1]:.2g} a year."
    )
    return PolicyChart(width, height, left, right, panels, ticks, x_of(now) if now else None, finding)


def _panel(
    title: str,
    q: Sequence[float],
    y: Sequence[float],
    x_of: Callable[[float], float],
    now: float | None,
    top: float,
    base: float,
) -> Panel:
    most = max(max(y), 1e-9)
    step = nice_step(most)
    ceiling = step * math.ceil(most / step - 1e-9)

    def y_of(value: float) -> float:
        return round(base - (base - top) * value / ceiling, 1)

    points = [f"{x_of(share)} {y_of(value)}" for share, value in zip(q, y, strict=True)]
    ticks = tuple(Tick(y_of(step * i), f"{step * i:,.4g}") for i in range(round(ceiling / step) + 1))
    return Panel(title, "M" + "L".join(points), top, base, ticks, y_of(_between(now, q, y)) if now else None)


def _between(share: float, q: Sequence[float], y: Sequence[float]) -> float:
    """Price at a share, straight between its neighbours on the growing axis."""
    for i in range(1, len(q)):
        if share <= q[i]:
            part = (math.log(share) - math.log(q[i - 1])) / (math.log(q[i]) - math.log(q[i - 1]))
            return y[i - 1] + part * (y[i] - y[i - 1])
    return y[-1]


def nice_step(most: float) -> float:
    """Give a step of 1, 2 or 5 times a power of ten that cuts a scale up to `most` into two to five parts; no unit."""
    power = 10.0 ** math.floor(math.log10(most))
    for factor in (0.2, 0.5, 1.0, 2.0, 5.0):
        if most / (factor * power) <= 5:
            return factor * power
    return 5.0 * power
