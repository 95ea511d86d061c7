"""Makes what a night has learnt, for tests of the pages that show it: a fit, a kind with four lives, a tested half-year."""

from __future__ import annotations

from datetime import date
from typing import Any

from maintenance.models import Backtest, BatteryFit, StratumFit
from maintenance.rules.battery.fleet import Batteries, Strata, fit_fleet
from tests import factories
from tests.factories import TODAY


def make_fit(**over: Any) -> BatteryFit:
    return BatteryFit.objects.create(
        **({"as_of": TODAY, "model_version": "fleet-1", "is_current": True, "n_batteries": 120, "n_ends": 9} | over)
    )


def make_kind(fit: BatteryFit, number: int = 0, **over: Any) -> StratumFit:
    """A kind that has learnt from four lives around what the catalogue promises."""
    made = fit_fleet(Batteries.of([0] * 5, [0.7, 0.8, 0.9, 1.0, 0.6], 0.0, [1, 1, 1, 1, 0]), Strata.alike(1))
    given = {
        "transmitter_type": factories.transmitter_type(), "battery_type": factories.battery_type(), "is_measured": True,
        "n_batteries": 60, "n_in_service": 50, "n_ends": 4, "n_other": 2, "device_days": 40_000.0, "expected": 4.2,
        "sleep_multiplier": 1.4, "dead_share": 0.3, "u_1": 0.41, "u_5": 0.57, "u_10": 0.78, "u_50": 0.95,
        "limits": {"life_safety": {"q": 0.03, "u": 0.52, "is_reachable": True}},
        "posterior": made.row_bytes(0),
    }  # fmt: skip
    return StratumFit.objects.create(fit=fit, number=number, **(given | over))


def half_year(
    kind: StratumFit, from_on: date, predicted: float, happened: int, duty: str = "life_safety", **over: Any
) -> Backtest:
    facts = {
        "n_early": 1,
        "n_unspent": 20,
        "unspent": 5.0,
        "device_days": 9000.0,
        "fixed_cells": 24.7,
        "fixed_dead": 0.4,
    }
    given = {"n_batteries": 50, "n_found_dead": 1, "n_changed": 25, "facts": facts}
    return Backtest.objects.create(
        fit=kind.fit, from_on=from_on, to_on=date(from_on.year + from_on.month // 7, 8 - from_on.month, 1) if from_on.month in (1, 7) else TODAY, transmitter_type=kind.transmitter_type,
        battery_type=kind.battery_type, is_measured=kind.is_measured, duty=duty, predicted=predicted,
        happened=happened, **(given | over),
    )  # fmt: skip
