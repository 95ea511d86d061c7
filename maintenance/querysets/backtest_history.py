"""Reads the whole record for the test of earlier predictions: every set of cells, and when it was looked at."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maintenance.querysets import fleet_sql as sql
from maintenance.querysets.fleet_days import DAY_S
from maintenance.querysets.fleet_history import EVERY, EVIDENCE, VISITS, read_history
from maintenance.rules.battery.backtest import History
from maintenance.rules.battery.fleet import Strata
from maintenance.rules.battery.outcomes import OTHER
from maintenance.rules.fleet_columns import FloatArray, IntArray, picked, row_of, sorted_by
from maintenance.rules.fleet_history import grouped, history_of

TypeKey = tuple[int | None, int | None, bool]
EPOCH_S = 946_684_800
"""1 January 2000 as seconds since 1970."""
_SHIFT = 20
"""Days since 2000 need no more bits; above them stands the site."""


@dataclass(frozen=True, slots=True)
class Looks:
    """When each set of cells could be seen to work: always, or at the finished visits of its site."""

    by_visit: NDArray[np.bool_]
    site: IntArray
    entry_day: FloatArray
    visits: IntArray

    def before(self, cut: float) -> FloatArray:
        """Give the last day before a moment on which each set was known to work; its first day where it was never seen."""
        asked = (self.site << _SHIFT) + max(int(np.ceil(cut)), 0)
        at = np.searchsorted(self.visits, asked, side="left") - 1
        last = self.visits[np.maximum(at, 0)] if len(self.visits) else np.full(len(asked), -1)
        day = np.where((at >= 0) & (last >> _SHIFT == self.site), last & ((1 << _SHIFT) - 1), -1).astype(np.float64)
        return np.where(self.by_visit, np.minimum(np.fmax(day, self.entry_day), cut), cut)


@dataclass(frozen=True, slots=True)
class Record:
    """What the test takes, with the key of each stratum."""

    history: History
    strata: Strata
    keys: tuple[TypeKey, ...]
    looks: Looks
    _life: Any
    _rows: IntArray
    _n: int

    def exposure_at(self, day: FloatArray) -> FloatArray:
        """Exposure of each set in the history at a day of its own [1]."""
        every = np.full(self._n, np.nan)
        every[self._rows] = day
        return np.asarray(self._life.exposure_at(every)[self._rows])


def read_record(at: datetime, today_day: float) -> Record:
    """Read every set of cells whose life teaches something, as it is known now."""
    columns = read_history(at)
    told = history_of(columns, today_day)
    groups = grouped(told)
    rows, f, out = groups.rows, columns.fittings, told.outcome
    history = History(
        stratum=groups.batteries.stratum,
        lot=groups.batteries.lot,
        duty=f["duty"][rows],
        fitted_day=f["fitted_day"][rows],
        entry_day=out.entry_day[rows],
        until_day=out.end_day[rows],
        is_end=out.is_end[rows],
        lower_day=out.lower_day[rows],
        known_day=np.full(len(rows), np.nan),
        out_day=f["removed_day"][rows],
        is_found_dead=out.is_found_dead[rows],
        is_signalled=out.is_signalled[rows],
        is_other=out.cause[rows] == OTHER,
        sleep_share=groups.batteries.sleep_share,
    )
    kinds, cells = _keys(columns.kinds["pk"], groups.kind), _keys(columns.cells["pk"], groups.cell)
    keys = tuple(zip(kinds, cells, (bool(x) for x in groups.strata.is_measured), strict=True))
    looks = _looks(f["pk"][rows], history.entry_day)
    return Record(history, groups.strata, keys, looks, told.life, rows, len(f["pk"]))


def _keys(pks: NDArray[Any], rows: IntArray) -> list[int | None]:
    return [int(pks[row]) if row >= 0 else None for row in rows]


def _looks(fittings: IntArray, entry_day: FloatArray) -> Looks:
    """Say by what each set of cells is seen: the evidence of the receiver that its transmitter stands at, or stood at last."""
    owners = sorted_by(sql.select([sql.key("pk", "id"), sql.key("transmitter_id")], "devices_fitting"), "pk")
    places = sorted_by(
        sql.select(
            [sql.key("transmitter", "g.transmitter_id"), sql.key("site", "g.site_id"),
             sql.moment("since", "g.registered_at"), sql.code("evidence", "r.evidence", EVIDENCE, VISITS)],
            "devices_registration g JOIN devices_receiver r ON r.id = g.receiver_id WHERE g.transmitter_id IS NOT NULL",
        ),
        "transmitter", "since",
    )  # fmt: skip
    is_last = np.append(places["transmitter"][1:] != places["transmitter"][:-1], True)[: len(places["site"])]
    places = picked(places, is_last)
    row = row_of(places["transmitter"], owners["transmitter"][row_of(owners["pk"], fittings)])
    is_placed = row >= 0
    site = np.where(is_placed, places["site"][row], 0) if len(places["site"]) else np.zeros(len(row), dtype=np.int64)
    evidence = places["evidence"][row] if len(places["site"]) else np.full(len(row), EVERY)
    visits = sql.select(
        [sql.key("site_id"), sql.moment("finished", "finished_at")],
        "maintenance_visit WHERE state = 'finished' AND finished_at IS NOT NULL",
    )
    days = np.maximum((visits["finished"] - EPOCH_S) // DAY_S, 0)
    return Looks(
        by_visit=is_placed & (evidence == VISITS),
        site=site.astype(np.int64),
        entry_day=entry_day,
        visits=np.sort((visits["site"] << _SHIFT) + days),
    )
