"""Raw rows of cells to the columns of the rules."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from maintenance.rules.wear import day_number, use_of_cells

UNIT = {
    "type__power": "battery", "type__cells_parallel": 1, "type__usable_share": 0.8, "type__sleep_ua": 5.0,
    "type__checkin_uas": 6000.0, "type__activation_uah": 5.0, "type__typical_activations_per_day": 10.0,
}  # fmt: skip
CELLS = {
    "battery_type__capacity_mah": 1500.0, "battery_type__self_discharge_per_year": 0.0125,
    "battery_type__share_0c": 0.9, "battery_type__share_m10c": 0.8, "battery_type__share_m20c": 0.65,
    "battery_type__share_m40c": 0.35,
}  # fmt: skip
FITTED = day_number(date(2025, 1, 1))


def period(from_on: date, **over: Any) -> dict[str, Any]:
    return {
        "from_on": from_on, "interval_s": 600, "days_measured": 100, "activations": 500, "temperature_days": 0,
        "temperature_sum_c": 0.0,
    } | over  # fmt: skip


def test_a_type_that_is_not_known_claims_no_exposure() -> None:
    assert use_of_cells(UNIT | {"type__sleep_ua": None}, CELLS, 600, [], FITTED) == {}
    assert use_of_cells(UNIT, CELLS | {"battery_type__capacity_mah": None}, 600, [], FITTED) == {}


def test_a_reserve_cell_of_a_mains_unit_claims_no_exposure() -> None:
    assert use_of_cells(UNIT | {"type__power": "mains"}, CELLS, 600, [], FITTED) == {}


def test_only_cells_in_parallel_add_charge() -> None:
    assert use_of_cells(UNIT | {"type__cells_parallel": 2}, CELLS, 600, [], FITTED)["capacity_mah"] == 3000


def test_a_cold_place_leaves_less_charge() -> None:
    cold = period(date(2025, 1, 1), temperature_days=10, temperature_sum_c=-100.0)
    facts = use_of_cells(UNIT, CELLS, 600, [cold], FITTED)
    assert facts["temperature_c"] == -10
    assert facts["temperature_share"] == pytest.approx(0.8)
    warm = use_of_cells(UNIT, CELLS, 600, [cold | {"temperature_sum_c": 300.0}], FITTED)
    assert (warm["temperature_c"], warm["temperature_share"]) == (30, 1.0)


def test_an_earlier_period_is_charged_with_its_own_interval() -> None:
    # By hand: 100 days at 6000/60 µA for check-ins, 5 µA asleep and 500 · 5 µAh over 1200 mAh, 1.25 % a year.
    earlier, now = period(date(2025, 1, 1), interval_s=60), period(date(2025, 4, 11), activations=7)
    facts = use_of_cells(UNIT, CELLS, 600, [earlier, now], FITTED)
    by_hand = ((5 + 100) * 24 * 100 + 2500) / 1000 / 1200 + 0.0125 * 100 / 365.25
    assert facts["u_before"] == pytest.approx(by_hand, rel=1e-9)
    assert facts["since_day"] == day_number(date(2025, 4, 11))
    assert facts["measured_activations"] == 7


def test_time_before_the_first_period_counts_with_its_settings() -> None:
    late = [period(date(2025, 2, 1), days_measured=0, activations=0), period(date(2025, 3, 1))]
    early = [late[0] | {"from_on": date(2025, 1, 1)}, late[1]]
    assert use_of_cells(UNIT, CELLS, 600, late, FITTED)["u_before"] == pytest.approx(
        use_of_cells(UNIT, CELLS, 600, early, FITTED)["u_before"]
    )


def test_cells_of_unknown_age_have_no_exposure_before() -> None:
    facts = use_of_cells(UNIT, CELLS, 600, [period(date(2025, 1, 1)), period(date(2025, 4, 1))], float("nan"))
    assert "u_before" not in facts
