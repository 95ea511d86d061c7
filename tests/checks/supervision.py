"""How often a supervision window cries wolf, for anyone who wants to check our numbers.

Use::

    python -m tests.checks.supervision --p 0.1 --misses 3 --checkins 8766
    python -m tests.checks.supervision --gilbert 0.05,10,0.01,0.8 --misses 6 --checkins 2000

Prints JSON: `per_checkin` (new faults per check-in in the long run), `expected` and `at_least_one` (in so many check-ins with
no loss behind them), `mean_to_first` (check-ins; null where no fault can happen). With --p that is the same as after a received
one; with --gilbert the path starts good or bad by its long-run shares, which a received check-in would shift towards good.
Values that cannot be end with code 2.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Sequence
from dataclasses import asdict

from devices.rules.nuisance import Gilbert, Nuisance, by_chance, in_bursts


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(prog="python -m tests.checks.supervision", description=__doc__.split("\n")[0])
    losses = made.add_mutually_exclusive_group(required=True)
    losses.add_argument("--p", type=float, help="chance that a check-in is lost, each by itself (0 to 1)")
    losses.add_argument(
        "--gilbert",
        metavar="LOSS,BURST,LOSS_GOOD,LOSS_BAD",
        help="overall loss, mean bad spell in check-ins, loss while good, loss while bad; starts by the long-run shares",
    )
    made.add_argument("--misses", type=int, required=True, help="check-ins lost in a row that make a fault")
    made.add_argument("--checkins", type=int, required=True, help="check-ins to look at, with no loss behind them")
    return made


def worked(asked: argparse.Namespace) -> Nuisance:
    """Work out what was asked; a ValueError says what cannot be."""
    if asked.p is not None:
        return by_chance(asked.p, asked.misses, asked.checkins)
    numbers = asked.gilbert.split(",")
    if len(numbers) != 4:
        raise ValueError("--gilbert takes four numbers: loss,burst,loss_good,loss_bad.")
    return in_bursts(Gilbert(*(_number(text) for text in numbers)), asked.misses, asked.checkins)


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise ValueError(f"Not a number: {text.strip()!r}.") from None


def main(arguments: Sequence[str] | None = None) -> int:
    asked = parser().parse_args(arguments)
    try:
        found = asdict(worked(asked))
    except ValueError as problem:
        print(problem, file=sys.stderr)
        return 2
    except OverflowError:
        print("That is more check-ins than can be reckoned with.", file=sys.stderr)
        return 2
    print(json.dumps({name: value if math.isfinite(value) else None for name, value in found.items()}))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
