"""Migrations: none missing, from nothing to now and back on the present database, names that say what they do."""

from __future__ import annotations

import ast
import io
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from django.apps import apps
from django.core.management import call_command

ROOT = Path(__file__).parents[2]
APPS = ("company", "sites", "devices", "maintenance")
FILES = [path for app in APPS for path in sorted((ROOT / app / "migrations").glob("[0-9]*.py"))]


@pytest.mark.django_db
def test_no_migration_is_missing() -> None:
    out = io.StringIO()
    call_command("makemigrations", check=True, dry_run=True, stdout=out, stderr=out)
    assert "No changes detected" in out.getvalue()


def test_an_empty_sqlite_file_migrates_from_nothing_and_checks_out(tmp_path: Path) -> None:
    environment = os.environ | {"DATA_DIR": str(tmp_path), "SECRET_KEY": "only-for-tests", "DEMO": "yes"}
    for name in ("DATABASE_URL", "REDIS_URL", "DJANGO_SETTINGS_MODULE"):
        environment.pop(name, None)

    def manage(*arguments: str) -> str:
        done = subprocess.run(
            [sys.executable, "manage.py", *arguments],
            cwd=ROOT, env=environment, capture_output=True, text=True, check=False, timeout=300,
        )  # fmt: skip
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    manage("migrate", "--verbosity", "0")
    assert "[ ]" not in manage("showmigrations", "--plan")
    # Twice is once: the hooks after migrating (catalogue) must bear it too.
    assert "No migrations to apply" in manage("migrate")
    manage("check", "--database", "default")


@pytest.mark.parametrize("path", FILES, ids=lambda path: f"{path.parent.parent.name}/{path.stem}")
def test_a_migrations_name_says_what_it_does(path: Path) -> None:
    number, _, words = path.stem.partition("_")
    assert re.fullmatch(r"\d{4}", number)
    assert words, "Give it a name: makemigrations --name …"
    assert not words.startswith("auto")
    assert "_auto_" not in words
    assert not re.search(r"_and_more$|^alter_|_\d{8}", words), "A name made up by the machine says how, not what."


@pytest.mark.parametrize("path", FILES, ids=lambda path: f"{path.parent.parent.name}/{path.stem}")
def test_a_migration_leans_on_no_app_code_that_may_change(path: Path) -> None:
    # Types of fields and defaults may be imported: Django writes those lines itself. Models, actions and rules may not.
    for node in ast.walk(ast.parse(path.read_text())):
        names = []
        if isinstance(node, ast.ImportFrom):
            names = [node.module or ""]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        for name in names:
            top, _, rest = name.partition(".")
            assert top not in APPS or not re.match(r"(actions|rules|views|tasks|imports|reports)\b", rest), name


@pytest.mark.parametrize("path", FILES, ids=lambda path: f"{path.parent.parent.name}/{path.stem}")
def test_a_data_step_can_be_undone_or_says_that_it_need_not_be(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Call) and getattr(node.func, "attr", "") in ("RunPython", "RunSQL"):
            given = {word.arg for word in node.keywords}
            assert len(node.args) >= 2 or given & {"reverse_code", "reverse_sql"}, f"line {node.lineno}"


def test_each_app_has_one_line_of_migrations() -> None:
    for app in APPS:
        latest = (ROOT / app / "migrations" / "max_migration.txt").read_text().strip()
        assert latest == max(path.stem for path in (ROOT / app / "migrations").glob("[0-9]*.py"))
        assert apps.get_app_config(app)
