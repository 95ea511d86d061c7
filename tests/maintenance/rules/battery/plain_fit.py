"""A fit of one plain Weibull per stratum: closed forms to check sums, limits and prices against."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class PlainFit:
    """F(u) = 1 − exp(−(u/η)^β) in each stratum; the sleep multiplier as in the real fit."""

    beta: FloatArray
    eta: FloatArray
    n_ends: FloatArray = field(default_factory=lambda: np.array([100]))
    multiplier: float = 1.0

    @classmethod
    def alike(cls, n: int, beta: float = 8.0, eta: float = 1.0, n_ends: int = 100) -> PlainFit:
        return cls(np.full(n, beta), np.full(n, eta), np.full(n, n_ends))

    @property
    def mean_beta(self) -> FloatArray:
        return self.beta

    def scaled(self, stratum: ArrayLike, u: ArrayLike, sleep_share: ArrayLike) -> FloatArray:
        return np.asarray(u) * (1 + (self.multiplier - 1) * np.nan_to_num(np.asarray(sleep_share, dtype=float)))

    def cumulated(self, stratum: ArrayLike, u: ArrayLike) -> FloatArray:
        s = np.asarray(stratum)
        return np.minimum(np.asarray(u) / self.eta[s], 1e6) ** self.beta[s]

    def failed(self, stratum: ArrayLike, u: ArrayLike) -> FloatArray:
        return -np.expm1(-self.cumulated(stratum, u))

    def quantile(self, q: ArrayLike) -> FloatArray:
        share = np.asarray(q, dtype=float)
        beta, eta = (self.beta, self.eta) if share.ndim < 2 else (self.beta[:, None], self.eta[:, None])
        return eta * (-np.log1p(-share)) ** (1 / beta)
