"""Recording on a visit. Every entry carries a key: sending it twice records it once. Nothing is ever deleted here."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.db import transaction

from company.errors import Refused
from company.models import User
from devices.actions.batteries import fit_battery
from devices.actions.faults import clear_latched_faults, latch_faults_again
from devices.actions.fitting_corrections import take_back_fitting
from devices.actions.receivers import edit_receiver
from devices.actions.slots import ask_to_register_again, mark_registered
from devices.models import BatteryType, Fitting, Receiver, Registration
from maintenance.models import Entry, Visit, WalkTest
from maintenance.rules.visits import is_on_test, receiver_state, why_not_clear


class VisitNotOpen(Refused):
    """Only a visit under way takes entries."""


class KeyUsed(Refused):
    """The key of an entry was used for something else before."""


class NotYet(Refused):
    """A step whose turn has not come."""


class EntryOver(Refused):
    """The entry is no longer in force, or may not be changed any more."""


class NotHere(Refused):
    """The slot or receiver is not at the site of the visit, or is gone."""


@dataclass(frozen=True, slots=True)
class Saying:
    """What somebody wants to record: kind, what it is about, and the facts as plain JSON."""

    kind: str
    facts: dict[str, Any] = field(default_factory=dict)
    receiver: Receiver | None = None
    registration: Registration | None = None

    def digest(self, visit: Visit, corrects: Entry | None) -> str:
        """Digest of what was sent, whoever sends it and whenever."""
        text = json.dumps(
            [
                visit.pk, self.kind, self.facts, self.receiver.pk if self.receiver else None,
                self.registration.pk if self.registration else None, corrects.pk if corrects else None,
            ],
            sort_keys=True,
        )  # fmt: skip
        return hashlib.sha256(text.encode()).hexdigest()


@transaction.atomic
def record_entry(
    *, visit: Visit, saying: Saying, key: UUID, by: User, at: datetime, made_at: datetime | None = None
) -> Entry:
    """Record one thing on a visit, with its effect on the records, once per key.

    `made_at` is when it was done (default: now). The same key with the same content gives the stored entry again.

    Raises
    ------
    VisitNotOpen, KeyUsed, NotYet, NotHere
        And whatever the effect refuses. Nothing is written.
    """
    visit = Visit.objects.select_for_update(of=("self",)).select_related("site").get(pk=visit.pk)
    stored = stored_entry(visit=visit, saying=saying, key=key, by=by)
    if stored:
        return stored
    if visit.state != Visit.State.OPEN:
        raise VisitNotOpen(
            "This visit is not under way. Start it first." if visit.state == "planned" else "This visit is over."
        )
    return _write(visit=visit, saying=saying, key=key, by=by, at=at, made_at=made_at or at)


def stored_entry(*, visit: Visit, saying: Saying, key: UUID, by: User, corrects: Entry | None = None) -> Entry | None:
    """The entry that this very sending made before, None if the key is new.

    Raises
    ------
    KeyUsed
        If the key carried something else, or came from somebody else.
    """
    entry = Entry.objects.filter(key=key).first()
    if entry is None:
        return None
    if entry.by_id != by.pk or entry.sha256 != saying.digest(visit, corrects):
        raise KeyUsed("This form was sent before with something else in it. Load the page again and record it anew.")
    return entry


def _write(
    *, visit: Visit, saying: Saying, key: UUID, by: User, at: datetime, made_at: datetime, corrects: Entry | None = None
) -> Entry:
    _refuse_elsewhere(visit, saying)
    receiver = saying.receiver or (saying.registration.receiver if saying.registration else None)
    entry = Entry(
        key=key, customer_id=visit.customer_id, visit=visit, receiver=receiver, registration=saying.registration,
        kind=saying.kind, made_at=made_at, recorded_at=at, by=by, sha256=saying.digest(visit, corrects),
        corrects=corrects,
    )  # fmt: skip
    # What was typed, and beside it what the effect must remember in order to be taken back.
    effect = EFFECTS.get(saying.kind, no_effect)
    entry.facts = saying.facts | effect(visit, saying, made_at, by)
    entry.save()
    if saying.kind == Entry.Kind.WALK_TEST:
        assert saying.registration is not None
        WalkTest.objects.create(
            customer_id=visit.customer_id, entry=entry, visit=visit, registration=saying.registration, at=made_at,
            heard=saying.facts["heard"], margin_db=saying.facts.get("margin_db"),
        )  # fmt: skip
    Visit.objects.filter(pk=visit.pk).update(version=visit.version + 1)
    visit.version += 1
    return entry


def _refuse_elsewhere(visit: Visit, saying: Saying) -> None:
    receiver = saying.receiver or (saying.registration.receiver if saying.registration else None)
    if receiver is not None and receiver.site_id != visit.site_id:
        raise NotHere("That receiver is not at the site of this visit.")
    if saying.registration is not None and saying.registration.removed_at is not None and saying.kind != "note":
        raise NotHere("That slot was changed since the page was loaded. Load the page again.")
    is_standby = saying.kind == "battery" and saying.facts.get("standby")
    if saying.kind in ("battery", "walk_test", "registered") and saying.registration is None and not is_standby:
        raise NotHere("Say which slot this is about.")
    if (saying.kind in ("volts", "covers", "cleared") or is_standby) and receiver is None:
        raise NotHere("Say which receiver this is about.")


# --- what each kind changes in the records -----------------------------------------------------------------------------


def no_effect(visit: Visit, saying: Saying, made_at: datetime, by: User) -> dict[str, Any]:
    """Notes, covers and the like change nothing but the visit itself."""
    return {}


def _change_battery(visit: Visit, saying: Saying, made_at: datetime, by: User) -> dict[str, Any]:
    facts, row = saying.facts, saying.registration
    if row is None:
        return _change_standby(visit, saying, made_at, by)
    if row.transmitter is None:
        raise NotHere("No transmitter is known in this slot, so there is nothing to put cells into.")
    battery_type = BatteryType.objects.filter(code=facts["cells"]).first() if facts.get("cells") else None
    if facts.get("cells") and battery_type is None:
        raise NotHere(f"“{facts['cells']}” is not in the catalogue of cells.")
    fitting = fit_battery(
        transmitter=row.transmitter, battery_type=battery_type, n_cells=facts.get("n_cells"), lot=facts.get("lot", ""),
        made_on=date.fromisoformat(facts["made_on"]) if facts.get("made_on") else None,
        removed_why=facts.get("old_why", "preventive"), removed_v=facts.get("old_v"), by=by, at=made_at,
        reason=f"changed on the visit of {visit.planned_on:%d %B %Y}",
    )  # fmt: skip
    return {"fitting": fitting.pk, "cells_label": battery_type.iec_code if battery_type else ""}


def _change_standby(visit: Visit, saying: Saying, made_at: datetime, by: User) -> dict[str, Any]:
    receiver = Receiver.objects.select_related("site", "type").get(pk=saying.receiver.pk)  # type: ignore[union-attr]
    was_on = receiver.standby_fitted_on
    receiver.standby_fitted_on = made_at.astimezone(visit.site.zone).date()
    edit_receiver(receiver=receiver, by=by, at=made_at, reason="standby battery changed on a visit")
    return {"was_on": was_on.isoformat() if was_on else None}


def _register_again(visit: Visit, saying: Saying, made_at: datetime, by: User) -> dict[str, Any]:
    row = saying.registration
    assert row is not None
    if row.register_again_since is None:
        return {}
    was = row.register_again_since
    # The phone's clock may lag behind the office's change; what counts is that it was done after the page showed it.
    mark_registered(registration=row, by=by, at=max(made_at, was))
    return {"was_due_since": was.isoformat()}


def _measure_supply(visit: Visit, saying: Saying, made_at: datetime, by: User) -> dict[str, Any]:
    receiver = Receiver.objects.select_related("site", "type").get(pk=saying.receiver.pk)  # type: ignore[union-attr]
    before = {
        "was_v": receiver.measured_v,
        "was_on": receiver.measured_on.isoformat() if receiver.measured_on else None,
    }
    receiver.measured_v = saying.facts["volts"]
    receiver.measured_on = made_at.astimezone(visit.site.zone).date()
    edit_receiver(receiver=receiver, by=by, at=made_at, reason="measured on a visit")
    return before


def _clear(visit: Visit, saying: Saying, made_at: datetime, by: User) -> dict[str, Any]:
    receiver = saying.receiver
    assert receiver is not None
    state = receiver_state(Entry.objects.filter(visit=visit).as_said(), receiver.pk)
    again = register_again_slots([receiver.pk]).get(receiver.pk, [])
    why_not = why_not_clear(state, again)
    if why_not:
        raise NotYet(why_not)
    faults = clear_latched_faults(receiver=receiver, cause=saying.facts.get("cause", ""), by=by, at=made_at)
    return {"faults": [fault.pk for fault in faults], "fault_words": [fault.get_kind_display() for fault in faults]}


def _put_on_test(visit: Visit, saying: Saying, made_at: datetime, by: User) -> dict[str, Any]:
    if is_on_test(Entry.objects.filter(visit=visit).as_said()):
        raise NotYet("It is on test already.")
    visit.on_test_at, visit.off_test_at = visit.on_test_at or made_at, None
    visit.told_before = visit.told_before or saying.facts.get("told", "")[:120]
    visit.save(update_fields=["on_test_at", "off_test_at", "told_before"])
    return {}


def _put_off_test(visit: Visit, saying: Saying, made_at: datetime, by: User) -> dict[str, Any]:
    if not is_on_test(Entry.objects.filter(visit=visit).as_said()):
        raise NotYet("It is not on test.")
    if visit.on_test_at and made_at < visit.on_test_at:
        raise NotYet("It was put on test after that time.")
    visit.off_test_at = made_at
    visit.told_after = saying.facts.get("told", "")[:120]
    visit.save(update_fields=["off_test_at", "told_after"])
    return {}


Effect = Callable[[Visit, Saying, datetime, User], dict[str, Any]]
EFFECTS: dict[str, Effect] = {
    "battery": _change_battery,
    "registered": _register_again,
    "volts": _measure_supply,
    "cleared": _clear,
    "on_test": _put_on_test,
    "off_test": _put_off_test,
}


def register_again_slots(receiver_ids: list[int]) -> dict[int, list[int]]:
    """Slots at "register again" per receiver."""
    rows = Registration.objects.open().filter(receiver_id__in=receiver_ids, register_again_since__isnull=False)
    slots: dict[int, list[int]] = {}
    for receiver_id, slot in rows.order_by("slot").values_list("receiver_id", "slot"):
        slots.setdefault(receiver_id, []).append(slot)
    return slots


# --- corrections --------------------------------------------------------------------------------------------------------


@transaction.atomic
def correct_entry(*, entry: Entry, saying: Saying, key: UUID, by: User, at: datetime) -> Entry:
    """Record something anew in place of an entry: the old one stays, points nowhere and is no longer in force.

    The effect of the old entry is taken back, that of the new one takes its place, both at the time it was done.

    Raises
    ------
    EntryOver, KeyUsed
        And whatever the effects refuse. Nothing is written.
    """
    visit, entry = _lock_for_change(entry)
    stored = stored_entry(visit=visit, saying=saying, key=key, by=by, corrects=entry)
    if stored:
        return stored
    _refuse_over(visit, entry, by)
    _take_back(visit, entry, by, at, "corrected")
    return _write(visit=visit, saying=saying, key=key, by=by, at=at, made_at=entry.made_at, corrects=entry)


@transaction.atomic
def withdraw_entry(*, entry: Entry, reason: str, key: UUID, by: User, at: datetime) -> Entry:
    """Say that an entry was a mistake: its effect is taken back, and a new entry says so and why.

    Raises
    ------
    EntryOver, KeyUsed, ReasonMissing
        Nothing is written.
    """
    visit, entry = _lock_for_change(entry)
    saying = Saying(entry.kind, {"withdrawn": True, "reason": reason.strip()[:300]}, entry.receiver, entry.registration)
    stored = stored_entry(visit=visit, saying=saying, key=key, by=by, corrects=entry)
    if stored:
        return stored
    if not reason.strip():
        raise EntryOver("Say in a few words why this entry is withdrawn.")
    _refuse_over(visit, entry, by)
    _take_back(visit, entry, by, at, reason)
    return Entry.objects.create(
        key=key, customer_id=visit.customer_id, visit=visit, receiver=entry.receiver, registration=entry.registration,
        kind=entry.kind, made_at=at, recorded_at=at, by=by, facts=saying.facts, sha256=saying.digest(visit, entry),
        corrects=entry, is_withdrawn=True,
    )  # fmt: skip


def _lock_for_change(entry: Entry) -> tuple[Visit, Entry]:
    visit = Visit.objects.select_for_update(of=("self",)).select_related("site").get(pk=entry.visit_id)
    return visit, Entry.objects.select_related("receiver", "registration__transmitter", "visit").get(pk=entry.pk)


def _refuse_over(visit: Visit, entry: Entry, by: User) -> None:
    if entry.is_withdrawn:
        raise EntryOver("This entry was corrected or withdrawn already.")
    if visit.state == Visit.State.FINISHED and not by.is_office:
        raise EntryOver("The visit is finished. The office can still correct its entries.")
    if visit.state not in (Visit.State.OPEN, Visit.State.FINISHED):
        raise EntryOver("This visit takes no entries.")


def _take_back(visit: Visit, entry: Entry, by: User, at: datetime, reason: str) -> None:
    Entry.objects.filter(pk=entry.pk).update(is_withdrawn=True)
    entry.is_withdrawn = True
    undo = UNDO.get(entry.kind)
    if undo:
        undo(visit, entry, by, at, reason or "entered by mistake")
    Visit.objects.filter(pk=visit.pk).update(version=visit.version + 1)


def _undo_battery(visit: Visit, entry: Entry, by: User, at: datetime, reason: str) -> None:
    if entry.registration_id is None:
        receiver = Receiver.objects.select_related("site", "type").get(pk=entry.receiver_id)
        was_on = entry.facts.get("was_on")
        receiver.standby_fitted_on = date.fromisoformat(was_on) if was_on else None
        edit_receiver(receiver=receiver, by=by, at=at, reason=reason)
        return
    fitting = Fitting.objects.filter(pk=entry.facts.get("fitting")).first()
    if fitting is None:
        raise EntryOver("The cells of this entry are not on record any more.")
    take_back_fitting(fitting=fitting, by=by, at=at, reason=reason)


def _undo_registered(visit: Visit, entry: Entry, by: User, at: datetime, reason: str) -> None:
    row = entry.registration
    if entry.facts.get("was_due_since") and row and row.removed_at is None and row.register_again_since is None:
        ask_to_register_again(
            registration=row, by=by, at=datetime.fromisoformat(entry.facts["was_due_since"]), reason=reason
        )


def _undo_volts(visit: Visit, entry: Entry, by: User, at: datetime, reason: str) -> None:
    receiver = Receiver.objects.select_related("site", "type").get(pk=entry.receiver_id)
    if receiver.measured_v != entry.facts.get("volts"):
        return
    receiver.measured_v = entry.facts.get("was_v")
    was_on = entry.facts.get("was_on")
    receiver.measured_on = date.fromisoformat(was_on) if was_on else None
    edit_receiver(receiver=receiver, by=by, at=at, reason=reason)


def _undo_cleared(visit: Visit, entry: Entry, by: User, at: datetime, reason: str) -> None:
    assert entry.receiver is not None
    latch_faults_again(receiver=entry.receiver, faults=entry.facts.get("faults", []), by=by, at=at, reason=reason)


def _undo_test(visit: Visit, entry: Entry, by: User, at: datetime, reason: str) -> None:
    rows = list(Entry.objects.filter(visit=visit, kind__in=["on_test", "off_test"]).standing().in_order())
    on = next((row for row in rows if row.kind == "on_test"), None)
    off = rows[-1] if rows and rows[-1].kind == "off_test" else None
    visit.on_test_at = on.made_at if on else None
    visit.told_before = on.facts.get("told", "")[:120] if on else ""
    visit.off_test_at = off.made_at if off else None
    visit.told_after = off.facts.get("told", "")[:120] if off else ""
    visit.save(update_fields=["on_test_at", "told_before", "off_test_at", "told_after"])


UNDO: dict[str, Callable[[Visit, Entry, User, datetime, str], None]] = {
    "battery": _undo_battery,
    "registered": _undo_registered,
    "volts": _undo_volts,
    "cleared": _undo_cleared,
    "on_test": _undo_test,
    "off_test": _undo_test,
}
