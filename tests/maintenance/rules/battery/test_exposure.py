"""Charge balance against published examples and against itself."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from maintenance.rules.battery.exposure import (
    HOURS_PER_YEAR,
    Period,
    activations_per_day,
    cycle_mean_ua,
    exposure,
    exposure_of_periods,
    handbook_life_hours,
    life_hours,
    mean_current_ua,
    needed_mah,
    self_discharge_per_day,
    temperature_share,
)

# The open electronics notebook applied-ee, page "Battery Life Estimation", n.d.: current [µA] and length [s] per cycle.
NOTEBOOK_CYCLE_S = 60.0
NOTEBOOK_SLEEP_UA = 1.5
NOTEBOOK_PULSES = [(5000.0, 0.5e-3), (1800.0, 3e-3), (8500.0, 3.6e-3), (4200.0, 1.5e-3), (2000.0, 0.4e-3)]
SHARES = (0.85, 0.70, 0.50, 0.20)


def test_the_notebooks_cycle_draws_what_it_says() -> None:
    # T07. Source: applied-ee, "Battery Life Estimation": 2.25 µA. Its row sum is half a per cent low, so 1 %.
    mean_ua = cycle_mean_ua(NOTEBOOK_SLEEP_UA, NOTEBOOK_CYCLE_S, NOTEBOOK_PULSES)
    assert mean_ua == pytest.approx(2.25, rel=0.01)


def test_the_same_cycle_as_a_transmitter_row_gives_the_same_current() -> None:
    # T07 on the form the product uses: sleep current and charge per check-in above it.
    checkin_uas = sum((current - NOTEBOOK_SLEEP_UA) * length for current, length in NOTEBOOK_PULSES)
    assert float(mean_current_ua(NOTEBOOK_SLEEP_UA, checkin_uas, NOTEBOOK_CYCLE_S)) == pytest.approx(2.25, rel=0.01)


def test_the_notebooks_naive_life_comes_out_of_the_products_formula() -> None:
    # T07. Source: applied-ee, "Battery Life Estimation": 230 mAh at 2.25 µA last 102 222 h, 11.7 years.
    mean_ua = cycle_mean_ua(NOTEBOOK_SLEEP_UA, NOTEBOOK_CYCLE_S, NOTEBOOK_PULSES)
    hours = life_hours(230, mean_ua)
    assert hours == pytest.approx(102_222, rel=0.01)
    assert hours / HOURS_PER_YEAR == pytest.approx(11.7, rel=0.01)
    used = exposure(
        hours / 24, 0, base_ua=mean_ua, activation_uah=0, usable_mah=230, self_discharge=0
    )  # the balance itself: at the end of its life the whole charge is used
    assert float(used) == pytest.approx(1, rel=1e-12)


def test_the_handbook_variant_gives_the_published_derated_life() -> None:
    # T08. Source: applied-ee, "Battery Life Estimation": factors 0.95 · 1.0 · 0.90 · 0.80, 1.5 % a year -> 157.32 mAh,
    # 0.394 µA, 59 515 h, 6.8 years, with 8766 hours a year.
    derated_mah, self_ua, hours = handbook_life_hours(230, 0.95 * 1.0 * 0.90 * 0.80, 2.25, 0.015)
    assert derated_mah == pytest.approx(157.32, rel=0.001)
    assert self_ua == pytest.approx(0.394, abs=0.0005)  # three published digits, so half of the last one
    assert hours == pytest.approx(59_515, rel=0.001)
    assert hours / HOURS_PER_YEAR == pytest.approx(6.8, rel=0.01)


def test_ours_is_longer_than_the_handbook_by_exactly_the_weight_of_the_loss() -> None:
    # The handbook draws the loss of the *rated* charge from the *derated* one. Ours is a share of what can be used, so
    # the loss weighs less by the derating, and nothing else differs.
    derating = 0.95 * 1.0 * 0.90 * 0.80
    derated_mah, self_ua, handbook = handbook_life_hours(230, derating, 2.25, 0.015)
    ours = life_hours(derated_mah, 2.25, 0.015)
    assert ours == pytest.approx(derated_mah * 1000 / (2.25 + self_ua * derating), rel=1e-12)
    assert handbook < ours < 1.06 * handbook


def test_three_years_at_five_microamps_need_164_mah() -> None:
    # T09. Source: applied-ee, "Battery Life Estimation": margin 0.80, 8766 hours a year.
    assert needed_mah(5, 3, 0.80) == pytest.approx(164, rel=0.005)


def test_the_charge_needed_is_the_charge_that_lasts() -> None:
    rated = needed_mah(5, 3, 0.80, 0.02)
    assert life_hours(rated * 0.80, 5, 0.02) / HOURS_PER_YEAR == pytest.approx(3, rel=1e-12)


def test_a_year_of_2400_mah_is_a_mean_of_a_quarter_milliamp() -> None:
    # T11. Source: Casals, Mir, Vidal, Gomez, "Modeling the Energy Performance of LoRaWAN", Sensors 17(10) 2364, 2017:
    # 2400 mAh last one year (8760 h) at one message per 5 minutes, which implies 0.274 mA.
    used = exposure(8760 / 24, 0, base_ua=274, activation_uah=0, usable_mah=2400, self_discharge=0)
    assert float(used) == pytest.approx(1, rel=0.01)


@pytest.mark.parametrize(
    ("at_c", "share"),
    [(60, 1.0), (20, 1.0), (10, 0.925), (0, 0.85), (-5, 0.775), (-20, 0.5), (-30, 0.35), (-40, 0.2), (-80, 0.2)],
)
def test_the_cold_share_is_linear_between_its_knots(at_c: float, share: float) -> None:
    assert float(temperature_share(at_c, *SHARES)) == pytest.approx(share)


def test_the_cold_share_of_an_unknown_temperature_is_unknown() -> None:
    got = temperature_share(np.array([np.nan, -20.0]), *SHARES)
    assert np.isnan(got[0])
    assert got[1] == pytest.approx(0.5)


def test_self_discharge_doubles_with_ten_degrees() -> None:
    # Source: blog.mbedded.ninja, "Batteries".
    assert float(self_discharge_per_day(0.02, 30)) == pytest.approx(2 * float(self_discharge_per_day(0.02, 20)))
    assert float(self_discharge_per_day(0.02, 20)) * 365.25 == pytest.approx(0.02)


def test_a_transmitter_without_checkins_needs_no_interval() -> None:
    assert float(mean_current_ua(2.0, 0.0, 0.0)) == 2.0
    assert np.isnan(float(mean_current_ua(2.0, 900.0, 0.0)))


@pytest.mark.parametrize(
    ("counted", "days", "typical", "rate"),
    [(0, 0, 5, 5), (0, 1000, 5, 3 / 1000.6), (500, 100, 5, 503 / 100.6), (50, 100, 0, 50 / 465), (0, 0, 0, 0)],
)
def test_counted_activations_outweigh_the_typical_rate(
    counted: float, days: float, typical: float, rate: float
) -> None:
    assert float(activations_per_day(counted, days, typical)) == pytest.approx(rate)


@given(low=st.floats(0, 100), more=st.floats(0, 10), n=st.integers(0, 10_000), days=st.integers(0, 3000))
def test_a_higher_typical_rate_never_lowers_the_estimate(low: float, more: float, n: int, days: int) -> None:
    got = activations_per_day(n, days, np.array([low, low + more]))
    assert got[1] >= got[0] * (1 - 1e-12)


def test_periods_keep_their_own_settings() -> None:
    slow = Period(100, 10, base_ua=3, activation_uah=8, usable_mah=465, self_discharge=0.00004)
    fast = Period(50, 90, base_ua=9, activation_uah=8, usable_mah=300, self_discharge=0.00008)
    total = exposure_of_periods([slow, fast])
    by_hand = (3 * 24 * 100 + 80) / 1000 / 465 + 0.004 + (9 * 24 * 50 + 720) / 1000 / 300 + 0.004
    assert total == pytest.approx(by_hand, rel=1e-12)
    assert exposure_of_periods([fast, slow]) == pytest.approx(total, rel=1e-12)


@given(days=st.floats(0, 5000), part=st.floats(0, 1))
def test_cutting_a_period_in_two_changes_nothing(days: float, part: float) -> None:
    kind = {"base_ua": 7.0, "activation_uah": 8.0, "usable_mah": 465.0, "self_discharge": 0.00004}
    whole = exposure_of_periods([Period(days, days * 2, **kind)])
    halves = [Period(days * part, days * part * 2, **kind), Period(days * (1 - part), days * (1 - part) * 2, **kind)]
    assert exposure_of_periods(halves) == pytest.approx(whole, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(
    ("days", "activations", "usable_mah"),
    [(-1, 0, 100), (1, -1, 100), (1, 0, 0), (float("nan"), 0, 100)],  # negative time, count; no charge; no number
)
def test_an_impossible_period_is_refused(days: float, activations: float, usable_mah: float) -> None:
    with pytest.raises(ValueError, match="A period needs"):
        Period(days, activations, 5, 5, usable_mah, 0)


def test_impossible_requests_are_refused() -> None:
    with pytest.raises(ValueError, match="Nothing drains"):
        life_hours(230, 0)
    with pytest.raises(ValueError, match="self-discharge empties"):
        needed_mah(5, 60, 0.8, 0.02)
    with pytest.raises(ValueError, match="last longer"):
        cycle_mean_ua(1, 1, [(1, 2)])
