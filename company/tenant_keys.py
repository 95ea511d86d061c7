"""Hold the copied `customer_id` right in the database itself.

Every tenant table carries `customer_id` so that scope is one comparison. A row must name the same customer as the
site, receiver, visit … that it hangs on. PostgreSQL gets composite foreign keys; SQLite, which cannot add keys to a
table, gets triggers. Both are made after every migration, since SQLite loses triggers whenever Django remakes a table.

Transmitters are left out on purpose: one that moves to another customer leaves its history behind under the old one.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from django.apps import apps
from django.db import connections, models

MAY_MOVE = {"transmitter"}


def tenant_links() -> Iterator[tuple[str, str, str]]:
    """(child table, foreign key column, parent table) wherever both tables carry customer_id."""
    for model in apps.get_models():
        if not _is_tenant(model):
            continue
        for field in model._meta.concrete_fields:
            parent = field.related_model
            if not isinstance(field, models.ForeignKey) or parent is None or not _is_tenant(parent):
                continue
            if parent._meta.model_name not in MAY_MOVE:
                yield model._meta.db_table, field.column, parent._meta.db_table


def _is_tenant(model: Any) -> bool:
    return any(
        field.name == "customer" and isinstance(field, models.ForeignKey) and not field.null
        for field in model._meta.concrete_fields
    )


def ensure_customer_keys(using: str = "default", **unknown: Any) -> None:
    """Make the keys or triggers that are not there yet. Repeating it changes nothing."""
    connection = connections[using]
    with connection.cursor() as cursor:
        tables = set(connection.introspection.table_names(cursor))
        for child, column, parent in tenant_links():
            if child in tables and parent in tables:
                if connection.vendor == "postgresql":
                    _composite_key(cursor, child, column, parent)
                else:
                    _triggers(cursor, child, column, parent)


def lift_triggers(using: str = "default", plan: Any = None, **unknown: Any) -> None:
    """Take the triggers away before migrations run; `ensure_customer_keys` makes them again afterwards.

    Where Django remakes a table on SQLite, a trigger elsewhere that reads it would fail while the table has another name.
    """
    connection = connections[using]
    if not plan or connection.vendor != "sqlite":
        return
    with connection.cursor() as cursor:
        cursor.execute("SELECT name FROM sqlite_master WHERE type = 'trigger' AND name LIKE 'tk!_%' ESCAPE '!'")
        for (name,) in cursor.fetchall():
            cursor.execute(f'DROP TRIGGER "{name}"')


def _triggers(cursor: Any, child: str, column: str, parent: str) -> None:
    for event, name in (("INSERT", "new"), (f"UPDATE OF {column}, customer_id", "chg")):
        cursor.execute(
            f'CREATE TRIGGER IF NOT EXISTS "tk_{child}_{column}_{name}" BEFORE {event} ON "{child}" '
            f'WHEN NEW."{column}" IS NOT NULL AND NEW.customer_id IS NOT '
            f'(SELECT customer_id FROM "{parent}" WHERE id = NEW."{column}") '
            f"BEGIN SELECT RAISE(ABORT, 'FOREIGN KEY constraint failed: {child}.{column} is of another customer'); END"
        )


def _composite_key(cursor: Any, child: str, column: str, parent: str) -> None:
    # Asked for first: even IF NOT EXISTS is refused while the transaction has checks waiting.
    cursor.execute("SELECT 1 FROM pg_indexes WHERE indexname = %s", [f"tk_{parent}"])
    if cursor.fetchone() is None:
        cursor.execute(f'CREATE UNIQUE INDEX "tk_{parent}" ON "{parent}" (id, customer_id)')
    name = f"tk_{child}_{column}"[:63]
    cursor.execute("SELECT 1 FROM pg_constraint WHERE conname = %s", [name])
    if cursor.fetchone() is None:
        cursor.execute(
            f'ALTER TABLE "{child}" ADD CONSTRAINT "{name}" FOREIGN KEY ("{column}", customer_id) '
            f'REFERENCES "{parent}" (id, customer_id) DEFERRABLE INITIALLY DEFERRED'
        )
