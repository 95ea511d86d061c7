"""Recording on a visit. Every entry carries a key: sending it twice records it once. Nothing is ever deleted here."""

from __future__ import annotations

from datetime import datetime
from functools import partial
from typing import Any
from uuid import UUID

from django.db import transaction
from django.utils.translation import gettext as _

from company.errors import Refused
from company.models import User
from maintenance.actions.entry_effects import (
    EFFECTS,
    UNDO,
    Effect,
    EntryOver,
    NotHere,
    NotYet,
    Saying,
    cells_of,
    change_end,
    no_effect,
    register_again_slots,
)
from maintenance.actions.findings import look_again_at_receiver, look_again_at_sites
from maintenance.models import Entry, Visit, WalkTest

__all__ = [
    "EntryOver",
    "KeyUsed",
    "NotHere",
    "NotYet",
    "Saying",
    "VisitNotOpen",
    "correct_entry",
    "record_entry",
    "register_again_slots",
    "stored_entry",
    "withdraw_entry",
]


TESTS = (Entry.Kind.WALK_TEST, Entry.Kind.ON_TEST, Entry.Kind.OFF_TEST)
"""What findings hang on although it changes no slot."""


class VisitNotOpen(Refused):
    """Only a visit under way takes entries."""


class KeyUsed(Refused):
    """The key of an entry was used for something else before."""


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
            _("This visit is not under way. Start it first.") if visit.state == "planned" else _("This visit is over.")
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
        raise KeyUsed(_("This form was sent before with something else in it. Load the page again and record it anew."))
    return entry


def _write(
    *,
    visit: Visit,
    saying: Saying,
    key: UUID,
    by: User,
    at: datetime,
    made_at: datetime,
    corrects: Entry | None = None,
    effect: Effect | None = None,
) -> Entry:
    _refuse_elsewhere(visit, saying)
    receiver = saying.receiver or (saying.registration.receiver if saying.registration else None)
    entry = Entry(
        key=key, customer_id=visit.customer_id, visit=visit, receiver=receiver, registration=saying.registration,
        kind=saying.kind, made_at=made_at, recorded_at=at, by=by, sha256=saying.digest(visit, corrects),
        corrects=corrects,
    )  # fmt: skip
    # What was typed, and beside it what the effect must remember in order to be taken back.
    effect = effect or EFFECTS.get(saying.kind, no_effect)
    entry.facts = saying.facts | effect(visit, saying, made_at, by)
    entry.save()
    if saying.kind == Entry.Kind.WALK_TEST:
        assert saying.registration is not None
        WalkTest.objects.create(
            customer_id=visit.customer_id, entry=entry, visit=visit, registration=saying.registration, at=made_at,
            heard=saying.facts["heard"], margin_db=saying.facts.get("margin_db"),
        )  # fmt: skip
        look_again_at_receiver(receiver_id=saying.registration.receiver_id)
    Visit.objects.filter(pk=visit.pk).update(version=visit.version + 1)
    visit.version += 1
    return entry


def _refuse_elsewhere(visit: Visit, saying: Saying) -> None:
    receiver = saying.receiver or (saying.registration.receiver if saying.registration else None)
    if receiver is not None and receiver.site_id != visit.site_id:
        raise NotHere(_("That receiver is not at the site of this visit."))
    if saying.registration is not None and saying.registration.removed_at is not None and saying.kind != "note":
        raise NotHere(_("That slot was changed since the page was loaded. Load the page again."))
    is_standby = saying.kind == "battery" and saying.facts.get("standby")
    if saying.kind in ("battery", "walk_test", "registered") and saying.registration is None and not is_standby:
        raise NotHere(_("Say which slot this is about."))
    if (saying.kind in ("volts", "covers", "cleared") or is_standby) and receiver is None:
        raise NotHere(_("Say which receiver this is about."))


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
    facts: dict[str, Any] = {"visit": visit, "saying": saying, "key": key, "by": by, "at": at, "corrects": entry}
    if entry.kind == "battery" and entry.registration_id and cells_of(entry.facts) == cells_of(saying.facts):
        # The new cells stay as they are, even where they have been taken out since: only the end of the old ones differs.
        _mark_over(visit, entry)
        return _write(**facts, made_at=entry.made_at, effect=partial(change_end, entry, at))
    _take_back(visit, entry, by, at, "corrected")
    return _write(**facts, made_at=entry.made_at)


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
        raise EntryOver(_("Say in a few words why this entry is withdrawn."))
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
        raise EntryOver(_("This entry was corrected or withdrawn already."))
    if visit.state == Visit.State.FINISHED and not by.is_office:
        raise EntryOver(_("The visit is finished. The office can still correct its entries."))
    if visit.state not in (Visit.State.OPEN, Visit.State.FINISHED):
        raise EntryOver(_("This visit takes no entries."))


def _mark_over(visit: Visit, entry: Entry) -> None:
    Entry.objects.filter(pk=entry.pk).update(is_withdrawn=True)
    entry.is_withdrawn = True
    Visit.objects.filter(pk=visit.pk).update(version=visit.version + 1)


def _take_back(visit: Visit, entry: Entry, by: User, at: datetime, reason: str) -> None:
    _mark_over(visit, entry)
    undo = UNDO.get(entry.kind)
    if undo:
        undo(visit, entry, by, at, reason or "entered by mistake")
    if entry.kind in TESTS:
        look_again_at_sites(site_ids=[visit.site_id])
