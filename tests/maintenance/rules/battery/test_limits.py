"""Risk policy to exposure limit."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from maintenance.rules.battery.limits import (
    RiskPolicy,
    dead_share_upper,
    exposure_limit,
    planning_probability,
)
from maintenance.rules.battery.posterior import Lives, learn

POLICY = RiskPolicy(p_dead=0.01, p_call=0.10)


@pytest.mark.parametrize(
    ("dead_share", "q"),
    [(1.0, 0.01), (0.5, 0.02), (0.2, 0.05), (0.1, 0.10), (0.01, 0.10)],
)
def test_a_trusted_signal_lets_more_of_the_charge_be_used(dead_share: float, q: float) -> None:
    assert planning_probability(POLICY, dead_share) == pytest.approx(q)


@pytest.mark.parametrize("dead_share", [0.0, -0.2, 1.2, float("nan")])
def test_a_share_outside_its_range_is_refused(dead_share: float) -> None:
    with pytest.raises(ValueError, match="unannounced"):
        planning_probability(POLICY, dead_share)


def test_without_evidence_no_signal_is_counted_on() -> None:
    assert dead_share_upper(0, 19, level=0.9, min_evidence=20) == 1.0


def test_the_upper_bound_is_the_beta_quantile() -> None:
    got = dead_share_upper(3, 27, level=0.9, min_evidence=20)
    assert got == pytest.approx(stats.beta(4, 28).ppf(0.9), rel=1e-9)


@pytest.mark.parametrize(("p_dead", "p_call"), [(0, 0.1), (0.2, 0.1), (0.1, 1.0), (float("nan"), 0.5)])
def test_an_impossible_policy_is_refused(p_dead: float, p_call: float) -> None:
    with pytest.raises(ValueError, match="risk policy"):
        RiskPolicy(p_dead, p_call)


def test_a_stricter_class_has_an_earlier_limit() -> None:
    limits = [
        exposure_limit(learn(), RiskPolicy(p, 0.25), floor_share=0.35, min_ends=3).u for p in (0.01, 0.03, 0.06, 0.2)
    ]
    assert limits == sorted(limits)
    assert limits[0] < limits[-1]


def test_ignorance_is_not_lifted_to_the_floor_but_random_failures_are() -> None:
    unknown = exposure_limit(learn(), POLICY, floor_share=0.5, min_ends=3)
    assert unknown.is_reachable
    rng = np.random.default_rng(1)
    ends = np.concatenate([rng.uniform(0.02, 0.5, 30), rng.normal(1.0, 0.1, 70)])
    wild = learn(Lives(ends, np.zeros_like(ends), np.ones(len(ends), dtype=bool)))
    limit = exposure_limit(wild, POLICY, floor_share=0.35, min_ends=3)
    assert not limit.is_reachable
    assert limit.u == pytest.approx(0.35 * wild.quantile(0.5))
