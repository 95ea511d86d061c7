"""What a fit of the whole fleet knows: chances, limits and ranks of many batteries of many strata at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from maintenance.rules.battery.gammas import HIGHEST_U, LOWEST_U, FloatArray, log_of
from maintenance.rules.battery.posterior import LifePrior, Posterior, power_gain

IntArray = NDArray[np.int64]

CHUNK_CELLS = 1 << 17
"""Numbers per working array (rows × components): about a megabyte, whatever the size of the fleet."""
LOWEST_LN_U, HIGHEST_LN_U = float(np.log(LOWEST_U)), float(np.log(HIGHEST_U))
QUANTILE_STEPS = 80
QUANTILE_TOLERANCE = 1e-11
DEEP = 0.9
"""Above this share failed, −ln S is taken from ln S directly: 1 − F has lost its digits."""


@dataclass(frozen=True, slots=True)
class FleetFit:
    """Posterior of every stratum.

    Parameters
    ----------
    beta, shape, rate, weight : array (n_strata, K)
        β, gamma shape and rate of λ, and probability of each component, as in `Posterior`.
    n_batteries, n_ends : array (n_strata,)
        Batteries in the fit; those of them that ended by wear.
    prior : LifePrior
        What the fleet expects of a stratum that it does not know yet.
    prior_mean_ln_eta, prior_sd_ln_eta, prior_mean_ln_beta : array (n_strata,)
        Prior that each stratum started from: learnt from the *other* strata (see `hyper`), widened where
        activations are not counted (see `widening`).
    sleep_multiplier : array (n_strata,)
        Learnt factor on the sleep part of the exposure; 1 where not learnt (see `multiplier`).
    edge_mass : array (n_strata,)
        Posterior mass on the bounds of β; above 0.01 the stratum's data are odd: wild, or over-regular dates.
    """

    beta: FloatArray
    shape: FloatArray
    rate: FloatArray
    weight: FloatArray
    n_batteries: IntArray
    n_ends: IntArray
    prior: LifePrior
    prior_mean_ln_eta: FloatArray
    prior_sd_ln_eta: FloatArray
    prior_mean_ln_beta: FloatArray
    sleep_multiplier: FloatArray
    edge_mass: FloatArray
    chunk_cells: int = field(default=CHUNK_CELLS, compare=False)

    @property
    def n_strata(self) -> int:
        """Number of strata."""
        return len(self.beta)

    @property
    def mean_beta(self) -> FloatArray:
        """Posterior mean of β (n_strata,)."""
        return np.sum(self.weight * self.beta, axis=1)

    def scaled(self, stratum: ArrayLike, u: ArrayLike, sleep_share: ArrayLike) -> FloatArray:
        """Correct exposures for the learnt multiplier of the sleep current.

        Parameters
        ----------
        stratum : array of int
            Stratum of each battery; broadcast with `u`.
        u : array
            Exposure by the catalogue's figures [1].
        sleep_share : array
            Share of it that scales with the sleep current [0 … 1]; NaN (unknown) leaves u alone.

        Returns
        -------
        array
            u · (1 + (m − 1) · sleep_share).
        """
        more = self.sleep_multiplier[np.asarray(stratum)] - 1.0
        return np.asarray(u, dtype=np.float64) * (1.0 + more * np.nan_to_num(np.asarray(sleep_share), nan=0.0))

    def failed(self, stratum: ArrayLike, u: ArrayLike) -> FloatArray:
        """Give the chance that a new battery of a stratum ends before an exposure, F(u) [0 … 1].

        Parameters
        ----------
        stratum : array of int
            0 … n_strata − 1; broadcast with `u`.
        u : array
            Exposure [1], 0 or more; NaN gives NaN.
        """
        return self._each(lambda i, x: -np.expm1(self._log_alive(i, x)) @ self.weight[i], stratum, u)

    def cumulated(self, stratum: ArrayLike, u: ArrayLike) -> FloatArray:
        """Give −ln S(u), the number of ends to expect of a battery that was used up to u [0 …); arguments as `failed`."""
        return self._each(self._cumulated, stratum, u)

    def chance_ahead(self, stratum: ArrayLike, u: ArrayLike, step: ArrayLike) -> FloatArray:
        """Give the chance that a battery *among the data* that is alive at u ends before u + step [0 … 1].

        Parameters
        ----------
        stratum : array of int
            0 … n_strata − 1; broadcast with `u` and `step`.
        u, step : array
            Exposure now, and still to come [1], 0 or more; NaN gives NaN.

        Notes
        -----
        1 − Σ w (b / (b + (u + step)^β − u^β))^a; see `Posterior.chance_ahead`. For ranking work, not for due dates.
        """

        def ahead(i: int, x: FloatArray, more: FloatArray) -> FloatArray:
            beta, layers = self._layers(i)
            gain = power_gain(x[:, np.newaxis], more[:, np.newaxis], beta)
            return np.asarray(-np.expm1(self._log_ratio(i, np.repeat(gain, layers, axis=1))) @ self.weight[i])

        return self._each(ahead, stratum, u, step)

    def quantile(self, q: ArrayLike) -> FloatArray:
        """Give the exposures by which shares q have failed, by bisection over strata at once.

        Parameters
        ----------
        q : scalar, array (n_strata,) or array (n_strata, k)
            Shares [0 < q < 1].

        Returns
        -------
        array (n_strata,) or (n_strata, k)
            Exposure [1], to a relative 1e-11; a million at most.

        Raises
        ------
        ValueError
            If a share is not between 0 and 1.
        """
        share = np.asarray(q, dtype=np.float64)
        if not bool(np.all((share > 0.0) & (share < 1.0))):
            raise ValueError("The planning probability must lie between 0 and 1.")
        wanted = np.broadcast_to(share, (self.n_strata,)) if share.ndim < 2 else share
        flat = wanted.reshape(self.n_strata, -1)
        columns = [self._quantile(flat[:, k]) for k in range(flat.shape[1])]
        return np.stack(columns, axis=1).reshape(wanted.shape) if columns else np.zeros(wanted.shape)

    def posterior(self, i: int) -> Posterior:
        """Give the posterior of one stratum."""
        return Posterior(
            self.beta[i], self.shape[i], self.rate[i], self.weight[i], int(self.n_ends[i]), float(self.edge_mass[i])
        )

    def row_bytes(self, i: int) -> bytes:
        """Give one stratum's β, shape, rate and weight as 8-byte little-endian floats, for keeping."""
        parts = (self.beta[i], self.shape[i], self.rate[i], self.weight[i])
        return np.concatenate(parts).astype("<f8").tobytes()

    @staticmethod
    def from_rows(
        rows: Sequence[bytes],
        *,
        n_ends: ArrayLike = 0,
        n_batteries: ArrayLike = 0,
        prior: LifePrior | None = None,
        prior_mean_ln_eta: ArrayLike | None = None,
        prior_sd_ln_eta: ArrayLike | None = None,
        prior_mean_ln_beta: ArrayLike | None = None,
        sleep_multiplier: ArrayLike = 1.0,
        edge_mass: ArrayLike = 0.0,
    ) -> FleetFit:
        """Put a fit together again from kept rows (see `row_bytes`); other columns are scalars or (n_strata,).

        Raises
        ------
        ValueError
            If the rows do not hold four columns of one length.
        """
        n, belief = len(rows), prior if prior is not None else LifePrior()
        if len({len(row) for row in rows}) > 1 or any(len(row) % 32 for row in rows):
            raise ValueError("The kept rows of this fit differ in length. Fit the fleet anew.")
        table = np.frombuffer(b"".join(bytes(row) for row in rows), dtype="<f8").astype(np.float64)
        beta, shape, rate, weight = np.moveaxis(table.reshape(n, 4, -1) if n else np.zeros((0, 4, 1)), 1, 0)

        def column(value: ArrayLike | None, default: float) -> FloatArray:
            return np.broadcast_to(np.asarray(default if value is None else value, dtype=np.float64), (n,)).copy()

        return FleetFit(
            beta=np.ascontiguousarray(beta),
            shape=np.ascontiguousarray(shape),
            rate=np.ascontiguousarray(rate),
            weight=np.ascontiguousarray(weight),
            n_batteries=column(n_batteries, 0).astype(np.int64),
            n_ends=column(n_ends, 0).astype(np.int64),
            prior=belief,
            prior_mean_ln_eta=column(prior_mean_ln_eta, belief.mean_ln_eta),
            prior_sd_ln_eta=column(prior_sd_ln_eta, belief.sd_ln_eta),
            prior_mean_ln_beta=column(prior_mean_ln_beta, belief.mean_ln_beta),
            sleep_multiplier=column(sleep_multiplier, 1.0),
            edge_mass=column(edge_mass, 0.0),
        )

    def _layers(self, i: int) -> tuple[FloatArray, int]:
        """Give the different values of β of a stratum, in order, and how many components share each."""
        beta = self.beta[i]
        n_same = int(np.argmax(beta != beta[0])) if bool(np.any(beta != beta[0])) else len(beta)
        firsts = beta[::n_same]
        is_even = len(beta) % n_same == 0 and bool(np.all(np.repeat(firsts, n_same) == beta))
        return (firsts, n_same) if is_even else (beta, 1)

    def _log_ratio(self, i: int, power: FloatArray) -> FloatArray:
        """Give ln of (b / (b + power))^a for each component, in place of `power` (n, K)."""
        power /= self.rate[i]
        np.log1p(power, out=power)
        power *= -self.shape[i]
        return power

    def _log_alive(self, i: int, u: FloatArray) -> FloatArray:
        """Give ln S of each component at exposures u (n, K)."""
        beta, layers = self._layers(i)
        power = np.exp(log_of(u)[:, np.newaxis] * beta)
        return self._log_ratio(i, np.repeat(power, layers, axis=1))

    def _cumulated(self, i: int, u: FloatArray) -> FloatArray:
        log_alive = self._log_alive(i, u)
        share = -np.expm1(log_alive) @ self.weight[i]
        is_deep = share > DEEP
        total = -np.log1p(-np.where(is_deep, 0.0, share))
        if bool(np.any(is_deep)):
            heavy = log_alive[is_deep] + np.log(np.maximum(self.weight[i], LOWEST_U))
            top = np.max(heavy, axis=1)
            total[is_deep] = -top - np.log(np.sum(np.exp(heavy - top[:, np.newaxis]), axis=1))
        return np.asarray(total)

    def _each(self, of: Callable[..., FloatArray], stratum: ArrayLike, *columns: ArrayLike) -> FloatArray:
        """Evaluate row by row, sorted by stratum and cut into chunks that bound the memory."""
        number, *values = np.broadcast_arrays(
            np.asarray(stratum, dtype=np.int64), *(np.asarray(c, dtype=np.float64) for c in columns)
        )
        flat = number.ravel()
        flats = [np.clip(v.ravel(), 0.0, HIGHEST_U) for v in values]
        answer = np.empty(len(flat))
        order = np.argsort(flat, kind="stable")
        if len(flat) and not 0 <= flat[order[0]] <= flat[order[-1]] < self.n_strata:
            raise ValueError("This fit has no such stratum.")
        starts = np.flatnonzero(np.diff(flat[order], prepend=-1))
        chunk = max(1, self.chunk_cells // self.beta.shape[1])
        for start, stop in zip(starts, np.append(starts, len(flat))[1:], strict=True):
            i = int(flat[order[start]])
            for low in range(start, stop, chunk):
                rows = order[low : min(low + chunk, stop)]
                answer[rows] = of(i, *(v[rows] for v in flats))
        return answer.reshape(number.shape)

    def _quantile(self, share: FloatArray) -> FloatArray:
        """Bisect ln u for one share per stratum."""
        low, high = np.full(self.n_strata, -1.0), np.full(self.n_strata, 1.0)
        for _ in range(10):
            low = np.where(self._failed_at(low) >= share, np.maximum(2.0 * low, LOWEST_LN_U), low)
            high = np.where(self._failed_at(high) < share, np.minimum(2.0 * high, HIGHEST_LN_U), high)
        for _ in range(QUANTILE_STEPS):
            middle = 0.5 * (low + high)
            is_below = self._failed_at(middle) < share
            low, high = np.where(is_below, middle, low), np.where(is_below, high, middle)
            if float(np.max(high - low, initial=0.0)) < QUANTILE_TOLERANCE:
                break
        return np.exp(0.5 * (low + high))

    def _failed_at(self, log_u: FloatArray) -> FloatArray:
        """Give F of every stratum at its own ln u (n_strata,)."""
        held = np.clip(log_u, LOWEST_LN_U, HIGHEST_LN_U)
        log_alive = -self.shape * np.log1p(np.exp(held[:, np.newaxis] * self.beta) / self.rate)
        return np.asarray(np.sum(-np.expm1(log_alive) * self.weight, axis=1))
