"""Raw columns of cells and their setting-periods to exposure: each stretch is charged with its own settings."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from maintenance.rules import wear
from maintenance.rules.wear import Lived, day_number, half_year, half_year_name, half_year_of, lived, use_of

KIND: dict[str, Any] = {
    "pk": 7, "is_battery": 1, "is_welded": 0, "cells_parallel": 1, "cells_series": 1, "usable_share": 0.8,
    "sleep_ua": 5.0, "checkin_uas": 6000.0, "activation_uah": 5.0, "typical_activations_per_day": 10.0,
    "default_interval_s": 3600.0, "unit_life_years": 0.0,
}  # fmt: skip
CELL: dict[str, Any] = {
    "pk": 3, "capacity_mah": 1500.0, "self_discharge_per_year": 0.0125, "shelf_life_years": 10.0, "nominal_v": 3.0,
    "share_0c": 0.9, "share_m10c": 0.8, "share_m20c": 0.65, "share_m40c": 0.35,
}  # fmt: skip
FITTED = day_number(date(2025, 1, 1))


def table(*rows: dict[str, Any]) -> dict[str, Any]:
    return {name: np.array([row[name] for row in rows]) for name in rows[0]}


def periods(*rows: dict[str, Any]) -> dict[str, Any]:
    names = (
        "fitting", "from_day", "interval_s", "days_measured", "activations", "temperature_days", "temperature_sum_c"
    )  # fmt: skip
    found = {name: np.array([row[name] for row in rows], dtype=np.float64) for name in names}
    return found | {"fitting": found["fitting"].astype(np.int64)}


def period(from_on: date, **over: Any) -> dict[str, Any]:
    return {
        "fitting": 0, "from_day": day_number(from_on), "interval_s": 600, "days_measured": 100, "activations": 500,
        "temperature_days": 0, "temperature_sum_c": 0.0,
    } | over  # fmt: skip


def life(
    *rows: dict[str, Any], fitted: float = FITTED, until: float = FITTED + 365, kind: int = 0, cell: int = 0,
    is_open: bool = True, kinds: dict[str, Any] | None = None,
) -> Lived:  # fmt: skip
    cells = table(CELL)
    which, of = np.array([kind]), np.array([cell])
    use = use_of(table(kinds or KIND), cells, which, of)
    return lived(
        use, cells, of, np.array([fitted]), np.array([until]), np.array([600.0]), np.array([is_open]), periods(*rows)
    )  # fmt: skip


# By hand: 6000/600 µA for check-ins, 5 µA asleep, over 1200 mAh, and 1.25 % a year.
BASE = (5 + 10) * 24 / 1000 / 1200
LOST = 0.0125 / 365.25


@pytest.mark.parametrize(("kind", "cell"), [(-1, 0), (0, -1)])
def test_a_type_that_is_not_known_claims_no_exposure(kind: int, cell: int) -> None:
    assert np.isnan(life(kind=kind, cell=cell).exposure_at(np.array([FITTED + 10])))


def test_a_reserve_cell_of_a_mains_unit_claims_no_exposure() -> None:
    assert np.isnan(life(kinds=KIND | {"is_battery": 0}).exposure_at(np.array([FITTED + 10])))


def test_only_cells_in_parallel_add_charge() -> None:
    use = use_of(table(KIND | {"cells_parallel": 2, "cells_series": 3}), table(CELL), np.array([0]), np.array([0]))
    assert use["capacity_mah"] == 3000


def test_a_cold_place_leaves_less_charge() -> None:
    cold = life(period(date(2025, 1, 1), temperature_days=10, temperature_sum_c=-100.0))
    assert cold.of_present(cold.temperature_c) == -10
    assert cold.of_present(cold.temperature_share) == pytest.approx(0.8)
    warm = life(period(date(2025, 1, 1), temperature_days=10, temperature_sum_c=300.0))
    assert (warm.of_present(warm.temperature_c), warm.of_present(warm.temperature_share)) == (30, 1.0)


def test_an_earlier_period_is_charged_with_its_own_interval() -> None:
    # By hand: 100 days at 6000/60 µA for check-ins, 5 µA asleep and 500 · 5 µAh over 1200 mAh, 1.25 % a year.
    both = life(period(date(2025, 1, 1), interval_s=60), period(date(2025, 4, 11), activations=7))
    by_hand = ((5 + 100) * 24 * 100 + 2500) / 1000 / 1200 + 0.0125 * 100 / 365.25
    assert both.exposure_before_present() == pytest.approx(by_hand, rel=1e-9)
    assert both.of_present(both.begin_day) == day_number(date(2025, 4, 11))
    assert both.of_present(both.activations) == 7
    assert both.exposure_at(np.array([FITTED + 100])) == pytest.approx(by_hand, rel=1e-9)


def test_time_before_the_first_period_counts_with_its_settings() -> None:
    late = [period(date(2025, 2, 1), days_measured=0, activations=0), period(date(2025, 3, 1))]
    early = [late[0] | {"from_day": FITTED}, late[1]]
    assert life(*late).exposure_before_present() == pytest.approx(life(*early).exposure_before_present())


def test_the_last_settings_of_cells_that_came_out_are_those_of_their_time() -> None:
    # Today the transmitter checks in every 600 s; while these cells were in it, every 60 s.
    then = period(date(2025, 1, 1), interval_s=60, activations=0, days_measured=365)
    at = np.array([FITTED + 365])
    by_hand = 365 * ((5 + 100) * 24 / 1000 / 1200 + LOST)
    gone = life(then, is_open=False).exposure_at(at)
    assert gone > life(then, is_open=True).exposure_at(at)
    # 365 days without an activation leave the usual number 0.3 days' weight of the blend.
    assert gone == pytest.approx(by_hand, rel=2e-3)


def test_cells_without_periods_go_by_the_present_settings_and_the_usual_number() -> None:
    plain = life()
    by_hand = 100 * (BASE + 10 * 5 / 1000 / 1200 + LOST)
    assert plain.exposure_at(np.array([FITTED + 100])) == pytest.approx(by_hand, rel=1e-12)
    assert plain.base_share_at(np.array([FITTED + 100])) == pytest.approx(100 * BASE / by_hand, rel=1e-12)
    assert plain.exposure_at(np.array([FITTED + 100]), 2.0) == pytest.approx(by_hand + 100 * BASE, rel=1e-12)
    assert plain.counted_share() == 0


def test_cells_of_unknown_age_have_no_exposure() -> None:
    unknown = life(period(date(2025, 1, 1)), period(date(2025, 4, 1)), fitted=np.nan)
    assert np.isnan(unknown.exposure_at(np.array([FITTED + 10])))


def test_no_exposure_at_the_fitting_and_more_of_it_every_day() -> None:
    both = life(period(date(2025, 1, 1), interval_s=60), period(date(2025, 4, 11)))
    found = [float(both.exposure_at(np.array([FITTED + n]))[0]) for n in (0, 1, 99, 100, 101, 400)]
    assert found[0] == 0
    assert found == sorted(found)


@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_many_at_once_are_each_alone(data: st.DataObject) -> None:
    n = data.draw(st.integers(1, 6))
    rows = []
    for i in range(n):
        begins = sorted(data.draw(st.lists(st.integers(-50, 300), max_size=4, unique=True)))
        rows += [
            {"fitting": i, "from_day": FITTED + begin, "interval_s": data.draw(st.sampled_from([60, 600, np.nan])),
             "days_measured": data.draw(st.integers(0, 400)), "activations": data.draw(st.integers(0, 9000)),
             "temperature_days": data.draw(st.sampled_from([0, 20])), "temperature_sum_c": -40.0}
            for begin in begins
        ]  # fmt: skip
    cells, none = table(CELL), np.zeros(n, dtype=np.int64)
    use = use_of(table(KIND), cells, none, none)
    fitted, until = np.full(n, FITTED), np.full(n, FITTED + 350)
    day = np.array([FITTED + data.draw(st.integers(0, 400)) for _ in range(n)])
    empty = {name: column[:0] for name, column in periods(period(date(2025, 1, 1))).items()}
    args = (fitted, until, np.full(n, 600.0), np.ones(n, dtype=np.bool_))
    together = lived(use, cells, none, *args, periods(*rows) if rows else empty)
    for i in range(n):
        mine = [row | {"fitting": 0} for row in rows if row["fitting"] == i]
        alone = life(*mine, until=FITTED + 350) if mine else life(until=FITTED + 350)
        assert together.exposure_at(day)[i] == pytest.approx(alone.exposure_at(day[i : i + 1])[0], rel=1e-12)
        assert together.exposure_before_present()[i] == pytest.approx(
            alone.exposure_before_present()[0], rel=1e-12
        )  # fmt: skip


@pytest.mark.parametrize(
    ("on", "name"),
    [
        (date(2025, 6, 30), "2025-H1"),
        (date(2025, 7, 1), "2025-H2"),
        (date(1999, 12, 31), "1999-H2"),
        (date(2026, 1, 1), "2026-H1"),
    ],
)
def test_half_years_are_named_and_read_back(on: date, name: str) -> None:
    number = int(half_year(np.array([day_number(on)]))[0])
    assert half_year_name(number) == name
    assert half_year_of(name) == number
    assert half_year_of("25H2") == half_year(np.array([np.nan]))[0] == -1


def test_counted_on_nearly_every_day_is_measured() -> None:
    use = use_of(table(KIND), table(CELL), np.array([0]), np.array([0]))
    assert not wear.is_measured(use, life(period(date(2025, 1, 1), days_measured=250)))[0]
    assert wear.is_measured(use, life(period(date(2025, 1, 1), days_measured=340)))[0]
    assert wear.is_measured(use | {"activation_uah": np.array([0.0])}, life())[0], "nothing to count"


# --- figures that cannot be -------------------------------------------------------------------------------------------

ABSURD = [-0.05, -1e300, 1e300, 1e-300, np.inf, -np.inf, np.nan]


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("value", ABSURD)
@pytest.mark.parametrize(
    "name",
    ["capacity_mah", "self_discharge_per_year", "usable_share", "sleep_ua", "checkin_uas", "activation_uah",
     "typical_activations_per_day"],
)  # fmt: skip
def test_a_catalogue_figure_that_cannot_be_claims_no_exposure(name: str, value: float) -> None:
    one = np.array([0])
    kinds, cells = table(KIND | {name: value}), table(CELL | {name: value})
    use = use_of(kinds, cells, one, one)
    assert all(np.isnan(column[0]) for column in use.values())
    found = lived(
        use, cells, one, np.array([FITTED]), np.array([FITTED + 365]), np.array([600.0]), np.array([True]),
        periods(period(date(2025, 1, 1))),
    )  # fmt: skip
    day = np.array([FITTED + 10])
    assert np.isnan(found.exposure_at(day)[0])
    assert np.isnan(found.exposure_before_present()[0]) or found.exposure_before_present()[0] == 0.0
    assert found.base_share_at(day)[0] == 0.0


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("sum_c", [1e308, -1e308, np.inf, -np.inf, np.nan, -6100.0, 9100.0])
def test_a_temperature_that_no_place_has_counts_as_not_measured(sum_c: float) -> None:
    wrong = life(period(date(2025, 1, 1), temperature_days=100, temperature_sum_c=sum_c))
    day = np.array([FITTED + 365])
    assert wrong.of_present(wrong.temperature_c)[0] == 20.0
    assert wrong.exposure_at(day) == life(period(date(2025, 1, 1))).exposure_at(day)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize(("days", "activations"), [(100, 2.0**63), (100, -5), (-3, 500), (0, 1e300)])
def test_a_count_that_no_transmitter_can_have_made_is_no_count(days: float, activations: float) -> None:
    day = np.array([FITTED + 365])
    wrong = life(period(date(2025, 1, 1), days_measured=days, activations=activations))
    assert wrong.exposure_at(day) == life(period(date(2025, 1, 1), days_measured=0, activations=0)).exposure_at(day)
    assert wrong.counted_share()[0] == 0.0
    huge = life(period(date(2025, 1, 1), days_measured=2.0**63, activations=2.0**63, temperature_days=2.0**63))
    assert np.isnan(huge.exposure_at(day)[0]) or huge.exposure_at(day)[0] > 0


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("share", [-0.5, 1e300, np.inf, np.nan, 0.0])
def test_a_cold_share_that_cannot_be_leaves_a_cold_place_without_exposure(share: float) -> None:
    one, cells = np.array([0]), table(CELL | {"share_m10c": share})
    at_c, left = wear.climate_of(cells, one, np.array([10.0]), np.array([-100.0]))
    assert at_c[0] == -10.0
    assert np.isnan(left[0]) or left[0] == 0.0
    cold = lived(
        use_of(table(KIND), cells, one, one), cells, one, np.array([FITTED]), np.array([FITTED + 365]), np.array([600.0]),
        np.array([True]), periods(period(date(2025, 1, 1), temperature_days=10, temperature_sum_c=-100.0)),
    )  # fmt: skip
    assert np.isnan(cold.exposure_at(np.array([FITTED + 10]))[0])
