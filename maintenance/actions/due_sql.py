"""Writes of many due items at once: one statement with one JSON document on PostgreSQL, `executemany` on SQLite.

Called by `due_items` only. `bulk_update` builds a CASE per row and column and takes a hundred times as long; arrays of
texts with quotes in them take the driver longer to write than the database to store.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import date, datetime
from typing import Any

from django.db import connection

Rows = Sequence[tuple[Any, ...]]

# Column and its type on PostgreSQL.
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
    if connection.vendor == "postgresql":
        columns = {"id": "bigint"} | COLUMNS
        settings = ", ".join(f"{name} = v.{name}" for name in COLUMNS)
        old, new = (", ".join(f"{table}.{name}" for name in GUARD) for table in "dv")
        return _one(
            f"UPDATE maintenance_dueitem AS d SET {settings} FROM {_source(columns)} WHERE d.id = v.id "
            f"AND ({old}) IS DISTINCT FROM ({new})",
            columns,
            [(pk, *row) for pk, row in zip(pks, rows, strict=True)],
        )
    place = {name: n for n, name in enumerate(COLUMNS)}
    settings = ", ".join(f"{name} = %s" for name in COLUMNS)
    return _many(
        f"UPDATE maintenance_dueitem SET {settings} WHERE id = %s "
        f"AND ({', '.join(GUARD)}) IS NOT ({', '.join(['%s'] * len(GUARD))})",
        [(*row, pk, *(row[place[name]] for name in GUARD)) for pk, row in zip(pks, rows, strict=True)],
    )


def update_chances(rows: Rows) -> int:
    """Set the chance of an end soon of these items (key, chance), and return how many that changed."""
    if not rows:
        return 0
    if connection.vendor == "postgresql":
        columns = {"id": "bigint", "chance_ahead": "float8"}
        return _one(
            f"UPDATE maintenance_dueitem AS d SET chance_ahead = v.chance_ahead FROM {_source(columns)} "
            "WHERE d.id = v.id AND d.chance_ahead IS DISTINCT FROM v.chance_ahead",
            columns,
            rows,
        )
    return _many(
        "UPDATE maintenance_dueitem SET chance_ahead = %s WHERE id = %s AND chance_ahead IS NOT %s",
        [(chance, pk, chance) for pk, chance in rows],
    )


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
    if connection.vendor == "postgresql":
        return _one(f"INSERT INTO {table} ({names}) SELECT {names} FROM {_source(columns)}{ending}", columns, rows)
    return _many(f"INSERT INTO {table} ({names}) VALUES ({', '.join(['%s'] * len(columns))}){ending}", rows)


def _source(columns: dict[str, str]) -> str:
    """One JSON document as a table."""
    typed = ", ".join(f'"{name}" {kind}' for name, kind in columns.items())
    return f"json_to_recordset(%s::json) AS v ({typed})"


def _one(statement: str, columns: dict[str, str], rows: Rows) -> int:
    document = json.dumps([dict(zip(columns, row, strict=True)) for row in rows], ensure_ascii=False, default=_plain)
    with connection.cursor() as cursor:
        cursor.execute(statement, [document])
        return int(cursor.rowcount)


def _plain(value: Any) -> str:
    """Dates and times in a JSON document."""
    return str(value.isoformat())


def _many(statement: str, rows: Rows) -> int:
    with connection.cursor() as cursor:
        cursor.executemany(statement, [tuple(_as_sqlite(value) for value in row) for row in rows])
        return int(cursor.rowcount)


def _as_sqlite(value: Any) -> Any:
    """Dates, times and JSON as Django writes them there."""
    if isinstance(value, datetime):
        return connection.ops.adapt_datetimefield_value(value)
    if isinstance(value, list | dict):
        return json.dumps(value)
    return value.isoformat() if isinstance(value, date) else value
