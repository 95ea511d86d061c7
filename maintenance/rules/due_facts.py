"""What is known about each fitting, as columns: the input of the due-date rules.

Days are whole days since 1 January 2000 (`EPOCH`); a negative day means "not known".
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
DayArray = NDArray[np.int64]

EPOCH = date(2000, 1, 1)
UNKNOWN_DAY = -1
FAR_DAY = (date(2100, 1, 1) - EPOCH).days
"""No opinion. Later than any date worth planning for, and still a date that every data base and calendar knows."""

LIFE_SAFETY, SECURITY, CONVENIENCE = 0, 1, 2
CELLS, STANDBY, UNIT = 0, 1, 2


@dataclass(frozen=True, slots=True)
class FittingFacts:
    """What is known about each fitting, as equally long columns. Build it with `facts_table`.

    Parameters
    ----------
    kind : array of int
        0 cells of a transmitter, 1 standby battery of a receiver, 2 whole unit.
    fitted_day, entered_day, made_day : array of int
        Day of fitting, day our records begin, day the cells (or the unit) were made.
    since_day : array of int
        Start of the present settings; negative = since the fitting.
    u_before : array
        Exposure gathered before `since_day` [1].
    duty : array of int
        0 life safety, 1 security, 2 convenience.
    capacity_mah, usable_share, temperature_share : array
        Rated charge of the set [mAh], share usable down to cut-off, share at the place's temperature [0 … 1].
    self_discharge_per_year, temperature_c : array
        Loss at 20 °C [1/year], mean temperature [°C].
    sleep_ua, checkin_uas, interval_s, activation_uah : array
        Sleep current [µA], charge per check-in [µA·s], time between check-ins [s], charge per activation [µAh].
    measured_days, measured_activations, typical_activations_per_day : array
        Days with counts and activations counted since `since_day`, typical rate of the kind [1/day].
    u_limit, planning_probability : array
        Exposure limit and the share that has failed there, from `battery.limits`.
    is_reachable : array of bool
        False where the policy's risk cannot be met by earlier changes.
    n_ends : array of int
        Ended lives that the limit rests on.
    cap_days, unknown_age_days, shelf_life_days, unit_life_days : array of int
        Longest stay by the firm's rule, the same for unknown age, shelf life, life of a whole unit; negative = none.
    first_low_day, grace_days : array of int
        First low-battery report of this battery, days allowed after it.
    policy_grace_days : array of int
        Days that the firm's policy alone would allow; more than `grace_days` where batteries of the kind have died sooner
        after their reports. Negative = not known.
    contract_day : array of int
        Date agreed with the customer; negative = none.
    recall_day : array of int
        Day by which a recall wants it out; negative = not recalled.
    stratum : array of int
        Number of its kind in the fit in use; negative = none.
    is_measured : array of int
        1 activations are counted, 0 assumed; negative = whatever `measured_days` says.
    sleep_multiplier : array
        Learnt factor on what sleep and check-ins draw, against the catalogue [0 …]; `u_before` holds it already.
    lot_factor : array
        Life of its lot against its kind (0 … 1]; 1 = nothing is wrong with the lot.
    """

    kind: DayArray
    fitted_day: DayArray
    entered_day: DayArray
    made_day: DayArray
    since_day: DayArray
    u_before: FloatArray
    duty: DayArray
    capacity_mah: FloatArray
    usable_share: FloatArray
    temperature_share: FloatArray
    self_discharge_per_year: FloatArray
    temperature_c: FloatArray
    sleep_ua: FloatArray
    checkin_uas: FloatArray
    interval_s: FloatArray
    activation_uah: FloatArray
    measured_days: FloatArray
    measured_activations: FloatArray
    typical_activations_per_day: FloatArray
    u_limit: FloatArray
    planning_probability: FloatArray
    is_reachable: DayArray
    n_ends: DayArray
    cap_days: DayArray
    unknown_age_days: DayArray
    shelf_life_days: DayArray
    unit_life_days: DayArray
    first_low_day: DayArray
    grace_days: DayArray
    policy_grace_days: DayArray
    contract_day: DayArray
    recall_day: DayArray
    stratum: DayArray
    is_measured: DayArray
    sleep_multiplier: FloatArray
    lot_factor: FloatArray

    def __post_init__(self) -> None:
        shapes = {getattr(self, f.name).shape for f in fields(self)}
        if len(shapes) != 1 or len(next(iter(shapes))) != 1:
            raise ValueError("The columns of fitting facts must be one-dimensional and equally long.")

    def __len__(self) -> int:
        return int(self.fitted_day.shape[0])

    def row(self, index: int) -> FittingFacts:
        """Give one fitting as a table of one row."""
        return FittingFacts(**{f.name: getattr(self, f.name)[index : index + 1] for f in fields(self)})

    def rows(self, rows: DayArray) -> FittingFacts:
        """Give some of the fittings."""
        return FittingFacts(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})

    def plain_rows(self) -> Iterator[dict[str, float]]:
        """Give each fitting as a mapping of plain numbers, for words and for JSON."""
        names = [f.name for f in fields(self)]
        for values in zip(*(getattr(self, name).tolist() for name in names), strict=True):
            yield dict(zip(names, values, strict=True))


_DEFAULTS: dict[str, float] = {
    "kind": CELLS, "duty": LIFE_SAFETY, "u_before": 0.0, "temperature_share": 1.0, "temperature_c": 20.0, "measured_days": 0.0,
    "measured_activations": 0.0, "typical_activations_per_day": 0.0, "is_reachable": 1, "n_ends": 0, "grace_days": 0,
    "sleep_multiplier": 1.0, "lot_factor": 1.0,
}  # fmt: skip


def facts_table(n: int = 1, **columns: ArrayLike) -> FittingFacts:
    """Build facts from the columns that are known; the rest is "not known" (or neutral, such as 20 °C).

    Parameters
    ----------
    n : int
        Number of rows.
    columns : array or number
        Columns of `FittingFacts` by name; a single number holds for every row. NaN in a day column means "not known".

    Raises
    ------
    TypeError
        If a column is not one of `FittingFacts`.
    """
    given: dict[str, Any] = dict(columns)
    table: dict[str, Any] = {}
    for f in fields(FittingFacts):
        is_day = "DayArray" in str(f.type)
        value = np.asarray(
            given.pop(f.name, _DEFAULTS.get(f.name, UNKNOWN_DAY if is_day else np.nan)), dtype=np.float64
        )
        if is_day:
            # Beyond the far day a date means nothing, and casting NaN or 1e300 to a whole number would be undefined.
            value = np.clip(np.nan_to_num(value, nan=UNKNOWN_DAY), UNKNOWN_DAY, FAR_DAY).astype(np.int64)
        table[f.name] = np.broadcast_to(value, (n,)).copy()
    if given:
        raise TypeError(f"Unknown columns: {', '.join(sorted(given))}")
    return FittingFacts(**table)


def to_day(on: date) -> int:
    """Give a date as days since 1 January 2000."""
    return (on - EPOCH).days


def to_date(day: int) -> date:
    """Give a day number as a date."""
    return EPOCH + timedelta(days=day)
