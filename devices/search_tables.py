"""What the search box reads on SQLite: any part of a serial and of a place, from tables that triggers keep true.

PostgreSQL needs none of this: its indexes of trigrams stand on the rows themselves (migrations 0007 and 0008). SQLite has
trigrams since 3.34, as a table of its own beside the rows. Triggers write it, so that rows made in bulk or by hand are in
it too. All of it is made after every migration: SQLite loses triggers whenever Django remakes a table. Without trigrams
every answer is the same, only slower.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import Any

from django.db import DatabaseError, connections, transaction

log = logging.getLogger(__name__)

MIN_PART = 3
"""Characters of the shortest part that an index of trigrams holds."""


def fold(text: str) -> str:
    """Text in lower case without spaces and hyphens; the two small sigmas are one letter."""
    return text.replace("-", "").replace(" ", "").lower().replace("ς", "σ")


@dataclass(frozen=True, slots=True)
class PartTable:
    """A table of the parts of some columns of another; its rows bear the same number."""

    name: str
    table: str
    columns: tuple[str, ...]

    def text(self, row: str = "") -> str:
        """SQL of the text that is split: what `fold` leaves, but for the case, which the table folds itself."""
        joined = " || ' ' || ".join(f'{row}"{column}"' for column in self.columns)
        return f"replace(replace({joined}, '-', ''), ' ', '')"

    def triggers(self) -> dict[str, str]:
        """SQL of each trigger, by name."""
        enter = f'INSERT INTO "{self.name}" (rowid, words) VALUES (NEW.id, {self.text("NEW.")});'
        # A table without a copy of the text is told what to forget.
        leave = (
            f'INSERT INTO "{self.name}" ("{self.name}", rowid, words) VALUES (\'delete\', OLD.id, {self.text("OLD.")});'
        )
        differs = " OR ".join(f'OLD."{column}" IS NOT NEW."{column}"' for column in ("id", *self.columns))
        bodies = {
            "new": f'AFTER INSERT ON "{self.table}" BEGIN {enter} END',
            "chg": f'AFTER UPDATE OF id, {", ".join(self.columns)} ON "{self.table}" WHEN {differs} BEGIN {leave} {enter} END',
            "del": f'AFTER DELETE ON "{self.table}" BEGIN {leave} END',
        }
        return {f"{self.name}_{end}": f'CREATE TRIGGER "{self.name}_{end}" {body}' for end, body in bodies.items()}


SERIALS = PartTable("search_serial", "devices_transmitter", ("serial",))
PLACES = PartTable("search_place", "devices_registration", ("label", "area"))
TABLES = (SERIALS, PLACES)


def phrase(word: str) -> str:
    """A word as the tables' query language takes it literally, whatever characters it holds."""
    return '"' + word.replace('"', '""') + '"'


def has_parts(connection: Any, table: PartTable) -> bool:
    """Whether parts of words can be read from the table; asked at each search, so that a missing one never fails."""
    if connection.vendor != "sqlite":
        return False
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM sqlite_master WHERE name IN (%s, %s)", [table.name, f"{table.name}_new"])
        return bool(cursor.fetchone()[0] == 2)


def give_fold(connection: Any, **unknown: Any) -> None:
    """Let SQLite fold text as Python does: its own LOWER knows the letters of English only. No trigger or index needs it."""
    if connection.vendor == "sqlite":
        connection.connection.create_function("search_fold", 1, fold, deterministic=True)


def ensure_parts(using: str = "default", **unknown: Any) -> None:
    """Make tables and triggers that are missing, changed, or out of count, and fill them. Otherwise nothing changes."""
    connection = connections[using]
    if connection.vendor != "sqlite":
        return
    with connection.cursor() as cursor:
        present = set(connection.introspection.table_names(cursor))
    for table in TABLES:
        if table.table not in present:
            continue
        with transaction.atomic(using=using), connection.cursor() as cursor:
            if not _is_right(cursor, table):
                _remake(cursor, table)


def _is_right(cursor: Any, table: PartTable) -> bool:
    cursor.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name = %s", [table.table])
    stand = {name: sql for name, sql in cursor.fetchall() if name.startswith(f"{table.name}_")}
    if stand != table.triggers():
        return False
    try:
        cursor.execute(
            f'SELECT (SELECT count(*) FROM "{table.name}_docsize") = (SELECT count(*) FROM "{table.table}"), '
            f'(SELECT count(*) FROM "{table.name}" WHERE "{table.name}" MATCH \'"---"\')'
        )
    except DatabaseError:
        # No such table, or a file that a newer SQLite made.
        return False
    return bool(cursor.fetchone()[0])


def _remake(cursor: Any, table: PartTable) -> None:
    for name in table.triggers():
        cursor.execute(f'DROP TRIGGER IF EXISTS "{name}"')
    try:
        cursor.execute(f'DROP TABLE IF EXISTS "{table.name}"')
        cursor.execute(f"CREATE VIRTUAL TABLE \"{table.name}\" USING fts5(words, content='', tokenize='trigram')")
    except DatabaseError as refusal:
        log.warning(
            "The search stays slow on large fleets: this SQLite cannot split words into trigrams (%s). "
            "It needs version 3.34 or newer with FTS5; then run the command migrate again.", refusal,
        )  # fmt: skip
        return
    cursor.execute(f'INSERT INTO "{table.name}" (rowid, words) SELECT id, {table.text()} FROM "{table.table}"')
    for statement in table.triggers().values():
        cursor.execute(statement)
