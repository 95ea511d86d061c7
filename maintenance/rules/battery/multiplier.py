"""Is the sleep current what the catalogue says? Batteries that differ in use tell, because only part of their exposure scales.

A common error of the catalogue is absorbed by η; an error of the sleep current alone is not, and hurts those batteries that
mostly sleep. Source: the project's battery model, section 4.4.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from maintenance.rules.battery.gammas import FloatArray

IntArray = NDArray[np.int64]

VALUES = np.array([0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8])
"""Multipliers of the sleep current that are compared."""
SD_LN = 0.5
"""Prior: ln m ~ N(0, 0.5)."""
MIN_ENDS = 10
MIN_SHARE_SD = 0.08
"""Ended lives, and standard deviation of their sleep shares, from which a stratum can tell. The second is our judgement."""

Evidence = Callable[[IntArray, FloatArray], FloatArray]
"""Gives the log evidence of some strata (numbers) when the exposure of every row is multiplied by a factor (n,)."""


def factor(multiplier: FloatArray, sleep_share: FloatArray) -> FloatArray:
    """Give the ratio u_m / u = 1 + (m − 1) · share; 1 where the share is not known (not finite)."""
    return np.asarray(1.0 + (multiplier - 1.0) * np.nan_to_num(sleep_share, nan=0.0, posinf=0.0, neginf=0.0))


def can_tell(stratum: IntArray, is_end: NDArray[np.bool_], sleep_share: FloatArray, n_strata: int) -> IntArray:
    """Give the strata whose ended batteries are many enough, and differ enough in their share of sleep [0 … 1]."""
    known = is_end & (np.nan_to_num(sleep_share, nan=0.0) > 0.0) & np.isfinite(sleep_share)
    rows, share = stratum[known], sleep_share[known]
    n = np.bincount(rows, minlength=n_strata)
    mean = np.bincount(rows, share, n_strata) / np.maximum(n, 1)
    variance = np.bincount(rows, (share - mean[rows]) ** 2, n_strata) / np.maximum(n, 1)
    return np.flatnonzero((n >= MIN_ENDS) & (variance >= MIN_SHARE_SD**2))


def learn_multiplier(
    evidence: Evidence,
    stratum: IntArray,
    is_end: NDArray[np.bool_],
    is_wide: NDArray[np.bool_],
    sleep_share: FloatArray,
    n_strata: int,
) -> FloatArray:
    """Find each stratum's multiplier of the sleep current by comparing evidence.

    Parameters
    ----------
    evidence : callable
        Log evidence of strata under multiplied exposures.
    stratum, is_end, sleep_share : array (n,)
        As in `fleet.Batteries`.
    is_wide : array (n,)
        Ends that enter as an interval's chance, not as a density.
    n_strata : int
        Number of strata.

    Returns
    -------
    array (n_strata,)
        Most probable multiplier [0.35 … 2.8], between the seven values by a parabola; 1 where it cannot be told.

    Notes
    -----
    Evidence of exposures is a density in u_m. To compare it under different m it must be one in the same u: the Jacobian
    Σ ln(du_m / du) over ended lives is added; the chance of an interval needs none. Without it small multipliers, which squeeze all ends together, would win.
    """
    answer = np.ones(n_strata)
    able = can_tell(stratum, is_end, sleep_share, n_strata)
    if len(able) == 0:
        return answer
    dense = is_end & ~is_wide
    score = np.empty((len(able), len(VALUES)))
    for j, m in enumerate(VALUES):
        by = factor(m, sleep_share)
        # A factor that cannot be (a share outside 0 … 1, not a number) says nothing about m.
        safe = np.where(np.isfinite(by) & (by > 0.0), by, 1.0)
        jacobian = np.bincount(stratum[dense], np.log(safe[dense]), n_strata)[able]
        score[:, j] = evidence(able, by) + jacobian - 0.5 * (np.log(m) / SD_LN) ** 2
    answer[able] = np.exp(_top(np.log(VALUES), score))
    return answer


def _top(x: FloatArray, y: FloatArray) -> FloatArray:
    """Give where a parabola through the highest point of each row and its neighbours has its top; ends stay ends."""
    best = np.argmax(y, axis=1)
    middle = np.clip(best, 1, len(x) - 2)
    rows = np.arange(len(y))
    left, right = x[middle] - x[middle - 1], x[middle + 1] - x[middle]
    down = (y[rows, middle] - y[rows, middle - 1]) / left
    up = (y[rows, middle + 1] - y[rows, middle]) / right
    curve = (up - down) / (left + right)
    slope = (down * right + up * left) / (left + right)
    is_inside = (best == middle) & (curve < 0)
    step = np.where(is_inside, -slope / (2.0 * np.where(is_inside, curve, -1.0)), 0.0)
    return np.where(is_inside, x[middle] + np.clip(step, -left, right), x[best])
