"""What a fleet's ended and living batteries teach about the next one: Weibull lives in exposure, pooled by prior and data.

Lives T of one stratum follow P(T > u) = exp(−λ u^β), with λ = η^(−β). β runs over a grid; for each β the prior of λ is a
mixture of gammas that stands for a lognormal η, so that the posterior is a sum of closed forms. Without data it is the
prior predictive, which is all the first due dates rest on. No data base, no clock.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import digamma, gammaln, logsumexp, polygamma

FloatArray = NDArray[np.float64]

MIXTURE_Z = np.arange(-3, 4) * 0.75
"""Centres of the seven gammas, in standard deviations of ln η."""
MIXTURE_SD_SHARE = 0.6
"""Own standard deviation of each gamma as a share of the whole; one gamma alone has too thin a low tail of η."""


@dataclass(frozen=True, slots=True)
class LifePrior:
    """What is believed about a kind of battery before any has ended.

    Parameters
    ----------
    mean_ln_eta, sd_ln_eta : float
        Normal prior of ln η; η [exposure] is the life that 63.2 % do not reach. 0 means that the catalogue is right on
        average; 0.35 that it is off by a factor of about two in one case of twenty.
    mean_ln_beta, sd_ln_beta : float
        Normal prior of ln β, the regularity of lives: β = 7 is a spread of about 17 %.
    beta_min, beta_max : float
        Bounds of β.
    """

    mean_ln_eta: float = 0.0
    sd_ln_eta: float = 0.35
    mean_ln_beta: float = float(np.log(7.0))
    sd_ln_beta: float = 0.4
    beta_min: float = 1.5
    beta_max: float = 25.0

    def __post_init__(self) -> None:
        if not (self.sd_ln_eta > 0 and self.sd_ln_beta > 0 and 0 < self.beta_min < self.beta_max):
            raise ValueError("A prior needs positive spreads and ordered bounds.")


@dataclass(frozen=True, slots=True)
class Lives:
    """Batteries of one stratum, one row each.

    Parameters
    ----------
    end_u : array
        Exposure at the end or at the last look [1].
    entry_u : array
        Exposure when our records began [1]; 0 if fitted by us. Must be below `end_u`.
    is_end : array of bool
        True for the end of a life by wear, False where it was still alive.
    """

    end_u: FloatArray = field(default_factory=lambda: np.zeros(0))
    entry_u: FloatArray = field(default_factory=lambda: np.zeros(0))
    is_end: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))

    def __post_init__(self) -> None:
        if not self.end_u.shape == self.entry_u.shape == self.is_end.shape:
            raise ValueError("The columns differ in length.")
        if not bool(np.all((self.entry_u >= 0) & (self.end_u > self.entry_u))):
            raise ValueError("Each battery must end above the exposure at which it entered.")

    @property
    def n_ends(self) -> int:
        """Number of lives that ended by wear."""
        return int(np.count_nonzero(self.is_end))


@dataclass(frozen=True, slots=True)
class Posterior:
    """Weights and gammas of a stratum; every array has one entry per component (β × gamma of the mixture).

    Parameters
    ----------
    beta, shape, rate, weight : array
        β, gamma shape and rate of λ, and probability of each component.
    n_ends : int
        Ended lives behind it; 0 = catalogue only.
    """

    beta: FloatArray
    shape: FloatArray
    rate: FloatArray
    weight: FloatArray
    n_ends: int

    def survival(self, u: ArrayLike) -> FloatArray:
        """Give the chance that a new battery of this kind lasts beyond an exposure, S(u) [0 … 1].

        Notes
        -----
        S = Σ w (1 + u^β / b)^(−a), taken through log1p so that nothing is lost near u = 0.
        """
        x = np.atleast_1d(np.asarray(u, dtype=np.float64))[..., np.newaxis]
        log_ratio = np.log1p(_power(x, self.beta) / self.rate)
        return np.asarray(np.exp(-self.shape * log_ratio) @ self.weight).reshape(np.shape(u))

    def failed(self, u: ArrayLike) -> FloatArray:
        """Give F(u) = 1 − S(u) with full precision for small u [0 … 1]."""
        x = np.atleast_1d(np.asarray(u, dtype=np.float64))[..., np.newaxis]
        log_ratio = np.log1p(_power(x, self.beta) / self.rate)
        return np.asarray(-np.expm1(-self.shape * log_ratio) @ self.weight).reshape(np.shape(u))

    def quantile(self, p: float, *, tolerance: float = 1e-10) -> float:
        """Give the exposure by which a share p has failed, by bisection.

        Parameters
        ----------
        p : float
            Share [0 < p < 1].
        tolerance : float
            Width of the last bracket relative to u.

        Raises
        ------
        ValueError
            If p is not between 0 and 1.
        """
        if not 0.0 < p < 1.0:
            raise ValueError("The planning probability must lie between 0 and 1.")
        low, high = 0.0, 1.0
        while float(self.failed(high)) < p:
            low, high = high, high * 2.0
        while high - low > tolerance * high:
            middle = 0.5 * (low + high)
            low, high = (middle, high) if float(self.failed(middle)) < p else (low, middle)
        return 0.5 * (low + high)

    def chance_ahead(self, u: float, step: float) -> float:
        """Give the chance that a battery *among the data* that is alive at u fails before u + step [0 … 1].

        Notes
        -----
        1 − Σ w (b / (b + (u + step)^β − u^β))^a. Its survival so far is in b already, so 1 − S(u + step) / S(u) would
        count it twice and be too low. For ranking work, never for the due date, which would recede every night.
        """
        more = _power(u + step, self.beta) - _power(u, self.beta)
        return float(-np.expm1(-self.shape * np.log1p(more / self.rate)) @ self.weight)


def learn(lives: Lives | None = None, prior: LifePrior | None = None, *, n_grid: int = 24) -> Posterior:
    """Combine a prior and the lives of one stratum.

    Parameters
    ----------
    lives : Lives, optional
        Ended and living batteries; none gives the prior predictive.
    prior : LifePrior, optional
        Defaults to `LifePrior()`.
    n_grid : int
        Points of β per pass. The second pass is centred on the first one's answer, because a fixed grid is too coarse
        for strata with hundreds of ended lives.

    Returns
    -------
    Posterior
        Components of the second pass.
    """
    data = lives if lives is not None else Lives()
    belief = prior if prior is not None else LifePrior()
    low, high = np.log(belief.beta_min), np.log(belief.beta_max)
    coarse = _posterior_on(np.linspace(low, high, n_grid), data, belief)
    ln_beta = np.log(coarse.beta)
    centre = float(coarse.weight @ ln_beta)
    spread = max(float(coarse.weight @ (ln_beta - centre) ** 2), 1e-6) ** 0.5
    fine = np.linspace(max(low, centre - 4.5 * spread), min(high, centre + 4.5 * spread), n_grid)
    return _posterior_on(fine, data, belief)


def sufficient(lives: Lives, beta: FloatArray) -> tuple[int, FloatArray, FloatArray]:
    """Sum up a stratum for each β: ended lives r, A = Σ (end^β − entry^β), G = r ln β + (β − 1) Σ ln end.

    Sums over parts of a stratum add up, so chunks may be summed apart and in any order.
    """
    ends = lives.end_u[lives.is_end]
    spans = np.power(lives.end_u[:, np.newaxis], beta) - np.power(lives.entry_u[:, np.newaxis], beta)
    log_sum = float(np.sum(np.log(ends)))
    return lives.n_ends, spans.sum(axis=0), lives.n_ends * np.log(beta) + (beta - 1.0) * log_sum


def _posterior_on(ln_beta: FloatArray, lives: Lives, prior: LifePrior) -> Posterior:
    """Apply the conjugate update on an even grid of ln β (trapezoid weights at its ends)."""
    beta = np.exp(ln_beta)
    r, a_sum, g_sum = sufficient(lives, beta)
    z = MIXTURE_Z
    mix = -(z**2) / (2.0 * (1.0 - MIXTURE_SD_SHARE**2))
    centres = prior.mean_ln_eta + prior.sd_ln_eta * z
    own_sd = prior.sd_ln_eta * MIXTURE_SD_SHARE
    shape_0 = _inverse_trigamma((beta * own_sd) ** 2)
    log_rate_0 = digamma(shape_0)[:, np.newaxis] + beta[:, np.newaxis] * centres[np.newaxis, :]
    a0 = np.repeat(shape_0[:, np.newaxis], len(z), axis=1)
    rate_0 = np.exp(log_rate_0)
    a, b = a0 + r, rate_0 + a_sum[:, np.newaxis]
    log_beta_prior = -((ln_beta - prior.mean_ln_beta) ** 2) / (2.0 * prior.sd_ln_beta**2)
    log_beta_prior[[0, -1]] -= np.log(2.0)
    # The prior's own normaliser (a0 ln b0 − ln Γ(a0)) depends on β; leaving it out would silently reweigh β.
    log_w = (
        log_beta_prior[:, np.newaxis]
        + (mix - logsumexp(mix))[np.newaxis, :]
        + a0 * log_rate_0
        - gammaln(a0)
        + gammaln(a)
        - a * np.log(b)
        + g_sum[:, np.newaxis]
    )
    weight = np.exp(log_w - logsumexp(log_w))
    return Posterior(np.repeat(beta, len(z)), a.ravel(), b.ravel(), weight.ravel(), r)


def _power(u: ArrayLike, beta: FloatArray) -> FloatArray:
    """Give u^β for u ≥ 0, held at a finite value for absurd u."""
    x = np.asarray(u, dtype=np.float64)
    return np.power(np.clip(x, 0.0, 1e6), beta)


def _inverse_trigamma(value: FloatArray) -> FloatArray:
    """Solve ψ1(x) = value for x > 0 by Newton steps on 1/ψ1, which is nearly straight."""
    x = 0.5 + 1.0 / value
    for _ in range(60):
        trigamma = polygamma(1, x)
        step = trigamma * (1.0 - trigamma / value) / polygamma(2, x)
        x = np.maximum(x + step, x * 0.1)
        if float(np.max(np.abs(step) / x)) < 1e-14:
            break
    return np.asarray(x)
