"""A battery that is kept alive must become due and stay due, although every night's fit learns from its survival.

Acceptance 5 of the project's battery model. `tests/maintenance/rules/test_due.py` proves it of the dates under a fixed limit;
here the limit itself is learnt anew, and the survivor is among the data.
"""

from __future__ import annotations

import numpy as np
import pytest

from maintenance.rules.battery.fleet import Batteries, FleetFit, Strata, fit_fleet
from maintenance.rules.battery.limits import fleet_limits
from maintenance.rules.battery.lots import judge_lots

P_DEAD, P_CALL = [0.01, 0.03, 0.06], [0.10, 0.15, 0.25]


def limits_of(fit: FleetFit, dead_share: float) -> np.ndarray:
    """Limits of stratum 0 in the three duty classes."""
    return fleet_limits(fit, P_DEAD, P_CALL, [dead_share] * len(fit.beta)).u[0]


def due_and_stays_due(u: np.ndarray, limits: np.ndarray) -> bool:
    is_due = u[:, None] >= limits
    first = is_due.argmax(axis=0)
    return bool(is_due.any(axis=0).all()) and all(is_due[first[k] :, k].all() for k in range(is_due.shape[1]))


@pytest.mark.parametrize("dead_share", [1.0, 0.15])
def test_one_that_outlives_a_fleet_under_its_limit(dead_share: float) -> None:
    # 40 devices are changed at the limit of security; one is forgotten and never ends.
    rng = np.random.default_rng(12)
    n, eta, beta, step = 40, 1.1, 7.0, 0.05
    life, u = eta * rng.weibull(beta, n), rng.uniform(0, 0.3, n)
    life[0], done = np.inf, [np.zeros((0, 2))]
    limit, forgotten, history = 0.3, [], []
    for _ in range(70):
        u += step * np.concatenate([[1.0], rng.uniform(0.7, 1.3, n - 1)])
        ended = np.flatnonzero(u >= life)
        out = np.flatnonzero((u >= limit) & (u < life) & (np.arange(n) > 0))
        done += [np.column_stack([life[ended], np.ones(len(ended))]), np.column_stack([u[out], np.zeros(len(out))])]
        gone = np.concatenate([ended, out])
        u[gone], life[gone] = 0.0, eta * rng.weibull(beta, len(gone))
        past = np.concatenate(done)
        up = u > 0
        cells = Batteries.of(
            stratum=0, end_u=np.append(past[:, 0], u[up]),
            is_end=np.append(past[:, 1] > 0, np.zeros(int(up.sum()), dtype=bool)), lot=0,
        )  # fmt: skip
        fit = fit_fleet(cells, Strata.alike(1))
        limits = limits_of(fit, dead_share) * judge_lots(cells, fit, 1).factor[0]
        limit = float(limits[1])
        forgotten.append(u[0])
        history.append(limits)
    assert forgotten[-1] > 3.0
    assert due_and_stays_due(np.array(forgotten), np.array(history))


@pytest.mark.parametrize("n", [1, 2, 5])
def test_a_few_that_nobody_ever_changes(n: int) -> None:
    # Nothing ever ends, nothing else is known, no signal is counted on: the catalogue's doubt alone makes them due.
    u = np.linspace(0.05, 4.0, 40)
    limits = [limits_of(fit_fleet(Batteries.of(stratum=0, end_u=[x] * n), Strata.alike(1)), 1.0) for x in u]
    assert due_and_stays_due(u, np.array(limits))
