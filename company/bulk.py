"""Write many rows in few statements, with everything that takes time done before the transaction begins.

On SQLite a writing transaction keeps every other writer waiting, so keys are reserved, and values turned into what the
database takes, beforehand; inside stands nothing but `executemany`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import connection, models, transaction


@dataclass(frozen=True, slots=True)
class Statement:
    """One statement and the values of every row it is carried out for."""

    sql: str
    rows: list[tuple[Any, ...]]

    def run(self) -> None:
        """Carry it out in the present transaction."""
        if self.rows:
            with connection.cursor() as cursor:
                cursor.executemany(self.sql, self.rows)


def reserve_keys(model: type[models.Model], n: int) -> list[int]:
    """Take `n` primary keys that nobody else will be given. Unused ones stay unused for ever."""
    if not n:
        return []
    table, column = model._meta.db_table, model._meta.pk.column
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT nextval(pg_get_serial_sequence(%s, %s)) FROM generate_series(1, %s)",
                [f'"{table}"', column, n],
            )
            return [row[0] for row in cursor.fetchall()]
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SELECT seq FROM sqlite_sequence WHERE name = %s", [table])
        kept = cursor.fetchone()
        cursor.execute(f'SELECT MAX("{column}") FROM "{table}"')
        last = max(kept[0] if kept else 0, cursor.fetchone()[0] or 0)
        if kept:
            cursor.execute("UPDATE sqlite_sequence SET seq = %s WHERE name = %s", [last + n, table])
        else:
            cursor.execute("INSERT INTO sqlite_sequence (name, seq) VALUES (%s, %s)", [table, last + n])
        return list(range(last + 1, last + n + 1))


def insertion(model: type[models.Model], rows: Sequence[models.Model]) -> Statement:
    """Give new rows their keys and make the statement that adds them; the rows may be pointed at from then on."""
    for row, key in zip(rows, reserve_keys(model, len(rows)), strict=True):
        row.pk = key
    fields = model._meta.concrete_fields
    names = ", ".join(f'"{field.column}"' for field in fields)
    marks = ", ".join(["%s"] * len(fields))
    values = [tuple(_saved(field, field.pre_save(row, add=True)) for field in fields) for row in rows]
    return Statement(f'INSERT INTO "{model._meta.db_table}" ({names}) VALUES ({marks})', values)


def alteration(model: type[models.Model], names: Sequence[str], rows: Iterable[tuple[int, Sequence[Any]]]) -> Statement:
    """Make the statement that sets the fields `names` of rows, given as key and values in that order."""
    fields: list[Any] = [model._meta.get_field(name) for name in names]
    sets = ", ".join(f'"{field.column}" = %s' for field in fields)
    values = [(*(_saved(f, v) for f, v in zip(fields, given, strict=True)), key) for key, given in rows]
    return Statement(f'UPDATE "{model._meta.db_table}" SET {sets} WHERE "{model._meta.pk.column}" = %s', values)


def removal(model: type[models.Model], keys: Iterable[int]) -> Statement:
    """Make the statement that deletes rows by key; what points at them must be gone."""
    return Statement(
        f'DELETE FROM "{model._meta.db_table}" WHERE "{model._meta.pk.column}" = %s', [(key,) for key in keys]
    )


def _saved(field: Any, value: Any) -> Any:
    return field.get_db_prep_save(value, connection)
