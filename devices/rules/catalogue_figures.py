"""Which figures a catalogue row can have: beyond these something was mistyped. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

SHARE = (0.0, 1.0)
LIMITS: dict[str, tuple[float, float]] = {
    "capacity_mah": (0.1, 1e6), "nominal_v": (0.1, 1000.0), "self_discharge_per_year": SHARE, "shelf_life_years": (0.0, 100.0),
    "share_0c": SHARE, "share_m10c": SHARE, "share_m20c": SHARE, "share_m40c": SHARE, "usable_share": (1e-3, 1.0),
    "sleep_ua": (0.0, 1e6), "checkin_uas": (0.0, 1e9), "activation_uah": (0.0, 1e6),
    "typical_activations_per_day": (0.0, 86_400.0), "unit_life_years": (0.0, 100.0),
}  # fmt: skip
"""Smallest and greatest figure by column, both allowed, in the unit of its name. Own choice, far beyond any real one."""


def impossible(figures: Mapping[str, Any]) -> dict[str, str]:
    """Give what is wrong with the figures of a row.

    Parameters
    ----------
    figures : mapping
        Column → figure, in the unit of its name; columns without limits are passed over, and so is None.

    Returns
    -------
    dict
        Column → a sentence that says what to give instead; empty where all can be.
    """
    found = {}
    for name, (least, most) in LIMITS.items():
        value = figures.get(name)
        if name == "usable_share" and figures.get("power") == "mains":
            # A unit on mains has no cells to draw on.
            least = 0.0
        if value is not None and not (math.isfinite(value) and least <= value <= most):
            found[name] = f"Give a number from {_said(least)} to {_said(most)}."
    return found


def _said(value: float) -> str:
    """A bound as people write it: 0.1 and 1,000,000, never 1e+06."""
    return f"{value:,.0f}" if value == int(value) else f"{value:g}"
