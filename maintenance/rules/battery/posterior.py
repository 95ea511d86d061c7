"""What a fleet's ended and living batteries teach about the next one: Weibull lives in exposure, pooled by prior and data.

Lives T of one stratum follow P(T > u) = exp(−λ u^β), with λ = η^(−β). β runs over a grid; for each β the prior of λ is a
mixture of gammas that stands for a lognormal η, so that the posterior is a sum of closed forms. Without data it is the
prior predictive, which is all the first due dates rest on. No data base, no clock.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from maintenance.rules.battery import gammas, intervals
from maintenance.rules.battery.sums import SortedLives

FloatArray = NDArray[np.float64]


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

    def for_strata(self, n: int) -> gammas.Belief:
        """Give the same belief to each of n strata."""
        return gammas.Belief(
            mean_ln_eta=np.full(n, self.mean_ln_eta),
            sd_ln_eta=np.full(n, self.sd_ln_eta),
            mean_ln_beta=np.full(n, self.mean_ln_beta),
            sd_ln_beta=self.sd_ln_beta,
            beta_min=self.beta_min,
            beta_max=self.beta_max,
        )


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
    lower_u : array, optional
        Exposure at the last look at which it was still alive, where the end was only found later: the end lies in
        (lower_u, end_u]. NaN where it is known; not less than `entry_u`. Left out: all are known.
    """

    end_u: FloatArray = field(default_factory=lambda: np.zeros(0))
    entry_u: FloatArray = field(default_factory=lambda: np.zeros(0))
    is_end: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))
    lower_u: FloatArray | None = None

    def __post_init__(self) -> None:
        if not self.end_u.shape == self.entry_u.shape == self.is_end.shape == self.lower.shape:
            raise ValueError("The columns differ in length.")
        if not bool(np.all((self.entry_u >= 0) & (self.end_u > self.entry_u))):
            raise ValueError("Each battery must end above the exposure at which it entered.")
        within = np.isnan(self.lower) | ((self.lower >= self.entry_u) & (self.lower <= self.end_u))
        if not bool(np.all(within | ~self.is_end)):
            raise ValueError("The earlier look of an interval must lie between entry and end.")

    @property
    def lower(self) -> FloatArray:
        """Left ends of the intervals, NaN where the end is known exactly."""
        return np.full(self.end_u.shape, np.nan) if self.lower_u is None else self.lower_u

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
    edge_mass : float
        Probability that β lies on a bound of its grid; above 0.01 the data are odd (see `gammas.edge_mass`).
    """

    beta: FloatArray
    shape: FloatArray
    rate: FloatArray
    weight: FloatArray
    n_ends: int
    edge_mass: float = 0.0

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
        while float(self.failed(high)) < p and high < gammas.HIGHEST_U:
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
        more = power_gain(np.float64(u), np.float64(step), self.beta)
        return float(-np.expm1(-self.shape * np.log1p(more / self.rate)) @ self.weight)


def learn(
    lives: Lives | None = None,
    prior: LifePrior | None = None,
    *,
    n_grid: int = gammas.N_GRID,
    mixture: gammas.Mixture = gammas.SEVEN,
) -> Posterior:
    """Combine a prior and the lives of one stratum. For many strata at once: `fleet.fit_fleet`.

    Parameters
    ----------
    lives : Lives, optional
        Ended and living batteries; none gives the prior predictive.
    prior : LifePrior, optional
        Defaults to `LifePrior()`.
    n_grid : int
        Points of β per pass, see `gammas.solve`.
    mixture : gammas.Mixture
        Gammas that stand for the prior of η; `gammas.FINE` where exactness matters more than speed.

    Returns
    -------
    Posterior
        Components of the last pass. Wide intervals are weighed exactly, then each component is again a gamma.
    """
    data = lives if lives is not None else Lives()
    belief = replace((prior if prior is not None else LifePrior()).for_strata(1), mixture=mixture)
    stratum = np.zeros(len(data.end_u), dtype=np.int64)
    reached, is_dated, is_wide = intervals.split(data.end_u, data.is_end, data.lower)
    rows = SortedLives.of(1, stratum, reached, data.entry_u, is_dated)
    wide = intervals.wide_of(stratum, data.end_u, data.lower, is_wide)
    found = gammas.solve(rows.sums, belief, weighing=wide, n_grid=n_grid)
    return Posterior(
        np.repeat(found.beta[0], found.shape.shape[2]),
        found.shape[0].ravel(),
        found.rate[0].ravel(),
        found.weight()[0].ravel(),
        data.n_ends,
        float(gammas.edge_mass(found, belief)[0]),
    )


def sufficient(lives: Lives, beta: FloatArray) -> tuple[int, FloatArray, FloatArray]:
    """Sum up a stratum for each β: ended lives r, A = Σ (end^β − entry^β), G = r ln β + (β − 1) Σ ln end.

    Sums over parts of a stratum add up, so chunks may be summed apart and in any order.
    """
    ends = lives.end_u[lives.is_end]
    spans = np.power(lives.end_u[:, np.newaxis], beta) - np.power(lives.entry_u[:, np.newaxis], beta)
    log_sum = float(np.sum(np.log(ends)))
    return lives.n_ends, spans.sum(axis=0), lives.n_ends * np.log(beta) + (beta - 1.0) * log_sum


def power_gain(u: ArrayLike, step: ArrayLike, beta: FloatArray) -> FloatArray:
    """Give (u + step)^β − u^β for u, step ≥ 0 without losing digits where the step is small."""
    x, more = np.asarray(u, dtype=np.float64), np.asarray(step, dtype=np.float64)
    low, high = gammas.log_of(x), gammas.log_of(x + more)
    share = np.log1p(more / np.maximum(x, gammas.LOWEST_U))
    return np.exp(beta * high) * -np.expm1(-beta * np.where(x > 0, share, high - low))


def _power(u: ArrayLike, beta: FloatArray) -> FloatArray:
    """Give u^β for u ≥ 0, held at a finite value for absurd u."""
    x = np.asarray(u, dtype=np.float64)
    return np.power(np.clip(x, 0.0, gammas.HIGHEST_U), beta)
