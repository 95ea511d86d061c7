"""Rows as they stand in the tables: open ones of a part of the fleet, or everything that ever was, for a fit.

A night reads everything once, for its fit and for its dates: what comes over the wire takes longer than all sums together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from django.db import connection
from numpy.typing import NDArray

from maintenance.querysets import fleet_sql as sql
from maintenance.querysets.fleet_days import UNKNOWN_S
from maintenance.rules.battery.outcomes import WHY
from maintenance.rules.fleet_columns import NO_KEY, picked, row_of, sorted_by

DUTIES = ("life_safety", "security", "convenience")
EVIDENCE = ("every", "exceptions", "visits")
Table = dict[str, NDArray[Any]]


@dataclass(frozen=True, slots=True)
class Scope:
    """Which part of the fleet: what stands at some receivers, or the transmitters from `low` to before `high`.

    Standby batteries belong to receivers: with a range they are read where `with_standby` says so.
    """

    receivers: tuple[int, ...] | None = None
    low: int = 0
    high: int | None = None
    with_standby: bool = True

    def transmitters(self, column: str) -> str:
        """Condition on a column that names transmitters."""
        if self.receivers is not None:
            return (
                f"{column} IN (SELECT transmitter_id FROM devices_registration "
                f"WHERE removed_at IS NULL AND receiver_id IN ({sql.ids(self.receivers)}))"
            )
        parts = [f"{column} >= {int(self.low)}"] if self.low else []
        parts += [f"{column} < {int(self.high)}"] if self.high is not None else []
        return " AND ".join(parts) or "1 = 1"

    def at_receivers(self, column: str) -> str:
        """Condition on a column that names the receivers of standby batteries."""
        if self.receivers is not None:
            return f"{column} IN ({sql.ids(self.receivers)})"
        return "1 = 1" if self.with_standby else "1 = 0"

    def holds(self, transmitters: NDArray[Any]) -> NDArray[np.bool_]:
        """Tell which transmitters lie in a range."""
        inside = transmitters >= self.low
        return inside if self.high is None else inside & (transmitters < self.high)


@dataclass(frozen=True, slots=True)
class Raw:
    """Tables by key; times in seconds since 1970, `UNKNOWN_S` where there is none.

    `receivers` (pk, version, site, customer, evidence) was read first: whoever changes one afterwards bumps its version.
    `registrations`, `units` (pk, type), `fittings` and `periods` (fitting = key) are in order of their key; a whole one
    has closed rows too, and of fittings how they ended and the place of their lot in `codes`.
    """

    receivers: Table
    registrations: Table
    units: Table
    fittings: Table
    periods: Table
    codes: tuple[str, ...] = ()


_FITTING = (
    sql.key("pk", "id"), sql.key("transmitter_id"), sql.key("battery_type_id"), sql.moment("fitted", "fitted_at"),
    sql.moment("entered", "entered_at"), sql.day("made_day", "made_on"), sql.moment("low", "first_low_at"),
    sql.flag("has_code", "lot <> ''"),
)  # fmt: skip
_ENDED = (
    sql.moment("removed", "removed_at"), sql.code("why", "removed_why", tuple(WHY), WHY["unknown"]),
    sql.real("volts", "removed_v"), sql.flag("is_under_load", "removed_v_under_load"),
    sql.moment("alive", "last_alive_at"),
)  # fmt: skip
_PLACE = (
    sql.key("transmitter_id"), sql.key("pk", "id"), sql.key("receiver_id"), sql.code("duty", "duty", DUTIES, 2),
    sql.real("interval_s"),
)  # fmt: skip
_PLACE_THEN = (
    sql.moment("since", "registered_at"), sql.flag("is_open", "removed_at IS NULL"), sql.real("window_s"),
)  # fmt: skip
_UNIT = (sql.key("pk", "id"), sql.key("type_id"))
_PERIOD = (
    sql.key("fitting_id"), sql.day("from_day", "from_on"), sql.real("interval_s"), sql.real("days_measured"),
    sql.real("activations"), sql.real("temperature_days"), sql.real("temperature_sum_c"),
)  # fmt: skip


def read_open(scope: Scope) -> Raw:
    """Rows that are open now, of a part of the fleet."""
    here = scope.transmitters("transmitter_id")
    places = f"devices_registration WHERE removed_at IS NULL AND transmitter_id IS NOT NULL AND {here}"
    receivers = "devices_receiver"
    if scope.receivers is not None:
        receivers += f" WHERE id IN ({sql.ids(scope.receivers)}) OR id IN (SELECT receiver_id FROM {places})"
    cells = f"removed_at IS NULL AND {here}"
    periods = "devices_fittingtotals"
    if scope != Scope():
        periods += f" WHERE fitting_id IN (SELECT id FROM devices_fitting WHERE {cells})"
    return Raw(
        receivers=_receivers(receivers),
        registrations=sorted_by(sql.select(_PLACE, places), "transmitter", "pk"),
        units=sorted_by(sql.select(_UNIT, f"devices_transmitter WHERE {scope.transmitters('id')}"), "pk"),
        fittings=sorted_by(sql.select(_FITTING, f"devices_fitting WHERE {cells}"), "pk"),
        periods=sorted_by(sql.select(_PERIOD, periods), "fitting", "from_day"),
    )


def read_whole() -> Raw:
    """Everything that ever was."""
    receivers = _receivers("devices_receiver")
    fittings = sorted_by(sql.select((*_FITTING, *_ENDED), "devices_fitting"), "pk")
    fittings["lot"], codes = _lots(fittings["pk"])
    places = sql.select((*_PLACE, *_PLACE_THEN), "devices_registration WHERE transmitter_id IS NOT NULL")
    return Raw(
        receivers=receivers,
        registrations=sorted_by(places, "transmitter", "since", "pk"),
        units=sorted_by(sql.select(_UNIT, "devices_transmitter"), "pk"),
        fittings=fittings,
        periods=sorted_by(sql.select(_PERIOD, "devices_fittingtotals"), "fitting", "from_day"),
        codes=codes,
    )


def open_part(whole: Raw, scope: Scope) -> Raw:
    """The open rows of a range, out of everything."""
    places, cells = whole.registrations, whole.fittings
    cells = picked(cells, (cells["removed"] == UNKNOWN_S) & scope.holds(cells["transmitter"]))
    return Raw(
        receivers=whole.receivers,
        registrations=picked(places, (places["is_open"] == 1) & scope.holds(places["transmitter"])),
        units=picked(whole.units, scope.holds(whole.units["pk"])),
        fittings=cells,
        periods=picked(whole.periods, row_of(cells["pk"], whole.periods["fitting"]) >= 0),
        codes=whole.codes,
    )


def _receivers(source: str) -> Table:
    columns = (
        sql.key("pk", "id"), sql.key("version"), sql.key("site_id"), sql.key("customer_id"),
        sql.code("evidence", "evidence", EVIDENCE),
    )  # fmt: skip
    return sorted_by(sql.select(columns, source), "pk")


def _lots(fitting_pks: NDArray[Any]) -> tuple[NDArray[np.int64], tuple[str, ...]]:
    """Place of each set's lot code among all codes, −1 = none was noted; and the codes."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            # Told apart by a 64-bit hash of the server's: a million codes need not come over as text.
            cursor.execute("SELECT DISTINCT lot, hashtextextended(lot, 0) FROM devices_fitting WHERE lot <> ''")
            pairs = cursor.fetchall()
            hashed = (sql.key("pk", "id"), sql.key("hash", "hashtextextended(lot, 0)"))
            rows = sql.select(hashed, "devices_fitting WHERE lot <> ''")
            pks, number = rows["pk"], rows["hash"]
        else:
            cursor.execute("SELECT id, lot FROM devices_fitting WHERE lot <> ''")
            noted = cursor.fetchall()
            pairs = list({lot: n for n, (_, lot) in enumerate(noted)}.items())
            number_of = dict(pairs)
            pks = np.array([pk for pk, _ in noted], dtype=np.int64)
            number = np.array([number_of[lot] for _, lot in noted], dtype=np.int64)
    pairs.sort()
    hashes = np.array([number for _, number in pairs], dtype=np.int64)
    order = np.argsort(hashes)
    at, found = row_of(fitting_pks, pks), row_of(hashes[order], number)
    lot = np.full(len(fitting_pks), NO_KEY, dtype=np.int64)
    known = (at >= 0) & (found >= 0)
    lot[at[known]] = order[found[known]]
    return lot, tuple(code for code, _ in pairs)
