"""The import contracts of pyproject.toml hold, and break when somebody plants what they forbid."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
APPS = ("company", "sites", "devices", "maintenance")

ONE_WAY = "Apps point one way"
INSIDE = "Inside an app: doors, then writes, then models, then rules"
PURE = "Rules are pure Python"
PDF = "Only company.pdf talks to the PDF engine"
TASKS = "Only views, listeners and commands start tasks"


def broken_contracts(tree: Path) -> tuple[set[str], str]:
    """Names of the contracts that this tree breaks, and the whole answer."""
    done = subprocess.run(
        [sys.executable, "-c", "from importlinter.cli import lint_imports_command as run; run()", "--no-cache"],
        cwd=tree, capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    answer = done.stdout + done.stderr
    states = dict(re.findall(r"^(.+?) (KEPT|BROKEN)\b", answer, flags=re.MULTILINE))
    if not states:
        # A file outside the closed vocabulary stops the linter before it judges the contracts.
        assert done.returncode != 0, answer
        return {"stopped"}, answer
    return {name.strip() for name, state in states.items() if state == "BROKEN"}, answer


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """A copy of the code that may be spoilt."""
    for app in APPS:
        shutil.copytree(ROOT / app, tmp_path / app, ignore=lambda folder, names: [
            name for name in names if not (name.endswith(".py") or (Path(folder) / name).is_dir()) or name == "__pycache__"
        ])  # fmt: skip
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    return tmp_path


def test_every_contract_holds() -> None:
    broken, answer = broken_contracts(ROOT)
    assert not broken, answer


@pytest.mark.parametrize(
    ("place", "line", "contract"),
    [
        ("sites/querysets.py", "from devices.models import Receiver", ONE_WAY),
        ("company/views.py", "import maintenance.models", ONE_WAY),
        ("devices/models/receivers.py", "def late():\n    from maintenance.models import Visit", ONE_WAY),
        ("maintenance/models/due.py", "from maintenance.actions import due", INSIDE),
        ("devices/rules/words.py", "from devices import signals", INSIDE),
        ("devices/rules/words.py", "from django.utils import timezone", PURE),
        ("maintenance/models/reports.py", "import weasyprint", PDF),
        ("maintenance/admin.py", "from maintenance import tasks", TASKS),
    ],
)
def test_a_planted_import_breaks_its_contract(tree: Path, place: str, line: str, contract: str) -> None:
    target = tree / place
    before = target.read_text() if target.exists() else ""
    target.write_text(f"{before}\n\n{line}\n")
    broken, answer = broken_contracts(tree)
    assert contract in broken, answer


@pytest.mark.parametrize("name", ["sites/helpers.py", "devices/services.py", "maintenance/utils/__init__.py"])
def test_a_file_name_outside_the_vocabulary_breaks_the_contract(tree: Path, name: str) -> None:
    target = tree / name
    target.parent.mkdir(exist_ok=True)
    target.write_text('"""Does a bit of everything."""\n')
    broken, answer = broken_contracts(tree)
    assert broken & {INSIDE, "stopped"}, answer
    assert name.split("/")[1].removesuffix(".py") in answer


def test_the_copy_itself_breaks_nothing(tree: Path) -> None:
    broken, answer = broken_contracts(tree)
    assert not broken, answer
