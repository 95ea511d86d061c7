"""Every set of cells that was ever fitted, as columns: how it fared, and in which exposure. Pure; the input of the fit.

`EndFacts` and `outcomes` say in days what a record teaches; here days become exposure, each with the settings of its time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from devices.rules.low_signals import LASTED, WITHIN
from maintenance.rules import wear
from maintenance.rules.battery.fleet import Batteries, Strata
from maintenance.rules.battery.outcomes import EndFacts, Outcomes, outcomes
from maintenance.rules.fleet_columns import NO_KEY, BoolArray, Columns, FloatArray, IntArray, row_of

CUTOFF_SHARE = 2 / 3
"""Share of the nominal voltage at which a transmitter is taken to stop: 2 V of a 3 V cell, 1 V of a 1.5 V cell. From memory."""
SILENT_WINDOWS = 3.0
"""A transmitter silent for longer than so many supervision windows is taken as dead (the battery model, section 3)."""
DAY_S = 86_400
NO_SIGNAL = int(np.iinfo(np.int64).max)
"""Stands for a low-battery signal that never came."""
OUTAGE_SHARE = 0.5
"""Where this share of a receiver's transmitters is missing at once, the site is out, not the batteries. Own choice."""
UNKNOWN_TYPE = -1
"""Left out: the transmitter's or the cells' type is not known, or it runs on mains."""
BAD_EXPOSURE = -2
"""Left out: the exposures contradict one another."""


@dataclass(frozen=True, slots=True)
class HistoryColumns:
    """Raw facts of every set of cells, ended or in service, in order of `pk`; n of them.

    Parameters
    ----------
    kinds, cells, periods : table
        As in `FleetColumns`.
    fittings : table
        pk, kind, cell (rows of the catalogue), fitted_day, entered_day, removed_day, why, first_low_day, low_confirmed,
        low_noted, last_alive_day, silent_since_day, next_expected_day, has_log, signals_reach_us, volts, is_under_load, interval_s, duty,
        lot (place in `lot_codes`, −1 = no code was noted).
    lot_codes : tuple of str
        Every code that was noted.
    """

    kinds: Columns
    cells: Columns
    periods: Columns
    fittings: Columns
    lot_codes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class History:
    """What the whole record teaches; every array has one entry per set of cells.

    Parameters
    ----------
    columns : HistoryColumns
        The raw facts.
    life : Lived
        Setting-periods with what they drew; `exposure_at` gives the exposure at any day.
    outcome : Outcomes
        What each teaches, in days.
    is_known : array of bool
        Types are known, so that exposure can be worked out.
    is_measured : array of bool
        Activations were counted.
    """

    columns: HistoryColumns
    life: wear.Lived
    outcome: Outcomes
    is_known: BoolArray
    is_measured: BoolArray


def history_of(columns: HistoryColumns, today_day: float) -> History:
    """Judge every record as of a day.

    Parameters
    ----------
    columns : HistoryColumns
        Raw facts. Pass facts as they were known on that day.
    today_day : float
        Day [days since 2000-01-01].
    """
    f, n = columns.fittings, len(columns.fittings["pk"])
    use = wear.use_of(columns.kinds, columns.cells, f["kind"], f["cell"])
    is_open = ~np.isfinite(f["removed_day"])
    interval = np.where(
        f["interval_s"] > 0, f["interval_s"], wear.taken(columns.kinds["default_interval_s"], f["kind"])
    )
    until = np.where(is_open, today_day, f["removed_day"])
    life = wear.lived(use, columns.cells, f["cell"], f["fitted_day"], until, interval, is_open, columns.periods)
    volts = wear.taken(columns.cells["nominal_v"], f["cell"]) * wear.taken(columns.kinds["cells_series"], f["kind"])
    names = (
        "fitted_day", "entered_day", "removed_day", "why", "first_low_day", "last_alive_day", "silent_since_day",
        "next_expected_day", "has_log", "signals_reach_us", "volts", "is_under_load", "low_confirmed",
        "low_noted",
    )  # fmt: skip
    facts = EndFacts.of(n, **{name: f[name] for name in names}, cutoff_volts=volts * CUTOFF_SHARE)
    outcome = outcomes(facts, today_day)
    # Counted up to the end, not up to the day it was found: else early ends would lose their counts.
    measured = wear.is_measured(use, life, outcome.end_day - f["fitted_day"])
    return History(columns, life, outcome, np.isfinite(use["capacity_mah"]), measured)


