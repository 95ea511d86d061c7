"""The raw SQL of check-in days and running totals, in two dialects: `unnest` for PostgreSQL, `executemany` for SQLite.

Whoever calls this holds a transaction. Rows come sorted by (transmitter, day), so that two writers never wait crosswise.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db import connection

from devices.fields import day_number, day_of

MOST = 32767
"""Largest count of a day: its columns are 16-bit numbers. More is cut off and the day is flagged."""
CAPPED = 4

Key = tuple[int, date]
DAY_COLUMNS = (
    ("transmitter_id", "int"), ("day", "date"), ("customer_id", "int"), ("last_heard_s", "int"), ("heard", "smallint"),
    ("expected", "smallint"), ("activations", "smallint"), ("loss_runs", "smallint"), ("lowest_margin_db", "smallint"),
    ("flags", "smallint"), ("presence", "bytea"),
)  # fmt: skip
TOTAL_COLUMNS = (
    ("customer_id", "bigint"), ("fitting_id", "bigint"), ("from_on", "date"), ("interval_s", "int"),
    ("days_measured", "int"), ("checkins", "int"), ("activations", "int"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class DayBefore:
    """What is on record of a day before a batch adds to it."""

    heard: int
    activations: int
    presence: bytes | None


def is_postgresql() -> bool:
    """Which of the two dialects is spoken."""
    return connection.vendor == "postgresql"


def _day(day: date) -> Any:
    return day if is_postgresql() else day_number(day)


def lock_transmitters(ids: Sequence[int]) -> dict[int, int]:
    """Lock transmitters in the order of their keys; gives their customers. SQLite has one writer at a time anyway."""
    with connection.cursor() as cursor:
        if is_postgresql():
            cursor.execute(
                "SELECT id, customer_id FROM devices_transmitter WHERE id = ANY(%s) ORDER BY id FOR NO KEY UPDATE",
                [list(ids)],
            )
        else:
            cursor.execute(
                "SELECT id, customer_id FROM devices_transmitter WHERE id IN (SELECT value FROM json_each(%s))",
                [json.dumps(list(ids))],
            )
        return dict(cursor.fetchall())


def _utc_day(column: str) -> str:
    # Django keeps moments as UTC text on SQLite, so that their first ten characters are the day.
    return f"({column} AT TIME ZONE 'UTC')::date" if is_postgresql() else f"substr({column}, 1, 10)"


def _of_transmitters(
    table: str, columns: str, ids: Sequence[int], more: str, values: Sequence[Any]
) -> list[tuple[Any, ...]]:
    within = "= ANY(%s)" if is_postgresql() else "IN (SELECT value FROM json_each(%s))"
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT {columns} FROM {table} WHERE transmitter_id {within}{more}",
            [list(ids) if is_postgresql() else json.dumps(list(ids)), *values],
        )
        return list(cursor.fetchall())


def _as_day(value: Any) -> date | None:
    return date.fromisoformat(value) if isinstance(value, str) else value


def read_stays(ids: Sequence[int], since: date | None) -> list[tuple[int, int, int, date, date | None]]:
    """Fittings: transmitter, key, customer, first day, last day (exclusive), of UTC; with `since`, those in after that day.

    Cells that nobody dated count from when our records know them.
    """
    begins, ends = _utc_day("COALESCE(fitted_at, entered_at)"), _utc_day("removed_at")
    more = f" AND (removed_at IS NULL OR {ends} > %s)" if since else ""
    values = [since if is_postgresql() else since.isoformat()] if since else []
    rows = _of_transmitters("devices_fitting", f"transmitter_id, id, customer_id, {begins}, {ends}", ids, more, values)
    return [(unit, pk, customer, _as_day(a), _as_day(b)) for unit, pk, customer, a, b in rows]  # type: ignore[misc]


def read_settings(ids: Sequence[int]) -> list[tuple[int, date, date | None, int | None]]:
    """Registrations: transmitter, first day, last day (exclusive), of UTC, check-in interval [s]."""
    columns = f"transmitter_id, {_utc_day('registered_at')}, {_utc_day('removed_at')}, interval_s"
    rows = _of_transmitters("devices_registration", columns, ids, "", [])
    return [(unit, _as_day(a), _as_day(b), interval_s) for unit, a, b, interval_s in rows]  # type: ignore[misc]


def read_days(keys: Sequence[Key]) -> dict[Key, DayBefore]:
    """What is on record of some days."""
    columns = "d.transmitter_id, d.day, d.heard, d.activations, d.presence"
    with connection.cursor() as cursor:
        if is_postgresql():
            cursor.execute(
                f"SELECT {columns} FROM unnest(%s::int[], %s::date[]) AS k(t, day) "
                "JOIN devices_checkinday d ON d.transmitter_id = k.t AND d.day = k.day",
                [[t for t, _ in keys], [day for _, day in keys]],
            )
            rows = cursor.fetchall()
        else:
            cursor.execute(
                f"SELECT {columns} FROM json_each(%s) k JOIN devices_checkinday d "
                "ON d.transmitter_id = json_extract(k.value, '$[0]') AND d.day = json_extract(k.value, '$[1]')",
                [json.dumps([(t, day_number(day)) for t, day in keys])],
            )
            rows = [(t, day_of(day), *rest) for t, day, *rest in cursor.fetchall()]
    return {(t, day): DayBefore(heard, acts, bytes(mask) if mask else None) for t, day, heard, acts, mask in rows}


def _sums(own: str, name: str) -> str:
    least = "LEAST" if is_postgresql() else "min"
    cast = "::int" if is_postgresql() else ""
    return f"{name} = {least}({own}.{name}{cast} + excluded.{name}, {MOST})"


def _of_two(own: str, name: str, which: str) -> str:
    """Least or greatest of two values of which either may be missing."""
    function = {"min": "LEAST", "max": "GREATEST"}[which] if is_postgresql() else which
    return f"{name} = {function}(COALESCE({own}.{name}, excluded.{name}), COALESCE(excluded.{name}, {own}.{name}))"


def _days_sql(source: str) -> str:
    names = [name for name, _ in DAY_COLUMNS]
    counts = ("heard", "expected", "activations", "loss_runs")
    cast = "::int" if is_postgresql() else ""
    over = " OR ".join(f"d.{name}{cast} + excluded.{name} > {MOST}" for name in counts)
    sets = [
        *(_sums("d", name) for name in counts), _of_two("d", "lowest_margin_db", "min"), _of_two("d", "last_heard_s", "max"),
        f"flags = d.flags | excluded.flags | CASE WHEN {over} THEN {CAPPED} ELSE 0 END",
        "presence = COALESCE(excluded.presence, d.presence)",
    ]  # fmt: skip
    return (
        f"INSERT INTO devices_checkinday AS d ({', '.join(names)}) {source} "
        f"ON CONFLICT (transmitter_id, day) DO UPDATE SET {', '.join(sets)}"
    )


def _totals_sql(source: str) -> str:
    names = [name for name, _ in TOTAL_COLUMNS]
    added = ", ".join(f"{name} = t.{name} + excluded.{name}" for name in ("days_measured", "checkins", "activations"))
    return (
        f"INSERT INTO devices_fittingtotals AS t ({', '.join(names)}, temperature_days, temperature_sum_c) {source} "
        f"ON CONFLICT (fitting_id, from_on) DO UPDATE SET {added}"
    )


def _unnest(columns: Sequence[tuple[str, str]], more: str = "") -> str:
    names = ", ".join(name for name, _ in columns)
    arrays = ", ".join(f"%s::{kind}[]" for _, kind in columns)
    return f"SELECT {names}{more} FROM unnest({arrays}) AS v({names})"


def _write(sql_of: Any, columns: Sequence[tuple[str, str]], rows: Sequence[Sequence[Any]], more: str = "") -> None:
    if not rows:
        return
    with connection.cursor() as cursor:
        if is_postgresql():
            cursor.execute(sql_of(_unnest(columns, more)), [list(column) for column in zip(*rows, strict=True)])
        else:
            marks = ", ".join(["%s"] * len(columns))
            cursor.executemany(sql_of(f"VALUES ({marks}{more})"), rows)


def add_days(rows: Iterable[Sequence[Any]]) -> None:
    """Add to days, or make them: columns of `DAY_COLUMNS`, counts already at most `MOST`, presence already merged."""
    place = [name for name, _ in DAY_COLUMNS].index("day")
    _write(_days_sql, DAY_COLUMNS, [[*row[:place], _day(row[place]), *row[place + 1 :]] for row in rows])


def add_totals(rows: Iterable[Sequence[Any]]) -> None:
    """Add to setting-periods, or make them: columns of `TOTAL_COLUMNS`."""
    place = [name for name, _ in TOTAL_COLUMNS].index("from_on")
    written = list(rows)
    if not is_postgresql():
        written = [[*row[:place], row[place].isoformat(), *row[place + 1 :]] for row in written]
    _write(_totals_sql, TOTAL_COLUMNS, written, ", 0, 0")


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
