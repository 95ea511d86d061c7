"""Ends that are only known to lie between two looks: the midpoint where they are close, the exact chance where not.

Source of the method: the project's battery model, section 4.3. Dating an end at the visit that found it makes lives look
longer than they were; the midpoint of a wide interval makes them look more regular.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv, gammaln, logsumexp

from maintenance.rules.battery.gammas import FloatArray, Gammas, log_of

NARROW = 0.05
"""Up to this width, as a share of the exposure at the later look, the midpoint does."""
N_NODES = 24
WIDENED = 1.5
"""The nodes are quantiles of a gamma that is so much wider than the one from the midpoints."""
CHUNK = 64
"""Wide intervals per step; bounds the memory."""
MIN_LOG_WEIGHT = -46.0
"""Components below e^−46 of the heaviest keep their midpoint answer."""


@dataclass(frozen=True, slots=True)
class Wide:
    """Wide intervals, sorted by stratum.

    Parameters
    ----------
    stratum : array (n,)
        Stratum of each.
    log_lower, log_upper, log_middle : array (n,)
        ln of exposure at the earlier look, at the later one, and half-way between.
    """

    stratum: NDArray[np.int64]
    log_lower: FloatArray
    log_upper: FloatArray
    log_middle: FloatArray

    def exact(self, gammas: Gammas) -> Gammas:
        """Put the exact chance of each interval in place of its midpoint, stratum by stratum (see `reweigh`)."""
        shape, rate, log_weight = gammas.shape.copy(), gammas.rate.copy(), gammas.log_weight.copy()
        strata, starts = np.unique(self.stratum, return_index=True)
        for s, low, high in zip(strata, starts, [*starts[1:], len(self.stratum)], strict=True):
            rows = slice(low, high)
            shape[s], rate[s], log_weight[s] = reweigh(
                gammas.beta[s],
                (shape[s], rate[s], log_weight[s]),
                self.log_lower[rows],
                self.log_upper[rows],
                self.log_middle[rows],
            )
        return Gammas(gammas.beta, shape, rate, log_weight)


def split(end_u: FloatArray, is_end: NDArray[np.bool_], lower_u: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Give the exposure that stands for each end, and which ends need the exact form.

    Parameters
    ----------
    end_u, lower_u : array (n,)
        Later and earlier look; `lower_u` NaN where the end is known exactly. Ignored for batteries still alive.
    is_end : array of bool (n,)
        Ended by wear.

    Returns
    -------
    stands_for : array (n,)
        Midpoint of intervals, else `end_u`.
    is_wide : array of bool (n,)
        Intervals wider than `NARROW` · end.
    """
    is_interval = is_end & np.isfinite(lower_u) & (lower_u < end_u)
    lower = np.where(is_interval, lower_u, end_u)
    return 0.5 * (lower + end_u), is_interval & (end_u - lower > NARROW * end_u)


def wide_of(
    stratum: NDArray[np.int64], end_u: FloatArray, lower_u: FloatArray, is_wide: NDArray[np.bool_]
) -> Wide | None:
    """Collect the wide intervals of a fleet; None where there is none."""
    rows = np.flatnonzero(is_wide)
    if len(rows) == 0:
        return None
    rows = rows[np.argsort(stratum[rows], kind="stable")]
    lower, upper = lower_u[rows], end_u[rows]
    return Wide(stratum[rows], log_of(lower), log_of(upper), log_of(0.5 * (lower + upper)))


def reweigh(
    beta: FloatArray,
    midpoint: tuple[FloatArray, FloatArray, FloatArray],
    log_lower: FloatArray,
    log_upper: FloatArray,
    log_middle: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Correct one stratum's gammas for the intervals that the midpoint stands for badly.

    Parameters
    ----------
    beta : array (B,)
        Grid.
    midpoint : shape, rate, log_weight (B, 7)
        Gammas with each interval taken as an end at its midpoint.
    log_lower, log_upper, log_middle : array (n,)
        ln of the intervals' ends and midpoints.

    Returns
    -------
    shape, rate, log_weight : array (B, 7)
        Gammas with the mean and variance of λ, and the evidence, under the exact likelihood
        e^(−λ L^β) (1 − e^(−λ (R^β − L^β))) of every interval.

    Notes
    -----
    24 Gauss–Legendre nodes in the quantile of Gamma(a / 1.5, b / 1.5), weighted by exact likelihood / proposal.
    """
    shape, rate, log_weight = midpoint
    is_used = log_weight > np.max(log_weight) + MIN_LOG_WEIGHT
    which, _ = np.nonzero(is_used)
    a, b = shape[is_used], rate[is_used]
    nodes, node_weight = np.polynomial.legendre.leggauss(N_NODES)
    lam = gammaincinv(a[:, np.newaxis] / WIDENED, 0.5 * (nodes + 1.0)) / (b[:, np.newaxis] / WIDENED)
    log_lam = np.log(lam)
    log_ratio = (
        np.log(0.5 * node_weight)
        + _log_gamma_density(log_lam, a, b)
        - _log_gamma_density(log_lam, a / WIDENED, b / WIDENED)
    )
    for low in range(0, len(log_middle), CHUNK):
        rows = slice(low, low + CHUNK)
        log_ratio += _exact_over_midpoint(lam, log_lam, beta, which, log_lower[rows], log_upper[rows], log_middle[rows])
    log_total = logsumexp(log_ratio, axis=1)
    w = np.exp(log_ratio - log_total[:, np.newaxis])
    mean = np.sum(w * lam, axis=1)
    variance = np.sum(w * (lam - mean[:, np.newaxis]) ** 2, axis=1)
    new_shape, new_rate, new_log_weight = shape.copy(), rate.copy(), log_weight.copy()
    new_shape[is_used], new_rate[is_used] = mean**2 / variance, mean / variance
    new_log_weight[is_used] += log_total
    return new_shape, new_rate, new_log_weight


def _exact_over_midpoint(
    lam: FloatArray,
    log_lam: FloatArray,
    beta: FloatArray,
    which: NDArray[np.int64],
    log_lower: FloatArray,
    log_upper: FloatArray,
    log_middle: FloatArray,
) -> FloatArray:
    """Add up ln(exact likelihood / likelihood at the midpoint) of some intervals at each node (components, nodes)."""
    b = beta[:, np.newaxis]
    at_middle = np.exp(b * log_middle)
    at_lower = np.exp(b * log_lower)
    span = np.exp(b * log_upper) - at_lower
    constant = np.sum(at_lower - at_middle, axis=1)
    log_density = len(log_middle) * np.log(beta) + (beta - 1.0) * np.sum(log_middle)
    chance = -np.expm1(-lam[:, :, np.newaxis] * span[which][:, np.newaxis, :])
    return np.asarray(
        np.sum(np.log(np.maximum(chance, 1e-300)), axis=2)
        - lam * constant[which][:, np.newaxis]
        - len(log_middle) * log_lam
        - log_density[which][:, np.newaxis]
    )


def _log_gamma_density(log_x: FloatArray, shape: FloatArray, rate: FloatArray) -> FloatArray:
    """Give the logarithm of the density of Gamma(shape, rate) at x, one row per component."""
    a, b = shape[:, np.newaxis], rate[:, np.newaxis]
    return np.asarray(a * np.log(b) - gammaln(a) + (a - 1.0) * log_x - b * np.exp(log_x))
