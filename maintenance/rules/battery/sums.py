"""Sums over the lives of many strata, for any grid of β: sorted once, added up in chunks that fit the cache."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from maintenance.rules.battery.gammas import FloatArray, Sums, log_of

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

CHUNK_ROWS = 1 << 15
"""Rows per step: two working arrays of this length stay in the cache."""


@dataclass(frozen=True, slots=True)
class _Rows:
    """Rows sorted by stratum: ln(end), and ln(entry) − ln(end) where records began late."""

    stratum: IntArray
    log_end: FloatArray
    log_entry_share: FloatArray | None

    def add_spans(self, beta: FloatArray, total: FloatArray, chunk_rows: int) -> None:
        """Add Σ (end^β − entry^β) of every stratum to `total` (S, B)."""
        is_common = bool(np.all(beta == beta[:1]))
        for low in range(0, len(self.stratum), chunk_rows):
            part = slice(low, low + chunk_rows)
            stratum, log_end = self.stratum[part], self.log_end[part]
            starts = np.flatnonzero(np.diff(stratum, prepend=-1))
            touched = stratum[starts]
            counts = np.diff(starts, append=len(stratum))
            entry = None if self.log_entry_share is None else self.log_entry_share[part]
            for j in range(beta.shape[1]):
                b = beta[0, j] if is_common else np.repeat(beta[touched, j], counts)
                power = np.exp(b * log_end)
                if entry is not None:
                    # end^β − entry^β without losing digits where the two are close.
                    power *= -np.expm1(b * entry)
                total[touched, j] += np.add.reduceat(power, starts)


@dataclass(frozen=True, slots=True)
class SortedLives:
    """Lives of many strata, ready to be summed.

    Parameters
    ----------
    n_strata : int
        Number of strata, those without a row included.
    n_batteries, n_ends : array (S,)
        Rows, and ended lives.
    log_sum : array (S,)
        Σ ln(end) over ended lives.
    """

    n_strata: int
    n_batteries: IntArray
    n_ends: IntArray
    log_sum: FloatArray
    _whole: _Rows
    _late: _Rows
    _chunk_rows: int

    @classmethod
    def of(
        cls,
        n_strata: int,
        stratum: IntArray,
        end_u: FloatArray,
        entry_u: FloatArray,
        is_end: BoolArray,
        *,
        chunk_rows: int = CHUNK_ROWS,
    ) -> SortedLives:
        """Sort and sum up what does not depend on β; exposures as in `Lives`, strata 0 … n_strata − 1."""
        order = np.argsort(stratum, kind="stable")
        stratum, is_end = stratum[order], is_end[order]
        log_end, is_late = log_of(end_u[order]), entry_u[order] > 0
        log_entry = log_of(entry_u[order][is_late])
        whole = _Rows(stratum[~is_late], log_end[~is_late], None)
        late = _Rows(stratum[is_late], log_end[is_late], np.minimum(log_entry - log_end[is_late], 0.0))
        return cls(
            n_strata=n_strata,
            n_batteries=np.bincount(stratum, minlength=n_strata),
            n_ends=np.bincount(stratum[is_end], minlength=n_strata),
            log_sum=np.asarray(np.bincount(stratum[is_end], log_end[is_end], n_strata), dtype=np.float64),
            _whole=whole,
            _late=late,
            _chunk_rows=chunk_rows,
        )

    def sums(self, beta: FloatArray) -> Sums:
        """Add up on a grid of β (S, B)."""
        spans = np.zeros(beta.shape)
        self._whole.add_spans(beta, spans, self._chunk_rows)
        self._late.add_spans(beta, spans, self._chunk_rows)
        ends = np.broadcast_to(self.n_ends[:, np.newaxis].astype(np.float64), beta.shape)
        return Sums(beta, ends, spans, ends * np.log(beta) + (beta - 1.0) * self.log_sum[:, np.newaxis])
