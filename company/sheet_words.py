"""Comparing words of a workbook: names of sheets and columns, texts, and the nearest of what is known. Pure."""

import difflib
import math
import re
import unicodedata
from collections.abc import Iterable
from typing import Any

_HIDDEN_CHARS = dict.fromkeys(map(ord, "\u200b\u200c\u200d\u2060\ufeff\u00ad"))


def tidy_text(value: str) -> str:
    """Compose accents, drop characters without width, make a hard space a plain one."""
    if value.isascii():
        return value
    return unicodedata.normalize("NFC", value).translate(_HIDDEN_CHARS).replace("\u00a0", " ")


def plain_text(value: str) -> str:
    """Give the form in which a workbook can hold a text: tidied, and in one line with single spaces."""
    return " ".join(tidy_text(value).split())


def is_same(on_record: Any, wanted: Any) -> bool:
    """Tell whether a cell says what is on record already, though a workbook keeps 15 digits and one line of text."""
    if isinstance(on_record, str) and isinstance(wanted, str):
        return on_record == wanted or plain_text(on_record) == wanted
    if isinstance(on_record, float) and isinstance(wanted, (int, float)):
        return math.isclose(on_record, wanted, rel_tol=1e-12)
    return bool(on_record == wanted)


def plain(name: str) -> str:
    """Fold case, spaces, hyphens and underscores, so that "Site_Code" and "site code" are one name."""
    return re.sub(r"[\s_\-]+", " ", name).strip(" :*").casefold()


_NEAREST: dict[tuple[str, int], tuple[Iterable[str], str | None]] = {}
_MANY = 500
_LOOK_ALIKES = str.maketrans("oil", "011")
"""Letters, small, that are typed for a digit and the other way round."""


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Find the known name closest to a misspelt one, or None where nothing is close.

    A name that differs only by I, l and 1 or O and 0 is the closest: it was read off a label, not mistyped.
    After it comes one in which two neighbours are exchanged, such as 61 for 16. The same slip may stand in thousands of rows, so the last answers are remembered.
    """
    kept = _NEAREST.get((word, id(known)))
    if kept is not None and kept[0] is known:
        return kept[1]
    names = {plain(name): name for name in known}
    sought = plain(word)
    read_as = sought.translate(_LOOK_ALIKES)
    alike = [n for n in names if len(n) == len(sought) and n.translate(_LOOK_ALIKES) == read_as]
    alike = alike or [n for n in _exchanged(sought) if n in names]
    candidates = alike or list(names)
    if len(candidates) > _MANY:
        # Comparing letter by letter takes long: of very many only those of about the same length and beginning or end.
        near = (
            n for n in candidates if abs(len(n) - len(sought)) <= 2 and (n[:2] == sought[:2] or n[-2:] == sought[-2:])
        )
        candidates = sorted(near, key=lambda n: sum(a != b for a, b in zip(n, sought, strict=False)))[:_MANY]
    found = difflib.get_close_matches(sought, candidates, n=1, cutoff=0.0 if alike else 0.6)
    answer = names[found[0]] if found else None
    if len(_NEAREST) > 1000:
        _NEAREST.clear()
    _NEAREST[word, id(known)] = (known, answer)
    return answer


def _exchanged(word: str) -> set[str]:
    """Give the word with each two neighbouring letters exchanged."""
    return {f"{word[:n]}{word[n + 1]}{word[n]}{word[n + 2 :]}" for n in range(len(word) - 1)}


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Give " Did you mean …?" for a misspelt name, or nothing."""
    near = nearest(word, known)
    return f" Did you mean “{near}”?" if near else ""
