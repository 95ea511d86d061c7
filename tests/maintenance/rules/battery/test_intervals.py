"""Ends found only at a visit: weighed by the chance of their interval, against dense quadrature of the same model."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import gammaln, logsumexp

from maintenance.rules.battery import gammas
from maintenance.rules.battery.fleet import Batteries, Strata, fit_fleet
from maintenance.rules.battery.intervals import NARROW, split
from maintenance.rules.battery.posterior import LifePrior, Lives, learn
from maintenance.rules.battery.sums import SortedLives

U = np.array([0.15, 0.3, 0.5, 0.7, 0.9, 1.1, 1.4])


def seen_at_visits(n: int, width: float, *, beta: float = 7.0, seed: int = 0, entry: float = 0.0) -> Lives:
    """Lives with η = 0.9; ends are only found at visits so far apart."""
    rng = np.random.default_rng(seed)
    life = 0.9 * rng.weibull(beta, n)
    life = life[life > entry + 1e-6]
    look = rng.uniform(max(0.5, entry + 0.01), 1.2, len(life))
    is_end = life < look
    found = width * np.ceil(life / width)
    end = np.where(is_end, found, np.minimum(life, look))
    lower = np.where(is_end, np.maximum(found - width, entry), np.nan)
    return Lives(end, np.full(len(end), entry), is_end, lower)


def dense(lives: Lives, prior: LifePrior | None = None) -> np.ndarray:
    """F(u) by brute force over ln β and ln λ, with the model's own prior of seven gammas and every exact likelihood."""
    belief = (prior or LifePrior()).for_strata(1)
    beta = np.exp(np.linspace(np.log(1.5), np.log(25), 161))[np.newaxis]
    ln_lam = np.linspace(-90.0, 45.0, 9001)
    lam = np.exp(ln_lam)
    shape, log_rate = gammas.prior_gammas(beta, belief)
    log_beta = gammas.log_beta_prior(beta, belief)[0]
    log_total, chances = [], []
    for j, b in enumerate(beta[0]):
        with np.errstate(under="ignore"):
            a, log_b = shape[0, j], log_rate[0, j][:, np.newaxis]
            prior_density = a * log_b - gammaln(a) + a * ln_lam - np.exp(np.minimum(log_b + ln_lam, 600))
            log_p = logsumexp(prior_density + gammas.MIXTURE_LOG_WEIGHT[:, np.newaxis], axis=0) + log_beta[j]
            for e, x, ended, low in zip(lives.entry_u, lives.end_u, lives.is_end, lives.lower, strict=True):
                log_p = log_p + lam * e**b
                if not ended:
                    log_p = log_p - lam * x**b
                elif np.isnan(low) or x - low <= NARROW * x:
                    middle = x if np.isnan(low) else 0.5 * (x + low)
                    log_p = log_p - lam * middle**b + ln_lam + np.log(b) + (b - 1) * np.log(middle)
                else:
                    log_p = log_p - lam * low**b + np.log(np.maximum(-np.expm1(-lam * (x**b - low**b)), 1e-300))
            log_total.append(logsumexp(log_p))
            weight = np.exp(log_p - log_total[-1])
            chances.append([np.sum(weight * -np.expm1(-lam * u**b)) for u in U])
    share = np.exp(np.array(log_total) - logsumexp(log_total))
    return np.asarray(share @ np.array(chances))


@pytest.mark.parametrize(
    "lives",
    [
        seen_at_visits(40, 0.3),
        seen_at_visits(40, 0.3, entry=0.4),
        seen_at_visits(150, 0.3, seed=3),
        seen_at_visits(60, 0.8, seed=2),
        seen_at_visits(5, 0.3, seed=1),
        seen_at_visits(30, 0.03, seed=4),
        Lives(np.array([0.9]), np.zeros(1), np.array([True]), np.array([0.0])),
    ],
    ids=["visits", "late records", "many", "far apart", "few", "narrow", "one, found dead, never seen before"],
)
def test_the_posterior_is_the_integral(lives: Lives) -> None:
    # Where some hundredth has failed it is good to 1 %, where some ten-thousandth, to 2 %.
    found, exact = learn(lives).failed(U), dense(lives)
    np.testing.assert_allclose(found, exact, rtol=0.02)
    np.testing.assert_allclose(found[exact > 0.005], exact[exact > 0.005], rtol=0.01)


