"""Statements of the raw SQL that go to the database together, in either dialect.

On PostgreSQL the way there and back, and the planning of a statement, take longer than what most of them do: those asked
together travel in one pipeline, and what is asked again and again is planned once for each connection.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from typing import Any, NamedTuple

from django.db import connection

Rows = list[tuple[Any, ...]]


class Ask(NamedTuple):
    """One statement with its values; or, on SQLite, with the values of each of many rows."""

    sql: str
    values: Sequence[Any]
    is_many: bool = False


@functools.cache
def is_postgresql() -> bool:
    """Which of the two dialects is spoken."""
    return connection.vendor == "postgresql"


def ask(*asks: Ask) -> list[Rows]:
    """Run some statements, in one round trip on PostgreSQL; gives the rows of each. Each sees what the ones before waited for."""
    if not asks:
        return []
    if not is_postgresql():
        return _one_by_one(asks)
    if connection.queries_logged or connection.execute_wrappers or not _has_pipelines():
        # Whoever listens to the statements hears each of them.
        return _one_by_one(asks)
    return _in_a_pipeline(asks)


def _one_by_one(asks: Sequence[Ask]) -> list[Rows]:
    found: list[Rows] = []
    with connection.cursor() as cursor:
        for one in asks:
            (cursor.executemany if one.is_many else cursor.execute)(one.sql, one.values)
            found.append(cursor.fetchall() if cursor.description else [])
    return found


@functools.cache
def _has_pipelines() -> bool:
    from psycopg import Pipeline

    return Pipeline.is_supported()


def _in_a_pipeline(asks: Sequence[Ask]) -> list[Rows]:
    from psycopg import Cursor

    connection.ensure_connection()
    connection.validate_no_broken_transaction()
    raw, cursors = connection.connection, []
    with connection.wrap_database_errors:
        # Values bound by the server: only such statements can be planned once (`prepare_threshold` of the settings).
        with raw.pipeline():
            for one in asks:
                cursor = Cursor(raw)
                cursor.execute(one.sql, one.values)
                cursors.append(cursor)
        # Whether there are columns at all is known without describing each of them, as `description` would.
        return [cursor.fetchall() if cursor.pgresult and cursor.pgresult.nfields else [] for cursor in cursors]
