"""Reads every set of cells that was ever fitted, with what is known of how it fared: the raw facts of a fit."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maintenance.querysets import fleet_sql as sql
from maintenance.querysets.fleet import periods_of, read_cells, read_kinds, read_zones, zones_of
from maintenance.querysets.fleet_days import DAY_S, UNKNOWN_S, local_days
from maintenance.querysets.fleet_raw import EVIDENCE, Raw, Table, read_whole
from maintenance.rules.battery.outcomes import WHY
from maintenance.rules.fleet_columns import NO_KEY, row_of, sorted_by
from maintenance.rules.fleet_history import NO_SIGNAL, OUTAGE_SHARE, HistoryColumns, low_signals, silent_since

EVERY, EXCEPTIONS, VISITS = range(len(EVIDENCE))
_SHIFT = 34
"""Seconds need 34 bits until the year 2500; above them stands the key they belong to."""


def read_history(at: datetime, raw: Raw | None = None) -> HistoryColumns:
    """Read the whole record, as of now; `at` is the moment up to which silence is counted, `raw` what is read already."""
    whole = raw or read_whole()
    kinds, cells = read_kinds(), read_cells()
    names, zone_of_site = read_zones()
    rows, units = whole.fittings, whole.units
    places = _places(whole)
    zone = zones_of(places["site"], zone_of_site)
    at_unit = row_of(units["pk"], rows["transmitter"])

    def day(column: NDArray[Any]) -> NDArray[np.float64]:
        return local_days(column, zone, names)

    is_open = rows["removed"] == UNKNOWN_S
    alive, silent, expected = _signs_of_life(rows, places, is_open, int(at.timestamp()))
    low, confirmed = _low_signals(rows, int(at.timestamp()))
    fittings = {
        "pk": rows["pk"],
        "kind": row_of(kinds["pk"], units["type"][at_unit]) if len(units["pk"]) else at_unit,
        "cell": row_of(cells["pk"], rows["battery_type"]),
        "fitted_day": day(rows["fitted"]),
        "entered_day": day(rows["entered"]),
        "removed_day": day(rows["removed"]),
        "why": rows["why"].astype(np.int64),
        "first_low_day": day(low),
        "low_confirmed": confirmed,
        "low_noted": rows["low"] != UNKNOWN_S,
        "last_alive_day": day(alive),
        "silent_since_day": day(silent),
        "next_expected_day": day(expected),
        "has_log": places["evidence"] == EVERY,
        "signals_reach_us": places["evidence"] != VISITS,
        "volts": rows["volts"],
        "is_under_load": rows["is_under_load"] != 0,
        "interval_s": places["interval_s"],
        "duty": places["duty"].astype(np.int64),
        "lot": rows["lot"],
    }
    return HistoryColumns(kinds, cells, periods_of(whole, rows["pk"]), fittings, whole.codes)


def _packed(keys: NDArray[Any], seconds: NDArray[Any]) -> NDArray[np.int64]:
    return (keys.astype(np.int64) << _SHIFT) + np.clip(seconds, 0, (1 << _SHIFT) - 1)


def _last_before(keys: NDArray[Any], since: NDArray[Any], key: NDArray[Any], at: NDArray[Any]) -> NDArray[np.int64]:
    """Row of the last entry of the same key at or before a moment, −1 = none. Entries are sorted by key, then moment."""
    row = np.searchsorted(_packed(keys, since), _packed(key, at), side="right") - 1
    is_mine = (row >= 0) & (keys[np.maximum(row, 0)] == key) if len(keys) else row >= 0
    return np.where(is_mine, row, NO_KEY)


def _places(whole: Raw) -> Table:
    """Where each set of cells stood last: the registration that held when it came out, or holds now."""
    rows, fittings, receivers = whole.registrations, whole.fittings, whole.receivers
    end = np.where(fittings["removed"] == UNKNOWN_S, 1 << _SHIFT, fittings["removed"])
    row = _last_before(rows["transmitter"], rows["since"], fittings["transmitter"], end)
    # Registered later than the cells came out, as imports may be: the first place is better than none.
    row = np.where(row >= 0, row, row_of(rows["transmitter"], fittings["transmitter"]))

    def at(column: NDArray[Any], row: NDArray[Any], missing: float) -> NDArray[Any]:
        return np.where(row >= 0, column[row], missing) if len(column) else np.full(len(row), missing)

    receiver = at(rows["receiver"], row, NO_KEY).astype(np.int64)
    of_receiver = row_of(receivers["pk"], receiver)
    return {
        "receiver": receiver,
        "site": at(receivers["site"], of_receiver, NO_KEY).astype(np.int64),
        "duty": at(rows["duty"], row, 0),
        "interval_s": at(rows["interval_s"], row, np.nan),
        "window_s": at(rows["window_s"], row, np.nan),
        "evidence": at(receivers["evidence"], of_receiver, VISITS),
        "open receivers": rows["receiver"][rows["is_open"] == 1],
    }


def _signs_of_life(
    rows: Table, places: Table, is_open: NDArray[np.bool_], now_s: int
) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Last sign of life, and for the silent ones the last check-in and when the next one was expected [s]."""
    visits = sorted_by(
        sql.select(
            [sql.key("site_id"), sql.moment("finished", "finished_at")],
            "maintenance_visit WHERE state = 'finished' AND finished_at IS NOT NULL",
        ),
        "site", "finished",
    )  # fmt: skip
    last = np.where(is_open, now_s, rows["removed"])
    row = _last_before(visits["site"], visits["finished"], places["site"], last)
    visited = np.where(row >= 0, visits["finished"][row] if len(visits["site"]) else UNKNOWN_S, UNKNOWN_S)
    # Whoever fits cells sees them work; what was entered of cells found in place was seen that day.
    seen = np.maximum(np.maximum(rows["alive"], rows["fitted"]), np.minimum(rows["entered"], last))
    by_visit = places["evidence"] != EVERY
    alive = np.where(by_visit, np.maximum(seen, visited), rows["alive"])
    missing, since = _missing(rows, places, is_open, now_s)
    # Where only faults reach us over a tested link, no fault means alive.
    alive = np.where((places["evidence"] == EXCEPTIONS) & is_open & ~missing, now_s, alive)
    silent = np.where(np.isfinite(since), np.nan_to_num(since), UNKNOWN_S).astype(np.int64)
    # Found dead where check-ins reach us: it ended between the last one and the next, not some day before the visit.
    is_dead = (rows["why"] == WHY["dead"]) & (places["evidence"] == EVERY) & (rows["alive"] != UNKNOWN_S)
    since = np.where(is_dead & ~np.isfinite(since), rows["alive"], since)
    expected = np.where(
        np.isfinite(since), np.nan_to_num(since + np.nan_to_num(places["interval_s"], nan=DAY_S)), UNKNOWN_S
    )
    return alive, silent, expected.astype(np.int64)


