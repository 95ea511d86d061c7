"""A door never touches a table without saying who asks: `.objects` is followed by `.visible_to(user)`.

Doors are views, api, admin, urls, forms and context processors. Writes and background work are not doors: they get
objects that a door has loaded.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
APPS = ("company", "sites", "devices", "maintenance")
DOORS = ("views", "api", "admin", "urls", "forms", "context", "middleware", "htmx")
MANAGERS = ("objects", "_default_manager", "_base_manager")

# (door, source of the line): why no person's scope is needed. As few as can be.
EXCEPTIONS: dict[tuple[str, str], str] = {
    ("company/views", "Firm.objects.exists()"): "health check: reads no row, asks only whether the database answers",
}


def door_files() -> list[Path]:
    """Every module that is a door."""
    found = []
    for app in APPS:
        for door in DOORS:
            found += [path for path in [ROOT / app / f"{door}.py"] if path.exists()]
            found += sorted((ROOT / app / door).rglob("*.py"))
    return found


def door_of(path: Path) -> str:
    """App and kind of door: company/views for company/views.py and for every module of company/views/."""
    return "/".join(path.relative_to(ROOT).with_suffix("").parts[:2])


def unscoped(source: str) -> list[tuple[int, str]]:
    """Line and text of every use of a manager that is not at once narrowed to what a person may see.

    Caught: `.objects` and its like without `.visible_to(...)` as the very next link, a manager kept in a name,
    `get_object_or_404(Model, …)` and `get_list_or_404(Model, …)` on a bare class, raw SQL.
    """
    tree = ast.parse(source)
    parents: dict[ast.AST, ast.AST] = {}
    for node in ast.walk(tree):
        for child in ast.iter_child_nodes(node):
            parents[child] = node
    found: list[ast.AST] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and node.attr in MANAGERS:
            link = parents.get(node)
            is_scoped = (
                isinstance(link, ast.Attribute)
                and link.attr in ("visible_to", "none")
                and isinstance(parents.get(link), ast.Call)
                and parents[link].func is link  # type: ignore[attr-defined]
            )
            if not is_scoped:
                found.append(node)
        if isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            bare = node.args and (
                (isinstance(node.args[0], ast.Name) and node.args[0].id[:1].isupper())
                or (isinstance(node.args[0], ast.Attribute) and node.args[0].attr[:1].isupper())
            )
            if name in ("get_object_or_404", "get_list_or_404", "aget_object_or_404") and bare:
                found.append(node)
            if name == "raw" or (name == "cursor" and not node.args):
                found.append(node)
    lines = source.splitlines()
    return sorted({(node.lineno, statement_of(node, parents, lines)) for node in found})  # type: ignore[attr-defined]


def statement_of(node: ast.AST, parents: dict[ast.AST, ast.AST], lines: list[str]) -> str:
    """The innermost call chain or statement around a node, on one line."""
    top = node
    while not isinstance(top, ast.stmt):
        up = parents[top]
        if isinstance(up, ast.stmt):
            return ast.unparse(top)
        top = up
    return lines[node.lineno - 1].strip()  # type: ignore[attr-defined]


def test_no_door_reads_without_a_scope() -> None:
    problems = []
    for path in door_files():
        name = path.relative_to(ROOT).as_posix()
        for line, text in unscoped(path.read_text()):
            if (door_of(path), text) not in EXCEPTIONS:
                problems.append(f"{name}:{line}: {text}")
    assert not problems, "Begin the chain with .visible_to(user):\n" + "\n".join(problems)


def test_every_exception_is_still_needed() -> None:
    used = {(door_of(path), text) for path in door_files() for _, text in unscoped(path.read_text())}
    assert set(EXCEPTIONS) <= used, "Remove from EXCEPTIONS what no longer stands in the code."


def test_the_doors_are_found() -> None:
    doors = {door_of(path) for path in door_files()}
    assert {f"{app}/{door}" for app in APPS for door in ("views", "urls")} | {"company/context"} <= doors


@pytest.mark.parametrize(
    "line",
    [
        "rows = Site.objects.all()",
        "row = Site.objects.get(pk=pk)",
        "rows = Site.objects.filter(pk=pk).visible_to(request.user)",
        "rows = Site._default_manager.filter(closed_at=None)",
        "manager = Site.objects",
        "rows = models.Site.objects.order_by('pk')",
        "row = get_object_or_404(Site, pk=pk)",
        "row = shortcuts.get_object_or_404(models.Site, pk=pk)",
        "rows = get_list_or_404(Site)",
        "rows = get_object_or_404(Site.objects, pk=pk)",
        "rows = Site.objects.none",
        "scope = Site.objects.visible_to",
        "rows = Site.objects.raw('select 1')",
        "with connection.cursor() as cursor: cursor.execute('select 1')",
        "form.fields['site'].queryset = Site.objects.none() or Site.objects.all()",
        "class F:\n    site = ModelChoiceField(queryset=Site.objects.all())",
        "n = len(Site.objects.all()) + Site.objects.visible_to(user).count()",
    ],
)
def test_a_line_without_a_scope_is_caught(line: str) -> None:
    assert unscoped(line), line


@pytest.mark.parametrize(
    "line",
    [
        "rows = Site.objects.visible_to(request.user)",
        "row = get_object_or_404(Site.objects.visible_to(request.user).for_list(), pk=pk)",
        "rows = (\n    Site.objects\n    .visible_to(user)\n    .order_by('pk')\n)",
        "rows = apps.get_model('sites', 'Site')._default_manager.visible_to(user)",
        "row = get_object_or_404(visible_sites, pk=pk)",
        "field = ModelChoiceField(queryset=Site.objects.none())",
        "things = self.subjects",
        "text = 'Site.objects.all()'",
        "next_row = cursor(page)",
    ],
)
def test_a_scoped_line_passes(line: str) -> None:
    assert unscoped(line) == [], line
