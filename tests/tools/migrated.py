"""A migrated, empty database that one step of a run leaves for the next: to make the tables takes a quarter of a minute.

It lies in the folder that SLOTLEDGER_MIGRATED names; `.ci/test` makes that folder for one run and takes it away. Without
one, everybody migrates for themselves.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import os
import shutil
import sqlite3
import subprocess
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import quote

from tests.tools.servers import program

ROOT = Path(__file__).parents[2]
FILES = {"sqlite": "migrated.sqlite3", "postgresql": "migrated.sql"}


def _file(kind: str) -> Path | None:
    folder = os.environ.get("SLOTLEDGER_MIGRATED", "")
    return Path(folder) / f"{_edition()}-{FILES[kind]}" if folder else None


@functools.cache
def _edition() -> str:
    """Digest of all migrations: what was left by other ones is nobody's."""
    digest = hashlib.sha256()
    for file in sorted(ROOT.glob("*/migrations/*.py")):
        digest.update(f"{file.name} {hashlib.sha256(file.read_bytes()).hexdigest()}\n".encode())
    return digest.hexdigest()[:16]


def _put(kept: Path, write: Callable[[str], object]) -> None:
    """Make the file whole before it has its name: two processes may be about it."""
    handle, name = tempfile.mkstemp(dir=kept.parent)
    os.close(handle)
    write(name)
    os.replace(name, kept)


def _sqlite_copy(connection: sqlite3.Connection, name: str) -> None:
    with contextlib.closing(sqlite3.connect(name)) as copy:
        connection.backup(copy)
        # One file without a log beside it, so that it can be copied.
        copy.execute("pragma journal_mode=delete")


def keep(connection: Any) -> None:
    """Leave the database of this connection of Django's for later steps, if they are to have one and there is none."""
    kept = _file(connection.vendor)
    if kept is None or kept.exists():
        return
    if connection.vendor == "sqlite":
        connection.ensure_connection()
        _put(kept, lambda name: _sqlite_copy(connection.connection, name))
    else:
        dump = [program("pg_dump"), "--no-owner", "--dbname", url_of(connection.settings_dict), "--file"]
        _put(kept, lambda name: subprocess.run([*dump, name], check=True))


def url_of(given: dict[str, Any], name: str = "") -> str:
    """Address of a database of PostgreSQL for programs that are not Django."""
    person = f"{quote(given['USER'], safe='')}:{quote(given['PASSWORD'], safe='')}"
    return f"postgresql://{person}@{given['HOST'] or '127.0.0.1'}:{given['PORT'] or 5432}/{name or given['NAME']}"


def fill(url: str) -> bool:
    """Make this database one that is migrated, from what an earlier step has left. False: nothing is left, migrate it."""
    kind = "sqlite" if url.startswith("sqlite") else "postgresql"
    kept = _file(kind)
    if kept is None or not kept.exists():
        return False
    if kind == "sqlite":
        shutil.copy(kept, url.removeprefix("sqlite:///"))
    else:
        read = [program("psql"), "--quiet", "--no-psqlrc", "--set", "ON_ERROR_STOP=1", "--dbname", url]
        subprocess.run([*read, "--file", str(kept)], check=True, stdout=subprocess.DEVNULL)
    return True


def fill_test_database(connection: Any) -> bool:
    """The same for the database that Django's test runner is about to make; it may then keep it as it finds it."""
    kept, given = _file(connection.vendor), connection.settings_dict
    if kept is None or not kept.exists():
        return False
    name = connection.creation._get_test_db_name()
    if connection.vendor == "sqlite":
        return fill(f"sqlite:///{name}")
    import psycopg

    with psycopg.connect(url_of(given, "postgres"), autocommit=True) as server:
        server.execute(f'drop database if exists "{name}" with (force)')
        server.execute(f'create database "{name}"')
    return fill(url_of(given, name))