def test_midpoints_would_make_lives_look_regular() -> None:
    lives = seen_at_visits(150, 0.3, seed=3)
    middle = np.where(lives.is_end, 0.5 * (lives.lower + lives.end_u), lives.end_u)
    by_midpoint = learn(Lives(middle, lives.entry_u, lives.is_end))
    assert float(by_midpoint.failed(0.3)) != pytest.approx(float(learn(lives).failed(0.3)), rel=0.5)


def test_dating_an_end_at_the_visit_would_be_too_bold() -> None:
    lives = seen_at_visits(150, 0.3, seed=3)
    at_visit = learn(Lives(lives.end_u, lives.entry_u, lives.is_end))
    assert at_visit.quantile(0.01) > 1.05 * learn(lives).quantile(0.01)


def test_the_truth_is_found_again_from_visits_far_apart() -> None:
    lives = seen_at_visits(3000, 0.25, seed=5)
    posterior = learn(lives)
    truth = 0.9 * (-np.log1p(-0.01)) ** (1 / 7)
    assert posterior.quantile(0.01) == pytest.approx(truth, rel=0.05)
    assert float(posterior.weight @ posterior.beta) == pytest.approx(7, rel=0.06)


def test_the_fleet_weighs_intervals_as_the_single_stratum_does() -> None:
    parts = [seen_at_visits(40, 0.3), seen_at_visits(150, 0.3, seed=3), seen_at_visits(20, 0.02)]
    stratum = np.concatenate([np.full(len(p.end_u), s) for s, p in enumerate(parts)])
    whole = Batteries.of(
        stratum,
        np.concatenate([p.end_u for p in parts]),
        0.0,
        np.concatenate([p.is_end for p in parts]),
        np.concatenate([p.lower for p in parts]),
    )
    mixed = whole.subset(np.random.default_rng(1).permutation(len(whole)))
    fit = fit_fleet(mixed, Strata.alike(3), learn_prior=False)
    for s, part in enumerate(parts):
        np.testing.assert_allclose(fit.failed(s, U), learn(part).failed(U), rtol=1e-9)


def test_narrow_intervals_are_their_midpoint_and_wide_ones_survivors_of_the_first_look() -> None:
    end, lower = np.array([1.0, 1.0, 1.0, 1.0, 1.0]), np.array([np.nan, 0.96, 0.94, 1.0, 0.5])
    reached, is_dated, is_wide = split(end, np.array([True, True, True, True, False]), lower)
    np.testing.assert_allclose(reached, [1.0, 0.98, 0.94, 1.0, 1.0])
    assert is_dated.tolist() == [True, True, False, True, False]
    assert is_wide.tolist() == [False, False, True, False, False]


@pytest.mark.parametrize("lower", [[0.2], [0.95]])
def test_a_look_outside_the_life_is_refused(lower: list[float]) -> None:
    with pytest.raises(ValueError, match="between entry and end"):
        Lives(np.array([0.9]), np.array([0.3]), np.array([True]), np.array(lower))


def test_sums_found_back_from_gammas_are_the_sums() -> None:
    lives = seen_at_visits(40, 0.01)
    belief = LifePrior().for_strata(1)
    beta = gammas.first_grid(belief)
    reached, is_dated, _ = split(lives.end_u, lives.is_end, lives.lower)
    sums = SortedLives.of(1, np.zeros(40, dtype=int), reached, lives.entry_u, is_dated).sums(beta)
    back = gammas.summed_up(gammas.update(sums, belief), belief)
    np.testing.assert_allclose(back.n_ends, sums.n_ends, rtol=1e-9)
    np.testing.assert_allclose(back.spans, sums.spans, rtol=1e-6)
    np.testing.assert_allclose(back.log_density, sums.log_density, rtol=1e-9, atol=1e-7)
