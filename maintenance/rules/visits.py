"""What still has to be done on a visit, and whether it may be finished. Pure Python over what was recorded."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

WORK = frozenset({"battery", "walk_test", "registered"})
"""Entries that open a cover or set an output off: after them the receiver must be cleared."""

NOT_DONE_WHY = {
    "no_access": "no access to it",
    "not_found": "not found",
    "no_cells": "no cells with me",
    "broken": "transmitter broken",
    "still_good": "measured, left in",
    "asked": "person in charge asked to leave it",
    "time": "ran out of time",
    "other": "other, see the note",
}
"""Why something due was left: code → words."""


def old_cells_words(facts: Mapping[str, Any], why: str) -> str:
    """Say how the old cells of a battery entry came out, such as "found dead, 2.1 V under load".

    Parameters
    ----------
    facts : mapping
        Facts of the entry; old_v [V].
    why : str
        Why they came out, in words; empty where nobody said.

    Returns
    -------
    str
        Empty where there were none, or nothing was said of them.
    """
    if facts.get("no_old"):
        return ""
    parts = [why] if why else []
    if facts.get("old_v") not in (None, ""):
        parts.append(f"{facts['old_v']} V under load" if facts.get("old_under_load") else f"{facts['old_v']} V")
    if facts.get("last_known_words"):
        parts.append(f"last known working {facts['last_known_words']}")
    return ", ".join(parts)


@dataclass(frozen=True, slots=True)
class Said:
    """One standing entry, as far as the rules need it.

    Parameters
    ----------
    kind : str
        Kind of entry, such as "battery" or "cleared".
    at : datetime
        When it was done.
    order : int
        Breaks a tie between entries of one moment: order of recording.
    receiver_id, registration_id, transmitter_id : int or None
        What it is about.
    """

    kind: str
    at: datetime
    order: int
    receiver_id: int | None = None
    registration_id: int | None = None
    transmitter_id: int | None = None


@dataclass(frozen=True, slots=True)
class ReceiverState:
    """How far a receiver is on this visit.

    Attributes
    ----------
    is_worked : bool
        Something was done there that leaves marks (battery, walk test, registration).
    has_volts, covers_on, is_cleared : bool
        The three last steps; covers and clearing count only if nothing was done after them.
    """

    is_worked: bool = False
    has_volts: bool = False
    covers_on: bool = False
    is_cleared: bool = False

    @property
    def is_left(self) -> bool:
        """Worked on and not cleared: this keeps the visit open."""
        return self.is_worked and not self.is_cleared


def receiver_state(said: Iterable[Said], receiver_id: int) -> ReceiverState:
    """Work out how far one receiver is from the standing entries of a visit.

    Parameters
    ----------
    said : iterable of Said
        Standing entries of the visit in any order.
    receiver_id : int
        The receiver.
    """
    is_worked = has_volts = covers_on = is_cleared = False
    for entry in sorted((e for e in said if e.receiver_id == receiver_id), key=lambda e: (e.at, e.order)):
        if entry.kind in WORK:
            is_worked, covers_on, is_cleared = True, False, False
        elif entry.kind == "volts":
            has_volts = True
        elif entry.kind == "covers":
            covers_on = True
        elif entry.kind == "cleared":
            is_cleared = covers_on
    return ReceiverState(is_worked, has_volts, covers_on, is_cleared)


def why_not_clear(state: ReceiverState, register_again: Sequence[int]) -> str:
    """Say why a receiver cannot be recorded as cleared; empty if it can.

    Parameters
    ----------
    state : ReceiverState
        How far the receiver is.
    register_again : sequence of int
        Slots of this receiver that are at "register again".
    """
    if register_again:
        slots = ", ".join(str(slot) for slot in sorted(register_again))
        many = len(register_again) > 1
        return (
            f"Slot{'s' if many else ''} {slots} must be registered again first: the set-up was changed after the "
            f"transmitter{'s were' if many else ' was'} registered."
        )
    if not state.covers_on:
        return (
            "First record that every cover is on and every transmitter is in its place: tamper stays latched otherwise."
        )
    return ""


def is_on_test(said: Iterable[Said]) -> bool:
    """Whether the monitoring centre was put on test and not off test since."""
    last = ""
    for entry in sorted((e for e in said if e.kind in ("on_test", "off_test")), key=lambda e: (e.at, e.order)):
        last = entry.kind
    return last == "on_test"


def is_answered(said: Iterable[Said], *, transmitter_id: int | None, receiver_id: int, is_unit: bool = False) -> bool:
    """Whether a due thing was changed on the visit, or a reason was given why not.

    Parameters
    ----------
    said : iterable of Said
        Standing entries.
    transmitter_id : int or None
        Whose cells (or which whole unit); None: the receiver's standby battery.
    receiver_id : int
        The receiver it belongs to.
    is_unit : bool
        The whole unit is due: new cells are no answer to that.
    """
    for entry in said:
        if entry.kind not in ("battery", "not_done") or (is_unit and entry.kind == "battery"):
            continue
        if transmitter_id is not None and entry.transmitter_id == transmitter_id:
            return True
        if transmitter_id is None and entry.registration_id is None and entry.receiver_id == receiver_id:
            return True
    return False


def is_named(call: str, *, slot: int, label: str, serial: str = "") -> bool:
    """Whether the words of a call name a slot: by "slot 7", by the label of its place or by the serial.

    Parameters
    ----------
    call : str
        What was asked or reported.
    slot : int
        Number of the slot, 1 or more.
    label, serial : str
        Label of the place; serial of the transmitter, empty if not known. Case does not matter; whole words only.
    """
    names = [rf"slot\s*{slot}", *(re.escape(name.strip()) for name in (label, serial) if name.strip())]
    return any(re.search(rf"(?<!\w){name}(?!\w)", call, re.IGNORECASE) for name in names)


def in_the_way_words(n: int) -> str:
    """Say in short how many things [count, at least 1] keep a visit from being finished; the list itself stands below."""
    return "One thing stands in the way: see below." if n == 1 else f"{n} things stand in the way: see below."


@dataclass(frozen=True, slots=True)
class Gate:
    """One condition for finishing: `is_open` when it is met, what to say about it, the receiver and slot that it is about.

    `is_warning`: it keeps nobody from finishing, but all is not well.
    """

    code: str
    is_open: bool
    text: str
    receiver_id: int | None = None
    is_warning: bool = False
    slot: int | None = None


MOST_FAULTS = 6
"""So many faults of a receiver are named one by one in a sentence; the rest is counted."""


@dataclass(frozen=True, slots=True)
class Standing:
    """One fault that is on record for a receiver, as the sheet names it.

    Attributes
    ----------
    kind : str
        What is wrong, in words, such as "low battery".
    slot : int or None
        The slot that has it; None: the receiver itself.
    place : str
        Where it is if no slot has it any more, such as a serial number; may be empty.
    is_over : bool
        Over, and still shown by the receiver until it is cleared.
    """

    kind: str
    slot: int | None = None
    place: str = ""
    is_over: bool = False

    @property
    def words(self) -> str:
        """With its place: "low battery in slot 4", or "receiver fault"."""
        return (
            f"{self.kind} in slot {self.slot}"
            if self.slot
            else f"{self.kind} of {self.place}"
            if self.place
            else self.kind
        )


def standing_words(faults: Sequence[Standing]) -> str:
    """Name faults in a row, at most `MOST_FAULTS`, the others as a number: "missing in slot 4, receiver fault and 2 more"."""
    named = [fault.words for fault in faults[:MOST_FAULTS]]
    more = len(faults) - len(named)
    if more:
        return f"{', '.join(named)} and {more} more"
    return " and ".join(filter(None, (", ".join(named[:-1]), *named[-1:])))


def _cleared(label: str, faults: Sequence[Standing]) -> str:
    """What to say of a receiver that was cleared on the visit: never more than that where faults are on record for it."""
    there = [fault for fault in faults if not fault.is_over]
    if there:
        return f"{label} was cleared, but not all is well there. Still standing: {standing_words(there)}."
    if faults:
        return f"{label} was cleared, but what is over still shows as not cleared: {standing_words(faults)}."
    return f"{label} is cleared."


def _untouched(label: str, faults: Sequence[Standing]) -> str:
    """What to say of a receiver with faults at which nothing was done on the visit."""
    there, over = ([fault for fault in faults if fault.is_over is is_over] for is_over in (False, True))
    parts = [
        f"Standing: {standing_words(there)}." if there else "",
        f"Over, not cleared: {standing_words(over)}." if over else "",
    ]
    return " ".join((f"{label}: nothing was done there.", *filter(None, parts)))


def gates(
    said: Sequence[Said], receivers: Mapping[int, str], register_again: Mapping[int, Sequence[int]], n_unexplained: int,
    standing: Mapping[int, Sequence[Standing]] | None = None,
) -> list[Gate]:  # fmt: skip
    """List what must be so before a visit can be finished.

    Parameters
    ----------
    said : sequence of Said
        Standing entries.
    receivers : mapping of int to str
        Receivers of the site, id → label.
    register_again : mapping of int to sequence of int
        Receiver id → slots at "register again".
    n_unexplained : int
        Due things neither changed nor given a reason, at least 0.
    standing : mapping of int to sequence of Standing, optional
        Receiver id → faults on record there, worst first. They keep nobody from finishing, but are named.
    """
    rows = []
    for receiver_id, label in receivers.items():
        state = receiver_state(said, receiver_id)
        faults = (standing or {}).get(receiver_id, ())
        if not state.is_worked:
            if faults:
                rows.append(Gate("faults", True, _untouched(label, faults), receiver_id, is_warning=True))
            continue
        if state.is_cleared:
            rows.append(Gate("cleared", True, _cleared(label, faults), receiver_id, is_warning=bool(faults)))
        else:
            why = why_not_clear(state, register_again.get(receiver_id, ()))
            rows.append(
                Gate("cleared", False, f"{label} is not cleared. {why or 'Clear it and record that.'}", receiver_id)
            )
    if any(entry.kind == "on_test" for entry in said):
        on_test = is_on_test(said)
        text = (
            "The monitoring centre is still on test. Put it off test and record that."
            if on_test
            else "The monitoring centre is off test."
        )
        rows.append(Gate("on_test", not on_test, text))
    if n_unexplained:
        noun = "battery is" if n_unexplained == 1 else "batteries are"
        rows.append(Gate("not_done", False, f"{n_unexplained} due {noun} not changed and no reason is given."))
    return rows
