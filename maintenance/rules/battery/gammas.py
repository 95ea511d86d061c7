"""The closed form behind all fits: sums of many strata on a grid of β, a prior of gammas, and what follows from both.

Lives T of one stratum follow P(T > u) = exp(−λ u^β), λ = η^(−β). For every β of a grid the prior of λ is a mixture of
seven gammas that stands for a lognormal η, so the posterior is again gammas. Arrays have one row per stratum (S), one
column per value of β (B) and, where it matters, one layer per gamma (7). Source: the project's battery model, section 4.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import digamma, gammaln, logsumexp, ndtr, polygamma

FloatArray = NDArray[np.float64]

MIXTURE_Z: FloatArray = np.arange(-3, 4).astype(np.float64) * 0.75
"""Centres of the seven gammas, in standard deviations of ln η."""
MIXTURE_SD_SHARE = 0.45
"""Own standard deviation of each gamma as a share of the whole; one gamma alone has too thin a low tail of η.

The share was chosen against dense quadrature of the lognormal: the chance ahead of five survivors comes out 2.5 % too high
instead of 6 % with 0.6, and the first 1 % of failures without data 10 % too low instead of 13 %.
"""


@dataclass(frozen=True, slots=True)
class Mixture:
    """Gammas that together stand for a lognormal η: a window of an endless even row, which follows the posterior.

    Parameters
    ----------
    z : tuple of float
        Centres in standard deviations of ln η, an odd number of them, even and symmetric about 0.
    sd_share : float
        Own standard deviation of each as a share of the whole (0 … 1).
    """

    z: tuple[float, ...]
    sd_share: float

    @property
    def step(self) -> float:
        """Distance of two centres."""
        return self.z[1] - self.z[0]

    def log_weight(self, z: FloatArray) -> FloatArray:
        """Give the logarithm of the weight of gammas at these centres, in one measure for every window."""
        exponent = -0.5 / (1.0 - self.sd_share**2)
        return np.asarray(exponent * z**2 - logsumexp(exponent * np.square(self.z)))


SEVEN = Mixture(tuple(MIXTURE_Z.tolist()), MIXTURE_SD_SHARE)
"""For fleets: quick, and good to a few hundredths where limits lie."""
FINE = Mixture(tuple((np.arange(-12, 13) * 0.4).tolist()), 0.25)
"""For one stratum at leisure: within about a hundredth of the lognormal, also where lives are very unlike the prior."""
MIXTURE_LOG_WEIGHT = SEVEN.log_weight(MIXTURE_Z)
N_GRID = 24
"""Values of β per pass."""
GRID_SDS = 4.5
"""The last grid reaches so many standard deviations of ln β to each side."""
MIN_SPREAD_STEPS = 0.8
"""The trapezoid rule is good to 1e-5 for a bell whose standard deviation is so many steps of the grid."""
MAX_PASSES = 5
HIGHEST_U = 1e6
"""Absurd exposures are held here: its 25th power is still a number."""
LOWEST_U = 1e-300


@dataclass(frozen=True, slots=True)
class Belief:
    """Prior of every stratum: ln η ~ N(mean_ln_eta, sd_ln_eta), ln β ~ N(mean_ln_beta, sd_ln_beta) on [beta_min, beta_max].

    Parameters
    ----------
    mean_ln_eta, sd_ln_eta, mean_ln_beta : array (S,)
        One value per stratum.
    sd_ln_beta, beta_min, beta_max : float
        Common to all.
    window : array (S,) or None
        Middle of the gammas that stand for ln η, in its standard deviations from the mean; None = 0.
    mixture : Mixture
        These gammas.
    """

    mean_ln_eta: FloatArray
    sd_ln_eta: FloatArray
    mean_ln_beta: FloatArray
    sd_ln_beta: float
    beta_min: float
    beta_max: float
    window: FloatArray | None = None
    mixture: Mixture = SEVEN

    def layers_z(self) -> FloatArray:
        """Give the centres of the gammas, in standard deviations of ln η from its mean (S, 7)."""
        return self.middle()[:, np.newaxis] + np.asarray(self.mixture.z)

    def middle(self) -> FloatArray:
        """Give the middle of the window (S,)."""
        return np.zeros(len(self.mean_ln_eta)) if self.window is None else self.window

    def of(self, rows: NDArray[np.int64]) -> Belief:
        """Give the belief of some strata."""
        return replace(
            self,
            mean_ln_eta=self.mean_ln_eta[rows],
            sd_ln_eta=self.sd_ln_eta[rows],
            mean_ln_beta=self.mean_ln_beta[rows],
            window=None if self.window is None else self.window[rows],
        )


@dataclass(frozen=True, slots=True)
class Sums:
    """All that a closed form needs to know of the lives of each stratum: their likelihood is e^G λ^r e^(−λ A).

    Parameters
    ----------
    beta : array (S, B)
        Grid of β, even in ln β.
    n_ends : array (S, B)
        r, ended lives; the same for all β unless wide intervals are summed up (see `summed_up`).
    spans : array (S, B)
        A = Σ (end^β − entry^β) over all lives.
    log_density : array (S, B)
        G = r ln β + (β − 1) Σ ln(end) over ended lives.
    """

    beta: FloatArray
    n_ends: FloatArray
    spans: FloatArray
    log_density: FloatArray

    def of(self, rows: NDArray[np.int64]) -> Sums:
        """Give the sums of some strata."""
        return Sums(self.beta[rows], self.n_ends[rows], self.spans[rows], self.log_density[rows])


@dataclass(frozen=True, slots=True)
class Gammas:
    """Posterior of λ for each stratum, β and prior gamma.

    Parameters
    ----------
    beta : array (S, B)
        Grid of β.
    shape, rate, log_weight : array (S, B, 7)
        Gamma of λ, and the logarithm of its evidence, not normalised: its sum over a stratum is the evidence of that
        stratum's lives under the prior.
    """

    beta: FloatArray
    shape: FloatArray
    rate: FloatArray
    log_weight: FloatArray

    def weight(self) -> FloatArray:
        """Give the probabilities of the components, summing to 1 in each stratum (S, B, 7)."""
        return np.exp(self.log_weight - self.log_evidence()[:, np.newaxis, np.newaxis])

    def log_evidence(self) -> FloatArray:
        """Give the logarithm of the evidence of each stratum (S,)."""
        return np.asarray(logsumexp(self.log_weight, axis=(1, 2)))


Summing = Callable[[FloatArray], Sums]
"""Gives the sums of all strata on a grid of β (S, B)."""


class Weighing(Protocol):
    """Brings ends that are only known as wide intervals into gammas that already know all other lives."""

    def quick(self, gammas: Gammas) -> Gammas:
        """Weigh by the top of each posterior of λ; good enough to place grids and to compare evidence."""

    def exact(self, gammas: Gammas) -> Gammas:
        """Weigh by integration over λ."""


def log_of(u: FloatArray) -> FloatArray:
    """Give ln u with u held between the smallest number and an absurd one, so that u = 0 makes no warning."""
    return np.log(np.clip(u, LOWEST_U, HIGHEST_U))


def prior_gammas(beta: FloatArray, belief: Belief) -> tuple[FloatArray, FloatArray]:
    """Give the prior gammas of λ that make ln η normal for every β.

    Returns
    -------
    shape : array (S, B)
        a0 with ψ1(a0) = (β · own sd of ln η)².
    log_rate : array (S, B, 7)
        ln b0 = ψ(a0) + β · centre of ln η.
    """
    own_sd = belief.sd_ln_eta * belief.mixture.sd_share
    shape = inverse_trigamma((beta * own_sd[:, np.newaxis]) ** 2)
    centres = belief.mean_ln_eta[:, np.newaxis] + belief.sd_ln_eta[:, np.newaxis] * belief.layers_z()
    log_rate = digamma(shape)[..., np.newaxis] + beta[..., np.newaxis] * centres[:, np.newaxis, :]
    return shape, log_rate


def log_beta_prior(beta: FloatArray, belief: Belief) -> FloatArray:
    """Give the logarithm of the prior mass that each value of an even grid of ln β stands for (S, B).

    Notes
    -----
    The trapezoid rule: density · spacing, half of it at both ends. Spacing and normaliser matter where the evidence on
    different grids or under different priors is compared.
    """
    ln_beta = np.log(beta)
    mean, sd = belief.mean_ln_beta[:, np.newaxis], belief.sd_ln_beta
    z_low, z_high = (np.log(belief.beta_min) - mean) / sd, (np.log(belief.beta_max) - mean) / sd
    spacing = (ln_beta[:, -1:] - ln_beta[:, :1]) / (beta.shape[1] - 1)
    log_mass = -0.5 * ((ln_beta - mean) / sd) ** 2 - np.log(sd * np.sqrt(2.0 * np.pi)) + np.log(spacing)
    log_mass -= np.log(ndtr(z_high) - ndtr(z_low))
    log_mass[:, [0, -1]] -= np.log(2.0)
    return np.asarray(log_mass)


def update(sums: Sums, belief: Belief) -> Gammas:
    """Combine prior and sums: a = a0 + r, b = b0 + A, evidence ∝ π(β) b0^a0 Γ(a) / (Γ(a0) b^a) · β^r Π end^(β − 1).

    Notes
    -----
    The prior's own normaliser (a0 ln b0 − ln Γ(a0)) depends on β; leaving it out would silently reweigh β.
    """
    shape_0, log_rate_0 = prior_gammas(sums.beta, belief)
    shape = shape_0 + sums.n_ends
    rate = np.exp(log_rate_0) + sums.spans[..., np.newaxis]
    per_beta = log_beta_prior(sums.beta, belief) - gammaln(shape_0) + gammaln(shape) + sums.log_density
    log_weight = (
        per_beta[..., np.newaxis]
        + belief.mixture.log_weight(belief.layers_z())[:, np.newaxis, :]
        + shape_0[..., np.newaxis] * log_rate_0
        - shape[..., np.newaxis] * np.log(rate)
    )
    return Gammas(sums.beta, np.repeat(shape[..., np.newaxis], len(belief.mixture.z), axis=2), rate, log_weight)


def summed_up(gammas: Gammas, belief: Belief) -> Sums:
    """Find sums that would have led from a prior to these gammas, to see what the same lives say under other priors.

    Exact where the gammas came from sums; an approximation where wide intervals were weighed (see `intervals`).
    """
    shape_0, log_rate_0 = prior_gammas(gammas.beta, belief)
    log_layer = logsumexp(gammas.log_weight, axis=2)
    layer = np.exp(gammas.log_weight - log_layer[..., np.newaxis])
    n_ends = np.maximum(np.sum(layer * (gammas.shape - shape_0[..., np.newaxis]), axis=2), 0.0)
    spans = np.maximum(np.sum(layer * (gammas.rate - np.exp(log_rate_0)), axis=2), 0.0)
    plain = update(Sums(gammas.beta, n_ends, spans, np.zeros(spans.shape)), belief)
    return Sums(gammas.beta, n_ends, spans, log_layer - logsumexp(plain.log_weight, axis=2))


def first_grid(belief: Belief, n_grid: int = N_GRID) -> FloatArray:
    """Give the coarse grid of β, the same for all strata (S, n_grid)."""
    grid = np.exp(np.linspace(np.log(belief.beta_min), np.log(belief.beta_max), n_grid))
    return np.repeat(grid[np.newaxis, :], len(belief.mean_ln_eta), axis=0)


def solve(
    summing: Summing,
    belief: Belief,
    *,
    weighing: Weighing | None = None,
    is_quick: bool = False,
    n_grid: int = N_GRID,
) -> Gammas:
    """Find each stratum's posterior on a grid of β that is centred on it.

    Parameters
    ----------
    summing : callable
        Sums of the lives on a given grid.
    belief : Belief
        Prior of every stratum.
    weighing : Weighing, optional
        Wide intervals, if there are any.
    is_quick : bool
        Leave the last answer quick, too, and the seven gammas where they are: for evidence, not for limits.
    n_grid : int
        Values of β per pass.

    Notes
    -----
    A fixed grid is too coarse for strata with hundreds of ended lives. The second pass is centred on the first one's
    answer; further ones follow only where the posterior is still narrower than a step of the grid can show, or where lives
    are so unlike the prior that the seven gammas have to follow them.
    """
    beta = first_grid(belief, n_grid)
    others = update(summing(beta), belief)
    gammas = weighing.quick(others) if weighing is not None else others
    is_open = np.ones(len(beta), dtype=np.bool_)
    for _ in range(MAX_PASSES):
        centre, spread, spacing = _place(gammas)
        beta = np.where(is_open[:, np.newaxis], _finer_grid(centre, spread, spacing, belief, n_grid), beta)
        belief = belief if is_quick else replace(belief, window=_window(gammas, belief))
        others = update(summing(beta), belief)
        gammas = weighing.quick(others) if weighing is not None else others
        _, spread, spacing = _place(gammas)
        is_open &= spread < MIN_SPREAD_STEPS * spacing
        if not is_quick:
            is_open |= _window(gammas, belief) != belief.middle()
        if not bool(np.any(is_open)):
            break
    return gammas if weighing is None or is_quick else weighing.exact(others)


def _place(gammas: Gammas) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give mean and standard deviation of ln β, and the step of its grid, for each stratum (S,)."""
    ln_beta = np.log(gammas.beta)
    weight = gammas.weight().sum(axis=2)
    centre = np.sum(weight * ln_beta, axis=1)
    spread = np.sqrt(np.sum(weight * (ln_beta - centre[:, np.newaxis]) ** 2, axis=1))
    return centre, spread, (ln_beta[:, -1] - ln_beta[:, 0]) / (ln_beta.shape[1] - 1)


