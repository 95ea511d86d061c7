"""Real services for these tests: a Redis of our own, a database of our own, workers and beats as processes of our own.

Run them as a process of their own: `pytest tests/celery`. Missing programs are a failure, not a reason to skip.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit, urlunsplit

import psycopg
import pytest
import redis
from celery import Celery
from django.conf import settings

from tests.tools import migrated
from tests.tools.services import Server, services

ROOT = Path(__file__).parents[2]
LEASE_S = 6
SWEEP_S = 1
PATIENCE_S = 150


@pytest.fixture(scope="session")
def postgresql_url() -> Iterator[str]:
    """The server of DATABASE_URL if one is given, else a throw-away one."""
    given = os.environ.get("DATABASE_URL", "")
    if given.startswith("postgres"):
        yield given
        return
    with services("postgresql") as running:
        yield running.servers[0].url


@pytest.fixture
def redis_server() -> Iterator[Server]:
    """Always a Redis of our own: these tests empty it."""
    with services("redis") as running:
        yield running.servers[0]


@dataclass
class Process:
    """A process group that a test has started."""

    name: str
    popen: subprocess.Popen[bytes]
    log: Path

    @property
    def pid(self) -> int:
        return self.popen.pid

    def children(self) -> list[int]:
        """Pool processes of a worker."""
        text = Path(f"/proc/{self.pid}/task/{self.pid}/children").read_text()
        return [int(pid) for pid in text.split()]

    def kill_all(self) -> None:
        """As a power cut does: the worker and its pool at once, without a word."""
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.pid, signal.SIGKILL)
        self.popen.wait(20)

    def kill_parent_only(self) -> None:
        """Only the process that we started; a pool process may go on for a while."""
        self.popen.send_signal(signal.SIGKILL)
        self.popen.wait(20)

    def kill_child(self) -> None:
        """The pool process that does the work."""
        for pid in self.children():
            os.kill(pid, signal.SIGKILL)

    def said(self) -> str:
        """The whole log so far."""
        return self.log.read_text(errors="replace")

    def told(self) -> str:
        """The end of the log without what comes every second."""
        return "\n".join(line for line in self.said().splitlines() if "tasks.sweep" not in line)[-6000:]


@dataclass
class Stage:
    """One database and one Redis with whatever runs on them."""

    folder: Path
    database_url: str
    redis: Server | None
    environment: dict[str, str]
    model: Model | None = None
    processes: list[Process] = field(default_factory=list)

    def fleet(self, *arguments: str) -> dict[str, Any]:
        """Run a verb of fleet.py in a process of its own, which knows no Redis."""
        environment = self.environment | {"REDIS_URL": ""}
        return json.loads(self._run([sys.executable, "-m", "tests.celery.fleet", *arguments], environment))

    def ask_for_the_night(self) -> None:
        """Ask the workers for the night's run, as beat does: by the name of the task, whoever takes it."""
        assert self.redis is not None
        with Celery(broker=self.redis.url, set_as_current=False) as app:
            app.send_task(settings.CELERY_BEAT_SCHEDULE["nightly"]["task"])

    def _run(self, command: list[str], environment: dict[str, str]) -> str:
        done = subprocess.run(
            command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False, timeout=300
        )
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout.splitlines()[-1] if done.stdout else ""

    def migrate(self) -> None:
        if not migrated.fill(self.database_url):
            self._run([sys.executable, "manage.py", "migrate", "--verbosity", "0"], self.environment)

    def start(self, name: str, *arguments: str, **variables: str) -> Process:
        log = self.folder / f"{name}-{len(self.processes)}.log"
        with log.open("wb") as out:
            popen = subprocess.Popen(
                [sys.executable, "-m", "celery", "-A", "tests.celery.held", *arguments],
                cwd=ROOT, env=self.environment | variables, stdout=out, stderr=subprocess.STDOUT, start_new_session=True,
            )  # fmt: skip
        process = Process(name, popen, log)
        self.processes.append(process)
        return process

    def worker(self, *, concurrency: int = 1) -> Process:
        name = f"w{len(self.processes)}"
        return self.start(
            name, "worker", "--hostname", f"{name}@%h", "--loglevel", "INFO", "--concurrency", str(concurrency),
        )  # fmt: skip

    def beat(self, **variables: str) -> Process:
        name = f"beat{len(self.processes)}"
        return self.start(name, "beat", "--loglevel", "INFO", "--schedule", str(self.folder / name), **variables)

    def hold(self, what: str) -> None:
        """Let jobs wait where `held` says, from now until they are let go."""
        (self.folder / "hold").write_text(what)

    def let_go(self) -> None:
        """Let whatever is held go on."""
        (self.folder / "hold").unlink()

    def query(self, sql: str) -> list[tuple[Any, ...]]:
        """Look into the database from outside."""
        if self.database_url.startswith("sqlite"):
            connection = sqlite3.connect(self.database_url.removeprefix("sqlite:///"), timeout=20)
            with contextlib.closing(connection):
                return connection.execute(sql).fetchall()
        with psycopg.connect(self.database_url) as connection:
            return connection.execute(sql).fetchall()

    def wait(
        self, what: str, ready: Callable[[], bool], *, patience_s: float = PATIENCE_S, pause_s: float = 0.02
    ) -> None:
        end = time.monotonic() + patience_s
        while not ready():
            if time.monotonic() > end:
                logs = "\n".join(f"--- {process.name}\n{process.told()}" for process in self.processes)
                raise AssertionError(f"Waited {patience_s} s for: {what}\n{self.fleet('state')}\n{logs}")
            time.sleep(pause_s)

    def client(self) -> redis.Redis:
        assert self.redis is not None
        return redis.Redis.from_url(self.redis.url)

    def stop(self) -> None:
        """End everything that this stage has started, by process group."""
        for process in self.processes:
            with contextlib.suppress(ProcessLookupError, PermissionError):
                os.killpg(process.pid, signal.SIGKILL)
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.popen.wait(10)


