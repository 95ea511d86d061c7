"""Lives that are very unlike the prior, against dense quadrature of the lognormal prior over ln β and ln η."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from maintenance.rules.battery.gammas import FINE, SEVEN, Mixture
from maintenance.rules.battery.posterior import Lives, learn

FloatArray = NDArray[np.float64]
RNG = np.random.default_rng(1)
FLEETS: dict[str, tuple[list[float], list[int]]] = {
    "currents three times the catalogue's": ([0.3, 0.33, 0.31], [1, 1, 1]),
    "the same, ten ends": ((0.3 * RNG.weibull(8, 10)).tolist(), [1] * 10),
    "three early ends, forty young survivors": ([0.15, 0.2, 0.22] + [0.1] * 40, [1] * 3 + [0] * 40),
    "a third of the catalogue's currents": ((3.0 * RNG.weibull(8, 30)).tolist(), [1] * 30),
    "five hundred survivors far beyond the catalogue": ([1.8] * 500, [0] * 500),
    "one end at a third": ([0.3], [1]),
    "nothing": ([], []),
}


def quadrature(end: FloatArray, is_end: NDArray[np.bool_], u: FloatArray) -> tuple[FloatArray, float]:
    """F(u), and the chance ahead from .8 to .9, by summing over a fine grid of ln β and ln η."""
    ln_beta = np.linspace(np.log(1.5), np.log(25.0), 400)[:, np.newaxis]
    ln_eta = np.linspace(-3.2, 3.2, 3001)[np.newaxis, :]
    beta = np.exp(ln_beta)
    lam = np.exp(-beta * ln_eta)
    log_w = -0.5 * ((ln_beta - np.log(7.0)) / 0.4) ** 2 - 0.5 * (ln_eta / 0.35) ** 2
    log_w[[0, -1]] -= np.log(2.0)
    for t, ended in zip(end, is_end, strict=True):
        log_w = log_w - lam * t**beta
        if ended:
            log_w = log_w - beta * ln_eta + ln_beta + (beta - 1.0) * np.log(t)
    w = np.exp(log_w - log_w.max())
    w /= w.sum()
    failed = np.array([float(np.sum(-w * np.expm1(-lam * x**beta))) for x in u])
    return failed, 1.0 - float(np.sum(w * np.exp(-lam * (0.9**beta - 0.8**beta))))


# Survivors far beyond the catalogue weigh the thin end of the prior, where the quick seven are a third too cautious.
@pytest.mark.parametrize(
    ("mixture", "most", "name"),
    [(FINE, 0.06, name) for name in FLEETS] + [(SEVEN, 0.15, name) for name in FLEETS if "survivors" not in name],
)
def test_the_gammas_follow_lives_that_the_prior_did_not_expect(mixture: Mixture, most: float, name: str) -> None:
    end, is_end = np.array(FLEETS[name][0], dtype=float), np.array(FLEETS[name][1], dtype=bool)
    posterior = learn(Lives(end, np.zeros(len(end)), is_end), mixture=mixture)
    u = np.array([posterior.quantile(p) for p in (0.01, 0.05, 0.1, 0.5)])
    failed, ahead = quadrature(end, is_end, u)
    assert failed == pytest.approx([0.01, 0.05, 0.1, 0.5], rel=most)
    assert posterior.chance_ahead(0.8, 0.1) == pytest.approx(ahead, rel=most)
