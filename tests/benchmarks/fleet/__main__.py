"""The command line: `python -m tests.benchmarks.fleet --world weibull --seed 1`."""

from __future__ import annotations

import argparse
import json
import sys
from functools import reduce
from operator import add

from tests.benchmarks.fleet.worlds import WORLDS


def options(arguments: list[str]) -> argparse.Namespace:
    """Read the command line."""
    p = argparse.ArgumentParser(
        prog="python -m tests.benchmarks.fleet",
        description="Simulated fleets under the product's due-date policy, against an oracle that knows each stratum.",
    )
    p.add_argument("--list", action="store_true", help="name the worlds and stop")
    p.add_argument("--world", choices=[*WORLDS, "all"], default="weibull")
    p.add_argument("--years", type=float, default=16.0)
    p.add_argument("--devices", type=int, default=6000)
    p.add_argument("--strata", type=int, default=30)
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--seeds", help="several, as a-b; the figures are those of all together")
    p.add_argument("--signals", action=argparse.BooleanOptionalAction, default=True, help="low-battery signals exist")
    p.add_argument("--limits", default=".01,.05,.10", help="p_dead of the three duty classes")
    p.add_argument("--calls", help="p_call of the three; as a rule 10 · p_dead, at most 0.6, so that p_dead decides")
    p.add_argument(
        "--early-days", type=float, default=0.0, help="a visit takes along what falls due within so many days"
    )
    p.add_argument("--late-days", type=float, default=0.0, help="a site's visit comes up to so many days late")
    p.add_argument("--company", type=int, help="one small firm of so many devices, and a twentieth as many strata")
    p.add_argument("--learn-prior", action=argparse.BooleanOptionalAction, default=True)
    p.add_argument("--learn-multiplier", action=argparse.BooleanOptionalAction, default=True)
    p.add_argument("--receding", action="store_true", help="only the check that the date of a survivor does not recede")
    p.add_argument("--json", action="store_true", help="one line of JSON per seed")
    return p.parse_args(arguments)


def main(arguments: list[str]) -> None:
    """Run what was asked for."""
    asked = options(arguments)
    if asked.list:
        for name, world in WORLDS.items():
            print(f"{name:<16} {world.about}")
        return
    if asked.receding:
        from tests.benchmarks.fleet.receding import main as receding

        receding()
        return
    for name in WORLDS if asked.world == "all" else [asked.world]:
        _run_world(name, asked)


def _run_world(world: str, asked: argparse.Namespace) -> None:
    from tests.benchmarks.fleet.bench import Setup, as_json, lines_of, one_seed
    from tests.benchmarks.fleet.stepping import Rounds

    limits = tuple(float(x) for x in asked.limits.split(","))
    calls = tuple(float(x) for x in asked.calls.split(",")) if asked.calls else tuple(min(10 * p, 0.6) for p in limits)
    setup = Setup(
        world=world,
        years=asked.years,
        devices=asked.company or asked.devices,
        strata=max(3, asked.company // 20) if asked.company else asked.strata,
        has_signals=asked.signals,
        p_dead=limits,
        p_call=calls,
        rounds=Rounds(asked.early_days, asked.late_days),
        learn_prior=asked.learn_prior,
        learn_multiplier=asked.learn_multiplier,
    )
    first, last = (int(x) for x in asked.seeds.split("-")) if asked.seeds else (asked.seed, asked.seed)
    results = {seed: one_seed(setup, seed) for seed in range(first, last + 1)}
    if asked.json:
        for seed, result in results.items():
            print(json.dumps(as_json(setup, seed, result)), flush=True)
        return
    signals = "with signals" if setup.has_signals else "without signals"
    print(
        f"{world}, {setup.devices} devices, {setup.strata} strata, {setup.years:g} years, seed {first}–{last}, {signals}"
    )
    print(*lines_of(setup, reduce(add, results.values())), sep="\n", end="\n\n", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
