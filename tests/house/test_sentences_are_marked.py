"""Sentences that Python tells a person are marked for translation: whole, with names for what is put in, no f-strings.

`python -m tests.house.test_sentences_are_marked` prints what is left.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SKIPPED = {"migrations", "demo"}
APPS = ("company", "devices", "sites", "maintenance")
TELLS = {"said", "said_with_undo", "add_error", "ValidationError"}
MARKS = {"_", "gettext", "gettext_lazy", "ngettext", "ngettext_lazy", "pgettext", "pgettext_lazy", "npgettext"}
WORD = re.compile(r"[^\W\d_]{2,}")
SENTENCE = re.compile(r"[^\W\d_]{2,},? [^\W\d_]{2,}")


def files() -> list[str]:
    paths = (path for app in APPS for path in (ROOT / app).rglob("*.py") if not SKIPPED & set(path.parts))
    return sorted(path.relative_to(ROOT).as_posix() for path in paths)


@cache
def tree(name: str) -> ast.Module:
    return ast.parse((ROOT / name).read_text(encoding="utf-8"))


def _name(node: ast.expr) -> str:
    return node.id if isinstance(node, ast.Name) else node.attr if isinstance(node, ast.Attribute) else ""


@cache
def refusals() -> frozenset[str]:
    """Names of `Refused` and of every class that stands on it, however deep."""
    bases = {
        node.name: {_name(base) for base in node.bases}
        for name in files()
        for node in ast.walk(tree(name))
        if isinstance(node, ast.ClassDef)
    }
    found = {"Refused"}
    while more := {name for name, on in bases.items() if on & found} - found:
        found |= more
    return frozenset(found)


def _words_in(node: ast.AST, *, is_marked: bool = False) -> Iterator[ast.expr]:
    """F-strings with words in them, and sentences that stand in no mark."""
    if isinstance(node, ast.JoinedStr):
        if any(isinstance(part, ast.Constant) and WORD.search(str(part.value)) for part in node.values):
            yield node
        return
    if isinstance(node, ast.Constant) and not is_marked and SENTENCE.search(str(node.value)):
        yield node
    is_marked = is_marked or (isinstance(node, ast.Call) and _name(node.func) in MARKS)
    for part in ast.iter_child_nodes(node):
        yield from _words_in(part, is_marked=is_marked)


def _tells(call: ast.Call, told_by: frozenset[str]) -> list[ast.expr]:
    """What a call says to a person; nothing where it says nothing."""
    name, on = _name(call.func), call.func.value if isinstance(call.func, ast.Attribute) else None
    said = [*call.args, *(word.value for word in call.keywords)]
    if name == "add_error":
        return said[1:]  # the field comes first
    return said if name in TELLS | told_by or _name(on or ast.Name("")) == "messages" else []


def unmarked(module: ast.Module, told_by: frozenset[str]) -> Iterator[str]:
    """What a call tells a person, directly or by a name of the same function, and no translator sees whole."""
    whole = [node for node in ast.walk(module) if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef))]
    for scope in [module, *whole]:
        inner = list(ast.walk(scope))
        kept: dict[str, list[ast.expr]] = {}
        if scope is not module:
            for node in inner:
                if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
                    kept.setdefault(node.targets[0].id, []).append(node.value)
        for call in inner:
            if not isinstance(call, ast.Call):
                continue
            is_marked = _name(call.func) in MARKS
            told = call.args if is_marked else _tells(call, told_by)
            named = [value for word in told if isinstance(word, ast.Name) for value in kept.get(word.id, ())]
            for node in [*told, *named]:
                yield from {f"{one.lineno}: {ast.unparse(one)}" for one in _words_in(node, is_marked=is_marked)}


@pytest.mark.parametrize("name", files())
def test_every_sentence_is_marked_and_whole(name: str) -> None:
    found = sorted(set(unmarked(tree(name), refusals())))
    assert not found, 'Write _("… %(name)s …") % {"name": …}, which a translator can see whole'


PLANTED = [
    'said(request, f"Slot {slot} is spare now.")',
    'toasts.said(request, f"{n} slots changed.", undo_url="")',
    'said_with_undo(request, f"Slot {slot} is back.", row)',
    'messages.success(request, f"{site} is saved.")',
    'raise Refused(f"{name} is no technician.")',
    'raise SlotTaken(f"Slot {slot} is taken.")',
    'raise actions.SlotTaken(f"Slot {slot} is taken.")',
    'self.add_error("slot", f"It has slots 1 to {last}.")',
    'raise ValidationError(f"Give {least} or more.")',
    'raise ValidationError({"slot": f"Give {least} or more."})',
    'said(request, f"{n} day off." if n == 1 else f"{n} days off.")',
    'def view():\n    text = f"{n} findings rest."\n    messages.info(request, text)',
    'def view():\n    text = "Nothing was saved."\n    messages.info(request, text)',
    'raise Refused("Nothing was saved.")',
    'self.add_error("slot", "It has fewer slots." if few else _("It has more slots."))',
    '_(f"Slot {slot} is spare now.")',
]


@pytest.mark.parametrize("source", PLANTED)
def test_a_planted_fault_is_found(source: str) -> None:
    assert list(unmarked(ast.parse(source), refusals()))


@pytest.mark.parametrize(
    "source",
    [
        'said(request, _("Slot %(slot)s is spare now.") % {"slot": slot})',
        'raise Refused(_("%(n)s V is too much.") % {"n": f"{volts:g}"})',
        'messages.info(request, f"{first} · {second}")',
        'self.add_error(f"source_{key}", _("Say where this comes from."))',
        'logger.info(f"read {n} rows")',
        "raise Refused(why)",
        'messages.success(request, text, extra_tags="undo")',
    ],
)
def test_a_marked_sentence_is_left_alone(source: str) -> None:
    assert not list(unmarked(ast.parse(source), refusals()))


SILENT = {"Http404", "ValueError", "TypeError"}
"""What nobody of the pages' readers is told: the answer has a page of its own, or a developer reads it."""
ENDED = re.compile(r"[A-Z“].*[^\W\d_]{2,} [^\W\d_]{2,}.*[.!?]", re.DOTALL)


