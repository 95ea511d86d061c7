"""The standby battery of a receiver as its page tells of it: since when it is in, and when it is due."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from devices.rules.slot_map import due_words, urgency


@dataclass(frozen=True, slots=True)
class StandbyShown:
    """One standby battery. `has` is None where nobody knows whether there is one; `due_pk` leads to why it is due then."""

    has: bool | None
    fitted_on: date | None
    due_pk: int | None = None
    due_on: date | None = None
    duty: str = ""
    mark: str = ""
    words: str = ""


def day_of(value: Any) -> date | None:
    """A day as either database hands it over."""
    return date.fromisoformat(value) if isinstance(value, str) else value


def standby_of(facts: Mapping[str, Any], today: date) -> StandbyShown:
    """What is on record of it, out of what heads the slot map: `standby_due` is key, day and duty of what is due."""
    fitted_on, of_type = day_of(facts["standby_fitted_on"]), facts["type_has_standby"]
    # A day that somebody gave proves one, whatever the type says; the due list goes by the same.
    has = True if fitted_on else (None if of_type is None else bool(of_type))
    if not has or not facts["standby_due"]:
        return StandbyShown(has, fitted_on)
    pk, on, duty = facts["standby_due"].split(":")
    due_on = day_of(on or None)
    return StandbyShown(has, fitted_on, int(pk), due_on, duty, urgency(due_on, today), due_words(due_on, today))
