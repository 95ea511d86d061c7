"""Strata learn from one another: a catalogue that is wrong everywhere is noticed, and nobody's lives count twice."""

from __future__ import annotations

import numpy as np
import pytest

from maintenance.rules.battery.fleet import Batteries, Strata, fit_fleet
from maintenance.rules.battery.posterior import LifePrior, Lives, learn


def fleet(
    n_strata: int, n: int, *, mean: float = 0.0, spread: float = 0.15, beta: float = 7.0, seed: int = 1
) -> tuple[Batteries, np.ndarray]:
    """Lives with ln η ~ N(mean, spread), looked at somewhere below 0.9 e^mean; and each stratum's ln η."""
    rng = np.random.default_rng(seed)
    stratum = np.repeat(np.arange(n_strata), n)
    ln_eta = rng.normal(mean, spread, n_strata)
    life = np.exp(ln_eta)[stratum] * rng.weibull(beta, len(stratum))
    look = rng.uniform(0.0, 0.9 * np.exp(mean), len(stratum))
    return Batteries.of(stratum, np.minimum(life, look), 0.0, life < look), ln_eta


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_a_catalogue_that_is_wrong_by_two_everywhere_is_found_out(factor: float) -> None:
    batteries, ln_eta = fleet(60, 60, mean=float(np.log(factor)))
    fit = fit_fleet(batteries, Strata.alike(60))
    assert fit.prior.mean_ln_eta == pytest.approx(ln_eta.mean(), abs=0.06)
    assert fit.prior.sd_ln_eta == pytest.approx(0.15, abs=0.05)
    assert np.exp(fit.prior.mean_ln_beta) == pytest.approx(7, rel=0.15)
    np.testing.assert_allclose(fit.prior_mean_ln_eta, fit.prior.mean_ln_eta, atol=0.02)


def test_a_stratum_without_ends_profits_from_the_others() -> None:
    batteries, _ = fleet(30, 60, mean=float(np.log(0.5)))
    fit = fit_fleet(batteries, Strata.alike(31))
    stranger = fit_fleet(batteries, Strata.alike(31), learn_prior=False)
    assert fit.quantile(0.5)[30] == pytest.approx(0.5 * learn().quantile(0.5), rel=0.1)
    assert stranger.quantile(0.5)[30] == pytest.approx(learn().quantile(0.5), rel=1e-8)


def test_irregular_lives_everywhere_lower_the_expected_regularity() -> None:
    batteries, _ = fleet(60, 100, beta=3.5)
    fit = fit_fleet(batteries, Strata.alike(60))
    assert np.exp(fit.prior.mean_ln_beta) == pytest.approx(3.5, rel=0.15)


def test_a_fleet_of_one_stratum_learns_nothing_from_itself() -> None:
    batteries, _ = fleet(1, 200, mean=-0.7)
    fit = fit_fleet(batteries, Strata.alike(1))
    alone = learn(Lives(batteries.end_u, batteries.entry_u, batteries.is_end))
    for q in (0.01, 0.1, 0.5):
        assert fit.quantile(q)[0] == pytest.approx(alone.quantile(q), rel=1e-3)
    # A second stratum would start from what the first one has shown.
    assert fit.prior.mean_ln_eta < -0.2


def test_each_stratum_starts_from_the_others_only() -> None:
    batteries, _ = fleet(8, 80)
    odd = batteries.end_u * np.where(batteries.stratum == 3, 0.6, 1.0)
    changed = Batteries.of(batteries.stratum, odd, 0.0, batteries.is_end)
    one, other = fit_fleet(batteries, Strata.alike(8)), fit_fleet(changed, Strata.alike(8))
    # Other strata see the early ends of stratum 3; its own prior cannot depend on them.
    assert other.prior_mean_ln_eta[0] < one.prior_mean_ln_eta[0] - 0.01
    assert other.prior_mean_ln_eta[3] == pytest.approx(one.prior_mean_ln_eta[3], abs=0.003)
    assert other.prior_sd_ln_eta[3] == pytest.approx(one.prior_sd_ln_eta[3], abs=0.003)


def test_without_an_end_nothing_is_learnt() -> None:
    alive = Batteries.of([0, 0, 1], [0.5, 0.9, 0.7])
    fit = fit_fleet(alive, Strata.alike(3))
    assert fit.prior == LifePrior()
    np.testing.assert_array_equal(fit.prior_mean_ln_eta, 0.0)
    np.testing.assert_array_equal(fit.prior_sd_ln_eta, 0.35)


def test_a_fit_with_a_learnt_prior_is_the_single_fit_under_that_prior() -> None:
    batteries, _ = fleet(12, 40, mean=-0.4)
    fit = fit_fleet(batteries, Strata.alike(12))
    for s in (0, 7):
        rows = batteries.subset(batteries.stratum == s)
        prior = LifePrior(
            mean_ln_eta=float(fit.prior_mean_ln_eta[s]),
            sd_ln_eta=float(fit.prior_sd_ln_eta[s]),
            mean_ln_beta=float(fit.prior_mean_ln_beta[s]),
        )
        alone = learn(Lives(rows.end_u, rows.entry_u, rows.is_end), prior)
        u = np.linspace(0.05, 1.5, 20)
        np.testing.assert_allclose(fit.failed(s, u), alone.failed(u), rtol=1e-9)


def test_strata_of_one_transmitter_model_lean_on_one_another() -> None:
    # Twelve models of four strata; all strata of one model live 0.7 times as long.
    batteries, _ = fleet(48, 40, spread=0.05)
    is_short = batteries.stratum % 12 == 5
    batteries = Batteries.of(batteries.stratum, batteries.end_u * np.where(is_short, 0.7, 1), 0, batteries.is_end)
    model = np.append(np.arange(48) % 12, [5, 6])
    fit = fit_fleet(batteries, Strata(50, model, np.ones(50, dtype=bool)))
    short, normal = fit.prior_mean_ln_eta[model == 5], fit.prior_mean_ln_eta[model == 6]
    assert np.all(short < normal.min() - 0.05)
    apart = fit_fleet(batteries, Strata.alike(50))
    np.testing.assert_allclose(apart.prior_mean_ln_eta, apart.prior.mean_ln_eta, atol=0.03)


def test_two_models_are_too_few_to_tell_models_apart() -> None:
    batteries, _ = fleet(8, 40)
    by_two = fit_fleet(batteries, Strata(8, np.arange(8) % 2, np.ones(8, dtype=bool)))
    np.testing.assert_allclose(
        by_two.prior_mean_ln_eta,
        fit_fleet(batteries, Strata(8, np.zeros(8, dtype=int), np.ones(8, dtype=bool))).prior_mean_ln_eta,
    )


def test_many_intervals_do_not_make_the_fleet_look_regular() -> None:
    # Yearly looks at batteries of three to four years: midpoints would lie on a few lines.
    batteries, _ = fleet(40, 60, beta=5.0, seed=4)
    look = 0.3 * np.ceil(batteries.end_u / 0.3)
    end = np.where(batteries.is_end, look, batteries.end_u)
    lower = np.where(batteries.is_end, look - 0.3, np.nan)
    known = fit_fleet(batteries, Strata.alike(40))
    found = fit_fleet(Batteries.of(batteries.stratum, end, 0.0, batteries.is_end, lower), Strata.alike(40))
    assert found.prior.mean_ln_beta == pytest.approx(known.prior.mean_ln_beta, abs=0.25)
    assert found.prior.mean_ln_eta == pytest.approx(known.prior.mean_ln_eta, abs=0.06)
