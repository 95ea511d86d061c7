"""What policies cost: the mean stay of a Weibull in closed form, a simulated slot, levels, the curve, hostile numbers."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.special import gammainc, gammaln

from company.actions import DEFAULT_POLICIES
from maintenance.rules.battery.fleet import Batteries, Strata, fit_fleet
from maintenance.rules.battery.limits import fleet_limits
from maintenance.rules.battery.price import (
    DUTIES,
    curve,
    level_of,
    levels,
    mean_used,
    policy_price,
    price_of_shares,
)
from tests.maintenance.rules.battery.plain_fit import PlainFit


def closed_form(beta: np.ndarray, eta: np.ndarray, u: np.ndarray) -> np.ndarray:
    """∫₀^u exp(−(x/η)^β) dx = η Γ(1 + 1/β) P(1/β, (u/η)^β), P the regularised incomplete gamma function."""
    return eta * np.exp(gammaln(1 + 1 / beta)) * gammainc(1 / beta, (u / eta) ** beta)


@pytest.mark.parametrize("beta", [1.5, 4.0, 8.0, 25.0])
def test_the_mean_stay_is_that_of_a_weibull_cut_off(beta: float) -> None:
    # Up to the life that 63 % do not reach; no policy goes further than 50 %.
    u = np.array([[0.1, 0.5, 0.8, 0.88, 0.9]])
    fit = PlainFit(np.array([beta]), np.array([0.9]))
    assert mean_used(fit, u) == pytest.approx(closed_form(np.array(beta), np.array(0.9), u), rel=2e-6)


def test_many_strata_are_worked_out_in_blocks() -> None:
    n = 150
    fit = PlainFit(np.linspace(2, 20, n), np.linspace(0.5, 2, n), np.full(n, 9))
    u = fit.quantile(np.tile([0.05, 0.2], (n, 1)))
    assert mean_used(fit, u) == pytest.approx(closed_form(fit.beta[:, None], fit.eta[:, None], u), rel=1e-6)


def test_a_simulated_slot_uses_as_many_cells() -> None:
    rng = np.random.default_rng(3)
    fit = PlainFit(np.array([6.0]), np.array([1.0]))
    limit = fit.quantile(0.15)
    lives = rng.weibull(6.0, 200_000)
    stay = np.minimum(lives, limit)
    rate = 1 / (3 * 365.25)
    price = policy_price(fit, limit[:, None], [[rate]], [[50]], [0.2], cells_per_change=2)
    a_year = 50 * rate * 365.25 / stay.mean()
    assert price.cells_a_year[0, 0] == pytest.approx(2 * a_year, rel=0.005)
    assert price.ends_a_year[0, 0] == pytest.approx(a_year * 0.15, rel=1e-6 + 0.005)
    assert price.dead_a_year[0, 0] == pytest.approx(0.2 * price.ends_a_year[0, 0], rel=1e-12)


def test_each_class_and_stratum_is_priced_by_its_own_numbers() -> None:
    fit = PlainFit(np.array([8.0, 5.0]), np.array([1.0, 1.2]), np.array([50, 50]))
    rate, n = np.array([[1e-3, 2e-3, 1e-3], [1e-3, 1e-3, np.nan]]), np.array([[10, 20, 0], [5, 0, 7]])
    price = price_of_shares(fit, [0.01, 0.03, 0.06], [0.1, 0.15, 0.25], rate, n, [1.0, 0.5])
    limits = fleet_limits(fit, [0.01, 0.03, 0.06], [0.1, 0.15, 0.25], [1.0, 0.5])
    alone = policy_price(PlainFit(np.array([5.0]), np.array([1.2])), limits.u[1:, :1], [[1e-3]], [[5]], [0.5])
    assert price.cells_a_year[1, 0] == pytest.approx(alone.cells_a_year[0, 0], rel=1e-12)
    # Nobody in service, or nothing known of the use, costs nothing.
    assert price.cells_a_year[0, 2] == price.cells_a_year[1, 1] == price.cells_a_year[1, 2] == 0
    assert price.ends_a_year[0, 0] == pytest.approx(price.cells_a_year[0, 0] * 0.01, rel=1e-9)


def test_the_balanced_level_is_what_a_new_firm_starts_with() -> None:
    assert set(DUTIES) == set(DEFAULT_POLICIES)
    for duty, numbers in DEFAULT_POLICIES.items():
        cautious, balanced, thrifty = levels(duty)
        assert (balanced.p_dead, balanced.p_call) == (numbers["p_dead"], numbers["p_call"])
        assert (cautious.p_dead, cautious.p_call) == (numbers["p_dead"] / 2, numbers["p_call"] / 2)
        assert (thrifty.p_dead, thrifty.p_call) == (numbers["p_dead"] * 2, numbers["p_call"] * 2)
        assert [level.code for level in (cautious, balanced, thrifty)] == ["cautious", "balanced", "thrifty"]
        assert all(0 < level.p_dead <= level.p_call <= 0.5 for level in (cautious, balanced, thrifty))
        assert level_of(duty, numbers["p_dead"], numbers["p_call"]) == "balanced"
        assert level_of(duty, numbers["p_dead"], numbers["p_call"] * 1.01) == ""
    with pytest.raises(ValueError, match="no duty class 'garden'"):
        levels("garden")


def test_more_risk_needs_fewer_cells_along_the_whole_curve() -> None:
    rng = np.random.default_rng(1)
    cells = Batteries.of(stratum=rng.integers(0, 4, 300), end_u=rng.weibull(7, 300), is_end=True)
    fit = fit_fleet(cells, Strata.alike(4))
    found = curve(fit, np.full(4, 1 / 1000), np.array([100, 50, 10, 0]), np.array([1.0, 0.3, 0.3, 0.1]))
    assert (np.diff(found.q) > 0).all()
    assert (np.diff(found.cells_a_year) < 0).all()
    assert (np.diff(found.ends_a_year) > 0).all()
    assert (found.dead_a_year <= found.ends_a_year).all()
    # One point of it, the plain way.
    u = fit.quantile(np.full((4, 1), 0.05))
    price = policy_price(fit, u, np.full((4, 1), 1e-3), np.array([[100], [50], [10], [0]]), [1.0, 0.3, 0.3, 0.1])
    at = list(found.q).index(0.05)
    assert found.cells_a_year[at] == pytest.approx(price.cells_a_year.sum(), rel=1e-12)
    assert found.dead_a_year[at] == pytest.approx(price.dead_a_year.sum(), rel=1e-12)


@pytest.mark.parametrize("q", [[0.0], [1.0], [0.1, np.nan]])
def test_an_impossible_curve_is_refused(q: list[float]) -> None:
    with pytest.raises(ValueError, match="planning probability"):
        curve(PlainFit.alike(1), [1e-3], [10], [1.0], q)


ANY = st.one_of(st.floats(allow_nan=True, allow_infinity=True), st.sampled_from([0.0, -1.0, 1e300, 1e-3, 4.5]))


@settings(max_examples=100, deadline=None)
@example(rows=[(0.0, 0.0, 0.0), (0.0, 0.0, -np.inf)])
@example(rows=[(1e-311, 1.0, 1.0), (1e-311, 1e300, 1e300)])
@given(rows=st.lists(st.tuples(ANY, ANY, ANY), min_size=2, max_size=2))
def test_hostile_numbers_raise_and_warn_of_nothing(rows: list[tuple[float, float, float]]) -> None:
    u, rate, n = (np.array(column)[:, None] for column in zip(*rows, strict=True))
    fit = fit_fleet(Batteries.of(stratum=[], end_u=[]), Strata.alike(2))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        price = policy_price(fit, u, rate, n, [1.0, 0.5])
    for column in (price.cells_a_year, price.ends_a_year, price.dead_a_year):
        assert np.isfinite(column).all()
        assert (column >= 0).all()
