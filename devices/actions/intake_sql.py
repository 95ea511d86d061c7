"""The raw SQL of intake: what serials mean, the ledger, locks, watermarks. Two dialects; the caller holds the transaction."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any, NamedTuple

from django.db import connection

from devices.actions.asks import Ask, Rows, ask, is_postgresql
from devices.actions.intake_memory import Kept, Memory
from devices.actions.rollup_sql import as_day
from devices.rules.intake_places import Place, Station, Unit, Units
from devices.rules.serials import serial_key
from devices.unit_stamps import do_stand

_PLACE = "g.id, g.transmitter_id, g.receiver_id, g.site_id, g.customer_id, g.slot, {0}, {1}, g.interval_s"


def _place_columns() -> str:
    # As seconds on PostgreSQL and text on SQLite: Django's own reading of moments takes longer than all the rest.
    names = ("g.registered_at", "g.removed_at")
    if is_postgresql():
        return _PLACE.format(*(f"date_part('epoch', {name})" for name in names))
    return _PLACE.format(*(f"{name} || ''" for name in names))


def _among(column: str, kind: str = "text") -> str:
    return f"{column} = ANY(%s::{kind}[])" if is_postgresql() else f"{column} IN (SELECT value FROM json_each(%s))"


def _among_keys(column: str) -> str:
    return _among(column, "bigint")


def _list(values: Iterable[Any]) -> Any:
    listed = list(values)
    if not is_postgresql():
        return json.dumps(listed)
    if not listed or not isinstance(listed[0], str):
        # As text: the driver would name other types for smaller numbers, and each of them wants a plan of its own.
        return f"{{{','.join(map(str, listed))}}}"
    # As PostgreSQL writes an array: the driver would look at each text for what to quote.
    text = "".join(listed)
    if "\\" in text or '"' in text:
        listed = [one.replace("\\", "\\\\").replace('"', '\\"') for one in listed]
    return '{"' + '","'.join(listed) + '"}'


def _moment(value: Any) -> Any:
    """A moment as either database gives it: SQLite's are of UTC and do not say so."""
    if isinstance(value, float):
        # To the microsecond: a double holds those of today in 51 of its 53 bits.
        return datetime.fromtimestamp(value, UTC)
    if value is None or is_postgresql():
        return value
    return (datetime.fromisoformat(value) if isinstance(value, str) else value).replace(tzinfo=UTC)


def _at(value: datetime | None) -> Any:
    """A moment as either database takes it."""
    if value is None or is_postgresql():
        return value
    return value.astimezone(UTC).replace(tzinfo=None).isoformat(" ")


class _Moments(dict[Any, Any]):
    """Moments as either database gives them → as Python has them, each worked out once: most places began with others."""

    def __missing__(self, value: Any) -> Any:
        found = self[value] = _moment(value)
        return found


def _places(rows: Iterable[Sequence[Any]]) -> dict[int, Place]:
    """Places by their keys; rows as `_place_columns` reads them."""
    moments = _Moments()
    return {
        pk: Place(pk, unit, receiver, site, customer, slot, moments[begun], moments[ended], interval_s)
        for pk, unit, receiver, site, customer, slot, begun, ended, interval_s in rows
    }


def _units(rows: Iterable[Sequence[Any]]) -> dict[int, Unit]:
    return {row[0]: Unit(row[0], row[1], row[2], bool(row[3])) for row in rows}


class Scope(NamedTuple):
    """Whom a source speaks for; None: the whole firm, or every site of the customer."""

    customer_id: int | None
    site_id: int | None


@dataclass(slots=True)
class Found:
    """What the serials of a batch mean, all registrations of these transmitters, and the first day that is still kept."""

    units: Units
    places: list[Place]
    border: date | None
    kept: list[Kept]
    """What of it was remembered, and may have changed since."""
    stamps: dict[int, int]
    """Stamps of what was read, with which it may be remembered: only serials exactly as on record."""


