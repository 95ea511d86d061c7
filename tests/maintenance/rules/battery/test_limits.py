"""Risk policy to exposure limit."""

from __future__ import annotations

import pytest

from maintenance.rules.battery.limits import (
    RiskPolicy,
    planning_probability,
)

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


@pytest.mark.parametrize(("p_dead", "p_call"), [(0, 0.1), (0.2, 0.1), (0.1, 1.0), (float("nan"), 0.5)])
def test_an_impossible_policy_is_refused(p_dead: float, p_call: float) -> None:
    with pytest.raises(ValueError, match="risk policy"):
        RiskPolicy(p_dead, p_call)
