"""SQLite waits for the disk at each commit, unless somebody says that the last seconds may be lost."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from django.core.exceptions import ImproperlyConfigured

from company import env

NORMAL, FULL = 1, 2
"""What the pragma answers: sqlite.org/pragma.html#pragma_synchronous."""


def synchronous(path: Path, **given: str) -> int:
    """What a connection made with our settings really does."""
    with sqlite3.connect(path) as connection:
        connection.executescript(env.sqlite(path, **given)["OPTIONS"]["init_command"])
        return int(connection.execute("PRAGMA synchronous").fetchone()[0])


def test_a_commit_waits_for_the_disk_unless_told_otherwise(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("SQLITE_SYNC", raising=False)
    assert synchronous(tmp_path / "a.sqlite3") == FULL
    assert synchronous(tmp_path / "a.sqlite3", sync="normal") == NORMAL, (
        "Tests and the demo, whose records are invented."
    )
    monkeypatch.setenv("SQLITE_SYNC", "Full")
    assert synchronous(tmp_path / "a.sqlite3", sync="normal") == FULL, "The variable goes before."
    monkeypatch.setenv("SQLITE_SYNC", "normal")
    assert synchronous(tmp_path / "a.sqlite3") == NORMAL


def test_any_other_word_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SQLITE_SYNC", "off")
    with pytest.raises(ImproperlyConfigured, match="full or normal"):
        env.sqlite(tmp_path / "a.sqlite3")
