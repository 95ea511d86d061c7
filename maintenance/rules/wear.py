"""From raw columns of cells and their setting-periods to the columns that the due-date rules ask for, and to exposure.

Each setting-period is charged with its own check-in interval, counts and climate, never with today's settings; time
before the first one counts with its settings. Pure: arrays in, arrays out.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maintenance.rules.battery import exposure
from maintenance.rules.due_facts import to_day
from maintenance.rules.fleet_columns import NO_KEY, SHARES, BoolArray, Columns, FloatArray, IntArray

DAYS_PER_YEAR = exposure.DAYS_PER_YEAR
STANDBY_LIFE_YEARS = 4.0
"""Standby batteries without a stated life: from memory, sealed lead batteries are commonly changed after 4 years."""
MEASURED_SHARE = 0.9
"""Activations count as measured where they were counted on at least this share of the days.

Own choice, and a high one on purpose: of cells fitted before counting began, a lower share would call those that lasted
measured and those that ended early assumed, so that the kind "measured" would hold survivors only.
"""

USE = (
    "capacity_mah", "usable_share", "self_discharge_per_year", "sleep_ua", "checkin_uas", "activation_uah",
    "typical_activations_per_day",
)  # fmt: skip

POSSIBLE = {
    "capacity_mah": (0.1, 1e7), "usable_share": (1e-3, 1.0), "self_discharge_per_year": (0.0, 1.0), "sleep_ua": (0.0, 1e6),
    "checkin_uas": (0.0, 1e9), "activation_uah": (0.0, 1e7), "typical_activations_per_day": (0.0, 86_400.0),
}  # fmt: skip
"""Smallest and greatest catalogue figure that is believed. Own choice, far beyond any real one; others are not known."""
LEAST_DRAW = 1e-9
"""A draw is 0 or at least so much, in the unit of its column; what is smaller is a slip of the keyboard."""
MOST_A_DAY = 86_400.0
"""Counts above one activation a second are a fault of the counter; the period then goes uncounted."""
COLDEST_C, HOTTEST_C = -60.0, 90.0
"""Mean temperatures beyond these were not measured by anything that still works."""
MOST_RATE = 1e6
"""Exposure per day above which a figure must be wrong [1/day]."""


def day_number(on: date) -> float:
    """Give a date as days since 1 January 2000."""
    return float(to_day(on))


def taken(column: NDArray[Any], rows: IntArray) -> FloatArray:
    """Give the values of a column at these rows [unit of the column]; NaN at row −1."""
    if not len(column):
        return np.full(len(rows), np.nan)
    return np.where(rows >= 0, column[rows], np.nan).astype(np.float64)


def use_of(kinds: Columns, cells: Columns, kind: IntArray, cell: IntArray) -> dict[str, FloatArray]:
    """Give what the catalogue says of each set of cells in its transmitter.

    Parameters
    ----------
    kinds, cells : table
        Catalogue, see `FleetColumns`.
    kind, cell : array of int
        Row in each of them; −1 = the type is not known.

    Returns
    -------
    dict
        Columns of `FittingFacts` by name [mAh, 1, 1/year, µA, µA·s, µAh, 1/day]; NaN where a type is not known or the
        unit runs on mains, so that no exposure is claimed; the same where a figure cannot be (`POSSIBLE`). Only cells in
        parallel add charge.
    """
    found = {name: taken(kinds[name], kind) for name in USE if name in kinds}
    parallel = np.maximum(taken(kinds["cells_parallel"], kind), 1.0)
    found["capacity_mah"] = taken(cells["capacity_mah"], cell) * parallel
    found["self_discharge_per_year"] = taken(cells["self_discharge_per_year"], cell)
    known = taken(kinds["is_battery"], kind) > 0
    for name, (least, most) in POSSIBLE.items():
        # NaN compares as false, so that what is not known is not believed either.
        known &= (found[name] >= least) & (found[name] <= most) & ((found[name] == 0.0) | (found[name] >= LEAST_DRAW))
    return {name: np.where(known, found[name], np.nan) for name in USE}


def climate_of(cells: Columns, cell: IntArray, days: FloatArray, sum_c: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give mean temperature [°C] and the share of the charge that it leaves [0 … 1]; 20 °C where it was not measured.

    A mean that no place has (`COLDEST_C`, `HOTTEST_C`) counts as not measured, a catalogue share outside 0 … 1 as not known.
    """
    with np.errstate(all="ignore"):
        mean = sum_c / np.where(days > 0, days, 1.0)
    at_c = np.where((days > 0) & (mean >= COLDEST_C) & (mean <= HOTTEST_C), mean, exposure.REFERENCE_C)
    stated = [taken(cells[name], cell) for name in SHARES]
    with np.errstate(all="ignore"):
        share = exposure.temperature_share(at_c, *[np.where((s >= 0.0) & (s <= 1.0), s, np.nan) for s in stated])
    return at_c, np.where(at_c >= exposure.REFERENCE_C, 1.0, share)