def low_signals(
    row: IntArray, raised_s: IntArray, lasted_s: IntArray, is_again: BoolArray, n: int
) -> tuple[IntArray, IntArray]:
    """Find the first signal of each set of cells that was confirmed, and the last of all.

    Parameters
    ----------
    row : array of int
        Set of cells of each signal [0 … n − 1].
    raised_s : array of int
        When it came [s since 1970].
    lasted_s : array of int
        How long it stood [s].
    is_again : array of bool
        It only repeats one that stands.
    n : int
        Number of sets of cells.

    Returns
    -------
    tuple of array
        First confirmed and last signal of each set [s since 1970], `NO_SIGNAL` where there is none. Confirmed is what
        `devices.rules.low_signals.is_confirmed` says, on days of UTC.
    """
    order = np.lexsort([raised_s, row])
    row, raised_s, lasted_s, is_again = row[order], raised_s[order], lasted_s[order], is_again[order]
    day = raised_s // DAY_S
    days_within = int(WITHIN.days)
    # The last signal of the same cells within the time in which one confirms another.
    packed = row.astype(np.int64) * (1 << 34) + raised_s
    until = row.astype(np.int64) * (1 << 34) + (day + days_within + 1) * DAY_S - 1
    latest = np.searchsorted(packed, until, side="right") - 1
    is_confirmed = (lasted_s >= LASTED.total_seconds()) | (day[latest] > day if len(day) else False)
    first = np.full(n, NO_SIGNAL, dtype=np.int64)
    np.minimum.at(first, row[is_confirmed], raised_s[is_confirmed])
    last = np.full(n, -1, dtype=np.int64)
    np.maximum.at(last, row[~is_again], raised_s[~is_again])
    return first, np.where(last < 0, NO_SIGNAL, last)


def silent_since(raised_s: IntArray, window_s: FloatArray, now_s: float, is_outage: BoolArray) -> FloatArray:
    """Give the moment of the last check-in of transmitters with an open "missing" fault [s]; NaN where it proves nothing.

    The fault is raised one window after the last check-in. It counts only once the silence is longer than three windows
    and the receiver's other transmitters are heard.
    """
    since = raised_s - window_s
    proves = (now_s - since > SILENT_WINDOWS * window_s) & (window_s > 0) & ~is_outage
    return np.where(proves, since, np.nan)


@dataclass(frozen=True, slots=True)
class Grouped:
    """Batteries as the fit takes them, with the keys of strata and lots.

    Parameters
    ----------
    batteries : Batteries
        Only rows that count.
    rows : array of int
        Row of each in the history.
    strata : Strata
        n strata that occur, and two more for kinds that do not: activations counted, and assumed.
    kind, cell : array of int
        Row of the catalogue for each stratum; −1 for the last two.
    stratum_of_row : array of int
        Stratum of every row of the history, also of those that do not count; −1 = none.
    lot_stratum, lot_number, lot_is_half : array
        Key of each lot: stratum, place in `lot_codes` or half-year, and which of the two.
    lot_of_row : array of int
        Lot of every row of the history; −1 = none.
    left_out : dict
        Reason (`outcomes.LEFT_OUT`, `UNKNOWN_TYPE`, `BAD_EXPOSURE`) → number of rows.
    """

    batteries: Batteries
    rows: IntArray
    strata: Strata
    kind: IntArray
    cell: IntArray
    stratum_of_row: IntArray
    lot_stratum: IntArray
    lot_number: IntArray
    lot_is_half: BoolArray
    lot_of_row: IntArray
    left_out: dict[int, int]


