"""Statements of the raw SQL that go to the database together, in either dialect.

On PostgreSQL the way there and back, and the planning of a statement, take longer than what most of them do: those asked
together travel in one pipeline, and what is asked again and again is planned once for each connection.
"""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Callable, Iterator, Sequence
from typing import Any, NamedTuple

from django.db import connection
from psycopg import Cursor, Pipeline

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
    return _in_a_pipeline(asks) if _goes_by_pipeline() else _one_by_one(asks)


@contextlib.contextmanager
def sending() -> Iterator[Callable[..., object]]:
    """Gives what sends statements whose rows nobody needs; PostgreSQL works on them while the next are made ready.

    For use within a transaction: once the block is left all of them are done, or one has failed. No COPY within.
    """
    if not _goes_by_pipeline():
        yield lambda *asks: _one_by_one(asks)
        return
    raw = _open()
    with connection.wrap_database_errors, raw.pipeline():
        yield lambda *asks: [_sent(raw, one) for one in asks]


def _goes_by_pipeline() -> bool:
    # Whoever listens to the statements hears each of them.
    is_heard = connection.queries_logged or connection.execute_wrappers
    return is_postgresql() and not is_heard and _has_pipelines()


def _one_by_one(asks: Sequence[Ask]) -> list[Rows]:
    found: list[Rows] = []
    with connection.cursor() as cursor:
        for one in asks:
            (cursor.executemany if one.is_many else cursor.execute)(one.sql, one.values)
            found.append(cursor.fetchall() if cursor.description else [])
    return found


@functools.cache
def _has_pipelines() -> bool:
    return Pipeline.is_supported()


def _open() -> Any:
    """The connection as the driver has it."""
    # As Django's own cursors go about it: a connection that broke since the last request is made anew.
    connection.validate_thread_sharing()
    connection.close_if_health_check_failed()
    connection.ensure_connection()
    connection.validate_no_broken_transaction()
    return connection.connection


def _sent(raw: Any, one: Ask) -> Any:
    """Send a statement; gives the cursor that will have its rows.

    The server binds the values: only such statements can be planned once (`prepare_threshold` of the settings).
    """
    cursor = Cursor(raw)
    cursor.execute(one.sql, one.values)
    return cursor


def _in_a_pipeline(asks: Sequence[Ask]) -> list[Rows]:
    raw = _open()
    with connection.wrap_database_errors:
        if len(asks) == 1 and raw.autocommit:
            # Nothing travels along, not even the beginning of a transaction.
            cursors = [_sent(raw, asks[0])]
        else:
            with raw.pipeline():
                cursors = [_sent(raw, one) for one in asks]
        # Whether there are columns at all is known without describing each of them, as `description` would.
        return [cursor.fetchall() if cursor.pgresult and cursor.pgresult.nfields else [] for cursor in cursors]
