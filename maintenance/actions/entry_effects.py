"""What each kind of entry changes in the records, and how that is taken back."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from django.utils.translation import gettext as _

from company.errors import Refused
from company.models import User
from devices.actions.batteries import fit_battery
from devices.actions.faults import clear_latched_faults, latch_faults_again
from devices.actions.fitting_corrections import correct_end, take_back_fitting
from devices.actions.receivers import edit_receiver
from devices.actions.slots import ask_to_register_again, mark_registered
from devices.models import BatteryType, Fitting, Receiver, Registration
from devices.querysets import end_of_day
from maintenance.models import Entry, Visit
from maintenance.rules.visits import is_on_test, receiver_state, why_not_clear


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


def no_effect(visit: Visit, saying: Saying, made_at: datetime, by: User) -> dict[str, Any]:
    """Notes, covers and the like change nothing but the visit itself."""
    return {}


def _change_battery(visit: Visit, saying: Saying, made_at: datetime, by: User) -> dict[str, Any]:
    facts, row = saying.facts, saying.registration
    if row is None:
        return _change_standby(visit, saying, made_at, by)
    if row.transmitter is None:
        raise NotHere(_("No transmitter is known in this slot, so there is nothing to put cells into."))
    battery_type = BatteryType.objects.filter(code=facts["cells"]).first() if facts.get("cells") else None
    if facts.get("cells") and battery_type is None:
        raise NotHere(_("“%(cells)s” is not in the catalogue of cells.") % {"cells": facts["cells"]})
    fitting = fit_battery(
        transmitter=row.transmitter, battery_type=battery_type, n_cells=facts.get("n_cells"), lot=facts.get("lot", ""),
        made_on=date.fromisoformat(facts["made_on"]) if facts.get("made_on") else None,
        removed_why=facts.get("old_why", "preventive"), removed_v=facts.get("old_v"), by=by, at=made_at,
        removed_v_under_load=bool(facts.get("old_under_load")), last_alive_at=_last_known(visit, facts, made_at),
        reason=f"changed on the visit of {visit.planned_on:%d %B %Y}",
    )  # fmt: skip
    label = battery_type.iec_code if battery_type else ""
    had_old = Fitting.objects.filter(transmitter=row.transmitter, removed_at=made_at).exclude(pk=fitting.pk).exists()
    none_out = {} if had_old else {"no_old": True}
    return {"fitting": fitting.pk, "cells_label": label} | none_out | last_known_words(facts)


def _last_known(visit: Visit, facts: dict[str, Any], made_at: datetime) -> datetime | None:
    """When the old cells were last known to work: the end of the day that was typed, never after they came out."""
    typed = facts.get("last_known_on")
    return min(end_of_day(date.fromisoformat(typed), visit.site.zone), made_at) if typed else None


def last_known_words(facts: dict[str, Any]) -> dict[str, Any]:
    """The day on which the old cells were last known to work, as pages say it."""
    typed = facts.get("last_known_on")
    return {"last_known_words": f"{date.fromisoformat(typed):%-d %b %Y}"} if typed else {}


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
        raise NotYet(_("It is on test already."))
    visit.on_test_at, visit.off_test_at = visit.on_test_at or made_at, None
    visit.told_before = visit.told_before or saying.facts.get("told", "")[:120]
    visit.save(update_fields=["on_test_at", "off_test_at", "told_before"])
    return {}


def _put_off_test(visit: Visit, saying: Saying, made_at: datetime, by: User) -> dict[str, Any]:
    if not is_on_test(Entry.objects.filter(visit=visit).as_said()):
        raise NotYet(_("It is not on test."))
    if visit.on_test_at and made_at < visit.on_test_at:
        raise NotYet(_("It was put on test after that time."))
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


NEW_CELLS = ("cells", "n_cells", "lot", "made_on")
"""What a battery entry says about the new cells; the rest is about the old ones."""


def cells_of(facts: dict[str, Any]) -> list[Any]:
    """What an entry says about the new cells, nothing typed as None."""
    return [facts.get(name) or None for name in NEW_CELLS]


def change_end(
    entry: Entry, now: datetime, visit: Visit, saying: Saying, made_at: datetime, by: User
) -> dict[str, Any]:
    """Correct how the old cells ended, by a statement that points at the former one."""
    new = Fitting.objects.filter(pk=entry.facts.get("fitting")).first()
    if new is None:
        raise EntryOver(_("The cells of this entry are not on record any more."))
    old = Fitting.objects.filter(transmitter=new.transmitter_id, removed_at=made_at).exclude(pk=new.pk).first()
    facts = saying.facts
    if old is not None:
        correct_end(
            fitting=old, why=facts.get("old_why", "preventive"), volts=facts.get("old_v"),
            is_under_load=bool(facts.get("old_under_load")), last_alive_at=_last_known(visit, facts, made_at), by=by,
            at=now, reason=f"corrected on the visit of {visit.planned_on:%d %B %Y}",
        )  # fmt: skip
    kept = {name: entry.facts[name] for name in ("cells_label", "no_old") if name in entry.facts}
    return {"fitting": new.pk, "cells_label": ""} | kept | last_known_words(facts)


def _undo_battery(visit: Visit, entry: Entry, by: User, at: datetime, reason: str) -> None:
    if entry.registration_id is None:
        receiver = Receiver.objects.select_related("site", "type").get(pk=entry.receiver_id)
        was_on = entry.facts.get("was_on")
        receiver.standby_fitted_on = date.fromisoformat(was_on) if was_on else None
        edit_receiver(receiver=receiver, by=by, at=at, reason=reason)
        return
    fitting = Fitting.objects.filter(pk=entry.facts.get("fitting")).first()
    if fitting is None:
        raise EntryOver(_("The cells of this entry are not on record any more."))
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
