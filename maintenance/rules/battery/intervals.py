"""Ends that are only known to lie between two looks: the midpoint where they are close, the exact chance where not.

A wide interval (L, R] is a survivor of L that then ended before R. The first half goes into the sums like any survivor; the
second, a factor 1 − e^(−λ (R^β − L^β)), is weighed here. Source: the project's battery model, section 4.3. Dating an end at the visit that found it makes lives look
longer than they were; the midpoint of a wide interval makes them look more regular.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv, gammaln, logsumexp

from maintenance.rules.battery.gammas import LOWEST_U, FloatArray, Gammas, log_of

Parts = tuple[FloatArray, FloatArray, FloatArray]

NARROW = 0.05
"""Up to this width, as a share of the exposure at the later look, the midpoint does."""
N_NODES = 24
WIDENED = 1.5
"""The nodes are quantiles of a gamma that is so much wider than the one from the midpoints."""
CHUNK, WIDE_CHUNK = 16, 256
"""Wide intervals per step at all nodes, and at the top alone; bounds the memory."""
_NODES, _NODE_WEIGHTS = np.polynomial.legendre.leggauss(N_NODES)
MAX_STEPS = 40
CLOSE_ENOUGH = 0.05
"""Newton's steps end when they are so small against the width of the top."""


@dataclass(frozen=True, slots=True)
class Wide:
    """Wide intervals, sorted by stratum.

    Parameters
    ----------
    stratum : array (n,)
        Stratum of each.
    log_lower, log_upper : array (n,)
        ln of exposure at the earlier look, and at the later one.
    """

    stratum: NDArray[np.int64]
    log_lower: FloatArray
    log_upper: FloatArray

    def quick(self, gammas: Gammas) -> Gammas:
        """Weigh by the top of each posterior of λ (see `at_top`)."""
        return self._each(gammas, at_top)

    def exact(self, gammas: Gammas) -> Gammas:
        """Weigh by integration over λ (see `reweigh`)."""
        return self._each(gammas, reweigh)

    def _each(self, gammas: Gammas, weigh: Callable[[Parts, _Intervals], Parts]) -> Gammas:
        """Go through the strata that have wide intervals."""
        shape, rate, log_weight = gammas.shape.copy(), gammas.rate.copy(), gammas.log_weight.copy()
        strata, starts = np.unique(self.stratum, return_index=True)
        for s, low, high in zip(strata, starts, [*starts[1:], len(self.stratum)], strict=True):
            ends = _Intervals.of(gammas.beta[s], self.log_lower[low:high], self.log_upper[low:high])
            shape[s], rate[s], log_weight[s] = weigh((shape[s], rate[s], log_weight[s]), ends)
        return Gammas(gammas.beta, shape, rate, log_weight)


def split(
    end_u: FloatArray, is_end: NDArray[np.bool_], lower_u: FloatArray
) -> tuple[FloatArray, NDArray[np.bool_], NDArray[np.bool_]]:
    """Give what each life adds to the sums, and which ends must be weighed as intervals.

    Parameters
    ----------
    end_u, lower_u : array (n,)
        Exposure [1] at the later and at the earlier look; `lower_u` NaN where the end is known exactly. Ignored for
        batteries still alive.
    is_end : array of bool (n,)
        Ended by wear.

    Returns
    -------
    reached_u : array (n,)
        Midpoint of narrow intervals, left end of wide ones, else `end_u`.
    is_dated : array of bool (n,)
        Ends at `reached_u`; the other lives were alive then.
    is_wide : array of bool (n,)
        Intervals wider than `NARROW` · end.
    """
    is_interval = is_end & np.isfinite(lower_u) & (lower_u < end_u)
    lower = np.where(is_interval, lower_u, end_u)
    is_wide = is_interval & (end_u - lower > NARROW * end_u)
    return np.where(is_wide, lower, 0.5 * (lower + end_u)), is_end & ~is_wide, is_wide


def wide_of(
    stratum: NDArray[np.int64], end_u: FloatArray, lower_u: FloatArray, is_wide: NDArray[np.bool_]
) -> Wide | None:
    """Collect the wide intervals of exposure [1] of a fleet; None where there is none."""
    rows = np.flatnonzero(is_wide)
    if len(rows) == 0:
        return None
    rows = rows[np.argsort(stratum[rows], kind="stable")]
    return Wide(stratum[rows], log_of(lower_u[rows]), log_of(end_u[rows]))


def at_top(others: Parts, ends: _Intervals) -> Parts:
    """Bring wide intervals into the gammas of one stratum by a gamma with the right top and curvature in ln λ.

    Parameters and answer as in `reweigh`; exact if there were no intervals, and quick.
    """
    a, b, log_weight = others
    log_lam, precision = ends.top(a, b)
    rate = precision / np.exp(log_lam)
    at = log_lam[..., np.newaxis]
    log_ratio = _log_gamma_density(at, a, b) - _log_gamma_density(at, precision, rate) + ends.log_chance(at)
    return precision, rate, log_weight + log_ratio[..., 0]


