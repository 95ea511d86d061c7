"""Which slots of a visit still wait for a walk test, and which were tried and not heard. Pure Python over slot rows."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from devices.rules.findings_slots import UNTESTED_KINDS
from devices.rules.slot_map import SlotRow
from devices.rules.words import DUTY_ORDER, DUTY_WORDS, UNKNOWN
from maintenance.rules.visits import Gate

HOW_WORDS = {
    "registered": "registered on this visit",
    "set_anew": "set anew on this visit",
    "again": "registered again on this visit",
    "cells": "cells changed on this visit",
}
"""What was done to a slot that calls for a walk test: code → words, the one that says most first."""

HOW_ORDER = {code: place for place, code in enumerate(HOW_WORDS)}

MOST_SLOTS = 12
"""So many slots are named one by one before finishing; the rest is counted (own choice: one screen of a phone)."""


@dataclass(frozen=True, slots=True)
class Touched:
    """One thing done to a registration on the visit: a code of `HOW_WORDS`, and when."""

    how: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Owed:
    """A slot that is left without a walk test that was heard.

    Attributes
    ----------
    receiver_id, slot : int
        Where it is.
    receiver, label : str
        Label of the receiver; label of the place.
    duty : str
        Duty class, as a code.
    how : str
        A code of `HOW_WORDS`; empty: it was tried on the visit and not heard at the output.
    """

    receiver_id: int
    slot: int
    receiver: str
    label: str
    duty: str
    how: str = ""

    @property
    def words(self) -> str:
        """What to do, as a sentence."""
        about = ", ".join(filter(None, (self.label, self.receiver, DUTY_WORDS.get(self.duty, f"duty {UNKNOWN}"))))
        if self.how:
            return (
                f"Walk-test slot {self.slot} ({about}): {HOW_WORDS[self.how]}, and no walk test was heard there since."
            )
        return (
            f"Slot {self.slot} ({about}) was not heard at the output when it was walk-tested on this visit. Find out why "
            "and walk-test it again; until then tell whoever relies on it."
        )


def owed_tests(
    rows: Sequence[SlotRow], receivers: Mapping[int, str], touched: Mapping[int, Sequence[Touched]], begins: datetime
) -> list[Owed]:
    """List the slots that a visit leaves without a walk test that was heard: life safety first, what failed before what waits.

    Parameters
    ----------
    rows : sequence of SlotRow
        Slots of the site as they stand, with `not_heard_at`.
    receivers : mapping of int to str
        Receiver id → label.
    touched : mapping of int to sequence of Touched
        Registration id → what was done to it on the visit.
    begins : datetime
        When the visit began: an older test that was not heard is a finding, but not the visit's.
    """
    found = list(_owed(rows, receivers, touched, begins))
    return sorted(
        found, key=lambda one: (DUTY_ORDER.get(one.duty, len(DUTY_ORDER)), bool(one.how), one.receiver, one.slot)
    )


def _owed(
    rows: Sequence[SlotRow], receivers: Mapping[int, str], touched: Mapping[int, Sequence[Touched]], begins: datetime
) -> Iterator[Owed]:
    heard_of_unit = _heard_of_unit(rows)
    for row in rows:
        label = receivers.get(row.receiver_pk or 0, "")
        if row.not_heard_at is not None and row.not_heard_at >= begins:
            yield Owed(row.receiver_pk or 0, row.slot, label, row.label, row.duty)
            continue
        # What is away cannot be tried, and a repeater gives no call of its own: the finding says the same.
        if row.nothing_answers or row.is_away or row.kind in UNTESTED_KINDS:
            continue
        waiting = [
            one.how
            for one in touched.get(row.registration_pk or 0, ())
            # Cells feed all inputs of a unit: a call heard from any of them shows that the new ones serve.
            if _is_before(heard_of_unit.get(row.transmitter_pk) if one.how == "cells" else row.walk_tested_at, one.at)
        ]
        if waiting:
            how = min(waiting, key=lambda code: HOW_ORDER[code])
            yield Owed(row.receiver_pk or 0, row.slot, label, row.label, row.duty, how)


def _heard_of_unit(rows: Iterable[SlotRow]) -> dict[int | None, datetime]:
    heard: dict[int | None, datetime] = {}
    for row in rows:
        if row.walk_tested_at is not None:
            heard[row.transmitter_pk] = max(row.walk_tested_at, heard.get(row.transmitter_pk, row.walk_tested_at))
    return heard


def _is_before(heard_at: datetime | None, at: datetime) -> bool:
    return heard_at is None or heard_at < at


def walk_test_gates(owed: Sequence[Owed]) -> list[Gate]:
    """One line per slot for the list before finishing, at most `MOST_SLOTS`; a person may have reasons, so none holds anybody."""
    rows = [
        Gate("walk_test", True, one.words, one.receiver_id, is_warning=True, slot=one.slot) for one in owed[:MOST_SLOTS]
    ]
    more = len(owed) - len(rows)
    if more:
        text = "One more slot waits for a walk test." if more == 1 else f"{more} more slots wait for a walk test."
        rows.append(Gate("walk_test", True, text, owed[MOST_SLOTS].receiver_id, is_warning=True))
    return rows
