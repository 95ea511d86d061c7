"""Battery lives: maximum likelihood and our posterior for one set of data, for anyone who wants to check our numbers.

Use::

    python -m tests.checks.survival FILE.json

FILE holds one case: {"time": […], "event": [0/1 …], "entry": […], "lower": […], "scaled_by": s}. "entry" may be left out
(all seen from new), and so may "lower", the left end of the interval in which a life ended (null where it is known).
Times, entries and lowers are divided by scaled_by (1 if left out) before the fit.

Prints JSON: `shape`, `scale`, `loglik` of the maximum-likelihood fit in those scaled units (null, with a `reason`, where
there is none); `u_1`, `u_5`, `u_10`, `u_50` (exposure by which so many per cent have ended), `S_half`, `S_one` (chance to
outlast 0.5 and 1) and `formula2` (chance that a battery among the data that is alive at 0.8 ends within 0.1) under the
default prior. A file that cannot be ends with code 2.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from maintenance.rules.battery.gammas import FINE
from maintenance.rules.battery.posterior import Lives, learn
from tests.checks.weibull_mle import FloatArray, NoMaximum, Records, fit

LARGEST = 1e100


def read(text: str) -> Records:
    """Read a case in scaled units; a ValueError says what cannot be."""
    try:
        case = json.loads(text)
    except ValueError as problem:
        raise ValueError(f"This is not JSON: {problem}.") from None
    except RecursionError:
        raise ValueError("The file must hold one case, not brackets within brackets without end.") from None
    if not isinstance(case, dict) or not {"time", "event"} <= set(case):
        raise ValueError('The file must hold one case: an object with "time" and "event".')
    scale = case.get("scaled_by", 1)
    if isinstance(scale, bool) or not isinstance(scale, int | float) or not 1 / LARGEST < scale < LARGEST:
        raise ValueError('"scaled_by" must be a number above 0, and no greater than can be reckoned with.')
    end = _column(case, "time", None) / scale
    event = _column(case, "event", len(end))
    if not np.all((event == 0) | (event == 1)):
        raise ValueError('"event" may hold 0 (still alive) and 1 (ended) only.')
    entry = _column(case, "entry", len(end)) / scale if case.get("entry") is not None else np.zeros(len(end))
    lower = _column(case, "lower", len(end), may_lack=True) / scale if case.get("lower") is not None else None
    records = Records(entry, end, event > 0, np.full(len(end), np.nan) if lower is None else lower)
    _refuse_nonsense(records)
    return records


def _column(case: dict[str, Any], name: str, length: int | None, *, may_lack: bool = False) -> FloatArray:
    values = case[name]
    if not isinstance(values, list):
        raise ValueError(f'"{name}" must be a list of numbers.')
    for number, value in enumerate(values):
        if value is None and may_lack:
            continue
        if not isinstance(value, int | float) or (isinstance(value, bool) and name != "event"):
            raise ValueError(f'"{name}" holds something that is not a number at place {number}: {value!r}.')
        if not -LARGEST < value < LARGEST:
            raise ValueError(f'"{name}" holds a number beyond all bounds at place {number}.')
    if length is not None and len(values) != length:
        raise ValueError(f'"{name}" has {len(values)} values, "time" has {length}.')
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def _refuse_nonsense(records: Records) -> None:
    problems = {
        "a time below 0": records.end < 0,
        "an entry below 0": records.entry < 0,
        "an entry after its time": records.entry > records.end,
        "an end at or before its entry": records.is_end & (records.end <= records.entry),
        '"lower" outside entry … time': records.is_end
        & ((records.lower < records.entry) | (records.lower > records.end)),
        '"lower" above time, though still alive,': ~records.is_end & (records.lower > records.end),
    }
    for text, where in problems.items():
        if np.any(where):
            raise ValueError(f"There is {text} at place {int(np.flatnonzero(where)[0])}.")


def worked(records: Records) -> dict[str, float | str | None]:
    """Fit both ways."""
    answer: dict[str, float | str | None] = {}
    try:
        best = fit(records)
        answer |= {"shape": best.shape, "scale": best.scale, "loglik": best.loglik}
    except NoMaximum as problem:
        answer |= {"shape": None, "scale": None, "loglik": None, "reason": str(problem)}
    # Seen only at one moment: nothing is known of its life.
    seen = records.end > records.entry
    lives = Lives(records.end[seen], records.entry[seen], records.is_end[seen], records.lower[seen])
    posterior = learn(lives, mixture=FINE)
    answer |= {f"u_{p}": posterior.quantile(p / 100) for p in (1, 5, 10, 50)}
    # A mixture's weights add up to 1 but for rounding.
    answer |= {name: min(float(posterior.survival(u)), 1.0) for name, u in (("S_half", 0.5), ("S_one", 1.0))}
    answer["formula2"] = posterior.chance_ahead(0.8, 0.1)
    return answer


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.checks.survival", description=__doc__.split("\n")[0])
    parser.add_argument("file", type=Path, help="one case as JSON")
    asked = parser.parse_args(arguments)
    try:
        found = worked(read(asked.file.read_text(encoding="utf-8-sig")))
    except (OSError, UnicodeDecodeError, ValueError) as problem:
        print(problem, file=sys.stderr)
        return 2
    print(json.dumps(found, indent=2))
    return 0


if __name__ == "__main__":
    sys.exit(main())
