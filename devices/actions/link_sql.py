"""The raw SQL of links in two dialects: whole tables into columns, and running states back by one statement.

The ORM makes an object per row; for a hundred thousand transmitters a night that alone takes longer than the sums.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from django.db import connection
from numpy.typing import NDArray

from devices.fields import day_of
from devices.models import LinkWatch
from devices.rules.weak_link import NO_DAY

Ints = NDArray[np.int64]
Columns = dict[str, NDArray[Any]]
FAR = 10**7
"""Day number later than any."""
AT_ONCE = 50_000
"""Rows fetched, or written, in one go."""

STATE = (
    ("transmitter_id", "int"), ("customer_id", "bigint"), ("registration_id", "bigint"), ("judged_on", "date"),
    ("score", "float8"), ("base_heard", "float8"), ("base_expected", "float8"), ("onset_on", "date"),
    ("amber_since", "date"), ("red_since", "date"), ("share_before", "float8"), ("share_now", "float8"),
)  # fmt: skip
DATES = frozenset(name for name, kind in STATE if kind == "date")


def is_postgresql() -> bool:
    """Which of the two dialects is spoken."""
    return connection.vendor == "postgresql"


def _day(column: str, *, is_moment: bool = False) -> str:
    """SQL of a day as its number since 2000-01-01; of a moment the day of UTC."""
    if is_postgresql():
        day = f"({column} AT TIME ZONE 'UTC')::date" if is_moment else column
        return f"({day} - DATE '2000-01-01')"
    day = f"substr({column}, 1, 10)" if is_moment else column
    return f"CAST(julianday({day}) - 2451544.5 AS INTEGER)"


def _select(names: Sequence[str], query: str, values: Sequence[Any] = (), *, kind: Any = np.int64) -> Columns:
    """Read a query into columns of one kind."""
    parts = [np.zeros((0, len(names)), dtype=kind)]
    with connection.cursor() as cursor:
        cursor.execute(query, list(values))
        while rows := cursor.fetchmany(AT_ONCE):
            parts.append(np.array(rows, dtype=kind))
    whole = np.concatenate(parts)
    return {name: whole[:, place] for place, name in enumerate(names)}


def read_stays(since: int) -> Columns:
    """Registrations at receivers whose every check-in reaches us, by transmitter and key: whole days `begins` … `ends`
    (exclusive), `limit`, the day up to which its receiver's days are known, and whether it leaves the site.
    """
    begins, removed = _day("r.registered_at", is_moment=True), _day("r.removed_at", is_moment=True)
    known = f"COALESCE({_day('v.days_closed_until')}, {_day('v.heard_until', is_moment=True)}, -1)"
    query = (
        "SELECT r.id, r.transmitter_id, r.receiver_id, r.customer_id, COALESCE(r.interval_s, 0), "
        f"{begins} + 1, COALESCE({removed}, {FAR}), {known}, CASE WHEN r.is_portable THEN 1 ELSE 0 END "
        "FROM devices_registration r JOIN devices_receiver v ON v.id = r.receiver_id "
        "WHERE v.evidence = 'every' AND r.transmitter_id IS NOT NULL "
        f"AND (r.removed_at IS NULL OR {removed} > %s) ORDER BY r.transmitter_id, r.id"
    )
    names = ("pk", "transmitter", "receiver", "customer", "interval_s", "begins", "ends", "limit", "leaves")
    return _select(names, query, [since])


def read_away(since: int) -> Columns:
    """Absences: registration, first and last day."""
    last = f"COALESCE({_day('ended_on')}, {FAR})"
    query = f"SELECT registration_id, {_day('from_on')}, {last} FROM devices_away WHERE {last} >= %s"
    return _select(("registration", "begins", "last"), query, [since])


def read_states() -> Columns:
    """Every running state; missing dates are `NO_DAY`, missing shares are no number. `receiver` is that of its registration."""
    dates = ", ".join(f"COALESCE({_day('w.' + name)}, {NO_DAY})" for name in sorted(DATES))
    absent = "'NaN'" if is_postgresql() else "9e999"
    query = (
        "SELECT w.transmitter_id, COALESCE(r.receiver_id, -1), w.score, w.base_heard, w.base_expected, "
        f"COALESCE(w.share_before, {absent}), COALESCE(w.share_now, {absent}), {dates} "
        "FROM devices_linkwatch w LEFT JOIN devices_registration r ON r.id = w.registration_id"
    )
    names = ("transmitter", "receiver", "score", "base_heard", "base_expected", "share_before", "share_now")
    found = _select((*names, *sorted(DATES)), query, kind=np.float64)
    for name in ("share_before", "share_now"):
        found[name] = np.where(np.isfinite(found[name]), found[name], np.nan)
    return found


def read_counts(days: Iterable[int]) -> Columns:
    """Check-in days on which anything was expected: `transmitter`, `day`, `heard`, `expected`."""
    listed = sorted(set(days))
    names = ("transmitter", "day", "heard", "expected")
    if is_postgresql():
        query = (
            f"SELECT d.transmitter_id, {_day('d.day')}, d.heard, d.expected FROM devices_checkinday d "
            "WHERE d.day = ANY(%s::date[]) AND d.expected > 0"
        )
        return _select(names, query, [[day_of(number) for number in listed]])
    # The key begins with the transmitter: without the list of transmitters the whole table would be read.
    query = (
        "SELECT d.transmitter_id, d.day, d.heard, d.expected FROM (SELECT DISTINCT r.transmitter_id AS t "
        "FROM devices_registration r JOIN devices_receiver v ON v.id = r.receiver_id WHERE v.evidence = 'every' "
        "AND r.transmitter_id IS NOT NULL) u CROSS JOIN devices_checkinday d "
        f"WHERE d.transmitter_id = u.t AND d.day IN ({','.join(['%s'] * len(listed))}) AND d.expected > 0"
    )
    return _select(names, query, listed)


def read_masks(days: Iterable[int], transmitters: Sequence[int]) -> dict[tuple[int, int], int]:
    """Transmitter and day → quarter hours in which it was heard, bit q for quarter q; days without any are left out."""
    listed = sorted(set(days))
    if not listed or not transmitters:
        return {}
    which = "d.transmitter_id = ANY(%s)" if is_postgresql() else "d.transmitter_id IN (SELECT value FROM json_each(%s))"
    when = "d.day = ANY(%s::date[])" if is_postgresql() else f"d.day IN ({','.join(['%s'] * len(listed))})"
    query = (
        f"SELECT d.transmitter_id, {_day('d.day') if is_postgresql() else 'd.day'}, d.presence FROM devices_checkinday d "
        f"WHERE {which} AND {when} AND d.presence IS NOT NULL"
    )
    values: list[Any] = (
        [list(transmitters), [day_of(number) for number in listed]]
        if is_postgresql()
        else [json.dumps(list(transmitters)), *listed]
    )
    with connection.cursor() as cursor:
        cursor.execute(query, values)
        # PostgreSQL keeps a sealed day's mask as no bytes at all.
        found = {(unit, day): int.from_bytes(bytes(mask), "little") for unit, day, mask in cursor.fetchall()}
    return {key: bits for key, bits in found.items() if bits}


def guard() -> tuple[Any, ...]:
    """Keep other judges out until the transaction ends; gives what tells whether the states are still those read before."""
    with connection.cursor() as cursor:
        if is_postgresql():
            cursor.execute("SELECT pg_advisory_xact_lock(hashtext('devices_linkwatch'))")
        cursor.execute(f"SELECT count(*), sum({_day('judged_on')}) FROM devices_linkwatch")
        return tuple(cursor.fetchone())


def write_states(columns: Columns) -> None:
    """Put running states in the place of those that stand, or make them: columns of `STATE`, days as numbers."""
    names = [name for name, _ in STATE]
    sets = ", ".join(f"{name} = excluded.{name}" for name in names[1:])
    n = len(columns["transmitter_id"])
    for begin in range(0, n, AT_ONCE):
        lists = [_written(name, columns[name][begin : begin + AT_ONCE]) for name in names]
        with connection.cursor() as cursor:
            if is_postgresql():
                arrays = ", ".join(f"%s::{kind}[]" for _, kind in STATE)
                cursor.execute(
                    f"INSERT INTO devices_linkwatch ({', '.join(names)}) SELECT * FROM unnest({arrays}) "
                    f"ON CONFLICT (transmitter_id) DO UPDATE SET {sets}",
                    lists,
                )
            else:
                marks = ", ".join(["%s"] * len(names))
                cursor.executemany(
                    f"INSERT INTO devices_linkwatch ({', '.join(names)}) VALUES ({marks}) "
                    f"ON CONFLICT (transmitter_id) DO UPDATE SET {sets}",
                    list(zip(*lists, strict=True)),
                )


def _written(name: str, column: NDArray[Any]) -> list[Any]:
    """One column as the database takes it."""
    if name in DATES:
        days = {number: _as_date(number) for number in np.unique(column).tolist()}
        return [days[number] for number in column.tolist()]
    if name.startswith("share_"):
        return [None if value != value else value for value in column.tolist()]
    return list(column.tolist())


def _as_date(number: int) -> Any:
    if number == NO_DAY:
        return None
    return day_of(number) if is_postgresql() else day_of(number).isoformat()


def drop_states() -> None:
    """Forget every running state."""
    LinkWatch.objects.all().delete()