@dataclass(frozen=True, slots=True)
class Lived:
    """Setting-periods of sets of cells with what they drew; one row per period, at least one per set.

    Parameters
    ----------
    row : array of int
        Set of cells; the periods of one set stand together, oldest first.
    begin_day, end_day : array
        First day, and first day after it [day]. NaN where the day of fitting is not known.
    rate_per_day : array
        Exposure added per day by the catalogue's figures [1/day]; NaN where a type is not known.
    base_per_day : array
        Part of it that scales with the current between activations, m_s of the battery model [1/day].
    counted_days, activations : array
        Days with counts, and activations counted on them.
    temperature_c, temperature_share : array
        Climate of the period.
    is_present : array of bool
        Last period of its set.
    n : int
        Number of sets.
    """

    row: IntArray
    begin_day: FloatArray
    end_day: FloatArray
    rate_per_day: FloatArray
    base_per_day: FloatArray
    counted_days: FloatArray
    activations: FloatArray
    temperature_c: FloatArray
    temperature_share: FloatArray
    is_present: BoolArray
    n: int

    def of_present(self, column: FloatArray) -> FloatArray:
        """Give a column's value in the last period of each set, (n,)."""
        return column[self.is_present]

    def exposure_at(self, day: FloatArray, multiplier: FloatArray | float = 1.0) -> FloatArray:
        """Give the exposure of each set at a day of its own [1].

        Parameters
        ----------
        day : array
            Day [day], (n,); beyond the last period its rate goes on.
        multiplier : array
            Learnt multiplier of the current between activations, (n,) or one number.
        """
        end = np.where(self.is_present, np.inf, self.end_day)
        days = np.clip(np.minimum(end, day[self.row]) - self.begin_day, 0.0, None)
        return self._summed(self._rate(multiplier) * days)

    def exposure_before_present(self, multiplier: FloatArray | float = 1.0) -> FloatArray:
        """Give the exposure that was gathered before the present settings [1], (n,)."""
        days = np.where(self.is_present, 0.0, self.end_day - self.begin_day)
        return self._summed(np.where(days > 0, self._rate(multiplier) * days, 0.0))

    def base_share_at(self, day: FloatArray) -> FloatArray:
        """Give the share of the exposure at a day that scales with the current between activations [0 … 1]."""
        end = np.where(self.is_present, np.inf, self.end_day)
        days = np.clip(np.minimum(end, day[self.row]) - self.begin_day, 0.0, None)
        whole = self._summed(self.rate_per_day * days)
        return np.where(whole > 0, self._summed(self.base_per_day * days) / np.where(whole > 0, whole, 1.0), 0.0)

    def counted_share(self, lived_days: FloatArray | None = None) -> FloatArray:
        """Give the share of the days in service on which activations were counted [0 …]; 0 where nothing is known.

        `lived_days` (n,) takes the place of the days in service where it is known and shorter: the dead count nothing.
        """
        days = self._summed(np.nan_to_num(self.end_day - self.begin_day))
        days = days if lived_days is None else np.fmin(days, lived_days)
        return self._summed(self.counted_days) / np.maximum(days, 1.0)

    def _rate(self, multiplier: FloatArray | float) -> FloatArray:
        learnt = np.broadcast_to(np.asarray(multiplier, dtype=np.float64), (self.n,))[self.row]
        return self.rate_per_day + (learnt - 1.0) * self.base_per_day

    def _summed(self, values: FloatArray) -> FloatArray:
        starts = np.flatnonzero(np.append(True, self.row[1:] != self.row[:-1])) if len(self.row) else self.row
        return np.add.reduceat(values, starts) if len(starts) else np.zeros(0)


