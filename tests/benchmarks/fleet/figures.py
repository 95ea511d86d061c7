"""What a run achieved, per duty class and window of years."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.benchmarks.fleet.stepping import Rows
from tests.benchmarks.fleet.worlds import YEAR, BoolArray, FloatArray, IntArray

N_CLASSES = 3


@dataclass(frozen=True, slots=True)
class Tally:
    """Batteries finished in a window, counted per duty class (arrays of 3).

    `finished` are those fitted by us and not ended by a defect: what a limit speaks of. `replaced` are all cells used up.
    `ends` and `dead` are wear only; `defects` come on top. `used_days` over `life_days` is the share of life used.
    """

    finished: IntArray
    replaced: IntArray
    ends: IntArray
    dead: IntArray
    defects: IntArray
    used_days: FloatArray
    life_days: FloatArray

    def __add__(self, other: Tally) -> Tally:
        return Tally(*(getattr(self, name) + getattr(other, name) for name in Tally.__slots__))

    @property
    def ends_share(self) -> FloatArray:
        """Share that ended before its change."""
        return self.ends / np.maximum(self.finished, 1)

    @property
    def dead_share(self) -> FloatArray:
        """Share that died in service."""
        return self.dead / np.maximum(self.finished, 1)

    @property
    def life_used(self) -> FloatArray:
        """Share of the lives used up to the change."""
        return self.used_days / np.maximum(self.life_days, 1e-9)


def tally(rows: Rows, from_year: float, to_year: float, *, is_cohort: bool = False) -> Tally:
    """Count what was finished (or, as a cohort, fitted) in a window of years."""
    when = rows.fitted_day if is_cohort else rows.removed_day
    window = (when >= from_year * YEAR) & (when < to_year * YEAR)
    ours = rows.fitted_day >= 0.0
    defect = rows.is_ended & rows.is_other
    counted = window & ours & ~defect
    used = np.minimum(rows.removed_day, rows.end_day) - rows.fitted_day

    def per_class(mask: BoolArray, weight: FloatArray | None = None) -> Any:
        return np.bincount(rows.duty[mask], None if weight is None else weight[mask], minlength=N_CLASSES)

    return Tally(
        finished=per_class(counted),
        replaced=per_class(window),
        ends=per_class(counted & rows.is_ended),
        dead=per_class(counted & rows.is_dead),
        defects=per_class(window & ours & defect),
        used_days=per_class(counted, used),
        life_days=per_class(counted, rows.end_day - rows.fitted_day),
    )
