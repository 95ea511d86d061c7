"""Limits of all strata at once: dead shares, quantiles, and the floor."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from maintenance.rules.battery.limits import (
    STRENGTHS,
    dead_shares,
    fleet_limits,
)
from tests.maintenance.rules.battery.plain_fit import PlainFit

P_DEAD, P_CALL = [0.01, 0.03, 0.06], [0.10, 0.15, 0.25]


def test_the_fleet_speaks_for_a_stratum_as_far_as_its_strata_are_alike() -> None:
    dead, signalled = np.array([2, 1, 0, 10]), np.array([18, 5, 0, 10])
    mean = (1 + 13) / (2 + 46)

    def evidence(k: float) -> float:
        """Chance of the counts by scipy's beta-binomial, with the prior of the strength."""
        counts = stats.betabinom(dead + signalled, k * mean, k * (1 - mean)).logpmf(dead).sum()
        return float(counts - 0.5 * np.log(k / 40.0) ** 2)

    k = max(STRENGTHS, key=evidence)
    expected = stats.beta(k * mean + dead, k * (1 - mean) + signalled).ppf(0.9)
    assert dead_shares(dead, signalled) == pytest.approx(expected, rel=1e-9)
    assert dead_shares([1, 2], [3, 4]).tolist() == [1.0, 1.0], "fewer than 20 ends in all: no signal is counted on"


def test_strata_that_differ_speak_for_themselves_and_alike_ones_for_each_other() -> None:
    differ = dead_shares([5, 95] * 5, [95, 5] * 5)
    assert differ[0] < 0.15
    assert differ[1] > 0.9
    rng = np.random.default_rng(3)
    n_dead = rng.binomial(25, 0.2, 40)
    alike = dead_shares(n_dead, 25 - n_dead)
    assert np.mean(alike) < 0.26, "alone, the bound of 25 ends would lie near 0.32 on average"


def test_the_bound_lies_above_the_true_share_nine_times_in_ten() -> None:
    rng = np.random.default_rng(8)
    for share in (0.05, 0.3, 0.7):
        n_dead = rng.binomial(60, share, 4000)
        assert np.mean(dead_shares(n_dead, 60 - n_dead) >= share) >= 0.88


def test_limits_follow_the_closed_form() -> None:
    fit = PlainFit(np.array([8.0, 4.0]), np.array([1.0, 1.3]), np.array([0, 50]))
    share = np.array([1.0, 0.2])
    limits = fleet_limits(fit, P_DEAD, P_CALL, share)
    q = np.array([[0.01, 0.03, 0.06], [0.05, 0.15, 0.25]])
    assert limits.q == pytest.approx(q, rel=1e-12)
    u = fit.eta[:, None] * (-np.log1p(-q)) ** (1 / fit.beta[:, None])
    assert limits.u == pytest.approx(u, rel=1e-12)
    assert limits.is_reachable.all()


def test_the_floor_is_for_strata_with_ended_lives_only() -> None:
    fit = PlainFit(np.array([1.6, 1.6]), np.array([1.0, 1.0]), np.array([2, 3]))
    limits = fleet_limits(fit, [0.01], [0.10], [1.0, 1.0])
    assert limits.is_reachable.ravel().tolist() == [True, False]
    assert limits.u[0, 0] == pytest.approx((-np.log(0.99)) ** (1 / 1.6))
    assert limits.u[1, 0] == pytest.approx(0.35 * np.log(2) ** (1 / 1.6))
    assert fleet_limits(fit, [0.01], [0.10], [1.0, 1.0], floor_share=0.0).is_reachable.all()


@pytest.mark.parametrize(
    ("p_dead", "p_call", "share"),
    [([0.0], [0.1], [1.0]), ([0.2], [0.1], [1.0]), ([0.1], [1.0], [1.0]), ([np.nan], [0.1], [1.0]),
     ([0.01], [0.1], [0.0]), ([0.01], [0.1], [1.1]), ([0.01], [0.1], [np.nan])],
)  # fmt: skip
def test_impossible_policies_and_shares_are_refused(
    p_dead: list[float], p_call: list[float], share: list[float]
) -> None:
    with pytest.raises(ValueError, match=r"risk policy|unannounced"):
        fleet_limits(PlainFit.alike(1), p_dead, p_call, share)


@settings(max_examples=80, deadline=None)
@given(
    dead=st.lists(st.integers(-3, 10**9), min_size=1, max_size=5),
    signalled=st.integers(-3, 10**9),
    p=st.floats(1e-6, 0.4),
)
def test_any_counts_give_limits_without_a_warning(dead: list[int], signalled: int, p: float) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        share = dead_shares(dead, [signalled] * len(dead))
        limits = fleet_limits(PlainFit.alike(len(dead)), [p], [0.5], share)
    assert ((share > 0) & (share <= 1)).all()
    assert ((limits.q >= p) & (limits.q <= 0.5)).all()
    assert (limits.u > 0).all()


def test_a_worse_record_of_deaths_never_lengthens_the_limit() -> None:
    fit = PlainFit.alike(5)
    share = dead_shares([0, 5, 20, 50, 100], [100, 95, 80, 50, 0])
    u = fleet_limits(fit, P_DEAD, P_CALL, share).u
    assert (np.diff(share) > 0).all()
    assert (np.diff(u, axis=0) <= 0).all()
