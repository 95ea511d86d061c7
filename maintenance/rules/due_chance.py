"""How sure the chance of an end is: bands of what is known around the share that has ended, and around a limit.

The share itself is `Posterior.failed`; here stands how far it may lie from the truth, given what has been seen so far.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammainc

from maintenance.rules.battery.posterior import Posterior

FloatArray = NDArray[np.float64]

LEVEL = 0.9
"""Share of cases in which the truth is meant to lie inside a band."""
_STEPS = 24
"""Halvings of a bracket that spans 38 at most: the last one is 2e-6 wide in ln(−ln(1 − F)) or ln u, enough for words."""
_NEGLIGIBLE = 1e-5
"""Weight of all components together that may be left out of a band."""


def failed_band(posterior: Posterior, u: FloatArray, *, level: float = LEVEL) -> tuple[FloatArray, FloatArray]:
    """Give the band in which the share that has ended by an exposure lies.

    Parameters
    ----------
    posterior : Posterior
        What is known of the stratum.
    u : array (n,)
        Exposure [1], not negative.
    level : float
        Probability inside the band (0 … 1).

    Returns
    -------
    tuple of two arrays (n,)
        Lower and upper bound [0 … 1]; both 0 at u = 0.

    Notes
    -----
    F(u) = 1 − exp(−λ u^β), so P(F(u) ≤ f) = Σ w P(Gamma(a, b) ≤ −ln(1 − f) / u^β), solved for f by bisection.
    """
    if not 0.0 < level < 1.0:
        raise ValueError("The level of a band must lie between 0 and 1.")
    x = np.asarray(u, dtype=np.float64)
    ln_u = np.log(np.maximum(x, 1e-12))
    beta, shape, rate, weight = _heavy(posterior)
    scale = rate[:, np.newaxis] * np.exp(-np.outer(beta, ln_u))

    def below(ln_hazard: FloatArray) -> FloatArray:
        return np.asarray(weight @ gammainc(shape[:, np.newaxis], scale * np.exp(ln_hazard)))

    bounds = [
        np.where(x > 0, -np.expm1(-np.exp(_solve(below, share, len(x), -30.0, 8.0))), 0.0)
        for share in ((1 - level) / 2, (1 + level) / 2)
    ]
    return bounds[0], bounds[1]


def quantile_band(posterior: Posterior, q: float, *, level: float = LEVEL) -> tuple[float, float]:
    """Give the band in which the exposure lies by which a share q has truly ended.

    Parameters
    ----------
    posterior : Posterior
        What is known of the stratum.
    q : float
        Share that has ended (0 … 1).
    level : float
        Probability inside the band (0 … 1).

    Returns
    -------
    tuple of two floats
        Lower and upper bound of u_q [1].

    Raises
    ------
    ValueError
        If q or the level is not between 0 and 1.

    Notes
    -----
    P(u_q ≤ t) = Σ w P(Gamma(a, b) ≥ −ln(1 − q) t^(−β)): the project's battery model, section 4.2.
    """
    if not (0.0 < q < 1.0 and 0.0 < level < 1.0):
        raise ValueError("A share and the level of a band must lie between 0 and 1.")
    beta, shape, rate, weight = _heavy(posterior)
    ln_x = np.log(-np.log1p(-q))

    def below(ln_t: FloatArray) -> FloatArray:
        gone = gammainc(shape[:, np.newaxis], rate[:, np.newaxis] * np.exp(ln_x - np.outer(beta, ln_t)))
        return np.asarray(1.0 - weight @ gone)

    low, high = (float(np.exp(_solve(below, share, 1, -12.0, 8.0)[0])) for share in ((1 - level) / 2, (1 + level) / 2))
    return low, high


def _heavy(posterior: Posterior) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Components that matter, with weights that sum to 1."""
    order = np.argsort(posterior.weight)[::-1]
    n = int(np.searchsorted(np.cumsum(posterior.weight[order]), 1.0 - _NEGLIGIBLE)) + 1
    kept = order[:n]
    weight = posterior.weight[kept]
    return posterior.beta[kept], posterior.shape[kept], posterior.rate[kept], weight / weight.sum()


def _solve(below: Callable[[FloatArray], FloatArray], share: float, n: int, low: float, high: float) -> FloatArray:
    """Find where an increasing function reaches a share, for n places at once."""
    lows, highs = np.full(n, low), np.full(n, high)
    for _ in range(_STEPS):
        middle = 0.5 * (lows + highs)
        is_below = below(middle) < share
        lows, highs = np.where(is_below, middle, lows), np.where(is_below, highs, middle)
    return 0.5 * (lows + highs)