def grouped(history: History) -> Grouped:
    """Sort the records into strata and lots and give their exposures."""
    f = history.columns.fittings
    key, stratum = _strata(history)
    measured = np.append(key[:, 2] == 1, [True, False])
    kind, cell = np.append(key[:, 0], [NO_KEY, NO_KEY]), np.append(key[:, 1], [NO_KEY, NO_KEY])
    # Kinds that nobody has seen are of no model: they start from what the fleet expects.
    unseen = len(history.columns.kinds["pk"]) + np.arange(2)
    strata = Strata(len(kind), np.append(key[:, 0], unseen), measured)
    lots, lot = _lots(history, stratum)
    out, life = history.outcome, history.life
    end_u, entry_u = life.exposure_at(out.end_day), life.exposure_at(out.entry_day)
    # Exactly at the fitting nothing is used yet; the sum may leave dust.
    entry_u = np.where(out.entry_day <= f["fitted_day"], 0.0, entry_u)
    lower_u = np.where(np.isfinite(out.lower_day), life.exposure_at(np.nan_to_num(out.lower_day)), np.nan)
    every = Batteries(
        stratum, end_u, entry_u, out.is_end, np.where(np.isfinite(lower_u), np.fmax(lower_u, entry_u), np.nan),
        life.base_share_at(out.end_day), lot,
    )  # fmt: skip
    reason = out.left_out.copy()
    reason[(reason == 0) & ~history.is_known] = UNKNOWN_TYPE
    reason[(reason == 0) & (every.faults(strata.n) != 0)] = BAD_EXPOSURE
    rows = np.flatnonzero(reason == 0)
    codes, counts = np.unique(reason[reason != 0], return_counts=True)
    return Grouped(
        every.subset(rows), rows, strata, kind, cell, stratum, lots[:, 0], lots[:, 1], lots[:, 2] == 1, lot,
        dict(zip(codes.tolist(), counts.tolist(), strict=True)),
    )  # fmt: skip


def _strata(history: History) -> tuple[IntArray, IntArray]:
    """Keys of the strata that occur (kind, cell, measured), and the stratum of each row; −1 where a type is not known."""
    f = history.columns.fittings
    n_cells = len(history.columns.cells["pk"])
    packed = (f["kind"] * n_cells + f["cell"]) * 2 + history.is_measured
    packed = np.where(history.is_known, packed, NO_KEY)
    found = np.unique(packed[packed >= 0])
    pair = found // 2
    key = np.stack([pair // max(n_cells, 1), pair % max(n_cells, 1), found % 2], axis=1).astype(np.int64)
    return key, row_of(found.astype(np.int64), packed)


def _lots(history: History, stratum: IntArray) -> tuple[IntArray, IntArray]:
    """Keys of the lots that occur (stratum, code or half-year, is half-year), and the lot of each row; −1 = none."""
    f = history.columns.fittings
    # A code that somebody wrote like one of our half-years is taken for it: two lots of one name would be one too many.
    as_half = np.array([wear.half_year_of(code) for code in history.columns.lot_codes] + [NO_KEY], dtype=np.int64)
    is_half = (f["lot"] < 0) | (as_half[f["lot"]] >= 0)
    half = np.where(f["lot"] < 0, wear.half_year(f["fitted_day"]), as_half[f["lot"]])
    number = np.where(is_half, half, f["lot"])
    packed = (stratum << 32) + (number << 1) + is_half
    packed = np.where((stratum >= 0) & (number >= 0), packed, NO_KEY)
    found = np.unique(packed[packed >= 0])
    key = np.stack([found >> 32, (found >> 1) & 0x7FFFFFFF, found & 1], axis=1).astype(np.int64)
    return key, row_of(found, packed)
