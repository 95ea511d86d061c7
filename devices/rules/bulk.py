"""One change for many slots: what each of them is set to afterwards; pure Python."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from devices.rules.plans import Plain

LONGEST_LABEL = 80
LONGEST_AREA = 120
WORDS = ("label", "slot", "area", "serial", "kind")
"""What stands in braces in a pattern for labels."""

_BRACES = re.compile(r"\{([^{}]*)\}")


@dataclass(frozen=True, slots=True)
class Wish:
    """What shall be changed; None leaves it as it is.

    Attributes
    ----------
    window_s : int or None
        Supervision window [s]; 0 = not supervised.
    interval_s : int or None
        Check-in interval [s].
    duty, area, pattern : str or None
        Duty class, area, pattern for the label such as "Room {slot}".
    output : int or None
        Output whose behaviour is set; `behaviour` empty: it is no longer driven. `seconds` [s] only when momentary.
    """

    window_s: int | None = None
    interval_s: int | None = None
    duty: str | None = None
    area: str | None = None
    pattern: str | None = None
    output: int | None = None
    behaviour: str = ""
    seconds: float | None = None

    @property
    def is_empty(self) -> bool:
        """Whether nothing is to be changed."""
        return all(
            value is None for value in (self.window_s, self.interval_s, self.duty, self.area, self.pattern, self.output)
        )


def pattern_refused(pattern: str) -> str:
    """Say what is wrong with a pattern for labels; empty where nothing is."""
    strange = [word for word in _BRACES.findall(pattern) if word not in WORDS]
    if strange:
        return f"“{{{strange[0]}}}” is not known. Use {', '.join('{' + word + '}' for word in WORDS)}."
    if "{" in _BRACES.sub("", pattern) or "}" in _BRACES.sub("", pattern):
        return "A brace is open. Write it like {slot}."
    return "" if pattern.strip() else "Write a pattern, such as Room {slot}."


def label_of(pattern: str, facts: Mapping[str, object]) -> str:
    """Fill a pattern; what a slot has nothing to say about is left out, and blanks are never doubled."""
    filled = _BRACES.sub(lambda found: str(facts.get(found[1]) or ""), pattern)
    return " ".join(filled.split())


def _outputs_after(rows: list[list[Any]], wish: Wish) -> list[list[Any]]:
    others = [row for row in rows if row[0] != wish.output]
    if wish.behaviour:
        others.append([wish.output, wish.behaviour, wish.seconds])
    return sorted(others, key=lambda row: row[0])


def settings_after(settings: Plain, wish: Wish, facts: Mapping[str, object]) -> dict[str, Any]:
    """Settings of one slot after the change.

    Parameters
    ----------
    settings : mapping
        As they are.
    facts : mapping
        What the words of a pattern stand for: see `WORDS`.
    """
    after = dict(settings)
    if wish.window_s is not None:
        after["supervision"] = "on" if wish.window_s else "off"
        after["window_s"] = wish.window_s or None
    for name in ("interval_s", "duty", "area"):
        if (value := getattr(wish, name)) is not None:
            after[name] = value
    if wish.pattern is not None:
        after["label"] = label_of(wish.pattern, facts)
    if wish.output is not None:
        after["outputs"] = _outputs_after([list(row) for row in settings["outputs"]], wish)
    return after


def wording_problems(settings: Plain) -> list[str]:
    """What is wrong with the words of one slot after the change, in plain words."""
    found = []
    if not settings["label"]:
        found.append("The pattern leaves this slot without a name.")
    elif len(settings["label"]) > LONGEST_LABEL:
        found.append(f"The name would have {len(settings['label'])} letters; {LONGEST_LABEL} fit.")
    if len(settings["area"]) > LONGEST_AREA:
        found.append(f"The area would have {len(settings['area'])} letters; {LONGEST_AREA} fit.")
    return found
