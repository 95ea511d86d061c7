"""The raw SQL of check-in days and running totals, in two dialects: `unnest` for PostgreSQL, `executemany` for SQLite.

Whoever calls this holds a transaction, and the locks of `lock_transmitters`: days are read, merged by
`devices.rules.day_merge` and written: new ones whole, of others what changed. Rows come sorted by (transmitter, day), so that two writers never wait crosswise.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from datetime import date
from typing import Any

from django.db import connection

from devices.actions.asks import Ask, ask, is_postgresql
from devices.actions.asks import Rows as Rows
from devices.fields import day_number, day_of
from devices.rules.day_merge import DayState

Key = tuple[int, date]
DAY_COLUMNS = (
    ("transmitter_id", "int"), ("day", "date"), ("customer_id", "int"), ("last_heard_s", "int"), ("heard", "smallint"),
    ("expected", "smallint"), ("activations", "smallint"), ("loss_runs", "smallint"), ("lowest_margin_db", "smallint"),
    ("flags", "smallint"), ("presence", "bytea"), ("acted", "bytea"), ("acts_source", "smallint"),
)  # fmt: skip
TOTAL_COLUMNS = (
    ("customer_id", "bigint"), ("fitting_id", "bigint"), ("from_on", "date"), ("interval_s", "int"),
    ("days_measured", "int"), ("checkins", "int"), ("activations", "int"),
)  # fmt: skip
STATE = "d.heard, d.expected, d.activations, d.loss_runs, d.lowest_margin_db, d.flags, d.last_heard_s, {0}, {1}, d.acts_source"


def _among(column: str) -> str:
    return f"{column} = ANY(%s::bigint[])" if is_postgresql() else f"{column} IN (SELECT value FROM json_each(%s))"


def _list(values: Sequence[Any]) -> Any:
    return _array(values) if is_postgresql() else json.dumps(list(values))


def _day(day: date) -> Any:
    return day if is_postgresql() else day_number(day)


def lock_ask(ids: Sequence[int]) -> Ask:
    """Lock transmitters in the order of their keys; rows of key, customer and stamp. SQLite has one writer at a time anyway."""
    lock = " ORDER BY id FOR NO KEY UPDATE" if is_postgresql() else ""
    return Ask(f"SELECT id, customer_id, stamp FROM devices_transmitter WHERE {_among('id')}{lock}", [_list(ids)])


def lock_known_ask(ids: Sequence[int]) -> Ask:
    """The same for transmitters that are remembered; one row: how many there are, and the sum of their stamps."""
    if not is_postgresql():
        return Ask(f"SELECT count(*), sum(stamp) FROM devices_transmitter WHERE {_among('id')}", [_list(ids)])
    locked = f"SELECT stamp FROM devices_transmitter WHERE {_among('id')} ORDER BY id FOR NO KEY UPDATE"
    return Ask(f"SELECT count(*), sum(stamp)::bigint FROM ({locked}) AS l", [_list(ids)])


def lock_transmitters(ids: Sequence[int]) -> dict[int, int]:
    """Lock transmitters as `lock_ask` says; gives their customers."""
    return owners(ask(lock_ask(ids))[0])


def owners(locked: Iterable[Sequence[Any]]) -> dict[int, int]:
    """Customers of the transmitters that `lock_ask` locked."""
    return {row[0]: row[1] for row in locked}


def _utc_day(column: str) -> str:
    # Django keeps moments as UTC text on SQLite, so that their first ten characters are the day.
    return f"({column} AT TIME ZONE 'UTC')::date" if is_postgresql() else f"substr({column}, 1, 10)"


def as_day(value: Any) -> date | None:
    """A day as either database gives it."""
    return date.fromisoformat(value) if isinstance(value, str) else value


def stay_day(day: date) -> Any:
    """A day as `stays_ask` reads it, for comparing: text of ISO on SQLite."""
    return day if is_postgresql() else day.isoformat()


_BEGINS = "COALESCE(f.fitted_at, f.entered_at)"


# One look into the index for each set of cells: left to itself PostgreSQL reads all totals for a batch.
_PERIODS = (
    "LATERAL (SELECT p.id, p.from_on FROM devices_fittingtotals p WHERE p.fitting_id = f.id OFFSET 0) AS x ON true"
)


def stays_ask(ids: Sequence[int], since: date | None) -> Ask:
    """Fittings: transmitter, key, customer, first day, last day (exclusive), of UTC, and each setting-period on record (key,
    first day); days as `as_day` reads and `stay_day` writes them. With `since`, only fittings in after that day. Cells that
    nobody dated count from when our records know them.
    """
    ends = _utc_day("f.removed_at")
    from_on = "x.from_on" if is_postgresql() else "x.from_on || ''"
    more = f" AND (f.removed_at IS NULL OR {ends} > %s)" if since else ""
    values = [since if is_postgresql() else since.isoformat()] if since else []
    return Ask(
        f"SELECT f.transmitter_id, f.id, f.customer_id, {_utc_day(_BEGINS)}, {ends}, x.id, {from_on} FROM devices_fitting f "
        f"LEFT JOIN {_PERIODS if is_postgresql() else 'devices_fittingtotals x ON x.fitting_id = f.id'} WHERE {_among('f.transmitter_id')}{more}",
        [_list(ids), *values],
    )


def settings_ask(ids: Sequence[int]) -> Ask:
    """Registrations: transmitter, first day, last day (exclusive), of UTC, check-in interval [s]."""
    return Ask(
        f"SELECT transmitter_id, {_utc_day('registered_at')}, {_utc_day('removed_at')}, interval_s "
        f"FROM devices_registration WHERE {_among('transmitter_id')}",
        [_list(ids)],
    )


def days_ask(keys: Sequence[Key]) -> Ask:
    """What is on record of some days; rows for `as_states`."""
    # The masks of a closed month are empty, which says the same as none: sealed.
    empty = "''::bytea" if is_postgresql() else "x''"
    masks = (f"NULLIF(d.{name}, {empty})" for name in ("presence", "acted"))
    columns = f"d.transmitter_id, d.day, {STATE.format(*masks)}"
    if not is_postgresql():
        return Ask(
            f"SELECT {columns} FROM json_each(%s) k CROSS JOIN devices_checkinday d "
            "ON d.transmitter_id = json_extract(k.value, '$[0]') AND d.day = json_extract(k.value, '$[1]')",
            [json.dumps([(t, day_number(day)) for t, day in keys])],
        )
    # Days stand in the statement, so that only their months are looked at.
    units, days = _array([t for t, _ in keys]), [day for _, day in keys]
    first, last = min(days), max(days)
    if first == last:
        where = f"d.transmitter_id = ANY(%s::int[]) AND d.day = '{first}'"
        return Ask(f"SELECT {columns} FROM devices_checkinday d WHERE {where}", [units])
    return Ask(
        f"SELECT {columns} FROM unnest(%s::int[], %s::date[]) AS k(t, day) JOIN devices_checkinday d "
        f"ON d.transmitter_id = k.t AND d.day = k.day AND d.day BETWEEN '{first}' AND '{last}'",
        [units, _array(days)],
    )


def as_states(rows: Iterable[Sequence[Any]]) -> dict[Key, DayState]:
    """Days on record, by transmitter and day."""
    if is_postgresql():
        return {row[:2]: tuple.__new__(DayState, row[2:]) for row in rows}  # type: ignore[misc]
    days = _Read()
    return {(row[0], days[row[1]]): DayState._make(row[2:]) for row in rows}


class _Read(dict[int, date]):
    """Days as SQLite keeps them → as Python has them, each worked out once."""

    def __missing__(self, number: int) -> date:
        found = self[number] = day_of(number)
        return found


def _unnest(columns: Sequence[tuple[str, str]], more: str = "") -> str:
    names = ", ".join(name for name, _ in columns)
    arrays = ", ".join(f"%s::{kind}[]" for _, kind in columns)
    return f"SELECT {names}{more} FROM unnest({arrays}) AS v({names})"


def _array(values: Iterable[int | date | bytes | None]) -> str:
    """Numbers, days and masks as PostgreSQL writes an array: the driver looks at each for what to quote, and nothing is here."""
    listed = list(values)
    distinct = set(listed)
    if len(distinct) == 1:
        # Most columns of a batch say one thing all over.
        return "{" + ",".join([_element(listed[0])] * len(listed)) + "}"
    kinds = set(map(type, distinct))
    if kinds == {int}:
        return "{" + str(listed)[1:-1] + "}"
    if kinds == {bytes}:
        return '{"\\\\x' + '","\\\\x'.join(map(bytes.hex, listed)) + '"}'  # type: ignore[arg-type]
    return "{" + ",".join([_element(value) for value in listed]) + "}"


def _element(value: int | date | bytes | None) -> str:
    if value is None:
        return "NULL"
    # Of hexadecimal figures alone; an array wants the backslash twice.
    return f'"\\\\x{value.hex()}"' if isinstance(value, bytes) else str(value)


def _write_asks(
    sql_of: Callable[[str], str], columns: Sequence[tuple[str, str]], rows: Sequence[Sequence[Any]], more: str = ""
) -> list[Ask]:
    if not rows:
        return []
    if is_postgresql():
        return [Ask(sql_of(_unnest(columns, more)), [_array(column) for column in zip(*rows, strict=True)])]
    marks = ", ".join(["%s"] * len(columns))
    return [Ask(sql_of(f"VALUES ({marks}{more})"), rows, is_many=True)]


def _days_sql(source: str) -> str:
    # The customer is fixed when the day begins: a transmitter that moves on takes no history along.
    sets = ", ".join(f"{name} = excluded.{name}" for name, _ in DAY_COLUMNS[3:])
    return f"{_new_days_sql(source)} ON CONFLICT (transmitter_id, day) DO UPDATE SET {sets}"


def _new_days_sql(source: str) -> str:
    return f"INSERT INTO devices_checkinday AS d ({', '.join(name for name, _ in DAY_COLUMNS)}) {source}"


def _columns(rows: Iterable[tuple[Key, int, DayState]]) -> list[tuple[Any, ...]]:
    """Days in the order of `DAY_COLUMNS`."""
    days = _Written()
    return [
        (unit, days[day], customer_id, last, heard, expected, acts, runs, margin, flags, presence, acted, source_id)
        for (unit, day), customer_id, (heard, expected, acts, runs, margin, flags, last, presence, acted, source_id) in rows
    ]  # fmt: skip


def write_days(rows: Iterable[tuple[Key, int, DayState]]) -> None:
    """Write days as they are now, on record or not: key, customer, state; sorted by key."""
    ask(*_write_asks(_days_sql, DAY_COLUMNS, _columns(rows)))


def new_days_asks(rows: Iterable[tuple[Key, int, DayState]]) -> list[Ask]:
    """Write days that are not on record; see `write_days`. Nobody else can begin one while its transmitter is locked."""
    return _write_asks(_new_days_sql, DAY_COLUMNS, _columns(rows))


CHANGED = DayState._fields


def changed_days_asks(rows: Sequence[tuple[Key, DayState, DayState]]) -> list[Ask]:
    """Write what changed of days on record: key, state on record, state as it is now; sorted by key.

    Columns in which all of them are as they were are left out: mostly half of them.
    """
    if not rows:
        return []
    keys, before, now = zip(*rows, strict=True)
    pairs = zip(CHANGED, zip(*before, strict=True), zip(*now, strict=True), strict=True)
    columns = {name: new for name, old, new in pairs if old != new}
    units, days = zip(*keys, strict=True)
    if not is_postgresql():
        sets, written = ", ".join(f"{name} = %s" for name in columns), _Written()
        values = zip(*columns.values(), units, [written[day] for day in days], strict=True)
        where = "transmitter_id = %s AND day = %s"
        return [Ask(f"UPDATE devices_checkinday SET {sets} WHERE {where}", list(values), is_many=True)]
    kinds = dict(DAY_COLUMNS)
    sets, first, last = ", ".join(f"{name} = v.{name}" for name in columns), min(days), max(days)
    columns = {"transmitter_id": units} | ({} if first == last else {"day": days}) | columns
    arrays = ", ".join(f"%s::{kinds[name]}[]" for name in columns)
    # Days stand in the statement, so that only their months are looked at.
    where = f"d.day = '{first}'" if first == last else f"d.day = v.day AND d.day BETWEEN '{first}' AND '{last}'"
    return [
        Ask(
            f"UPDATE devices_checkinday d SET {sets} FROM unnest({arrays}) AS v({', '.join(columns)}) "
            f"WHERE d.transmitter_id = v.transmitter_id AND {where}",
            [_array(column) for column in columns.values()],
        )
    ]


class _Written(dict[date, Any]):
    """Days as the table takes them, each worked out once."""

    def __missing__(self, day: date) -> Any:
        found = self[day] = _day(day)
        return found


def _totals_sql(source: str) -> str:
    names = [name for name, _ in TOTAL_COLUMNS]
    added = ", ".join(f"{name} = t.{name} + excluded.{name}" for name in ("days_measured", "checkins", "activations"))
    return (
        f"INSERT INTO devices_fittingtotals AS t ({', '.join(names)}, temperature_days, temperature_sum_c) {source} "
        f"ON CONFLICT (fitting_id, from_on) DO UPDATE SET {added}"
    )


def make_totals(rows: Iterable[Sequence[Any]]) -> None:
    """Add to setting-periods, or make them: columns of `TOTAL_COLUMNS`."""
    place = [name for name, _ in TOTAL_COLUMNS].index("from_on")
    written = list(rows)
    if not is_postgresql():
        written = [[*row[:place], row[place].isoformat(), *row[place + 1 :]] for row in written]
    ask(*_write_asks(_totals_sql, TOTAL_COLUMNS, written, ", 0, 0"))


def totals_asks(rows: Sequence[tuple[int, int, int, int]]) -> list[Ask]:
    """Add to setting-periods on record: key, days measured, check-ins, activations."""
    if not rows:
        return []
    names = ("days_measured", "checkins", "activations")
    if is_postgresql():
        sets = ", ".join(f"{name} = t.{name} + v.{name}" for name in names)
        return [
            Ask(
                f"UPDATE devices_fittingtotals t SET {sets} "
                f"FROM unnest(%s::bigint[], %s::int[], %s::int[], %s::int[]) AS v(id, {', '.join(names)}) "
                "WHERE t.id = v.id",
                list(map(_array, zip(*rows, strict=True))),
            )
        ]
    sets = ", ".join(f"{name} = {name} + %s" for name in names)
    return [
        Ask(
            f"UPDATE devices_fittingtotals SET {sets} WHERE id = %s", [(*row[1:], row[0]) for row in rows], is_many=True
        )
    ]


def sum_stretches(stretches: Sequence[tuple[int, date, date]]) -> dict[int, tuple[int, int, int, int]]:
    """Number of a stretch (transmitter, first day, end exclusive) → its days, days heard, check-ins, activations.

    Stretches without a single day are left out.
    """
    sums = (
        "count(*), sum(CASE WHEN d.heard > 0 THEN 1 ELSE 0 END), sum(d.heard), sum(d.activations) "
    )  # fmt: skip
    with connection.cursor() as cursor:
        if is_postgresql():
            cursor.execute(
                f"SELECT s.n, {sums} FROM unnest(%s::int[], %s::int[], %s::date[], %s::date[]) AS s(n, t, a, b) "
                "JOIN devices_checkinday d ON d.transmitter_id = s.t AND d.day >= s.a AND d.day < s.b GROUP BY s.n",
                [list(range(len(stretches))), *map(list, zip(*stretches, strict=True))]
                if stretches
                else [[], [], [], []],
            )
        else:
            cursor.execute(
                f"SELECT s.n, {sums} FROM (SELECT key AS n, json_extract(value, '$[0]') AS t, "
                "json_extract(value, '$[1]') AS a, json_extract(value, '$[2]') AS b FROM json_each(%s)) s "
                "CROSS JOIN devices_checkinday d WHERE d.transmitter_id = s.t AND d.day >= s.a AND d.day < s.b GROUP BY s.n",
                [json.dumps([(t, day_number(begin), day_number(end)) for t, begin, end in stretches])],
            )
        return {n: (days, heard_days, heard, acts) for n, days, heard_days, heard, acts in cursor.fetchall()}
