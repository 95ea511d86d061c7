"""A wrong sleep current is told apart from a wrong catalogue by batteries that differ in use."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from maintenance.rules.battery import multiplier
from maintenance.rules.battery.fleet import Batteries, Strata, fit_fleet


def fleet(m: float, n: int, *, share: tuple[float, float] = (0.2, 0.9), seed: int = 2) -> Batteries:
    """Ten strata whose sleep current is m times the catalogue's; exposures are the catalogue's."""
    rng = np.random.default_rng(seed)
    stratum = np.repeat(np.arange(10), n)
    life = np.exp(rng.normal(0, 0.15, 10))[stratum] * rng.weibull(7, len(stratum))
    sleep = rng.uniform(*share, len(stratum))
    true_per_u = 1 + (m - 1) * sleep
    look = rng.uniform(0.5, 1.2, len(stratum)) * true_per_u
    return Batteries.of(stratum, np.minimum(life, look) / true_per_u, 0.0, life < look, sleep_share=sleep)


@pytest.mark.parametrize("m", [0.6, 1.0, 2.0])
def test_the_multiplier_is_recovered(m: float) -> None:
    fit = fit_fleet(fleet(m, 400), Strata.alike(10))
    np.testing.assert_allclose(np.log(fit.sleep_multiplier / m), 0, atol=0.3)
    assert np.exp(np.mean(np.log(fit.sleep_multiplier))) == pytest.approx(m, rel=0.12)


def test_the_limit_then_holds_for_those_that_mostly_sleep() -> None:
    batteries = fleet(2.0, 400)
    fit = fit_fleet(batteries, Strata.alike(10))
    plain = fit_fleet(batteries, Strata.alike(10), learn_multiplier=False)
    sleepers = batteries.subset(batteries.sleep_share > 0.66)

    def expected_against_seen(f: object, u: np.ndarray) -> float:
        return float(np.sum(sleepers.is_end) / np.sum(f.cumulated(sleepers.stratum, u)))  # type: ignore[attr-defined]

    corrected = fit.scaled(sleepers.stratum, sleepers.end_u, sleepers.sleep_share)
    assert expected_against_seen(fit, corrected) == pytest.approx(1, abs=0.15)
    assert expected_against_seen(plain, sleepers.end_u) > 1.3


def test_equal_use_tells_nothing() -> None:
    fit = fit_fleet(fleet(2.0, 100, share=(0.6, 0.7)), Strata.alike(10))
    np.testing.assert_array_equal(fit.sleep_multiplier, 1.0)


def test_unknown_shares_tell_nothing_and_are_left_alone() -> None:
    known = fleet(2.0, 100)
    unknown = Batteries.of(known.stratum, known.end_u, 0.0, known.is_end)
    fit = fit_fleet(unknown, Strata.alike(10))
    np.testing.assert_array_equal(fit.sleep_multiplier, 1.0)
    learnt = fit_fleet(known, Strata.alike(10))
    np.testing.assert_array_equal(learnt.scaled([0, 1], [0.5, 0.6], np.nan), [0.5, 0.6])


def test_nine_ends_are_too_few() -> None:
    stratum, is_end = np.zeros(30, dtype=int), np.arange(30) < 9
    share = np.linspace(0.1, 0.9, 30)
    assert multiplier.can_tell(stratum, is_end, np.tile([0.1, 0.9], 15), 1).tolist() == []
    assert multiplier.can_tell(stratum, np.arange(30) < 10, np.tile([0.1, 0.9], 15), 1).tolist() == [0]
    assert multiplier.can_tell(stratum, np.arange(30) < 0, share, 1).tolist() == []


def test_without_the_jacobian_the_comparison_would_be_meaningless() -> None:
    rng = np.random.default_rng(0)
    share = rng.uniform(0.2, 0.9, 300)
    life = rng.weibull(7, 300)
    u = life / (1 + 0.4 * share)  # truth: m = 1.4

    def evidence(able: np.ndarray, by: np.ndarray) -> np.ndarray:
        return np.array(
            [np.max([stats.weibull_min.logpdf(u * by, 7, scale=eta).sum() for eta in np.linspace(0.5, 2, 61)])]
        )

    stratum, is_end = np.zeros(300, dtype=int), np.ones(300, dtype=bool)
    right = multiplier.learn_multiplier(evidence, stratum, is_end, ~is_end, share, 1)
    assert right[0] == pytest.approx(1.4, rel=0.1)
    # The same with all ends counted as intervals, which takes the Jacobian away.
    wrong = multiplier.learn_multiplier(evidence, stratum, is_end, is_end, share, 1)
    assert wrong[0] < 1.15


def test_the_top_of_a_parabola_is_found_between_the_values() -> None:
    x = np.log(multiplier.VALUES)
    y = np.stack([-((x - 0.2) ** 2), -((x + 0.6) ** 2), x, -x])
    found = multiplier._top(x, y)
    np.testing.assert_allclose(found[:2], [0.2, -0.6], atol=1e-9)
    np.testing.assert_allclose(found[2:], [x[-1], x[0]])


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("bad", [5.0, -3.0, np.inf, -np.inf])
def test_a_share_that_cannot_be_says_nothing_and_warns_of_nothing(bad: float) -> None:
    share = np.append(np.linspace(0.1, 0.9, 20), bad)
    n, ended = len(share), np.ones(len(share), dtype=np.bool_)

    def flat(strata: np.ndarray, by: np.ndarray) -> np.ndarray:
        return np.zeros(len(strata))

    zeros = np.zeros(n, dtype=np.int64)
    found = multiplier.learn_multiplier(flat, zeros, ended, ~ended, share, 1)
    assert np.isfinite(found[0])
    assert multiplier.VALUES[0] <= found[0] <= multiplier.VALUES[-1]