def doors() -> list[str]:
    return [name for name in files() if {"forms", "views", "actions"} & set(name.split("/")) and "style" not in name]


def loose(module: ast.Module) -> Iterator[str]:
    """Whole sentences that stand outside every mark, wherever they go from there; doc-strings are none."""
    left_out: set[int] = set()
    for node in ast.walk(module):
        is_called = isinstance(node, ast.Call) and _name(node.func) in MARKS | SILENT | {"gettext_noop"}
        if is_called or (isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)):
            left_out.update(id(part) for part in ast.walk(node))
    for node in ast.walk(module):
        if isinstance(node, ast.Constant) and id(node) not in left_out and ENDED.fullmatch(str(node.value)):
            yield f"{node.lineno}: {node.value}"


@pytest.mark.parametrize("name", doors())
def test_no_whole_sentence_of_a_door_or_an_action_stands_outside_a_mark(name: str) -> None:
    module = tree(name)
    logged = {
        part.value
        for call in ast.walk(module)
        if isinstance(call, ast.Call) and isinstance(call.func, ast.Attribute) and _name(call.func.value) == "logger"
        for part in call.args
        if isinstance(part, ast.Constant)
    }
    assert [one for one in loose(module) if one.partition(": ")[2] not in logged] == []


@pytest.mark.parametrize(
    ("source", "n"),
    [
        ('HELP = "Give a day of this year."', 1),
        ('field(help_text="Give a day of this year.")', 1),
        ('HELP = _("Give a day of this year.")', 0),
        ('def view():\n    """Give a day of this year."""', 0),
        ('raise Http404("This slot is spare.")', 0),
        ('NAMES = {"label": "given name"}', 0),
    ],
)
def test_a_loose_sentence_is_found(source: str, n: int) -> None:
    assert len(list(loose(ast.parse(source)))) == n


def test_refusals_are_known_by_what_they_stand_on() -> None:
    assert {"Refused", "SlotTaken", "NotAnEnd"} <= refusals()


if __name__ == "__main__":
    for one in files():
        for text in sorted(set(unmarked(tree(one), refusals()))):
            print(f"{one}:{text}")