def units_and_places(serials: Iterable[str], scope: Scope, memory: Memory | None = None) -> Found:
    """Transmitters spelt like some serials, of the customer if there is one, with all their registrations.

    What `memory` holds of them is not read again.
    """
    wanted = set(serials)
    kept = memory.of(wanted, scope.customer_id) if memory is not None and memory.knows_border else []
    rows: Rows = []
    alike: Rows | None = None
    if kept and memory is not None:
        wanted.difference_update([one.unit.serial for one in kept])
        border = memory.border
        if wanted:
            # Hardly any of the few that nobody remembers is on record just so.
            rows, *like = ask(_exact_ask(wanted, scope), *_alike_asks(wanted, scope))
            alike = _alike(wanted, *like)
    else:
        said, rows = ask(border_ask(), _exact_ask(wanted, scope))
        border = as_border(said)
    units, stamps = _units(rows), {row[0]: row[4] for row in rows}
    more: dict[int, Unit] = {}
    if missing := wanted - {unit.serial for unit in units.values()}:
        if alike is None:
            alike = _alike(missing, *ask(*_alike_asks(missing, scope)))
        more = _units(alike)
        rows += alike
    places = _places(row[5:] for row in rows if row[5] is not None)
    exact = [*units.values(), *[one.unit for one in kept]]
    return Found(Units(exact, more.values()), list(places.values()), border, kept, stamps)


def _whose(scope: Scope) -> tuple[str, list[Any]]:
    return (" AND t.customer_id + 0 = %s", [scope.customer_id]) if scope.customer_id is not None else ("", [])


def _exact_ask(serials: Iterable[str], scope: Scope) -> Ask:
    """Transmitters as they are written on record: nearly all are found so."""
    whose, values = _whose(scope)
    return _units_ask(f"{_among('t.serial')}{whose}", [_list(serials), *values])


def _alike_asks(serials: Iterable[str], scope: Scope) -> tuple[Ask, Ask]:
    """Transmitters that are spelt like some serials, and all whose serials the index cannot compare; for `_alike`."""
    keys = {serial_key(one) for one in serials}
    whose, values = _whose(scope)
    # The index knows hyphens and blanks of ASCII only: serials with others are few, and looked at one by one.
    length, folded = _WIDTH_AND_FOLD[is_postgresql()]
    return (
        _units_ask(f"{_among(folded)}{whose}", [_list(keys), *values]),
        _units_ask(f"{length} <> length(t.serial){whose.replace(' + 0', '')}", values),
    )


def _alike(serials: Iterable[str], alike: Rows, strange: Rows) -> Rows:
    """Transmitters that are spelt like some serials."""
    keys = {serial_key(one) for one in serials}
    return alike + [row for row in strange if serial_key(row[2]) in keys]


_WIDTH_AND_FOLD = {
    # These very texts stand in indexes (migrations 0007, 0008 and 0011).
    True: ("octet_length(t.serial)", "t.search_text"),
    False: ("length(CAST(t.serial AS BLOB))", "LOWER(REPLACE(REPLACE(t.serial, '-', ''), ' ', ''))"),
}


def _units_ask(where: str, values: Sequence[Any]) -> Ask:
    return Ask(
        f"SELECT t.id, t.customer_id, t.serial, t.retired_at IS NOT NULL, t.stamp, {_place_columns()} "
        f"FROM devices_transmitter t LEFT JOIN devices_registration g ON g.transmitter_id = t.id WHERE {where}",
        values,
    )


def _places_ask(where: str, values: Sequence[Any]) -> Ask:
    return Ask(
        f"SELECT {_place_columns()} FROM devices_registration g WHERE {where}",
        values,
    )


def places_in(slots: Iterable[tuple[int, int]]) -> list[Place]:
    """Registrations of some slots, ever, and every other registration of the transmitters that stood there."""
    wanted = set(slots)
    if not wanted:
        return []
    receivers, numbers = {pk for pk, _ in wanted}, {slot for _, slot in wanted}
    some = f"{_among_keys('g.receiver_id')} AND {_among_keys('g.slot')}"
    units = f"SELECT g.transmitter_id FROM devices_registration g WHERE {some}"
    values = [_list(receivers), _list(numbers)]
    rows = ask(_places_ask(f"({some}) OR g.transmitter_id IN ({units})", values * 2))[0]
    return list(_places(rows).values())


