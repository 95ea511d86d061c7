"""Assumed activations make exposure uncertain; the prior of such strata says so."""

from __future__ import annotations

import numpy as np
import pytest

from maintenance.rules.battery.fleet import Batteries, Strata, fit_fleet
from maintenance.rules.battery.posterior import learn
from maintenance.rules.battery.widening import EXPOSURE_SD, widened


def test_the_widened_weibull_meets_the_convolution_at_one_and_ten_per_cent() -> None:
    # Our own simulation, not the quadrature of the module.
    rng = np.random.default_rng(0)
    ln_eta, ln_beta = widened(np.log([5.0, 7.0, 12.0]))
    for k, beta in enumerate((5.0, 7.0, 12.0)):
        lives = rng.weibull(beta, 1_000_000) * np.exp(EXPOSURE_SD * rng.standard_normal(1_000_000))
        for share in (0.01, 0.10):
            t = np.exp(ln_eta[k]) * (-np.log1p(-share)) ** (1 / np.exp(ln_beta[k]))
            assert np.mean(lives < t) == pytest.approx(share, rel=0.03)


def test_no_uncertainty_changes_nothing() -> None:
    ln_beta = np.log([2.0, 7.0, 20.0])
    eta, beta = widened(ln_beta, 0.0)
    np.testing.assert_allclose(eta, 0.0, atol=1e-9)
    np.testing.assert_allclose(beta, ln_beta, rtol=1e-9)


def test_a_stratum_without_counts_is_limited_earlier_and_keeps_its_risk() -> None:
    fit = fit_fleet(Batteries.of([], []), Strata(2, np.zeros(2, dtype=int), np.array([True, False])))
    u = fit.quantile(0.01)
    assert u[0] == pytest.approx(learn().quantile(0.01), rel=1e-8)
    assert u[1] < 0.85 * u[0]
    # Truth drawn from the prior, exposure off by a lognormal factor: the plain limit lets far more fail than it says.
    rng = np.random.default_rng(1)
    n = 1_000_000
    beta = np.clip(np.exp(rng.normal(np.log(7), 0.4, n)), 1.5, 25)
    seen = np.exp(rng.normal(0, 0.35, n)) * rng.weibull(beta) * np.exp(EXPOSURE_SD * rng.standard_normal(n))
    assert np.mean(seen < u[0]) > 0.02
    assert np.mean(seen < u[1]) == pytest.approx(0.0085, abs=0.003)


def test_counted_and_assumed_strata_share_what_the_fleet_has_learnt() -> None:
    rng = np.random.default_rng(2)
    stratum = np.repeat(np.arange(40), 60)
    life = (
        0.5
        * rng.weibull(7, len(stratum))
        * np.exp(np.where(stratum % 2, EXPOSURE_SD, 0) * rng.standard_normal(len(stratum)))
    )
    batteries = Batteries.of(stratum, np.minimum(life, 0.4), 0, life < 0.4)
    fit = fit_fleet(batteries, Strata(42, np.arange(42), np.arange(42) % 2 == 0))
    assert np.exp(fit.prior.mean_ln_eta) == pytest.approx(0.5, rel=0.1)
    measured, assumed = fit.quantile(0.01)[40:]
    assert assumed < 0.9 * measured
