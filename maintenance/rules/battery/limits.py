"""How much of a battery's charge may be used before it must be changed: risk policy → planning probability → exposure limit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv, betaln

from maintenance.rules.battery.fits import BoolArray, Fit, FloatArray

DEAD_SHARE_LEVEL = 0.9
"""Level of the upper bound of the share that dies unannounced (the project's battery model, section 6)."""
MIN_EVIDENCE = 20
"""Ends below which nothing is concluded from signals (section 6)."""
STRENGTHS = np.array([10.0, 20.0, 40.0, 80.0, 160.0, 320.0])
"""For how many ends the fleet's share may count in a stratum; which one, the strata's likeness says. Own choice."""
LN_STRENGTH, LN_STRENGTH_SD = float(np.log(40.0)), 1.0
"""Normal prior of the logarithm of that strength, for fleets of few strata. Own choice."""
FLOOR_SHARE = 0.35
"""No limit below this share of the median life; our own judgement (section 4.5)."""
MIN_ENDS = 3
"""Ended lives below which a limit rests on the catalogue only (section 6)."""


@dataclass(frozen=True, slots=True)
class RiskPolicy:
    """The firm's choice for one duty class. Both numbers are a policy to be set, not a standard's figure.

    Parameters
    ----------
    p_dead : float
        Share of batteries that may die in service unannounced [0 < p < 1].
    p_call : float
        Share that may end in service at all, a low-battery signal included [p_dead … 1).
    """

    p_dead: float
    p_call: float

    def __post_init__(self) -> None:
        if not 0.0 < self.p_dead <= self.p_call < 1.0:
            raise ValueError("A risk policy needs 0 < p_dead ≤ p_call < 1.")


@dataclass(frozen=True, slots=True)
class Limit:
    """How far to go with one kind of battery in one duty class.

    Parameters
    ----------
    q : float
        Planning probability: share that fails before the limit [0 < q < 1].
    u : float
        Exposure limit [1].
    is_reachable : bool
        False where the policy would ask for changes so early that more visits are not the answer.
    n_ends : int
        Ended lives that the limit rests on; 0 = catalogue only.
    """

    q: float
    u: float
    is_reachable: bool
    n_ends: int


def planning_probability(policy: RiskPolicy, dead_share: float = 1.0) -> float:
    """Give the share of batteries that may fail before their planned change: min(p_call, p_dead / dead_share).

    Parameters
    ----------
    policy : RiskPolicy
        The firm's choice for the duty class.
    dead_share : float
        Upper bound of the share of ends that come unannounced (0 … 1]; 1 = no low-battery signal is counted on.

    Raises
    ------
    ValueError
        If the share is not within (0, 1].
    """
    if not 0.0 < dead_share <= 1.0:
        raise ValueError("The share of unannounced ends must lie above 0 and not above 1.")
    return min(policy.p_call, policy.p_dead / dead_share)


@dataclass(frozen=True, slots=True)
class Limits:
    """How far to go, for every stratum and duty class at once.

    Parameters
    ----------
    q : array, (n_strata, n_classes)
        Planning probability: share that fails before the limit [0 < q < 1].
    u : array, (n_strata, n_classes)
        Exposure limit [1], before the factor of a lot.
    is_reachable : array of bool, (n_strata, n_classes)
        False where the floor was used, because the policy would ask for changes so early that more visits are not the
        answer: the reason `LIMIT_NOT_REACHABLE`.
    """

    q: FloatArray
    u: FloatArray
    is_reachable: BoolArray


def dead_shares(n_dead: ArrayLike, n_signalled: ArrayLike) -> FloatArray:
    """Bound the share of ends that come unannounced from above, for every stratum.

    Parameters
    ----------
    n_dead, n_signalled : array of int, (n_strata,)
        Ends found dead, and changed alive after a signal. Negative numbers count as 0.

    Returns
    -------
    array, (n_strata,)
        90 % upper quantile of Beta(k m + dead, k (1 − m) + signalled) (0 … 1], m the fleet's share, k by evidence from
        `STRENGTHS`; 1 (a signal is not counted on) while the whole fleet has fewer than 20 ends. Slow response makes deaths
        of signals, so the share holds the firm's real response time.

    Notes
    -----
    Section 6 of the project's battery model lets a stratum speak for itself from 20 ends on; its bound then lies a quarter
    above its share, and the achieved risk as far below the policy. Strata of one firm are alike; how much, the
    beta-binomial evidence of all strata says: Σ ln B(k m + D, k (1 − m) + S) − ln B(k m, k (1 − m)).
    """
    dead = np.maximum(np.atleast_1d(np.asarray(n_dead, dtype=np.int64)), 0)
    signalled = np.maximum(np.atleast_1d(np.asarray(n_signalled, dtype=np.int64)), 0)
    if int(dead.sum() + signalled.sum()) < MIN_EVIDENCE:
        return np.ones(dead.shape)
    mean = (1.0 + dead.sum()) / (2.0 + dead.sum() + signalled.sum())
    a, b = STRENGTHS[:, np.newaxis] * mean, STRENGTHS[:, np.newaxis] * (1.0 - mean)
    evidence = np.sum(betaln(a + dead, b + signalled) - betaln(a, b), axis=1)
    evidence -= 0.5 * ((np.log(STRENGTHS) - LN_STRENGTH) / LN_STRENGTH_SD) ** 2
    k = STRENGTHS[np.argmax(evidence)]
    return np.asarray(betaincinv(k * mean + dead, k * (1.0 - mean) + signalled, DEAD_SHARE_LEVEL))


def fleet_limits(
    fit: Fit,
    p_dead: ArrayLike,
    p_call: ArrayLike,
    dead_share: ArrayLike,
    floor_share: float = FLOOR_SHARE,
    min_ends: int = MIN_ENDS,
) -> Limits:
    """Turn the policies of all duty classes into exposure limits of all strata.

    Parameters
    ----------
    fit : Fit
        What is known of every stratum.
    p_dead, p_call : array, (n_classes,)
        Share that may die in service unannounced, and share that may end in service at all [0 < p < 1].
    dead_share : array, (n_strata,)
        See `dead_shares`; (0 … 1].
    floor_share : float
        The limit never goes below this share of the median life [0 … 1] …
    min_ends : int
        … in strata with so many ended lives. Below it a low limit comes from ignorance, and caution is right.

    Returns
    -------
    Limits
        q = min(p_call, p_dead / dead share); u by F(u) = q. For a lot: u · factor (`lots.judge_lots`).

    Raises
    ------
    ValueError
        If a policy or a share is out of range.
    """
    dead, call, share = (np.atleast_1d(np.asarray(x, dtype=np.float64)) for x in (p_dead, p_call, dead_share))
    if not bool(np.all((dead > 0) & (dead <= call) & (call < 1))):
        raise ValueError("A risk policy needs 0 < p_dead ≤ p_call < 1.")
    if not bool(np.all((share > 0) & (share <= 1))):
        raise ValueError("The share of unannounced ends must lie above 0 and not above 1.")
    q = np.minimum(call, dead / share[:, np.newaxis])
    u = fit.quantile(q)
    floor = np.where(np.asarray(fit.n_ends) >= min_ends, floor_share * fit.quantile(0.5), 0.0)[:, np.newaxis]
    return Limits(q, np.maximum(u, floor), u >= floor)
