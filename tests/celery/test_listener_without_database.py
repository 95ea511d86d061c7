"""The listener as a real process whose database is away for a while: no answer meanwhile, and each event once afterwards."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import sqlite3
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from urllib.parse import urlsplit, urlunsplit

import psycopg
import pytest

from tests.celery.conftest import Stage
from tests.celery.test_listener_survives import (  # noqa: F401 (fixtures)
    called,
    free_port,
    place,
    postgresql_panel,
    sqlite_panel,
    start,
)
from tests.devices.panels import event, link_test

REPEATS_AFTER_S = 0.7


@contextlib.contextmanager
def database_away(stage: Stage) -> Iterator[None]:
    """SQLite: another holds the lock. PostgreSQL: connections are cut off and refused, as while it is started again."""
    if stage.database_url.startswith("sqlite"):
        file = stage.database_url.removeprefix("sqlite:///")
        with contextlib.closing(sqlite3.connect(file, timeout=20, isolation_level=None)) as other:
            other.execute("begin immediate")
            yield
            other.execute("rollback")
        return
    parts = urlsplit(stage.database_url)
    name = parts.path.lstrip("/")
    with psycopg.connect(urlunsplit(parts._replace(path="/postgres")), autocommit=True) as server:
        server.execute(f'alter database "{name}" allow_connections false')
        server.execute("select pg_terminate_backend(pid) from pg_stat_activity where datname = %s", [name])
        yield
        server.execute(f'alter database "{name}" allow_connections true')


def heard_in(sock: socket.socket, wait_s: float) -> bytes:
    sock.settimeout(wait_s)
    try:
        return sock.recv(5000)
    except TimeoutError:
        return b""


def repeated(sock: socket.socket, frame: bytes, times: int) -> bytes:
    """Send a frame as a panel does that gets no answer; gives the first answer, if any."""
    for _ in range(times):
        sock.sendall(frame)
        if found := heard_in(sock, REPEATS_AFTER_S):
            return found
    return b""


@pytest.fixture
def lines(place: Stage) -> Iterator[tuple[socket.socket, socket.socket]]:  # noqa: F811
    """A listener that has answered a link test over TCP and over UDP."""
    port = free_port()
    start(place, port)
    with (
        socket.create_connection(("127.0.0.1", port), timeout=30) as tcp,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as udp,
    ):
        udp.connect(("127.0.0.1", port))
        for one in (tcp, udp):
            one.sendall(link_test())
            assert b'"ACK"' in heard_in(one, 30)
        yield tcp, udp


def test_while_the_database_is_away_nobody_is_answered_and_repeats_are_recorded_once(
    place: Stage,  # noqa: F811
    lines: tuple[socket.socket, socket.socket],
) -> None:
    tcp, udp = lines
    now = datetime.now(UTC)
    over_tcp, over_udp = event("1101 00 001", seq=1, at=now), event("1101 00 001", seq=2, at=now)
    with database_away(place):
        assert repeated(tcp, over_tcp, 3) == b""
        assert repeated(udp, over_udp, 3) == b""
    assert b'"ACK"0001' in repeated(tcp, over_tcp, 40)
    assert b'"ACK"0002' in repeated(udp, over_udp, 40)
    found = called(place, "state")
    assert (found["batches"], found["activations"]) == (2, 2)


def test_sigterm_while_the_database_is_away_ends_it_in_time_and_without_an_answer(
    place: Stage,  # noqa: F811
    lines: tuple[socket.socket, socket.socket],
) -> None:
    tcp, _udp = lines
    with database_away(place):
        assert repeated(tcp, event("1101 00 001", at=datetime.now(UTC)), 2) == b""
        began_s = time.monotonic()
        os.kill(place.processes[-1].pid, signal.SIGTERM)
        assert heard_in(tcp, 60) == b"", "closed without a word"
        assert place.processes[-1].popen.wait(60) == 0
        assert time.monotonic() - began_s < 29, "before whoever stops it loses patience (docker-compose.yml)"
    assert called(place, "state")["batches"] == 0
