"""Raw facts of many batteries as columns, and the joins between them. Pure: arrays in, arrays out; the reads fill them.

A table is a mapping of equally long arrays. Keys are whole numbers, −1 where there is none. Days are whole days since
1 January 2000 at the place itself, as floats; NaN means "not known".
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Columns = Mapping[str, NDArray[Any]]
IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

NO_KEY = -1
SHARES = ("share_0c", "share_m10c", "share_m20c", "share_m40c")


@dataclass(frozen=True, slots=True)
class FleetColumns:
    """What the due dates of some transmitters and receivers rest on.

    Parameters
    ----------
    kinds : table
        Transmitter types by `pk`: is_battery, cells_parallel, usable_share, sleep_ua [µA], checkin_uas [µA·s],
        activation_uah [µAh], typical_activations_per_day [1/day], default_interval_s [s], unit_life_years, is_welded.
    cells : table
        Battery types by `pk`: capacity_mah [mAh], self_discharge_per_year [1/year], shelf_life_years, nominal_v [V] and
        the shares at 0, −10, −20 and −40 °C.
    units : table
        Transmitters in a slot, by `pk`: kind (row of `kinds`), made_day, since_day, created_day, and the most harmful
        place: registration, receiver, site, customer, duty, interval_s (the shortest of all its places; NaN unknown).
    fittings : table
        Sets of cells by `pk`: unit (row of `units`), cell (row of `cells`), fitted_day, entered_day, made_day, low_day,
        has_code (a lot was noted), lot (row of the lots asked about, −1 = none of them).
    periods : table
        Setting-periods, in order of fitting and day: fitting (row of `fittings`), from_day, interval_s (NaN unknown),
        days_measured, activations, temperature_days, temperature_sum_c.
    standby : table
        Receivers with a standby battery, by `pk`: customer, site, duty, fitted_day, created_day, life_years.
    recalls : table
        By row of `units`: unit, is_cells, due_day.
    """

    kinds: Columns
    cells: Columns
    units: Columns
    fittings: Columns
    periods: Columns
    standby: Columns
    recalls: Columns


def row_of(keys: IntArray, wanted: NDArray[Any]) -> IntArray:
    """Give the row [0 …] of each wanted key in a sorted column of keys, −1 where it is not there."""
    if not len(keys):
        return np.full(len(wanted), NO_KEY, dtype=np.int64)
    at = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
    return np.where(keys[at] == wanted, at, NO_KEY).astype(np.int64)


def picked(table: Columns, rows: NDArray[Any]) -> dict[str, NDArray[Any]]:
    """Give the chosen rows of a table, by number [0 …] or mask."""
    return {name: column[rows] for name, column in table.items()}


def sorted_by(table: Columns, *keys: str) -> dict[str, NDArray[Any]]:
    """Sort a table, the first key first."""
    return picked(table, np.lexsort([table[key] for key in reversed(keys)]))


def begins(sorted_keys: NDArray[Any]) -> BoolArray:
    """Mark the first row of each group in a sorted column [true or false]."""
    first = np.ones(len(sorted_keys), dtype=np.bool_)
    first[1:] = sorted_keys[1:] != sorted_keys[:-1]
    return first


def least_of(rows: IntArray, values: FloatArray, n: int) -> FloatArray:
    """Give the least value per row 0 … n−1, NaN where there is none; row −1 is passed over."""
    least = np.full(n, np.inf)
    known = (rows >= 0) & np.isfinite(values)
    np.minimum.at(least, rows[known], values[known])
    return np.where(np.isfinite(least), least, np.nan)


def most_harmful(registrations: Columns) -> dict[str, NDArray[Any]]:
    """Give one place per transmitter: the one whose failure harms most, with the shortest interval of all its places.

    Parameters
    ----------
    registrations : table
        Open registrations: pk, transmitter, receiver, site, customer, duty (0 harms most), interval_s (NaN unknown).

    Returns
    -------
    table
        In order of transmitter; of equally harmful places the one registered first.
    """
    rows = sorted_by(registrations, "transmitter", "duty", "pk")
    first = begins(rows["transmitter"])
    places = picked(rows, first)
    group = np.cumsum(first) - 1
    usable = np.where(rows["interval_s"] > 0, rows["interval_s"], np.nan)
    places["interval_s"] = least_of(group, usable, len(places["pk"]))
    return places
