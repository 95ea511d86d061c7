"""How long the mathematics of a night takes, and how much memory: no database, one process.

Use::

    python -m tests.benchmarks.battery_speed [--runs 3]

World: 500 strata with ln η ~ N(0, 0.2) and β about 7; batteries looked at below 0.9 of exposure (about 9 % ended), a fifth entered
late, sleep shares between 0.2 and 0.9; strata belong to 40 transmitter models, one in five without counted activations. A
night = fit with fleet prior and sleep multipliers, limits for three duties and four published points, and for every battery the
corrected exposure, ends expected so far, chance of the next 90 days. Each size runs in a process of its own, so that the
peak of memory is its own. Wanted (battery model, section 12.9): a million × 500 within 10 s and 1 GB; 10,000 × 500 within 2 s;
the same answers whatever the chunks and the order of rows (1e-9).

CPU seconds are those of the process (a loaded machine stretches the clock, hardly the CPU time).
"""

from __future__ import annotations

import argparse
import json
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from maintenance.rules.battery.fleet import Batteries, FleetFit, Strata, fit_fleet

N_STRATA = 500


def world(n: int, wide_share: float, seed: int = 1) -> tuple[Batteries, Strata]:
    """Make the batteries; `wide_share` of the ends are known only as intervals of up to 0.3."""
    rng = np.random.default_rng(seed)
    stratum = rng.integers(0, N_STRATA, n)
    eta = np.exp(rng.normal(0, 0.2, N_STRATA))
    beta = 7 * np.exp(rng.normal(0, 0.3, N_STRATA))
    life = eta[stratum] * rng.weibull(beta[stratum])
    look = rng.uniform(0, 0.9, n)
    end = np.minimum(life, look)
    entry = np.where(rng.random(n) < 0.2, 0.3 * end, 0.0)
    is_wide = (life < look) & (rng.random(n) < wide_share)
    lower = np.where(is_wide, np.maximum(end - rng.uniform(0.06, 0.3, n), entry), np.nan)
    batteries = Batteries.of(stratum, end, entry, life < look, lower, rng.uniform(0.2, 0.9, n))
    return batteries, Strata(N_STRATA, np.arange(N_STRATA) % 40, np.arange(N_STRATA) % 5 > 0)


def night(batteries: Batteries, strata: Strata, chunk_cells: int | None = None) -> tuple[dict[str, float], np.ndarray]:
    """Do a night's computation; give CPU seconds by part, and some answers to compare."""
    seconds: dict[str, float] = {}

    def timed(name: str, what: Callable[[], Any]) -> Any:
        began = time.process_time()
        answer = what()
        seconds[name] = time.process_time() - began
        return answer

    fit: FleetFit = timed("fit", lambda: fit_fleet(batteries, strata))
    if chunk_cells:
        fit = replace(fit, chunk_cells=chunk_cells)
    limits = timed("limits", lambda: fit.quantile(np.tile([0.01, 0.03, 0.06, 0.01, 0.05, 0.1, 0.5], (strata.n, 1))))
    u = timed("corrected", lambda: fit.scaled(batteries.stratum, batteries.end_u, batteries.sleep_share))
    entry = fit.scaled(batteries.stratum, batteries.entry_u, batteries.sleep_share)
    late = np.flatnonzero(entry > 0)
    expected = timed("expected", lambda: fit.cumulated(batteries.stratum, u))
    timed("expected at entry", lambda: fit.cumulated(batteries.stratum[late], entry[late]))
    ahead = timed("chance ahead", lambda: fit.chance_ahead(batteries.stratum, u, 0.06))
    seconds["all"] = sum(seconds.values())
    return seconds, np.concatenate([limits.ravel(), expected, ahead])


def one(n: int, wide_share: float) -> None:
    """Run one size in this process and print its figures as JSON."""
    batteries, strata = world(n, wide_share)
    seconds, _ = night(batteries, strata)
    peak_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(json.dumps({"seconds": seconds, "peak_gb": peak_gb, "n_ends": int(np.count_nonzero(batteries.is_end))}))


def same_answers(n: int = 50_000) -> float:
    """Give the greatest relative difference that chunks and order of rows make."""
    batteries, strata = world(n, 0.1)
    _, plain = night(batteries, strata)
    order = np.random.default_rng(0).permutation(n)
    _, cut = night(batteries.subset(order), strata, chunk_cells=20_000)
    n_limits = len(plain) - 2 * n
    back = np.argsort(order)
    cut = np.concatenate([cut[:n_limits], cut[n_limits : n_limits + n][back], cut[n_limits + n :][back]])
    scale = np.maximum(np.abs(plain), 1e-12)
    return float(np.max(np.abs(cut - plain) / scale))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--one", nargs=2, metavar=("N", "WIDE"), help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.one:
        one(int(asked.one[0]), float(asked.one[1]))
        return
    print(f"{N_STRATA} strata; CPU seconds, median of {asked.runs}")
    for n, wide_share in ((1_000_000, 0.0), (10_000, 0.0), (100_000, 0.5), (1_000_000, 0.5)):
        command = [sys.executable, "-m", "tests.benchmarks.battery_speed", "--one", str(n), str(wide_share)]
        runs = [
            json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
            for _ in range(asked.runs)
        ]
        parts = {k: statistics.median(run["seconds"][k] for run in runs) for k in runs[0]["seconds"]}
        peak = max(run["peak_gb"] for run in runs)
        text = ", ".join(f"{k} {v:.2f}" for k, v in parts.items())
        print(
            f"{n} batteries, {runs[0]['n_ends']} ended, {wide_share:.0%} of them wide intervals: {text}; peak {peak:.2f} GB",
            flush=True,
        )
    print(f"greatest relative difference by chunks and order: {same_answers():.1e}")


if __name__ == "__main__":
    main()
