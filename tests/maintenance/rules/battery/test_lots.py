"""Lots: ends seen against ends expected, factors, intervals, alarms, and hostile numbers."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from maintenance.rules.battery.fleet import Batteries, Strata, fit_fleet
from maintenance.rules.battery.lots import (
    FACTOR_PRIOR,
    FACTORS,
    Lots,
    expected_ends,
    group_z,
    health,
    interval_of_ratio,
    judge_lots,
    stratum_alarm,
)
from tests.maintenance.rules.battery.plain_fit import PlainFit

FIT = PlainFit(np.array([8.0, 5.0]), np.array([1.0, 1.2]), np.array([50, 50]))


def test_expected_ends_are_the_cumulated_hazard_lived_under_observation() -> None:
    cells = Batteries.of(
        stratum=[0, 0, 1], end_u=[0.9, 0.9, 1.1], entry_u=[0.0, 0.5, 0.3], is_end=[False, True, True],
        lower_u=[np.nan, np.nan, 0.7],
    )  # fmt: skip
    # H = (u/η)^β; the interval (0.7, 1.1] stands for its middle.
    wanted = [0.9**8, 0.9**8 - 0.5**8, 0.75**5 - 0.25**5]
    assert expected_ends(cells, FIT) == pytest.approx(wanted, rel=1e-12)


def test_the_learnt_multiplier_is_applied_once() -> None:
    fit = PlainFit(np.array([8.0]), np.array([1.0]), np.array([50]), multiplier=1.4)
    cells = Batteries.of(stratum=[0, 0], end_u=[0.5, 0.5], entry_u=[0.1, 0.1], sleep_share=[0.5, np.nan])
    wanted = [0.6**8 - 0.12**8, 0.5**8 - 0.1**8]
    assert expected_ends(cells, fit) == pytest.approx(wanted, rel=1e-12)


def by_hand(observed: int, expected: float, beta: float) -> tuple[float, float]:
    """Chance of 1 and mean factor, by the formula of section 5 in plain numbers."""
    weights = []
    for f, prior in zip([1, 0.85, 0.7, 0.55, 0.4, 0.28], [0.94] + [0.012] * 5, strict=True):
        weights.append(prior * f ** (-beta * observed) * np.exp(-expected * f**-beta))
    total = sum(weights)
    return weights[0] / total, sum(w * f for w, f in zip(weights, FACTORS, strict=True)) / total


@pytest.mark.parametrize(
    ("n", "n_ended", "end_u"), [(30, 3, 0.55), (30, 1, 0.5), (10, 6, 0.95), (12, 2, 0.6), (40, 8, 0.7)]
)
def test_factor_and_chance_follow_the_formula(n: int, n_ended: int, end_u: float) -> None:
    cells = Batteries.of(stratum=[0] * n, end_u=[end_u] * n, is_end=np.arange(n) < n_ended, lot=[0] * n)
    lots = judge_lots(cells, FIT, 1)
    chance, factor = by_hand(n_ended, n * end_u**8, 8.0)
    assert lots.chance_normal[0] == pytest.approx(chance, rel=1e-10)
    assert lots.is_suspect[0] == (chance < 0.5 and n_ended >= 2)
    assert lots.factor[0] == (pytest.approx(factor, rel=1e-10) if lots.is_suspect[0] else 1.0)
    assert (lots.n_batteries[0], lots.observed[0]) == (n, n_ended)


def test_the_prior_is_one_belief() -> None:
    assert FACTOR_PRIOR.sum() == pytest.approx(1.0)
    assert len(FACTORS) == len(FACTOR_PRIOR)


def test_one_early_end_is_no_bad_lot_and_two_are() -> None:
    cells = Batteries.of(stratum=0, end_u=[0.3] * 20, is_end=np.arange(20) < 1, lot=0)
    one = judge_lots(cells, FIT, 1)
    assert one.chance_normal[0] < 0.5
    assert not one.is_suspect[0]
    two = judge_lots(Batteries.of(stratum=0, end_u=[0.3] * 20, is_end=np.arange(20) < 2, lot=0), FIT, 1)
    assert two.is_suspect[0]
    assert 0.28 <= two.factor[0] < 0.8


def test_a_lot_nobody_has_and_cells_of_no_lot() -> None:
    cells = Batteries.of(stratum=0, end_u=[0.4] * 4, is_end=True, lot=[-1, 7, 1, 1])
    lots = judge_lots(cells, FIT, 3)
    assert lots.n_batteries.tolist() == [0, 2, 0]
    assert lots.factor[[0, 2]].tolist() == [1.0, 1.0]
    assert lots.chance_normal[0] == pytest.approx(0.94)


def test_intervals_are_those_of_a_poisson_count() -> None:
    # stats.chi2 knows them by another name: low = χ²(2O) / 2, high = χ²(2O + 2) / 2.
    for observed in (0, 1, 2, 7, 40, 1000):
        low, high = interval_of_ratio(observed, 5.0, 0.9)
        wanted_low = stats.chi2.ppf(0.05, 2 * observed) / 2 if observed else 0.0
        assert low * 5 == pytest.approx(wanted_low, rel=1e-9)
        assert high * 5 == pytest.approx(stats.chi2.ppf(0.95, 2 * observed + 2) / 2, rel=1e-9)
        if observed:
            assert stats.poisson.sf(observed - 1, low * 5) == pytest.approx(0.05, rel=1e-6)
        assert stats.poisson.cdf(observed, high * 5) == pytest.approx(0.05, rel=1e-6)


def test_an_interval_of_95_percent_is_the_tabulated_one() -> None:
    # Exact 95 % limits of a Poisson count of 10: 4.795 and 18.39 (standard tables, from memory).
    low, high = interval_of_ratio(10, 1.0, 0.95)
    assert (low, high) == (pytest.approx(4.795, abs=0.001), pytest.approx(18.39, abs=0.005))


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    rng = np.random.default_rng(5)
    for mean in (0.7, 4.0, 30.0):
        observed = rng.poisson(mean, 4000)
        low, high = interval_of_ratio(observed, np.full(4000, mean), 0.9)
        assert np.mean((low <= 1) & (high >= 1)) >= 0.89


def test_where_nothing_was_expected_there_is_no_ratio() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        low, high = interval_of_ratio([0, 3, 2, np.nan], [0.0, 0.0, np.nan, 1.0])
    assert np.isnan(low).all()
    assert np.isnan(high).all()


@pytest.mark.parametrize("level", [0.0, 1.0, -1.0, np.nan])
def test_an_impossible_level_is_refused(level: float) -> None:
    with pytest.raises(ValueError, match="level"):
        interval_of_ratio(1, 1.0, level)


def test_z_is_held_where_little_was_expected() -> None:
    assert group_z([5, 1, 0], [1.0, 0.0, 4.0]).tolist() == [4.0, pytest.approx(2**0.5), -2.0]


def test_a_stratum_far_off_is_in_alarm() -> None:
    end_u = np.full(40, 0.8)
    cells = Batteries.of(stratum=np.repeat([0, 1], 20), end_u=end_u, is_end=np.arange(40) < 20)
    alarms = stratum_alarm(cells, FIT, 3)
    assert alarms.observed.tolist() == [20, 0, 0]
    assert alarms.expected == pytest.approx([20 * 0.8**8, 20 * (0.8 / 1.2) ** 5, 0.0])
    assert alarms.in_alarm.tolist() == [True, False, False]


def simulated(rng: np.random.Generator, n_lots: int, size: int, factor: float = 1.0) -> Batteries:
    """Lots of one Weibull stratum, looked at wherever they are between 0 and the 10 % limit."""
    lot = np.repeat(np.arange(n_lots), size)
    life = factor * rng.weibull(8.0, len(lot))
    look = rng.uniform(0.3, 0.75, n_lots)[lot]
    return Batteries.of(stratum=0, end_u=np.minimum(life, look), is_end=life <= look, lot=lot)


def test_the_health_figure_is_about_one_while_the_model_is_right() -> None:
    rng = np.random.default_rng(3)
    lots = judge_lots(simulated(rng, 600, 60), FIT, 600)
    assert 0.85 < health(lots) < 1.15
    off = judge_lots(simulated(rng, 600, 60, 0.8), FIT, 600)
    assert health(off) > 2.0


def test_health_is_the_root_mean_square_of_z_over_lots_that_say_something() -> None:
    one = np.ones(5)
    lots = Lots(one, np.array([4, 0, 10, 1, 0]), np.array([1.0, 4.0, 4.0, 0.1, 0.5]), one, one, one > 2)
    # z is 3, −2, 3, (left out), −√½.
    assert health(lots) == pytest.approx(((9 + 4 + 9 + 0.5) / 4) ** 0.5)
    assert health(lots, is_left_out=np.array([True, False, False, False, False])) == pytest.approx(
        ((4 + 9 + 0.5) / 3) ** 0.5
    )


def test_health_is_unknown_before_lots_say_anything() -> None:
    assert np.isnan(health(judge_lots(Batteries.of(stratum=0, end_u=[0.1], lot=0), FIT, 1)))


def test_good_lots_are_left_in_peace_and_half_life_lots_found() -> None:
    rng = np.random.default_rng(4)
    good = judge_lots(simulated(rng, 1000, 30), FIT, 1000)
    assert np.mean(good.is_suspect) <= 0.02
    bad = judge_lots(simulated(rng, 300, 30, 0.5), FIT, 300)
    seen = bad.observed >= 3
    assert np.mean(bad.is_suspect[seen]) > 0.97
    assert np.median(bad.factor[bad.is_suspect]) == pytest.approx(0.5, abs=0.08)


def test_against_the_fit_in_use() -> None:
    rng = np.random.default_rng(6)
    lot = np.repeat(np.arange(20), 40)
    life = np.where(lot == 7, 0.5, 1.0) * rng.weibull(8.0, len(lot))
    look = rng.uniform(0.3, 0.9, len(lot))
    cells = Batteries.of(stratum=0, end_u=np.minimum(life, look), is_end=life <= look, lot=lot)
    fit = fit_fleet(cells, Strata.alike(1))
    lots = judge_lots(cells, fit, 20)
    assert np.flatnonzero(lots.is_suspect).tolist() == [7]
    x = expected_ends(cells, fit)
    alive = np.array([-np.log1p(-fit.posterior(0).failed(u)) for u in cells.end_u])
    # A stratum of so many batteries is read off a table (see `test_hazard`).
    assert x == pytest.approx(alive, rel=1e-5)
    assert lots.expected.sum() == pytest.approx(stratum_alarm(cells, fit, 1).expected[0], rel=1e-12)


ANY = st.one_of(st.floats(allow_nan=True, allow_infinity=True), st.sampled_from([0.0, -1.0, 4.5, 1e300, np.nan]))


@settings(max_examples=80, deadline=None)
@given(
    rows=st.lists(
        st.tuples(st.integers(-2, 3), ANY, ANY, st.booleans(), ANY, ANY, st.integers(-3, 6)), min_size=1, max_size=8
    )
)
def test_hostile_numbers_raise_and_warn_of_nothing(
    rows: list[tuple[int, float, float, bool, float, float, int]],
) -> None:
    stratum, end, entry, is_end, lower, share, lot = zip(*rows, strict=True)
    cells = Batteries.of(stratum, end, entry, is_end, lower, np.clip(np.nan_to_num(share), 0, 1), lot)
    real = fit_fleet(Batteries.of(stratum=[], end_u=[]), Strata.alike(2))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        lots = judge_lots(cells, real, 4)
        alarms = stratum_alarm(cells, real, 2)
    assert ((lots.factor > 0) & (lots.factor <= 1)).all()
    assert ((lots.chance_normal >= 0) & (lots.chance_normal <= 1)).all()
    assert np.isfinite(lots.expected).all()
    assert np.isfinite(alarms.z).all()


@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_order_and_chunks_change_nothing(seed: int) -> None:
    rng = np.random.default_rng(seed)
    cells = simulated(rng, 6, 9)
    order = rng.permutation(len(cells.end_u))
    a, b = judge_lots(cells, FIT, 6), judge_lots(cells.subset(order), FIT, 6)
    for name in Lots.__slots__:
        np.testing.assert_allclose(
            getattr(a, name).astype(float), getattr(b, name).astype(float), rtol=1e-9, atol=1e-12
        )
