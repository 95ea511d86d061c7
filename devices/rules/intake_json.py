"""JSON of programs of others, read so that a name that stands twice in an object is noticed. Pure Python."""

from __future__ import annotations

import json
from collections.abc import Iterable

NAME_CHARS = 40
_BEFORE_COLON = (b" :", b"\t:", b"\n:", b"\r:")


class Doubled(dict[str, object]):
    """An object in which a name stands more than once: readers differ in which value counts, so none does.

    Attributes
    ----------
    twice : str
        The first name that stands again, as `shown_name` gives it.
    """

    twice = ""


def _object(pairs: list[tuple[str, object]]) -> dict[str, object]:
    found = dict(pairs)
    if len(found) == len(pairs):
        return found
    doubled = Doubled(found)
    seen: set[str] = set()
    for name, _value in pairs:
        if name in seen:
            doubled.twice = shown_name(name)
            break
        seen.add(name)
    return doubled


def read_json(raw: bytes) -> object:
    """Read JSON; an object with a name that stands twice comes as `Doubled`.

    The library's own way takes the last value silently. It is three times as fast, so it is tried first on a batch as
    nearly all are, and what it gave is right where it kept as many names as the text can have.

    Raises
    ------
    ValueError, RecursionError
        No JSON, or too deep.
    """
    data = json.loads(raw)
    return data if _has_every_name(data, raw) else json.loads(raw, object_pairs_hook=_object)


def _has_every_name(data: object, raw: bytes) -> bool:
    """Whether surely no name was lost: each stands before `":` here, and what else looks so only makes this say no."""
    # A zero byte: UTF-16 and UTF-32, in which other signs hold these bytes.
    if type(data) is not dict or b"\0" in raw or any(blank in raw for blank in _BEFORE_COLON):
        return False
    n = len(data)
    for value in data.values():
        if type(value) is list:
            if not all(type(one) is dict for one in value):
                return False
            n += sum(map(len, value))
    return raw.count(b'":') == n


def shown_name(name: str) -> str:
    """A name of a sender's field as an answer may repeat it: at most 40 signs that can be printed."""
    cut = name[:NAME_CHARS]
    return "".join(one if one.isprintable() else "·" for one in cut) or "(empty)"


def names_shown(names: Iterable[str], most: int) -> tuple[str, ...]:
    """Names of fields for an answer: sorted, each once, at most `most` [names] of them."""
    return tuple(sorted({shown_name(name) for name in names})[:most])