def _window(gammas: Gammas, belief: Belief) -> FloatArray:
    """Give the middle of the seven gammas, moved to where the posterior lies if that is off the middle (S,)."""
    middle, step = belief.middle(), belief.mixture.step
    mean_z = np.sum(gammas.weight().sum(axis=1) * belief.layers_z(), axis=1)
    return np.where(np.abs(mean_z - middle) > 1.5 * step, np.round(mean_z / step) * step, middle)


def _finer_grid(centre: FloatArray, spread: FloatArray, spacing: FloatArray, belief: Belief, n_grid: int) -> FloatArray:
    """Lay an even grid of ln β around the posterior, within the bounds of β (S, n_grid)."""
    # A spread of about a step is not to be believed: reach over the neighbours instead.
    reach = np.maximum(GRID_SDS * spread, 1.5 * spacing)
    low = np.maximum(np.log(belief.beta_min), centre - reach)
    high = np.minimum(np.log(belief.beta_max), centre + reach)
    return np.asarray(np.exp(low[:, np.newaxis] + (high - low)[:, np.newaxis] * np.linspace(0.0, 1.0, n_grid)))


def edge_mass(gammas: Gammas, belief: Belief) -> FloatArray:
    """Give the posterior probability of the grid's values that lie on the bounds of β (S,); above 0.01 the data are odd."""
    weight = gammas.weight().sum(axis=2)
    at_low = gammas.beta[:, 0] <= belief.beta_min * (1.0 + 1e-9)
    at_high = gammas.beta[:, -1] >= belief.beta_max * (1.0 - 1e-9)
    return np.where(at_low, weight[:, 0], 0.0) + np.where(at_high, weight[:, -1], 0.0)


def inverse_trigamma(value: FloatArray) -> FloatArray:
    """Solve ψ1(x) = value for x > 0, to a relative 1e-10.

    Newton steps on 1/ψ1, which is nearly straight, from a table: the step after one of 1e-5 would be below 1e-10.
    """
    log_x, log_value = _trigamma_table()
    x = np.exp(np.interp(np.log(value), log_value, log_x))
    for _ in range(60):
        trigamma = polygamma(1, x)
        step = trigamma * (1.0 - trigamma / value) / polygamma(2, x)
        x = np.maximum(x + step, x * 0.1)
        if float(np.max(np.abs(step) / x, initial=0.0)) < 1e-5:
            break
    return np.asarray(x)


@cache
def _trigamma_table() -> tuple[FloatArray, FloatArray]:
    """Give ln x and ln ψ1(x), in rising order of the second; dense enough for a first guess good to 1e-6."""
    log_x = np.linspace(12.0, -6.0, 8192)
    return log_x, np.log(polygamma(1, np.exp(log_x)))
