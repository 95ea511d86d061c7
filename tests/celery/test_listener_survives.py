"""The listener as a real process that dies at the worst moment: a frame whose answer was lost is recorded once."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from tests.celery.conftest import ROOT, Process, Stage, environment_of, new_database
from tests.devices.panels import event


def filled(stage: Stage) -> None:
    stage.migrate()
    called(stage, "build")


@pytest.fixture(scope="session")
def sqlite_panel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database in one file with one panel."""
    folder = tmp_path_factory.mktemp("panel")
    file = folder / "panel.sqlite3"
    filled(Stage(folder, f"sqlite:///{file}", None, environment_of(f"sqlite:///{file}", "", folder)))
    with contextlib.closing(sqlite3.connect(file)) as connection:
        # One file without a log beside it, so that it can be copied.
        connection.execute("pragma journal_mode=delete")
    return file


@pytest.fixture(scope="session")
def postgresql_panel(postgresql_url: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The same in PostgreSQL, to be used as a template."""
    folder = tmp_path_factory.mktemp("panel-postgresql")
    with new_database(postgresql_url) as url:
        filled(Stage(folder, url, None, environment_of(url, "", folder)))
        yield urlsplit(url).path.lstrip("/")


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Stage]:
    """A database with one panel; nothing runs yet, and no Redis is needed."""
    with contextlib.ExitStack() as stack:
        if request.param == "sqlite":
            shutil.copy(request.getfixturevalue("sqlite_panel"), tmp_path / "stage.sqlite3")
            url = f"sqlite:///{tmp_path / 'stage.sqlite3'}"
        else:
            template = request.getfixturevalue("postgresql_panel")
            url = stack.enter_context(new_database(request.getfixturevalue("postgresql_url"), template))
        made = Stage(tmp_path, url, None, environment_of(url, "", tmp_path))
        stack.callback(made.stop)
        yield made


def called(stage: Stage, verb: str) -> dict:
    return json.loads(stage._run([sys.executable, "-m", "tests.celery.held_listener", verb], stage.environment))


def start(stage: Stage, port: int) -> Process:
    """A listener that is ready."""
    log = stage.folder / f"listener-{len(stage.processes)}.log"
    with log.open("wb") as out:
        popen = subprocess.Popen(
            [sys.executable, "-m", "tests.celery.held_listener", "listen", str(port)],
            cwd=ROOT, env=stage.environment, stdout=out, stderr=subprocess.STDOUT, start_new_session=True,
        )  # fmt: skip
    process = Process("listener", popen, log)
    stage.processes.append(process)
    until(lambda: "Listening on" in process.said() or popen.poll() is not None)
    assert "Listening on" in process.said(), process.said()
    return process


def until(ready, patience_s: float = 60) -> None:
    end = time.monotonic() + patience_s
    while not ready():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.02)


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


def sent(port: int, frame: bytes, wait_s: float = 30) -> bytes:
    """Send a frame, give the answer; empty where the listener died over it."""
    with socket.create_connection(("127.0.0.1", port), timeout=wait_s) as one:
        one.sendall(frame)
        try:
            return one.recv(1000)
        except ConnectionError:
            return b""


@pytest.mark.parametrize("moment", ["before", "after"])
def test_a_frame_is_recorded_once_whether_the_listener_dies_before_or_after_the_commit(
    place: Stage, moment: str
) -> None:
    port, frame = free_port(), event("1101 00 001", at=datetime.now(UTC))
    place.hold(moment)
    first = start(place, port)
    with socket.create_connection(("127.0.0.1", port)) as one:
        one.sendall(frame)
        until((place.folder / "reached").exists)
        os.kill(first.pid, signal.SIGKILL)
        first.popen.wait(20)
        one.settimeout(10)
        with contextlib.suppress(ConnectionError):
            assert one.recv(100) == b"", "no answer before the end"
    place.let_go()
    assert called(place, "state")["batches"] == (1 if moment == "after" else 0)
    start(place, port)
    for _ in range(2):
        assert b'"ACK"0001' in sent(port, frame)
    found = called(place, "state")
    assert (found["batches"], found["activations"]) == (1, 1)


def test_sigterm_writes_and_answers_what_was_taken_and_says_that_it_stopped(place: Stage) -> None:
    port, frame = free_port(), event("1101 00 001", at=datetime.now(UTC))
    place.hold("after")
    process = start(place, port)
    with socket.create_connection(("127.0.0.1", port), timeout=30) as one:
        one.sendall(frame)
        until((place.folder / "reached").exists)
        os.kill(process.pid, signal.SIGTERM)
        until(lambda: "Ending" in process.said())
        place.let_go()
        assert b'"ACK"0001' in one.recv(1000)
    assert process.popen.wait(30) == 0
    found = called(place, "state")
    assert (found["batches"], found["activations"], found["stopped"]) == (1, 1, [True])
