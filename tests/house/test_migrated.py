"""The migrated database that one step of a run leaves for the next is whole: tables, how far they are migrated, the catalogue."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from django.db import connection
from django.db.migrations.recorder import MigrationRecorder

from devices.models import BatteryType
from tests.tools import migrated


@pytest.fixture
def left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, transactional_db: None) -> Path:
    """The folder of a run in which one step has left its database."""
    if connection.vendor != "sqlite":
        pytest.skip("PostgreSQL's is read by the later steps of a run, which fail without it.")
    monkeypatch.setenv("SLOTLEDGER_MIGRATED", str(tmp_path))
    assert not migrated.fill(f"sqlite:///{tmp_path / 'early.sqlite3'}"), "nothing is left yet"
    migrated.keep(connection)
    return tmp_path


def test_what_is_left_is_a_whole_database(left: Path) -> None:
    assert migrated.fill(f"sqlite:///{left / 'next.sqlite3'}")
    with closing(sqlite3.connect(left / "next.sqlite3")) as found:
        names = set(found.execute("select app, name from django_migrations"))
        n_types = found.execute(f"select count(*) from {BatteryType._meta.db_table}").fetchone()[0]
        assert found.execute("pragma journal_mode").fetchone() == ("delete",), "one file that can be copied"
    assert names == set(MigrationRecorder(connection).applied_migrations())
    assert n_types > 0


def test_the_first_that_is_left_stays(left: Path) -> None:
    (file,) = left.glob("*-migrated.sqlite3")
    file.write_bytes(b"left before")
    migrated.keep(connection)
    assert file.read_bytes() == b"left before"


def test_what_other_migrations_have_left_is_not_taken(left: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(migrated, "_edition", lambda: "another")
    assert not migrated.fill(f"sqlite:///{left / 'next.sqlite3'}")


def test_without_a_folder_nothing_is_left(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv("SLOTLEDGER_MIGRATED", raising=False)
    assert not migrated.fill(f"sqlite:///{tmp_path / 'next.sqlite3'}")
    assert not (tmp_path / "next.sqlite3").exists()
