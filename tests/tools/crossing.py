"""Two pieces of work at once on PostgreSQL: one stands still before each of its writes in turn while the other goes as far
as it can, then both go on. Nothing is kept, so each turn begins with the same records.

Whoever locks in another order than everybody else waits for good at one of these places, and the database ends one of the
two: such errors are what `crossings` gives. What is waited for is always seen in the database, never guessed by the clock.
"""

from __future__ import annotations

import contextlib
import re
import threading
from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection, connections, transaction

Work = Callable[[], object]
needs_postgresql = pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite has one writer at a time")
_WRITES = re.compile(
    r"\s*(INSERT INTO (?!\"company_changerow)|UPDATE|DELETE|SET CONSTRAINTS)|\bFOR (NO KEY )?UPDATE\b", re.IGNORECASE
)
"""What may wait or be waited for; new rows of the change log are many, and nobody else knows of them."""
LONGEST_S = 60
"""Nothing here takes so long; a test that hangs is to fail."""


def crossings(one: Work, other: Work) -> list[Exception]:
    """What fails when the two meet, whichever comes first, wherever it stands."""
    return _stopping(one, other) or _stopping(other, one)


def is_waiting(pid: int) -> bool:
    """Whether a connection waits for what another one has locked."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT cardinality(pg_blocking_pids(%s)) > 0", [pid])
        return bool(cursor.fetchone()[0])


class Beside(threading.Thread):
    """Work in a connection of its own; it is rolled back unless it `keeps`."""

    def __init__(self, work: Work, *, keeps: bool = False, stop: _Stop | None = None) -> None:
        super().__init__(daemon=True)
        self.failed: list[Exception] = []
        self._work, self._keeps, self._pause = work, keeps, stop
        self._pid: int | None = None
        self._is_known = threading.Event()

    def run(self) -> None:
        try:
            with connection.cursor() as cursor:
                cursor.execute("SELECT pg_backend_pid()")
                self._pid = cursor.fetchone()[0]
            self._is_known.set()
            stopping = connection.execute_wrapper(self._pause) if self._pause else contextlib.nullcontext()
            with stopping, transaction.atomic():
                self._work()
                with connection.cursor() as cursor:
                    # What a commit would look at, and lock.
                    cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
                transaction.set_rollback(not self._keeps)
        except Exception as error:
            self.failed.append(error)
        finally:
            connections.close_all()
            self._is_known.set()
            if self._pause:
                self._pause.reached.set()

    def until_it_waits(self) -> bool:
        """Come back once it waits for a lock of somebody else (True), or is done."""
        assert self._is_known.wait(LONGEST_S)
        while self.is_alive():
            if self._pid is not None and is_waiting(self._pid):
                return True
        return False

    def until_done(self) -> list[Exception]:
        """Come back once it is done, with what failed."""
        self.join(LONGEST_S)
        assert not self.is_alive()
        return self.failed


class _Stop:
    """Stands still before the n-th statement that writes or locks."""

    def __init__(self, place: int) -> None:
        self.reached, self.may_go_on = threading.Event(), threading.Event()
        self.is_passed = False
        self._left = place

    def __call__(self, execute: Callable[..., Any], sql: str, params: Any, many: bool, context: Any) -> Any:
        if _WRITES.search(sql):
            if self._left == 0:
                self.is_passed = True
                self.reached.set()
                assert self.may_go_on.wait(LONGEST_S)
            self._left -= 1
        return execute(sql, params, many, context)


def _stopping(one: Work, other: Work) -> list[Exception]:
    place = 0
    while True:
        stop = _Stop(place)
        first, second = Beside(one, stop=stop), Beside(other)
        first.start()
        assert stop.reached.wait(LONGEST_S)
        if not stop.is_passed:
            # Its writes are fewer: it has stood at each of them.
            return first.until_done()
        second.start()
        second.until_it_waits()
        stop.may_go_on.set()
        if failed := [*first.until_done(), *second.until_done()]:
            return failed
        place += 1