def stations_named(words: Iterable[str], scope: Scope) -> list[Station]:
    """Receivers that have one of these words as code, label or serial, in scope."""
    wanted = sorted(set(words))
    if not wanted:
        return []
    folded = "LOWER(REPLACE(REPLACE(r.serial, '-', ''), ' ', ''))"
    where = f"({_among('r.code')} OR {_among('LOWER(r.label)')} OR (r.serial <> '' AND {_among(folded)}))"
    values = [
        _list(word.upper() for word in wanted), _list(word.lower() for word in wanted), _list(map(serial_key, wanted))
    ]  # fmt: skip
    return _stations(where, values, scope)


def stations_at(site_id: int, receiver_id: int | None) -> list[Station]:
    """Receivers that hang at a site, and one that may hang there no more."""
    return _stations(
        "r.site_id = %s AND (r.removed_at IS NULL OR r.id = %s)", [site_id, receiver_id], Scope(None, None)
    )


def _stations(where: str, values: list[Any], scope: Scope) -> list[Station]:
    for column, value in (("customer_id", scope.customer_id), ("site_id", scope.site_id)):
        if value is not None:
            where, values = f"{where} AND r.{column} = %s", [*values, value]
    rows = ask(
        Ask(
            "SELECT r.id, r.customer_id, r.site_id, r.code, r.label, r.serial, r.removed_at, r.n_slots FROM devices_receiver r "
            f"WHERE {where} ORDER BY r.id",
            values,
        )
    )[0]
    return [Station._make((*row[:6], row[6] is None, row[7])) for row in rows]


# --- the ledger and the locks -----------------------------------------------------------------------------------------

_LEDGER = (
    "source_id", "batch_id", "sha256", "received_at", "file_name", "from_at", "until_at", "n_rows", "n_taken", "n_refused",
    "n_set_aside", "n_clamped", "n_repeats", "n_conflicts", "answer", "by_id",
)  # fmt: skip


def ledger_ask(values: dict[str, Any]) -> Ask:
    """Write the row of a batch; gives its key, or nothing where one of this id is there. Waits for one under way."""
    marks = ", ".join(["%s"] * len(_LEDGER))
    row = [values[name] for name in _LEDGER]
    row = [_at(value) if isinstance(value, datetime) else value for value in row]
    row[_LEDGER.index("answer")] = json.dumps(values["answer"])
    return Ask(
        f"INSERT INTO devices_intakebatch ({', '.join(_LEDGER)}) VALUES ({marks}) "
        "ON CONFLICT (source_id, batch_id) DO NOTHING RETURNING id",
        row,
    )


class Fed(NamedTuple):
    """A receiver as intake sees it: who feeds it, of which kind that source is and whether it still does, until when, and
    before which day its days are over.
    """

    id: int
    heard_until: datetime | None
    link_tested_at: datetime | None
    fed_by: int | None
    feeder_kind: str | None
    feeder_is_active: bool | None
    is_open: bool
    closed_until: date | None


def lock_receivers_ask(ids: Iterable[int], source_id: int | None, scope: Scope) -> Ask:
    """Lock some receivers and, with a source, all in scope that it feeds, in the order of their keys; rows for `as_fed`."""
    where, values = _among_keys("r.id"), [_list(sorted(ids))]
    if source_id is not None:
        fed, more = "r.fed_by_id = %s AND r.removed_at IS NULL", [source_id]
        for column, value in (("customer_id", scope.customer_id), ("site_id", scope.site_id)):
            if value is not None:
                fed, more = f"{fed} AND r.{column} = %s", [*more, value]
        where, values = f"{where} OR ({fed})", [*values, *more]
    lock = " FOR NO KEY UPDATE OF r" if is_postgresql() else ""
    return Ask(
        "SELECT r.id, r.heard_until, r.link_tested_at, r.fed_by_id, s.kind, s.is_active, r.removed_at, r.days_closed_until "
        f"FROM devices_receiver r LEFT JOIN devices_intakesource s ON s.id = r.fed_by_id WHERE {where} ORDER BY r.id{lock}",
        values,
    )


