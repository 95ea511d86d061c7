"""Where activations are assumed instead of counted, exposure itself is uncertain: the prior of such strata is widened.

Without it the limit at 1 % lets 7 % fail (project's battery model, section 1, row 9). The strata stay strata of their own,
so that their own ends teach how much the assumed exposure is worth.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from maintenance.rules.battery.gammas import Belief, FloatArray

EXPOSURE_SD = 0.3
"""Standard deviation of ln u where activations are assumed."""
MATCHED_AT = (0.01, 0.10)
"""The widened Weibull has these points in common with the convolution: limits are set in this range."""
_NODES, _NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(40)
_NODE_WEIGHTS = _NODE_WEIGHTS / np.sum(_NODE_WEIGHTS)


def widened(mean_ln_beta: FloatArray, sd: float = EXPOSURE_SD) -> tuple[FloatArray, FloatArray]:
    """Give the Weibull of lives in uncertain exposure: T · e^(sd Z), T Weibull with β and η = 1, Z standard normal.

    Parameters
    ----------
    mean_ln_beta : array (n,)
        ln β of lives in true exposure.
    sd : float
        Standard deviation of ln(exposure), 0 or more.

    Returns
    -------
    ln_eta, ln_beta : array (n,)
        Weibull with the same 1 % and 10 % points.

    Notes
    -----
    Convolution by Gauss–Hermite quadrature with 40 nodes, points by bisection of ln t.
    """
    beta = np.exp(np.asarray(mean_ln_beta, dtype=np.float64))
    log_t = [_point(beta, p, sd) for p in MATCHED_AT]
    plotted = [np.log(-np.log1p(-p)) for p in MATCHED_AT]
    new_beta = (plotted[1] - plotted[0]) / (log_t[1] - log_t[0])
    return log_t[1] - plotted[1] / new_beta, np.log(new_beta)


def widen(belief: Belief, is_measured: np.ndarray) -> Belief:
    """Widen the prior (of ln exposure, no unit) of the strata that are not measured; the others keep theirs."""
    if bool(np.all(is_measured)):
        return belief
    rows = np.flatnonzero(~is_measured)
    # Mostly one value for all: worked out once.
    values, which = np.unique(belief.mean_ln_beta[rows], return_inverse=True)
    shift, ln_beta = widened(values)
    mean_ln_eta, mean_ln_beta = belief.mean_ln_eta.copy(), belief.mean_ln_beta.copy()
    mean_ln_eta[rows] += shift[which]
    mean_ln_beta[rows] = np.clip(ln_beta, np.log(belief.beta_min), np.log(belief.beta_max))[which]
    return replace(belief, mean_ln_eta=mean_ln_eta, mean_ln_beta=mean_ln_beta)


def _point(beta: FloatArray, share: float, sd: float) -> FloatArray:
    """Give ln t at which a share of the convolution has failed."""
    low, high = np.full(beta.shape, -40.0), np.full(beta.shape, 10.0)
    for _ in range(60):
        middle = 0.5 * (low + high)
        exponent = np.minimum(beta[:, np.newaxis] * (middle[:, np.newaxis] - sd * _NODES), 700.0)
        is_below = -np.expm1(-np.exp(exponent)) @ _NODE_WEIGHTS < share
        low, high = np.where(is_below, middle, low), np.where(is_below, high, middle)
    return 0.5 * (low + high)