def _missing(
    rows: Table, places: Table, is_open: NDArray[np.bool_], now_s: int
) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Which sets of cells stand in a transmitter that is missing now, and the last check-in where that proves an end [s]."""
    faults = sorted_by(
        sql.select(
            [sql.key("transmitter_id"), sql.key("receiver_id"), sql.moment("raised", "raised_at")],
            "devices_fault WHERE kind = 'missing' AND cleared_at IS NULL AND transmitter_id IS NOT NULL",
        ),
        "transmitter", "raised",
    )  # fmt: skip
    row = np.where(is_open, row_of(faults["transmitter"], rows["transmitter"]), NO_KEY)
    is_missing = row >= 0
    if not bool(is_missing.any()):
        return is_missing, np.full(len(row), np.nan)
    receivers, n = np.unique(places["open receivers"], return_counts=True)
    n_missing = np.bincount(np.maximum(row_of(receivers, faults["receiver"]), 0), minlength=len(receivers))
    at = row_of(receivers, places["receiver"])
    is_outage = np.where(at >= 0, n_missing[at] >= OUTAGE_SHARE * n[at], False) & (n[at] > 1)
    since = silent_since(faults["raised"][row], places["window_s"], now_s, is_outage)
    return is_missing, np.where(is_missing, since, np.nan)


_LOW = (
    "(SELECT transmitter_id, raised_at, cleared_at, 0 AS again FROM devices_fault "
    "WHERE kind = 'low_battery' AND transmitter_id IS NOT NULL UNION ALL "
    # A transmitter may say so at every check-in: what counts is on which days.
    "SELECT transmitter_id, MIN(at), MIN(at), 1 FROM devices_faultreport "
    "WHERE kind = 'low_battery' AND transmitter_id IS NOT NULL AND is_raised GROUP BY transmitter_id, DATE(at)) low"
)


def _low_signals(rows: Table, now_s: int) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """Low-battery signal of each set of cells that counts [s], and whether it was more than a moment of cold or of load."""
    faults = sorted_by(
        sql.select(
            [
                sql.key("transmitter_id"), sql.moment("raised", "raised_at"), sql.moment("cleared", "cleared_at"),
                sql.flag("is_again", "again > 0"),
            ],
            _LOW,
        ),
        "transmitter", "raised",
    )  # fmt: skip
    order = np.lexsort([rows["fitted"], rows["transmitter"]])
    row = _last_before(rows["transmitter"][order], rows["fitted"][order], faults["transmitter"], faults["raised"])
    row = np.where(row >= 0, order[row] if len(order) else NO_KEY, NO_KEY)
    end = np.where(rows["removed"] == UNKNOWN_S, now_s, rows["removed"])
    theirs = (row >= 0) & (faults["raised"] <= end[row] if len(end) else False)
    row, raised, cleared = row[theirs], faults["raised"][theirs], faults["cleared"][theirs]
    lasted = np.where(cleared == UNKNOWN_S, end[row] if len(end) else 0, cleared) - raised
    first, last = low_signals(row, raised, lasted, faults["is_again"][theirs] != 0, len(end))
    confirmed = first != NO_SIGNAL
    noted = np.where(rows["low"] == UNKNOWN_S, NO_SIGNAL, rows["low"])
    # Of signals that came to nothing, what somebody noted counts, else the last: it brought the technician.
    low = np.where(confirmed, np.minimum(first, noted), np.where(noted != NO_SIGNAL, noted, last))
    return np.where(low < NO_SIGNAL, low, UNKNOWN_S), confirmed
