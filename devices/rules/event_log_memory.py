"""What a source remembers of the choices for its files, and which of it can still be used. Pure.

Choices come from a page, from a command line and from rows that were written long ago; whoever uses them asks here first,
so that one wrong word breaks no later file.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Mapping, Sequence
from typing import Any

from devices.rules.event_log import FIELDS
from devices.rules.event_log_guess import MOST_COLUMNS, plain_head
from devices.rules.event_log_times import FORMATS
from devices.rules.event_words import CODES, IGNORE

SLOT_OFFSETS = (-1024, 9000)
"""Least and largest difference between a file's zone and our slot. Own choice: wide enough for any numbering."""
HEAD_ROWS = (0, 200)
"""First and last row in which headings may stand. Own choice."""
NOT_KEPT = ("columns", "words", "head_row", "sheet", "is_falling", "others")
"""Of one file only. What becomes of words without a choice is not kept either: it would be said of words nobody has seen."""
MOST_KEPT = 2_000
"""Words that a source remembers before those of former files that were left out are forgotten. Own choice."""
NAMES = {
    "columns": "the columns", "words": "what some words mean", "time_format": "the form of the times", "zone": "the time zone",
    "every_row": "what every row is", "slot_offset": "the number of the first zone", "receiver_code": "the receiver of all rows",
    "others": "what becomes of other words", "head_row": "the row of the headings", "sheet": "the sheet",
}  # fmt: skip
"""For a person."""


def _is_whole(value: Any, span: tuple[int, int]) -> bool:
    return type(value) is int and span[0] <= value <= span[1]


def _is_kind(value: Any) -> bool:
    return type(value) is str and (value in CODES or value == IGNORE)


def _is_column(at: Any) -> bool:
    return _is_whole(at, (0, 10_000))


def _is_kept_column(where: Any) -> bool:
    return isinstance(where, Mapping) and isinstance(where.get("head", ""), str) and _is_column(where.get("at", 0))


def wrong_in(
    choices: Any, *, zones: Container[str], is_receiver: Callable[[str], bool], is_kept: bool = False
) -> list[str]:
    """Give the names of the choices that cannot be used; one that is not there is not wrong.

    Parameters
    ----------
    choices : mapping
        As `LogMap.as_json` gives them or, where `is_kept`, `to_remember`.
    zones : container of str
        Names of time zones.
    is_receiver : callable
        Whether the source speaks for a receiver with this code.
    """
    if not isinstance(choices, Mapping):
        return ["columns", "words"]
    is_column = _is_kept_column if is_kept else _is_column
    tests: dict[str, Callable[[Any], bool]] = {
        "columns": lambda of: isinstance(of, Mapping) and all(name in FIELDS and is_column(of[name]) for name in of),
        "words": lambda of: isinstance(of, Mapping) and all(_is_kind(kind) for kind in of.values()),
        "time_format": lambda form: form == "" or (type(form) is str and form in FORMATS),
        "zone": lambda zone: zone == "" or (type(zone) is str and zone in zones),
        "every_row": lambda kind: kind == "" or (_is_kind(kind) and kind != IGNORE),
        "slot_offset": lambda n: _is_whole(n, SLOT_OFFSETS),
        "receiver_code": lambda code: code == "" or (type(code) is str and is_receiver(code)),
        "others": lambda what: what in ("", "refuse", IGNORE),
        "head_row": lambda n: _is_whole(n, HEAD_ROWS),
        "sheet": lambda sheet: type(sheet) is str,
    }
    return [name for name, is_right in tests.items() if name in choices and not is_right(choices[name])]


def usable(
    choices: Any, *, zones: Container[str], is_receiver: Callable[[str], bool], is_kept: bool = False
) -> tuple[dict[str, Any], list[str]]:
    """Give the choices without those that cannot be used, and the names of these. Of words the sound ones stay."""
    wrong = wrong_in(choices, zones=zones, is_receiver=is_receiver, is_kept=is_kept)
    if not isinstance(choices, Mapping):
        return {}, wrong
    sound = {name: value for name, value in choices.items() if name not in wrong}
    if "words" in wrong and isinstance(choices["words"], Mapping):
        sound["words"] = {word: kind for word, kind in choices["words"].items() if _is_kind(kind)}
    return sound, wrong


def to_remember(chosen: Mapping[str, Any], heads: Sequence[str], before: Mapping[str, Any]) -> dict[str, Any]:
    """Give what a source keeps of the choices for a file: columns by heading, words added to those of former files."""
    names = [plain_head(head) for head in heads]
    columns = {
        name: {"head": names[at] if at < len(names) else "", "at": at} for name, at in chosen.get("columns", {}).items()
    }
    words = {**before.get("words", {}), **chosen.get("words", {})}
    if len(words) > MOST_KEPT:
        # A column of free text: what was left out of former files is asked for again.
        words = {word: kind for word, kind in words.items() if kind != IGNORE or word in chosen.get("words", {})}
    kept = {name: value for name, value in chosen.items() if name not in NOT_KEPT}
    return {**kept, "columns": columns, "words": words, "heads": names[:MOST_COLUMNS]}


def remembered_columns(
    kept: Mapping[str, Any], heads: Sequence[str], proposed: Mapping[str, int]
) -> dict[str, int] | None:
    """Find the columns of the last file in this one, by heading or, without headings, by place; None where one is missing.

    A column whose heading the last file did not have is taken as proposed.
    """
    names = [plain_head(head) for head in heads]
    columns: dict[str, int] = {}
    for name, where in kept.get("columns", {}).items():
        at = _place_of(where, names)
        if name not in FIELDS or at is None:
            return None
        columns[name] = at
    if not columns:
        return None
    seen = set(kept.get("heads", ()))
    for name, at in proposed.items():
        if names[at] and names[at] not in seen and at not in columns.values():
            columns.setdefault(name, at)
    return columns


def _place_of(where: Mapping[str, Any], names: Sequence[str]) -> int | None:
    head, at = where.get("head", ""), where.get("at", -1)
    if 0 <= at < len(names) and names[at] == head:
        return int(at)
    return names.index(head) if head and head in names else None