def reweigh(others: Parts, ends: _Intervals) -> Parts:
    """Bring wide intervals of exposure into the gammas of one stratum.

    Parameters
    ----------
    others : shape, rate, log_weight (B, 7)
        Gammas with all other lives, and with these as survivors of the earlier look.
    ends : _Intervals
        The intervals.

    Returns
    -------
    shape, rate, log_weight : array (B, 7)
        Gammas with the mean and variance of λ, and the evidence, with the factor 1 − e^(−λ (R^β − L^β)) of every interval.

    Notes
    -----
    24 Gauss–Legendre nodes in the quantile of a gamma 1.5 times as wide as the answer, weighted by exact likelihood /
    proposal. The proposal sits on the top of the exact posterior, not of one from midpoints: with a hundred wide
    intervals these two lie several standard deviations apart.
    """
    a, b, log_weight = others
    log_lam, precision = ends.top(a, b)
    proposal = precision / WIDENED
    quantile = gammaincinv(proposal[..., np.newaxis], 0.5 * (_NODES + 1.0))
    log_node = np.log(np.maximum(quantile, LOWEST_U) / proposal[..., np.newaxis]) + log_lam[..., np.newaxis]
    log_ratio = (
        np.log(0.5 * _NODE_WEIGHTS)
        + _log_gamma_density(log_node, a, b)
        - _log_gamma_density(log_node, proposal, proposal / np.exp(log_lam))
        + ends.log_chance(log_node)
    )
    log_total = logsumexp(log_ratio, axis=2)
    weight = np.exp(log_ratio - log_total[..., np.newaxis])
    # Mean and variance in units of the top, so that nothing overflows.
    relative = np.exp(log_node - log_lam[..., np.newaxis])
    mean = np.sum(weight * relative, axis=2)
    variance = np.sum(weight * (relative - mean[..., np.newaxis]) ** 2, axis=2)
    return mean**2 / variance, mean / variance / np.exp(log_lam), log_weight + log_total


@dataclass(frozen=True, slots=True)
class _Intervals:
    """The wide intervals of one stratum on a grid of β: R^β − L^β (B, n)."""

    span: FloatArray

    @classmethod
    def of(cls, beta: FloatArray, log_lower: FloatArray, log_upper: FloatArray) -> _Intervals:
        powers = beta[:, np.newaxis]
        return cls(np.exp(powers * log_upper) * -np.expm1(powers * (log_lower - log_upper)))

    def top(self, a: FloatArray, b: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Find where λ^a e^(−b λ) Π (1 − e^(−λ span)) is greatest, and its curvature there, both in ln λ (B, 7).

        Newton steps; the logarithm of every factor is concave in ln λ, and the top lies between a / b and (a + n) / b.
        """
        log_lam = np.log((a + 0.5 * self.span.shape[1]) / b)
        for _ in range(MAX_STEPS):
            pull, bend = self._slopes(log_lam)
            slope = a - b * np.exp(log_lam) + pull
            precision = b * np.exp(log_lam) + bend
            step = np.clip(slope / precision, -2.0, 2.0)
            log_lam = log_lam + step
            if float(np.max(np.abs(step) * np.sqrt(precision))) < CLOSE_ENOUGH:
                break
        return log_lam, precision

    def _slopes(self, log_lam: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Give first derivative and minus the second of Σ ln(1 − e^(−λ span)) in ln λ (B, 7)."""
        first, second = np.zeros(log_lam.shape), np.zeros(log_lam.shape)
        for low in range(0, self.span.shape[1], WIDE_CHUNK):
            x = np.exp(log_lam)[..., np.newaxis] * self.span[:, np.newaxis, low : low + WIDE_CHUNK]
            x = np.clip(x, 1e-12, 500.0)
            grown = np.expm1(x)
            pull = x / grown
            first += np.sum(pull, axis=2)
            second += np.sum(pull * (x + pull - 1.0), axis=2)
        return first, second

    def log_chance(self, log_lam: FloatArray) -> FloatArray:
        """Give Σ ln(1 − e^(−λ span)) at each node (B, 7, nodes)."""
        lam, total = np.exp(log_lam), np.zeros(log_lam.shape)
        for low in range(0, self.span.shape[1], CHUNK):
            chance = -np.expm1(-lam[..., np.newaxis] * self.span[:, np.newaxis, np.newaxis, low : low + CHUNK])
            # One logarithm for the product of a chunk; the floor keeps 16 factors above the smallest number.
            total += np.log(np.prod(np.maximum(chance, 1e-18), axis=3))
        return total


def _log_gamma_density(log_x: FloatArray, shape: FloatArray, rate: FloatArray) -> FloatArray:
    """Give the logarithm of the density of Gamma(shape, rate) at x, one row of nodes per component."""
    a, b = shape[..., np.newaxis], rate[..., np.newaxis]
    return np.asarray(a * np.log(b) - gammaln(a) + (a - 1.0) * log_x - b * np.exp(log_x))
