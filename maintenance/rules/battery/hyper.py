"""What the strata of a fleet have in common: each starts from what the *others* have taught, not from the catalogue alone.

Fleet-wide: ln η of a stratum ~ N(m, s), ln β ~ N(μ, 0.4). The evidence of every stratum is taken on a grid of (m, s, μ);
with a prior of m, s and μ that gives their posterior. Leaving a stratum's own evidence out of it costs nothing, and gives
the prior that a full hierarchical model would use for that stratum, so that its lives are not counted twice: a fleet of one
stratum learns nothing from itself. Source of grid and priors: the project's battery model, section 4.4.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import digamma, gammaln, logsumexp

from maintenance.rules.battery.gammas import (
    MIXTURE_LOG_WEIGHT,
    MIXTURE_SD_SHARE,
    MIXTURE_Z,
    Belief,
    FloatArray,
    Sums,
    inverse_trigamma,
    log_beta_prior,
)
from maintenance.rules.battery.posterior import LifePrior
from maintenance.rules.battery.widening import widen

GRID = (15, 6, 5)
"""Values of m, ln s and μ."""
REACH_SDS = (3.0, 2.0)
"""The grid of m, and that of μ, reach so many standard deviations of their priors to each side."""
MEAN_LN_S, SD_LN_S = float(np.log(0.2)), 0.5
LOWEST_S, HIGHEST_S = 0.08, 0.6
MIN_MODELS = 3
"""Transmitter models with an ended life from which on models get a mean of their own."""
MAX_PASSES = 3
CHUNK_STRATA = 256


@dataclass(frozen=True, slots=True)
class _Grid:
    """Axes of m, ln s and μ, and the logarithm of the hyper-prior on them (15, 6, 5)."""

    m: FloatArray
    ln_s: FloatArray
    mu: FloatArray
    log_prior: FloatArray

    @classmethod
    def over(cls, prior: LifePrior, ranges: list[tuple[float, float]]) -> _Grid:
        m, ln_s, mu = (np.linspace(low, high, n) for (low, high), n in zip(ranges, GRID, strict=True))
        log_prior = (
            -0.5 * ((m - prior.mean_ln_eta) / prior.sd_ln_eta)[:, None, None] ** 2
            - 0.5 * ((ln_s - MEAN_LN_S) / SD_LN_S)[None, :, None] ** 2
            - 0.5 * ((mu - prior.mean_ln_beta) / prior.sd_ln_beta)[None, None, :] ** 2
        )
        return cls(m, ln_s, mu, log_prior)

    @property
    def axes(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        return self.m, self.ln_s, self.mu


@dataclass(frozen=True, slots=True)
class _Moments:
    """Means and standard deviations of m, ln s and μ, one column each (n, 3)."""

    mean: FloatArray
    sd: FloatArray


def learn_from_others(
    sums: Sums,
    n_batteries: NDArray[np.int64],
    n_ends: NDArray[np.int64],
    model: NDArray[np.int64],
    is_measured: NDArray[np.bool_],
    prior: LifePrior,
) -> tuple[LifePrior, Belief]:
    """Learn the fleet's prior, and each stratum's own, which leaves its own lives out.

    Parameters
    ----------
    sums : Sums
        Sums of every stratum, on grids of β that are centred on its posterior.
    n_batteries, n_ends : array (S,)
        Rows per stratum, and ended lives; empty strata say nothing.
    model : array (S,)
        Number of the transmitter type.
    is_measured : array (S,)
        False: the prior of the stratum is the widened one.
    prior : LifePrior
        Hyper-prior: m ~ N(mean_ln_eta, sd_ln_eta), μ ~ N(mean_ln_beta, sd_ln_beta), ln s ~ N(ln 0.2, 0.5).

    Returns
    -------
    fleet : LifePrior
        What a new stratum would start from. The prior given, unless some battery has ended.
    belief : Belief
        Prior of every stratum, widened where not measured.
    """
    n_strata = len(n_batteries)
    if not bool(np.any(n_ends > 0)):
        return prior, widen(prior.for_strata(n_strata), is_measured)
    used = np.flatnonzero(n_batteries > 0)
    some = sums.of(used)
    grid = wide_grid = _Grid.over(prior, _whole_range(prior))
    evidence = fine = _evidence(some, grid, prior, is_measured[used])
    for _ in range(MAX_PASSES):
        grid = _Grid.over(prior, _range_of(_without_each(fine, grid), grid))
        fine = _evidence(some, grid, prior, is_measured[used])
        others = _without_each(fine, grid)
        if _is_resolved(others, grid):
            break
    everyone = _moments(np.sum(fine, axis=0)[np.newaxis] + grid.log_prior, grid)
    mean = np.repeat(everyone.mean, n_strata, axis=0)
    sd = np.repeat(everyone.sd, n_strata, axis=0)
    mean[used], sd[used] = others.mean, others.sd
    own_mean = mean[:, 0] + _model_shift(evidence, wide_grid, mean, model, used, n_ends)
    belief = Belief(
        mean_ln_eta=own_mean,
        sd_ln_eta=_spread(mean, sd, prior),
        mean_ln_beta=mean[:, 2],
        sd_ln_beta=prior.sd_ln_beta,
        beta_min=prior.beta_min,
        beta_max=prior.beta_max,
    )
    fleet = replace(
        prior,
        mean_ln_eta=float(everyone.mean[0, 0]),
        sd_ln_eta=float(_spread(everyone.mean, everyone.sd, prior)[0]),
        mean_ln_beta=float(everyone.mean[0, 2]),
    )
    return fleet, widen(belief, is_measured)


def _whole_range(prior: LifePrior) -> list[tuple[float, float]]:
    reach_m, reach_mu = REACH_SDS[0] * prior.sd_ln_eta, REACH_SDS[1] * prior.sd_ln_beta
    return [
        (prior.mean_ln_eta - reach_m, prior.mean_ln_eta + reach_m),
        (float(np.log(LOWEST_S)), float(np.log(HIGHEST_S))),
        (prior.mean_ln_beta - reach_mu, prior.mean_ln_beta + reach_mu),
    ]


def _range_of(moments: _Moments, grid: _Grid) -> list[tuple[float, float]]:
    """Find the part of a grid where the posteriors are; the top lies at most about half a step from the best point."""
    ranges = []
    for k, axis in enumerate(grid.axes):
        reach = np.maximum(3.0 * moments.sd[:, k], 0.8 * (axis[1] - axis[0]))
        low, high = np.min(moments.mean[:, k] - reach), np.max(moments.mean[:, k] + reach)
        ranges.append((float(max(low, axis[0])), float(min(high, axis[-1]))))
    return ranges


def _is_resolved(moments: _Moments, grid: _Grid) -> bool:
    """Tell whether the posteriors of m and μ are wider than half a step; s hardly matters at that size."""
    return all(
        float(np.min(moments.sd[:, k])) > 0.5 * (axis[1] - axis[0]) for k, axis in enumerate(grid.axes) if k != 1
    )


def _spread(mean: FloatArray, sd: FloatArray, prior: LifePrior) -> FloatArray:
    """Give the standard deviation of a stratum's ln η: between strata, and because m itself is not known well.

    The second part alone never makes it wider than the prior that holds without any data.
    """
    between = np.exp(mean[:, 1])
    return np.maximum(between, np.minimum(np.hypot(between, sd[:, 0]), prior.sd_ln_eta))


def _without_each(evidence: FloatArray, grid: _Grid) -> _Moments:
    """Give the moments of (m, ln s, μ) that follow from all strata but one, for each one."""
    total = np.sum(evidence, axis=0) + grid.log_prior
    return _moments(total[np.newaxis] - evidence, grid)


def _moments(log_posterior: FloatArray, grid: _Grid) -> _Moments:
    """Give means and standard deviations over the grid (n, 15, 6, 5) → (n, 3)."""
    weight = np.exp(log_posterior - logsumexp(log_posterior, axis=(1, 2, 3), keepdims=True))
    means, sds = [], []
    for k, axis in enumerate(grid.axes):
        marginal = weight.sum(axis=tuple(j for j in (1, 2, 3) if j != k + 1))
        mean = marginal @ axis
        means.append(mean)
        sds.append(np.sqrt(np.sum(marginal * (axis - mean[:, np.newaxis]) ** 2, axis=1)))
    return _Moments(np.stack(means, axis=1), np.stack(sds, axis=1))


def _model_shift(
    evidence: FloatArray,
    grid: _Grid,
    mean: FloatArray,
    model: NDArray[np.int64],
    used: NDArray[np.int64],
    n_ends: NDArray[np.int64],
) -> FloatArray:
    """Give how far the other strata of a stratum's transmitter model move its mean of ln η (S,).

    The same form one level down: the model's mean ~ N(m, s), and its strata around it with the same s, which is on the
    cautious side. 0 with fewer than three models that have seen an end, and for strata alone in their model.
    """
    shift = np.zeros(len(model))
    if len(np.unique(model[n_ends > 0])) < MIN_MODELS:
        return shift
    ln_s, mu = np.median(mean[used, 1]), np.median(mean[used, 2])
    nearest = int(np.argmin(np.abs(grid.ln_s - ln_s))), int(np.argmin(np.abs(grid.mu - mu)))
    along_m = evidence[:, :, nearest[0], nearest[1]]
    _, number = np.unique(model[used], return_inverse=True)
    of_model = np.zeros((int(number.max()) + 1, len(grid.m)))
    np.add.at(of_model, number, along_m)
    others = of_model[number] - along_m
    around = -0.5 * ((grid.m - mean[used, 0][:, np.newaxis]) / np.exp(mean[used, 1])[:, np.newaxis]) ** 2
    before = np.exp(around - logsumexp(around, axis=1, keepdims=True)) @ grid.m
    after = np.exp(others + around - logsumexp(others + around, axis=1, keepdims=True)) @ grid.m
    shift[used] = after - before
    # A model without rows of its own in this stratum still lends what it knows.
    known = {int(k): i for i, k in enumerate(np.unique(model[used]))}
    for i in np.setdiff1d(np.arange(len(model)), used):
        if int(model[i]) in known:
            whole = of_model[known[int(model[i])]] - 0.5 * ((grid.m - mean[i, 0]) / np.exp(mean[i, 1])) ** 2
            shift[i] = np.exp(whole - logsumexp(whole)) @ grid.m - mean[i, 0]
    return shift


def _evidence(sums: Sums, grid: _Grid, prior: LifePrior, is_measured: NDArray[np.bool_]) -> FloatArray:
    """Give the logarithm of each stratum's evidence at every point of the grid (S, 15, 6, 5)."""
    answer = np.empty((len(sums.n_ends), *GRID))
    for low in range(0, len(sums.n_ends), CHUNK_STRATA):
        part = slice(low, low + CHUNK_STRATA)
        for wanted in (True, False):
            rows = np.arange(len(sums.n_ends))[part][is_measured[part] == wanted]
            if len(rows):
                answer[rows] = _evidence_of(sums.of(rows), grid, prior, is_measured=wanted)
    return answer