def business_day() -> str:
    """Day of the run that a nightly start at this moment belongs to (the nightly hour is midnight UTC here)."""
    return datetime.now(UTC).date().isoformat()


def environment_of(url: str, redis_url: str, folder: Path) -> dict[str, str]:
    """What every process of a stage gets."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("DJANGO_", "PYTEST_"))}
    return kept | {
        "DATABASE_URL": url, "REDIS_URL": redis_url, "DATA_DIR": str(folder), "SECRET_KEY": "only-for-tests",
        "DEMO": "yes", "JOB_LEASE_S": str(LEASE_S), "SWEEP_EVERY_S": str(SWEEP_S), "NIGHTLY_AT_UTC": "00:00",
        "DJANGO_SETTINGS_MODULE": "company.settings", "PYTHONPATH": str(ROOT), "C_FORCE_ROOT": "1",
    }  # fmt: skip


@dataclass
class Model:
    """A filled database to copy from, and what an undisturbed night makes of it."""

    day: str
    file: Path
    expected: dict[str, Any]


@pytest.fixture(scope="session")
def sqlite_model(tmp_path_factory: pytest.TempPathFactory) -> Model:
    """The fleet in a SQLite file, and its undisturbed night: one process, no Redis, nobody dies."""
    folder, day = tmp_path_factory.mktemp("model"), business_day()
    file, after = folder / "model.sqlite3", folder / "after.sqlite3"
    maker = Stage(folder, f"sqlite:///{file}", None, environment_of(f"sqlite:///{file}", "", folder))
    maker.migrate()
    maker.fleet("build", day)
    with contextlib.closing(sqlite3.connect(file)) as connection:
        # One file without a log beside it, so that it can be copied.
        connection.execute("pragma journal_mode=delete")
    shutil.copy(file, after)
    quiet = Stage(folder, f"sqlite:///{after}", None, environment_of(f"sqlite:///{after}", "", folder))
    return Model(day, file, quiet.fleet("undisturbed", day))


@pytest.fixture(scope="session")
def postgresql_model(postgresql_url: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The fleet in a database of PostgreSQL, to be used as a template."""
    folder = tmp_path_factory.mktemp("postgresql")
    with new_database(postgresql_url) as url:
        maker = Stage(folder, url, None, environment_of(url, "", folder))
        maker.migrate()
        maker.fleet("build", business_day())
        yield urlsplit(url).path.lstrip("/")


@pytest.fixture(params=["sqlite", "postgresql"])
def stage(request: pytest.FixtureRequest, tmp_path: Path, redis_server: Server, sqlite_model: Model) -> Iterator[Stage]:
    """Database migrated and filled; nothing runs yet."""
    with contextlib.ExitStack() as stack:
        if request.param == "sqlite":
            shutil.copy(sqlite_model.file, tmp_path / "stage.sqlite3")
            url = f"sqlite:///{tmp_path / 'stage.sqlite3'}"
        else:
            template = request.getfixturevalue("postgresql_model")
            url = stack.enter_context(new_database(request.getfixturevalue("postgresql_url"), template))
        made = Stage(tmp_path, url, redis_server, environment_of(url, redis_server.url, tmp_path), sqlite_model)
        stack.callback(made.stop)
        if sqlite_model.day != business_day():
            raise AssertionError("The day changed while this ran: start it again.")
        yield made


@contextlib.contextmanager
def new_database(server_url: str, template: str = "template1") -> Iterator[str]:
    """A database on this server, empty or a copy of another one, dropped afterwards."""
    name = f"stage_{uuid.uuid4().hex[:12]}"
    with psycopg.connect(server_url, autocommit=True) as connection:
        connection.execute(f'create database "{name}" template "{template}"')
    try:
        yield urlunsplit(urlsplit(server_url)._replace(path=f"/{name}"))
    finally:
        with psycopg.connect(server_url, autocommit=True) as connection:
            connection.execute(f'drop database if exists "{name}" with (force)')


def in_a_minute() -> str:
    """The next full minute that leaves time to start, as HH:MM in UTC."""
    return f"{datetime.now(UTC) + timedelta(seconds=80):%H:%M}"