def lived(
    use: dict[str, FloatArray],
    cells: Columns,
    cell: IntArray,
    fitted_day: FloatArray,
    until_day: FloatArray,
    interval_s: FloatArray,
    is_open: BoolArray,
    periods: Columns,
) -> Lived:
    """Lay out what each set of cells has lived through, and work out what each stretch drew.

    Parameters
    ----------
    use : dict
        See `use_of`, (n,).
    cells, cell : table, array of int
        Battery types, and the row of each set.
    fitted_day, until_day : array
        Day of fitting, and the day up to which the last period counts [day], (n,).
    interval_s : array
        Check-in interval of the present settings [s], (n,); an earlier period that names none is charged with it too.
    is_open : array of bool
        Still in service, so that the present settings are those of its last period, (n,).
    periods : table
        See `FleetColumns.periods`; `fitting` names the set.
    """
    n = len(cell)
    row, from_day, raw = _with_plain_ones(n, periods)
    is_first = np.append(True, row[1:] != row[:-1])[: len(row)]
    is_present = np.append(row[1:] != row[:-1], True)[: len(row)]
    begin = np.where(is_first, fitted_day[row], np.fmax(fitted_day[row], from_day))
    end = np.where(is_present, until_day[row], np.append(begin[1:], 0.0)[: len(row)])
    days = np.clip(end - begin, 0.0, None)
    at_c, share = climate_of(cells, cell[row], raw["temperature_days"], raw["temperature_sum_c"])
    is_own = (raw["interval_s"] > 0) & ~(is_present & is_open[row])
    interval = np.where(is_own, raw["interval_s"], interval_s[row])
    with np.errstate(all="ignore"):
        known = np.where(np.isfinite(days), days, 0.0)
        days_measured, activations = _believed(raw["days_measured"], raw["activations"])
        counted = np.minimum(days_measured, known)
        per_day = exposure.activations_per_day(activations, counted, use["typical_activations_per_day"][row])
        total = activations + per_day * (known - counted)
        a_day = np.where(known > 0, total / np.where(known > 0, known, 1.0), per_day)
        parts = {
            "usable_mah": exposure.usable_charge_mah(use["capacity_mah"][row], use["usable_share"][row], share),
            "base_ua": exposure.mean_current_ua(use["sleep_ua"][row], use["checkin_uas"][row], interval),
        }
        lost = exposure.self_discharge_per_day(use["self_discharge_per_year"][row], at_c)
        rate = exposure.exposure(1.0, a_day, activation_uah=use["activation_uah"][row], self_discharge=lost, **parts)
        base = exposure.exposure(1.0, 0.0, activation_uah=0.0, self_discharge=0.0, **parts)
        # An infinite rate times no days would be no number: it is not known.
        sound = (rate >= 0.0) & (rate <= MOST_RATE) & (base >= 0.0) & (base <= MOST_RATE)
        rate, base = np.where(sound, rate, np.nan), np.where(sound, base, np.nan)
    return Lived(row, begin, end, rate, base, days_measured, activations, at_c, share, is_present, n)


def _believed(days_measured: FloatArray, activations: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give days with counts and the counts on them; 0 and 0 where no transmitter can have counted that."""
    can_be = (days_measured >= 0) & (activations >= 0) & (activations <= MOST_A_DAY * np.maximum(days_measured, 1.0))
    return np.where(can_be, days_measured, 0.0), np.where(can_be, activations, 0.0)


def _with_plain_ones(n: int, periods: Columns) -> tuple[IntArray, FloatArray, dict[str, FloatArray]]:
    """Add one period without counts for each set that has none; sets in order, oldest period first."""
    names = ("interval_s", "days_measured", "activations", "temperature_days", "temperature_sum_c")
    has = np.zeros(n, dtype=np.bool_)
    has[periods["fitting"]] = True
    plain = np.flatnonzero(~has)
    row = np.concatenate([periods["fitting"], plain]).astype(np.int64)
    order = np.argsort(row, kind="stable")
    raw = {name: np.concatenate([periods[name], np.full(len(plain), 0.0)])[order] for name in names}
    from_day = np.concatenate([periods["from_day"], np.full(len(plain), np.nan)])[order]
    return row[order], from_day, raw


def is_measured(use: dict[str, FloatArray], life: Lived, lived_days: FloatArray | None = None) -> BoolArray:
    """Tell whether activations need no guess: counted on nearly every day lived, or they draw nothing that matters."""
    return ~(use["activation_uah"] > 0) | (life.counted_share(lived_days) >= MEASURED_SHARE)


def half_year(day: FloatArray) -> IntArray:
    """Number half-years, so that cells without a lot code share one with those fitted about the same time; −1 unknown."""
    known = np.isfinite(day)
    months = np.datetime64("2000-01-01") + np.where(known, day, 0.0).astype("timedelta64[D]")
    number = months.astype("datetime64[M]").astype(np.int64) + 1970 * 12
    return np.where(known, number // 6, NO_KEY)


def half_year_name(number: int) -> str:
    """Name a half-year, such as "2025-H2"."""
    return f"{number // 2}-H{number % 2 + 1}"


def half_year_of(name: str) -> int:
    """Number of a half-year by its name; −1 for anything else."""
    match = re.fullmatch(r"(\d{4})-H([12])", name)
    return int(match[1]) * 2 + int(match[2]) - 1 if match else NO_KEY
