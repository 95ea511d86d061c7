"""How much of a battery's charge may be used before it must be changed: risk policy → planning probability → exposure limit."""

from __future__ import annotations

from dataclasses import dataclass

from scipy.special import betaincinv

from maintenance.rules.battery.posterior import Posterior


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


def dead_share_upper(n_found_dead: int, n_signalled: int, *, level: float, min_evidence: int) -> float:
    """Bound the share of ended lives that die unannounced from above.

    Parameters
    ----------
    n_found_dead, n_signalled : int
        Ends seen so far: found dead, and changed after a low-battery signal in time.
    level : float
        Level of the upper bound [0 < level < 1], 0.9 in the project's battery model.
    min_evidence : int
        Ends below which nothing is concluded.

    Returns
    -------
    float
        Upper quantile of Beta(1 + dead, 1 + signalled); 1 without enough evidence: then a signal is not counted on.

    Raises
    ------
    ValueError
        If a count is negative.
    """
    if n_found_dead < 0 or n_signalled < 0:
        raise ValueError("Counts of ended batteries cannot be negative.")
    if n_found_dead + n_signalled < min_evidence:
        return 1.0
    return float(betaincinv(1 + n_found_dead, 1 + n_signalled, level))


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


def exposure_limit(
    posterior: Posterior, policy: RiskPolicy, *, dead_share: float = 1.0, floor_share: float, min_ends: int
) -> Limit:
    """Turn a policy into an exposure limit for one stratum.

    Parameters
    ----------
    posterior : Posterior
        What is known about the stratum.
    policy : RiskPolicy
        The firm's choice for the duty class.
    dead_share : float
        See `planning_probability`.
    floor_share : float
        The limit never goes below this share of the median life [0 … 1], because failures that have nothing to do with
        wear are not prevented by changing earlier.
    min_ends : int
        Ended lives from which the floor applies. Below it a low limit comes from ignorance, and caution is right.

    Returns
    -------
    Limit
        Planning probability and exposure; `is_reachable` is False where the floor was used.
    """
    q = planning_probability(policy, dead_share)
    u = posterior.quantile(q)
    if posterior.n_ends >= min_ends:
        floor = floor_share * posterior.quantile(0.5)
        if u < floor:
            return Limit(q, floor, False, posterior.n_ends)
    return Limit(q, u, True, posterior.n_ends)
