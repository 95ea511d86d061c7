"""What a thief of the database has: its whole content, and the ways in which a secret might stand in it."""

from __future__ import annotations

import base64
import shutil
import sqlite3
import subprocess
from pathlib import Path

import pytest
from django.db import connection


def every_form_of(text: str) -> list[bytes]:
    """How a text might stand in a file: as it is, in the widths of Unicode, in hexadecimal and base64."""
    plain = text.encode()
    return [
        plain, plain.lower(), plain[::-1], text.encode("utf-16-le"), text.encode("utf-16-be"), plain.hex().encode(),
        plain.hex().upper().encode(), base64.b64encode(plain)[:-4],
    ]  # fmt: skip


def everything(folder: Path) -> bytes:
    """The present database as a copy of its files shows it, the WAL included, with their text; or a dump of PostgreSQL."""
    if connection.vendor == "sqlite":
        name = Path(connection.settings_dict["NAME"])
        copies = [Path(shutil.copy(path, folder)) for path in name.parent.glob(name.name + "*")]
        raw = b"".join(path.read_bytes() for path in copies)
        with sqlite3.connect(folder / name.name) as copy:
            return raw + "\n".join(copy.iterdump()).encode()
    given = connection.settings_dict
    program = shutil.which("pg_dump") or next(iter(sorted(Path("/usr/lib/postgresql").glob("*/bin/pg_dump"))), None)
    if program is None:
        pytest.skip("no pg_dump here")
    command = [str(program), "--host", given["HOST"], "--port", str(given["PORT"] or 5432), "--username", given["USER"]]
    done = subprocess.run(
        [*command, "--dbname", given["NAME"]], capture_output=True, check=True,
        env={"PGPASSWORD": given["PASSWORD"] or "", "PATH": "/usr/bin"},
    )  # fmt: skip
    return done.stdout