def as_fed(rows: Rows) -> list[Fed]:
    """Receivers as `lock_receivers_ask` reads them."""
    return [
        Fed(pk, _moment(heard), _moment(tested), fed_by, kind, is_active, removed is None, as_day(closed))
        for pk, heard, tested, fed_by, kind, is_active, removed, closed in rows
    ]


def closed_ask(ids: Iterable[int]) -> Ask:
    """Before which day the days of some receivers are over; rows for `as_closed`."""
    return Ask(
        f"SELECT r.id, r.days_closed_until FROM devices_receiver r WHERE {_among_keys('r.id')}", [_list(sorted(ids))]
    )


def as_closed(rows: Rows) -> dict[int, date | None]:
    """What `closed_ask` reads, by receiver."""
    return {pk: as_day(closed) for pk, closed in rows}


def border_ask() -> Ask:
    """First day that is still kept; older ones were dropped, or are being dropped."""
    return Ask("SELECT checkins_from FROM company_firm WHERE id = 1", [])


def schema_asks() -> list[Ask]:
    """On SQLite the number of changes of its tables and triggers: it loses these where a table is remade."""
    return [] if is_postgresql() else [Ask("SELECT schema_version FROM pragma_schema_version", [])]


def are_stamps_kept() -> bool:
    """Whether every change draws a stamp; see `devices.unit_stamps`."""
    with connection.cursor() as cursor:
        return do_stand(cursor)


def as_border(rows: Rows) -> date | None:
    """The day that `border_ask` reads."""
    return as_day(rows[0][0]) if rows else None


# --- marks ------------------------------------------------------------------------------------------------------------


def mark_receivers_asks(rows: Iterable[Fed]) -> list[Ask]:
    """Write watermark, link test and feeding source of receivers: those of a batch are mostly all alike."""
    alike: dict[tuple[Any, ...], list[int]] = {}
    for row in rows:
        alike.setdefault((row.heard_until, row.link_tested_at, row.fed_by), []).append(row.id)
    return [
        Ask(
            f"UPDATE devices_receiver SET heard_until = %s, link_tested_at = %s, fed_by_id = %s WHERE {_among_keys('id')}",
            [_at(heard_until), _at(tested_at), fed_by, _list(ids)],
        )
        for (heard_until, tested_at, fed_by), ids in alike.items()
    ]


def mark_source_ask(source_id: int, watermark: datetime | None, used_at: datetime, n_clamped: int) -> Ask:
    """Note how far a source has delivered, when it last did, and how often its clock was wrong; marks never go back."""
    greatest = "GREATEST" if is_postgresql() else "max"
    sets = (
        f"watermark_at = {greatest}(COALESCE(watermark_at, %s), COALESCE(%s, watermark_at)), "
        f"last_used_at = {greatest}(COALESCE(last_used_at, %s), %s), n_clamped = n_clamped + %s"
    )
    mark, used = _at(watermark), _at(used_at)
    return Ask(f"UPDATE devices_intakesource SET {sets} WHERE id = %s", [mark, mark, used, used, n_clamped, source_id])


_ASIDE = (
    "batch_id",
    "customer_id",
    "receiver_id",
    "slot",
    "serial",
    "unit",
    "kind",
    "at",
    "row",
    "event",
    "why",
    "dismissed_why",
)


def set_aside_asks(rows: Sequence[Sequence[Any]]) -> list[Ask]:
    """Write events set aside: columns of `_ASIDE` but the last."""
    if not rows:
        return []
    marks = f"({', '.join(['%s'] * (len(_ASIDE) - 1))}, '')"
    asks = []
    for start in range(0, len(rows), 80):
        some = rows[start : start + 80]
        values = [
            _at(value) if isinstance(value, datetime) else json.dumps(value) if isinstance(value, dict) else value
            for row in some
            for value in row
        ]
        asks.append(
            Ask(
                f"INSERT INTO devices_setaside ({', '.join(f'{chr(34)}{name}{chr(34)}' for name in _ASIDE)}) VALUES "
                + ", ".join([marks] * len(some)),
                values,
            )
        )
    return asks
