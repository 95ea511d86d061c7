"""Weibull fit by maximum likelihood, for comparison with other programs. The product itself never uses it.

Right-censored, left-truncated and interval-censored lives. For a given shape the best λ = scale^(−shape) is known in
closed form (or by a few Newton steps where there are intervals), so the search is along one line and cannot get lost, not
even with 6 ends among 1703 lives.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

LN_SHAPE = np.linspace(np.log(0.02), np.log(500.0), 400)
GOLDEN = (np.sqrt(5.0) - 1.0) / 2.0


class NoMaximum(ValueError):
    """The likelihood has no highest point; the text says why."""


@dataclass(frozen=True)
class Records:
    """Lives in any unit of time.

    Parameters
    ----------
    entry, end : array
        Beginning of observation (0 = from new) and its end.
    is_end : array of bool
        Ended; else still alive.
    lower : array
        Left end of the interval (lower, end] in which it ended; NaN = known exactly.
    """

    entry: FloatArray
    end: FloatArray
    is_end: NDArray[np.bool_]
    lower: FloatArray


@dataclass(frozen=True)
class Weibull:
    """Shape, scale and log-likelihood at the highest point."""

    shape: float
    scale: float
    loglik: float


def log_likelihood(records: Records, shape: float, scale: float) -> float:
    """Add up ln f, ln S and ln(S(lower) − S(end)), each minus ln S(entry)."""
    is_interval = records.is_end & ~np.isnan(records.lower) & (records.lower < records.end)
    is_exact = records.is_end & ~is_interval
    hazard_end = (records.end / scale) ** shape
    total = -np.where(is_interval, 0.0, hazard_end) + (records.entry / scale) ** shape
    exact = records.end[is_exact]
    total[is_exact] += np.log(shape / scale) + (shape - 1.0) * np.log(exact / scale)
    low = (records.lower[is_interval] / scale) ** shape
    total[is_interval] += -low + np.log(-np.expm1(-(hazard_end[is_interval] - low)))
    return float(np.sum(total))


def fit(records: Records) -> Weibull:
    """Find the Weibull distribution under which the records are most likely.

    Raises
    ------
    NoMaximum
        If there is no end, or if the likelihood grows without bound.
    """
    if not np.any(records.is_end):
        raise NoMaximum("There is no ended life, so a Weibull fit has no maximum.")
    unit = float(np.max(records.end))
    scaled = Records(records.entry / unit, records.end / unit, records.is_end, records.lower / unit)
    values = np.array([_profile(scaled, x)[0] for x in LN_SHAPE])
    best = int(np.argmax(values))
    if best in (0, len(LN_SHAPE) - 1):
        raise NoMaximum("The likelihood grows without bound: too few lives that differ, or ends all at one time.")
    ln_shape = _golden(scaled, LN_SHAPE[best - 1], LN_SHAPE[best + 1])
    shape = float(np.exp(ln_shape))
    scale = unit * float(np.exp(-_profile(scaled, ln_shape)[1] / shape))
    return Weibull(shape, scale, log_likelihood(records, shape, scale))


def _profile(records: Records, ln_shape: float) -> tuple[float, float]:
    """Give the greatest log-likelihood for one shape, and the ln λ where it is (λ = scale^(−shape))."""
    shape = float(np.exp(ln_shape))
    is_interval = records.is_end & ~np.isnan(records.lower) & (records.lower < records.end)
    is_exact = records.is_end & ~is_interval
    power = records.end**shape
    reached = np.where(is_interval, np.where(is_interval, records.lower, 0.0) ** shape, power)
    lived = float(np.sum(reached - records.entry**shape))
    n_exact = int(np.count_nonzero(is_exact))
    spans = power[is_interval] - records.lower[is_interval] ** shape
    with np.errstate(over="ignore", under="ignore", divide="ignore", invalid="ignore"):
        ln_rate = np.log((n_exact + 0.5 * len(spans)) / (lived + 0.5 * float(np.sum(spans))))
        for _ in range(100):
            x = np.clip(np.exp(ln_rate) * spans, 1e-300, 700.0)
            pull = np.where(x < 1e-8, 1.0 - x / 2.0, x / np.expm1(x))
            slope = n_exact - lived * np.exp(ln_rate) + float(np.sum(pull))
            bend = lived * np.exp(ln_rate) + float(np.sum(pull * (x + pull - 1.0)))
            if not bend > 0:
                return -np.inf, ln_rate
            step = float(np.clip(slope / bend, -3.0, 3.0))
            ln_rate += step
            if abs(step) < 1e-13:
                break
        value = n_exact * (ln_rate + ln_shape) - np.exp(ln_rate) * lived
        value += (shape - 1.0) * float(np.sum(np.log(records.end[is_exact])))
        value += float(np.sum(np.log(-np.expm1(-np.exp(ln_rate) * spans))))
    return (float(value) if np.isfinite(value) else -np.inf), float(ln_rate)


def _golden(records: Records, low: float, high: float) -> float:
    """Narrow a bracket of ln shape by the golden section; then one parabola, because the top itself is flat."""
    while high - low > 1e-5:
        left, right = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
        if _profile(records, left)[0] > _profile(records, right)[0]:
            high = right
        else:
            low = left
    middle, step = 0.5 * (low + high), 1e-3
    down, at, up = (_profile(records, middle + k * step)[0] for k in (-1, 0, 1))
    curve = up - 2.0 * at + down
    return middle - 0.5 * step * (up - down) / curve if curve < 0 else middle
