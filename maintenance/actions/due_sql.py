"""Writes of many due items at once: one statement of arrays on PostgreSQL, `executemany` on SQLite. Called by `due_items` only.

`bulk_update` builds a CASE per row and column and takes a hundred times as long.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

from django.db import connection

Rows = Sequence[tuple[Any, ...]]

# Column and its type as an array element; JSON goes over as text.
COLUMNS: dict[str, str] = {
    "customer_id": "bigint", "site_id": "bigint", "receiver_id": "bigint", "registration_id": "bigint",
    "transmitter_id": "integer", "fitting_id": "bigint", "kind": "text", "duty": "text", "harm": "smallint",
    "due_on": "date", "reason": "text", "opinions": "jsonb", "flags": "jsonb", "exposure": "float8",
    "exposure_limit": "float8", "rate_per_day": "float8", "planning_q": "float8", "chance_ahead": "float8",
    "n_ends": "integer", "lot_factor": "float8", "figures": "jsonb", "signature": "bigint", "model_version": "text",
    "as_of": "date", "is_closed": "boolean",
}  # fmt: skip
GUARD = (
    "customer_id", "site_id", "receiver_id", "registration_id", "duty", "due_on", "signature", "exposure_limit",
    "is_closed",
)  # fmt: skip
"""What has to differ for a row to be written at all."""
CHANGES: dict[str, str] = {
    "due_item_id": "bigint", "customer_id": "bigint", "at": "timestamptz", "from_on": "date", "to_on": "date",
    "from_reason": "text", "to_reason": "text", "run_id": "bigint",
}  # fmt: skip


def update_items(pks: Sequence[int], rows: Rows) -> int:
    """Set every column of these items, in the order of `COLUMNS`, and return how many rows that changed."""
    if not pks:
        return 0
    names = ", ".join(GUARD)
    if connection.vendor != "postgresql":
        place = {name: n for n, name in enumerate(COLUMNS)}
        guarded = [place[name] for name in GUARD]
        settings = ", ".join(f"{name} = %s" for name in COLUMNS)
        statement = (
            f"UPDATE maintenance_dueitem SET {settings} WHERE id = %s "
            f"AND ({names}) IS NOT ({', '.join(['%s'] * len(GUARD))})"
        )
        values = [(*row, pk, *(row[n] for n in guarded)) for pk, row in zip(pks, rows, strict=True)]
        return _many(statement, values)
    settings = ", ".join(f"{name} = {_value(name)}" for name in COLUMNS)
    old = ", ".join(f"d.{name}" for name in GUARD)
    new = ", ".join(f"v.{name}" for name in GUARD)
    arrays = ", ".join(["%s::bigint[]", *(_array(kind) for kind in COLUMNS.values())])
    statement = (
        f"UPDATE maintenance_dueitem AS d SET {settings} FROM unnest({arrays}) AS v (id, {', '.join(COLUMNS)}) "
        f"WHERE d.id = v.id AND ({old}) IS DISTINCT FROM ({new})"
    )
    return _one(statement, [list(pks), *_arrays(rows)])


def insert_items(rows: Rows) -> int:
    """Add items, columns in the order of `COLUMNS`, and return how many; what somebody else has just added stays theirs."""
    return _insert("maintenance_dueitem", COLUMNS, rows, " ON CONFLICT DO NOTHING")


def insert_changes(rows: Rows) -> int:
    """Log moved dates, columns in the order of `CHANGES`."""
    return _insert("maintenance_duechange", CHANGES, rows, "")


def _insert(table: str, columns: dict[str, str], rows: Rows, ending: str) -> int:
    if not rows:
        return 0
    names = ", ".join(f'"{name}"' for name in columns)
    if connection.vendor != "postgresql":
        marks = ", ".join(["%s"] * len(columns))
        return _many(f"INSERT INTO {table} ({names}) VALUES ({marks}){ending}", rows)
    arrays = ", ".join(_array(kind) for kind in columns.values())
    values = ", ".join(f'v."{name}"::jsonb' if kind == "jsonb" else f'v."{name}"' for name, kind in columns.items())
    statement = f"INSERT INTO {table} ({names}) SELECT {values} FROM unnest({arrays}) AS v ({names}){ending}"
    return _one(statement, _arrays(rows))


def _value(name: str) -> str:
    return f"v.{name}::jsonb" if COLUMNS[name] == "jsonb" else f"v.{name}"


def _array(kind: str) -> str:
    return f"%s::{'text' if kind == 'jsonb' else kind}[]"


def _arrays(rows: Rows) -> list[list[Any]]:
    return [list(column) for column in zip(*rows, strict=True)]


def _one(statement: str, values: list[Any]) -> int:
    with connection.cursor() as cursor:
        cursor.execute(statement, values)
        return int(cursor.rowcount)


def _many(statement: str, rows: Rows) -> int:
    rows = [tuple(_as_sqlite(value) for value in row) for row in rows]
    with connection.cursor() as cursor:
        cursor.executemany(statement, rows)
        return int(cursor.rowcount)


def _as_sqlite(value: Any) -> Any:
    """Dates and times as Django writes them there."""
    if isinstance(value, datetime):
        return connection.ops.adapt_datetimefield_value(value)
    return value.isoformat() if isinstance(value, date) else value
