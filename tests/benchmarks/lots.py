"""How soon are bad lots found, and how many good ones are wronged? A simulated fleet under the limit policy, night after night.

Use::

    python -m tests.benchmarks.lots --years 16 --devices 6000 --strata 30 --seeds 2

The world: each stratum has Weibull lives with ln β ~ N(ln 8, 0.2) and ln η ~ N(0, 0.15), 1 being the catalogue's life; devices
use up one catalogue life in 4 years on average, with sd 0.25 of ln rate between devices. Devices are put up over the first
two years. Cells come from deliveries of 5–15, 15–50 or 50–150 sets, a third of the deliveries each, used one after the other;
8 % of the deliveries have half the life. A third of the devices each may end before their change in 1, 5 or 10 % of cases.
Ends are seen on the day; a change happens on the day it is due (steps of 15 days). The fleet is fitted every 90 days and
lots are judged every 15 days by the last fit. `--device-sd 0.2` gives each device a hidden factor on its lives; `--eta 0.5` makes
the catalogue's life twice the true one.

Prints, by size of lot: good lots that were ever flagged; half-life lots that were flagged, of those that either were flagged or
of which everything has come out or 20 % had failed; share of the lot failed at its flag; share flagged before 20 % had failed.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from maintenance.rules.battery.fleet import Batteries, Strata, fit_fleet
from maintenance.rules.battery.lots import Lots, health, judge_lots

STEP_DAYS = 15
REFIT_STEPS = 6
SIZES = ((5, 15), (15, 50), (50, 150))
LIMIT_Q = (0.01, 0.05, 0.10)
TOO_LATE = 0.2


@dataclass
class Deliveries:
    """Lots of all strata: which are bad, and what came of them."""

    rng: np.random.Generator
    bad_share: float
    factor: float
    stratum: list[int] = field(default_factory=list)
    is_bad: list[bool] = field(default_factory=list)
    size: list[int] = field(default_factory=list)
    left: dict[int, tuple[int, int]] = field(default_factory=dict)

    def take(self, stratum: int) -> int:
        """Take one set of cells of a stratum; a new delivery is opened when the last one is used up."""
        lot, left = self.left.get(stratum, (-1, 0))
        if left == 0:
            low, high = SIZES[self.rng.integers(len(SIZES))]
            lot, left = len(self.size), int(self.rng.integers(low, high))
            self.stratum.append(stratum)
            self.is_bad.append(bool(self.rng.random() < self.bad_share))
            self.size.append(left)
        self.left[stratum] = (lot, left - 1)
        return lot


class World:
    """The fleet from its first day; `run` lets the years pass."""

    def __init__(
        self, seed: int, *, n_devices: int, n_strata: int, bad_share: float, factor: float, device_sd: float, eta: float
    ) -> None:
        self.rng = np.random.default_rng(seed)
        self.n_strata = n_strata
        self.stratum = self.rng.integers(n_strata, size=n_devices)
        self.beta = np.exp(self.rng.normal(np.log(8.0), 0.2, n_strata))
        self.eta = np.exp(self.rng.normal(np.log(eta), 0.15, n_strata))
        self.hidden = np.exp(self.rng.normal(0.0, device_sd, n_devices))
        self.rate = np.exp(self.rng.normal(0.0, 0.25, n_devices)) / (4 * 365.25)
        self.duty = self.rng.integers(len(LIMIT_Q), size=n_devices)
        self.begin_step = self.rng.integers(int(2 * 365.25 / STEP_DAYS), size=n_devices)
        self.lots = Deliveries(self.rng, bad_share, factor)
        self.u = np.full(n_devices, np.nan)
        self.life = np.full(n_devices, np.nan)
        self.lot = np.full(n_devices, -1)
        self.done: list[tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]] = []
        self.flagged: dict[int, float] = {}
        self.too_late: set[int] = set()
        self.risk = np.zeros((len(LIMIT_Q), 2), dtype=np.int64)
        self.health = (float("nan"), float("nan"))

    def fit_cells(self, device: np.ndarray) -> None:
        """Put new cells into devices."""
        for i in device:
            self.lot[i] = self.lots.take(int(self.stratum[i]))
        weak = np.where(np.array(self.lots.is_bad)[self.lot[device]], self.lots.factor, 1.0)
        s = self.stratum[device]
        self.life[device] = (
            self.eta[s] * weak * self.hidden[device] * self.rng.weibull(1.0, len(device)) ** (1.0 / self.beta[s])
        )
        self.u[device] = 0.0

    def batteries(self) -> Batteries:
        """All cells so far, ended or in service."""
        up = np.flatnonzero(self.u > 0)
        parts = [*self.done, (self.stratum[up], self.u[up], np.zeros(len(up), dtype=bool), self.lot[up])]
        stratum, u, is_end, lot = (np.concatenate(column) for column in zip(*parts, strict=True))
        self.done = [tuple(column[: len(stratum) - len(up)] for column in (stratum, u, is_end, lot))]  # type: ignore[list-item]
        return Batteries.of(stratum=stratum, end_u=u, is_end=is_end, lot=lot)

    def take_out(self, device: np.ndarray, u: np.ndarray, is_end: bool) -> None:
        self.done.append((self.stratum[device], u, np.full(len(device), is_end), self.lot[device].copy()))

    def run(self, n_steps: int) -> None:
        strata = Strata.alike(self.n_strata)
        fit, limit, factor = None, np.full((self.n_strata, len(LIMIT_Q)), np.nan), np.ones(0)
        for step in range(n_steps):
            self.fit_cells(np.flatnonzero(self.begin_step == step))
            self.u += self.rate * STEP_DAYS
            failed = np.flatnonzero(self.u >= self.life)
            self.take_out(failed, self.life[failed], True)
            if not len(self.lots.size):
                continue
            known = self.batteries_after(failed)
            if fit is None or step % REFIT_STEPS == 0:
                fit = fit_fleet(known, strata)
                limit = fit.quantile(np.tile(LIMIT_Q, (self.n_strata, 1)))
            lots = judge_lots(known, fit, len(self.lots.size))
            self.note(lots)
            factor = lots.factor
            ready = (self.u >= limit[self.stratum, self.duty] * factor[np.maximum(self.lot, 0)]) & (self.u < self.life)
            out = np.flatnonzero(ready)
            self.take_out(out, self.u[out], False)
            for c in range(len(LIMIT_Q)):
                self.risk[c] += np.count_nonzero(self.duty[failed] == c), np.count_nonzero(self.duty[out] == c)
            self.fit_cells(np.concatenate([failed, out]))
            self.health = health(lots), health(lots, is_left_out=lots.is_suspect)

    def batteries_after(self, failed: np.ndarray) -> Batteries:
        """Cells known tonight: those that failed today are among the ended ones already."""
        held = self.u[failed].copy()
        self.u[failed] = np.nan
        known = self.batteries()
        self.u[failed] = held
        return known

    def note(self, lots: Lots) -> None:
        """Keep the first flag of each lot, and whether a fifth of it had failed before."""
        share = lots.observed / np.maximum(lots.n_batteries, 1)
        for lot in np.flatnonzero(lots.is_suspect):
            self.flagged.setdefault(int(lot), float(share[lot]))
        for lot in np.flatnonzero((share >= TOO_LATE) & (lots.observed >= 2)):
            self.too_late.add(int(lot))


def judged(worlds: Sequence[World]) -> list[dict[str, float | str | int]]:
    """Count over all worlds, by size of lot."""
    rows: list[dict[str, float | str | int]] = []
    for low, high in (*SIZES, (15, 10**9)):
        good = wronged = bad = found = early = 0
        shares: list[float] = []
        for world in worlds:
            out = np.bincount(world.done[0][3], minlength=len(world.lots.size)) if world.done else np.zeros(0)
            for lot, size in enumerate(world.lots.size):
                if not low <= size < high:
                    continue
                is_flagged = lot in world.flagged
                if not world.lots.is_bad[lot]:
                    good, wronged = good + 1, wronged + is_flagged
                elif is_flagged or lot in world.too_late or out[lot] >= size:
                    bad, found = bad + 1, found + is_flagged
                    early += is_flagged and world.flagged[lot] < TOO_LATE
                    shares += [world.flagged[lot]] if is_flagged else []
        spread = np.quantile(shares, (0.1, 0.5, 0.9)).round(3).tolist() if shares else [float("nan")] * 3
        rows.append(
            {
                "size": f"{low}-{high - 1}" if high < 10**9 else f"{low}+",
                "good": good,
                "good_flagged_%": round(100 * wronged / max(good, 1), 2),
                "half_life": bad,
                "half_life_flagged_%": round(100 * found / max(bad, 1), 1),
                "before_20%_failed_%": round(100 * early / max(bad, 1), 1),
                "failed_at_flag_10/50/90": str(spread),
            }
        )
    return rows


def main(arguments: Sequence[str] | None = None) -> int:
    made = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    made.add_argument("--years", type=float, default=16)
    made.add_argument("--devices", type=int, default=6000)
    made.add_argument("--strata", type=int, default=30)
    made.add_argument("--seeds", type=int, default=2)
    made.add_argument("--bad-share", type=float, default=0.08)
    made.add_argument("--factor", type=float, default=0.5)
    made.add_argument("--device-sd", type=float, default=0.0, help="hidden sd of ln life between devices")
    made.add_argument("--eta", type=float, default=1.0, help="true life where the catalogue says 1")
    asked = made.parse_args(arguments)
    begun, worlds = time.perf_counter(), []
    for seed in range(asked.seeds):
        world = World(
            seed, n_devices=asked.devices, n_strata=asked.strata, bad_share=asked.bad_share, factor=asked.factor,
            device_sd=asked.device_sd, eta=asked.eta,
        )  # fmt: skip
        world.run(int(asked.years * 365.25 / STEP_DAYS))
        worlds.append(world)
    for row in judged(worlds):
        print(json.dumps(row))
    risk = sum(w.risk for w in worlds)
    print(json.dumps({"ended_before_change_%": (100 * risk[:, 0] / risk.sum(axis=1)).round(2).tolist(),
                      "spread_of_z_all_and_unsuspected": np.round([w.health for w in worlds], 2).tolist(),
                      "seconds": round(time.perf_counter() - begun, 1)}))  # fmt: skip
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