def _evidence_of(sums: Sums, grid: _Grid, prior: LifePrior, *, is_measured: bool) -> FloatArray:
    n = len(sums.n_ends)
    # One belief per value of μ: the widened prior of strata without counts depends on it.
    beliefs = [
        widen(replace(prior, mean_ln_eta=0.0, mean_ln_beta=x).for_strata(n), np.full(n, is_measured)) for x in grid.mu
    ]
    log_beta = [log_beta_prior(sums.beta, b) for b in beliefs]
    shifts = [float(b.mean_ln_eta[0]) for b in beliefs]
    answer = np.empty((n, *GRID))
    for j, s in enumerate(np.exp(grid.ln_s)):
        given = _GivenBeta(sums, float(s))
        for i, m in enumerate(grid.m):
            at = given.log_evidence(m + shifts[0])
            for k in range(len(grid.mu)):
                at = at if is_measured or k == 0 else given.log_evidence(m + shifts[k])
                answer[:, i, j, k] = _log_sum(at + log_beta[k].T)
    return answer


class _GivenBeta:
    """Evidence for each value of β when ln η ~ N(m, s), for one s and any m. Arrays are (7, B, S): quick to add up."""

    def __init__(self, sums: Sums, s: float) -> None:
        self.beta = sums.beta.T
        self.spans = sums.spans.T
        self.shape_0 = inverse_trigamma((self.beta * s * MIXTURE_SD_SHARE) ** 2)
        self.shape = self.shape_0 + sums.n_ends.T
        log_rate_0 = digamma(self.shape_0) + self.beta * s * MIXTURE_Z[:, np.newaxis, np.newaxis]
        self.rate_0 = np.exp(log_rate_0)
        self.prior_part = self.shape_0 * log_rate_0 + MIXTURE_LOG_WEIGHT[:, np.newaxis, np.newaxis]
        self.known = sums.log_density.T + gammaln(self.shape) - gammaln(self.shape_0)

    def log_evidence(self, m: float) -> FloatArray:
        """Give the logarithm of the evidence for each value of β (B, S)."""
        moved = m * self.beta
        rate = self.rate_0 * np.exp(moved)
        rate += self.spans
        layers = np.log(rate, out=rate)
        layers *= -self.shape
        layers += self.prior_part
        return _log_sum(layers) + self.known + self.shape_0 * moved


def _log_sum(x: FloatArray) -> FloatArray:
    """Give ln Σ e^x over the first axis, which the general function does row by row and slowly."""
    top = np.max(x, axis=0)
    return np.asarray(top + np.log(np.sum(np.exp(x - top), axis=0)))
