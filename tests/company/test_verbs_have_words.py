"""Every verb that the program writes into the change log has words for whoever reads the log. Read from the code itself."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from company.change_words import DEEDS

ROOT = Path(__file__).parents[2]
FILES = sorted(
    [ROOT / "company/undo.py", ROOT / "company/adapter.py"]
    + [
        path
        for app in ("company", "sites", "devices", "maintenance")
        for path in (ROOT / app / "actions").rglob("*.py")
    ]
)
KEPT_AT_A_SITE = ("area", "hazard", "monitoringcentre", "siteclosure")
"""Models whose names end a verb that is put together: save_… and remove_…"""


def texts(node: ast.expr, names: dict[str, list[ast.expr]], depth: int = 0) -> Iterator[str]:
    """What an expression may be: a text, either side of a choice, a name of this file, a word before a model's name."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    elif isinstance(node, ast.IfExp):
        yield from texts(node.body, names, depth)
        yield from texts(node.orelse, names, depth)
    elif isinstance(node, ast.Name) and depth < 3:
        for value in names.get(node.id, []):
            yield from texts(value, names, depth + 1)
    elif isinstance(node, ast.JoinedStr) and isinstance(node.values[0], ast.Constant):
        yield from (f"{node.values[0].value}{kind}" for kind in KEPT_AT_A_SITE)


def assigned(tree: ast.AST) -> dict[str, list[ast.expr]]:
    """Every value that a name of the file is given."""
    found: dict[str, list[ast.expr]] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Assign):
            for target in node.targets:
                pairs = [(target, node.value)]
                if isinstance(target, ast.Tuple) and isinstance(node.value, ast.Tuple):
                    pairs = list(zip(target.elts, node.value.elts, strict=True))
                for name, value in pairs:
                    if isinstance(name, ast.Name):
                        found.setdefault(name.id, []).append(value)
    return found


def verbs() -> set[str]:
    """Verbs given by keyword, by place to a function that takes one, or to the register of what can be undone."""
    trees = [ast.parse(path.read_text()) for path in FILES]
    places: dict[str, int] = {"undoes": 0}
    for tree in trees:
        for node in ast.walk(tree):
            if isinstance(node, ast.FunctionDef):
                names = [one.arg for one in node.args.args if one.arg != "self"]
                if "verb" in names and node.name != "record_change":
                    places[node.name] = names.index("verb")
    found: set[str] = set()
    for tree in trees:
        known = assigned(tree)
        for node in ast.walk(tree):
            if isinstance(node, ast.Call):
                given = [one.value for one in node.keywords if one.arg == "verb"]
                called = getattr(node.func, "id", getattr(node.func, "attr", ""))
                if called in places:
                    given += node.args if called == "undoes" else node.args[places[called] : places[called] + 1]
                found.update(text for one in given for text in texts(one, known))
    return found


VERBS = sorted(verbs())


def test_the_code_was_read():
    assert {"change_slot", "bulk_change_slot", "save_hazard", "add_access_note", "end_round"} <= set(VERBS)


@pytest.mark.parametrize("verb", VERBS)
def test_a_verb_of_the_log_has_words(verb):
    assert DEEDS.get(verb), (
        f"Say in company/change_words.py, DEEDS, what “{verb}” means: what was done, as in “slot changed”."
    )
