"""The date of a battery that is artificially kept alive must arrive and stay arrived: `--receding`.

The due date is the day on which the exposure reaches the limit, and the survivor itself is among the data: its survival makes
the limit rise a little at every fit. Were the date drawn from the chance of failing from today on, it would recede for ever.
"""

from __future__ import annotations

import numpy as np

from maintenance.rules.battery.fleet import Batteries, Strata, fit_fleet
from tests.benchmarks.fleet.worlds import FloatArray

PROBABILITIES = np.array([0.01, 0.05, 0.10, 0.25, 0.40, 0.60])


def limits_as_it_lives_on(u: FloatArray, others: Batteries | None = None) -> FloatArray:
    """Give the limits after each exposure that a battery of stratum 0 has survived, (len(u), probabilities)."""
    out = np.empty((len(u), len(PROBABILITIES)))
    strata = Strata.alike(1)
    for k, reached in enumerate(u):
        alone = Batteries.of([0], [reached])
        if others is not None:
            alone = Batteries.of(
                np.append(others.stratum, 0),
                np.append(others.end_u, reached),
                np.append(others.entry_u, 0.0),
                np.append(others.is_end, False),
            )
        out[k] = fit_fleet(alone, strata).quantile(PROBABILITIES[np.newaxis, :])[0]
    return out


def recedes(u: FloatArray, limit: FloatArray) -> bool:
    """Tell whether a battery that has become due is ever not due again, or never becomes due."""
    is_due = u >= limit
    return not bool(is_due[-1]) or bool(np.any(is_due[:-1] & ~is_due[1:]))


def main() -> None:
    """Keep a battery alive up to four catalogue lives: alone in its stratum, and among a hundred others."""
    u = np.arange(0.02, 4.0, 0.02)
    rng = np.random.default_rng(5)
    lives = rng.weibull(8.0, 100)
    limit = 0.8
    others = Batteries.of(np.zeros(100, dtype=np.int64), np.minimum(lives, limit), 0.0, lives < limit)
    for name, company in (("alone", None), ("among a hundred", others)):
        limits = limits_as_it_lives_on(u, company)
        for k, q in enumerate(PROBABILITIES):
            is_due = u >= limits[:, k]
            verdict = "RECEDES" if recedes(u, limits[:, k]) else "becomes due and stays due"
            first = f"due at exposure {u[np.argmax(is_due)]:.2f}" if is_due.any() else "never due"
            print(f"{name:<16} q {q:.0%}: {verdict}; {first}, limit at the end {limits[-1, k]:.2f} of {u[-1]:.2f}")
