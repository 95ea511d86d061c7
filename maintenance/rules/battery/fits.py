"""What lots, limits, prices and honesty ask of a fit, so that each can be checked against one plain Weibull as well."""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

HIGHEST_U = 1e6
"""Absurd exposures are held here, so that no sum or product of them overflows."""


class Fit(Protocol):
    """Lives of every stratum, as far as they are known. `fleet.FleetFit` is the one in use."""

    @property
    def n_ends(self) -> Any:
        """Ended lives of each stratum, (n_strata,)."""

    @property
    def mean_beta(self) -> Any:
        """Mean regularity β of each stratum, (n_strata,)."""

    def scaled(self, stratum: Any, u: Any, sleep_share: Any) -> FloatArray:
        """Exposure with the learnt multiplier of the sleep current [1]."""

    def failed(self, stratum: Any, u: Any) -> FloatArray:
        """Share that has ended by an exposure, F(u) [0 … 1]; `stratum` and `u` broadcast."""

    def cumulated(self, stratum: Any, u: Any) -> FloatArray:
        """Expected ends of a battery followed to an exposure, −ln S(u) [0 …]; `stratum` and `u` broadcast."""

    def quantile(self, q: Any) -> FloatArray:
        """Exposure by which a share q has ended; q is a number, (n_strata,) or (n_strata, k)."""


class BatteryColumns(Protocol):
    """Batteries, one row each. `fleet.Batteries` is the one in use."""

    @property
    def stratum(self) -> IntArray:
        """Stratum, from 0."""

    @property
    def end_u(self) -> FloatArray:
        """Exposure at the end or the last look, by catalogue figures [1]."""

    @property
    def entry_u(self) -> FloatArray:
        """Exposure when records began [1]."""

    @property
    def is_end(self) -> BoolArray:
        """Ended by wear."""

    @property
    def lower_u(self) -> FloatArray:
        """Left end of an interval [1]; NaN = exact."""

    @property
    def sleep_share(self) -> FloatArray:
        """Share of the exposure that scales with the sleep current [0 … 1]."""

    @property
    def lot(self) -> IntArray:
        """Lot, from 0; −1 = none."""


def held(u: ArrayLike) -> FloatArray:
    """Give exposures [1] held between 0 and `HIGHEST_U`; NaN stays NaN, infinity becomes NaN."""
    value = np.asarray(u, dtype=np.float64)
    return np.where(np.isfinite(value), np.clip(value, 0.0, HIGHEST_U), np.nan)


def floats(values: ArrayLike) -> FloatArray:
    """Give an array of floats; complains about nothing, so that bad numbers can be judged by the caller."""
    return np.asarray(values, dtype=np.float64)
