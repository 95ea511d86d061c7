"""A planned change beside what stands in the slot, line by line and in words; pure Python."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from devices.rules.words import (
    CONTACT_WORDS,
    DUTY_WORDS,
    UNKNOWN,
    WINDOW_OFF,
    behaviour_words,
    span_words,
    window_words,
)

Plain = Mapping[str, Any]
"""Settings of a slot as plain values: the names of `Registration`, and `outputs` as [number, behaviour, seconds]."""

NOTHING = "nothing"
"""What a line says on the side where nothing stands."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a slot: what is planned beside what was found."""

    name: str
    planned: str
    found: str

    @property
    def differs(self) -> bool:
        return self.planned != self.found


def _if_known(code: Any) -> str:
    return "" if code in (None, "unknown") else str(code)


def _outputs(rows: Sequence[Sequence[Any]]) -> str:
    words = [f"{number}: {behaviour_words(_if_known(behaviour), seconds)}" for number, behaviour, seconds in rows]
    return "; ".join(words) or "none"


def words_of(settings: Plain | None, *, serial: str = "") -> dict[str, str]:
    """Say settings line by line; all lines say "nothing" where there are none (a spare slot).

    Parameters
    ----------
    settings : mapping or None
        As `Plain`; spans in seconds.
    serial : str
        Transmitter; empty where nobody knows it.
    """
    names = ("Transmitter", "Place", "Area", "Duty class", "Supervision", "Checks in every", "Contact at rest", "Input",
             "Leaves the site", "In several slots", "Outputs", "Note")  # fmt: skip
    if settings is None:
        return dict.fromkeys(names, NOTHING)
    window_s = WINDOW_OFF if settings["supervision"] == "off" else settings["window_s"]
    interval_s = settings["interval_s"]
    values = (
        serial or UNKNOWN, settings["label"], settings["area"] or "–", DUTY_WORDS.get(settings["duty"], UNKNOWN),
        window_words(window_s), span_words(interval_s) if interval_s else UNKNOWN,
        CONTACT_WORDS.get(_if_known(settings["contact"]), UNKNOWN), str(settings["input_number"]),
        "yes" if settings["is_portable"] else "no", "yes" if settings["is_shared"] else "no",
        _outputs(settings["outputs"]), settings["note"] or "–",
    )  # fmt: skip
    return dict(zip(names, values, strict=True))


def compare(planned: Mapping[str, str], found: Mapping[str, str]) -> list[Line]:
    """Both sides line by line, in the order of the planned side; lines that say the same are kept, so that all is seen."""
    return [Line(name, words, found.get(name, NOTHING)) for name, words in planned.items()]


def has_changed(*, planned_on: int | None, stands: int | None, stood: Plain | None, settings: Plain | None) -> bool:
    """Whether a slot is no longer as it was when the change was planned.

    Parameters
    ----------
    planned_on, stands : int or None
        Key of the registration that the plan was made on, and of the one in force; None for a spare slot.
    stood, settings : mapping or None
        Settings then and now (spans [s]): words are corrected in place, without another registration.
    """
    if planned_on != stands:
        return True
    if stood is None or settings is None:
        return False
    return any(settings.get(name) != value for name, value in stood.items())
