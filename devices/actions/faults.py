"""Writes to faults by people: a receiver cleared, faults acknowledged or said to be over, and each taken back."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from uuid import UUID

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from company.actions import facts_of, record_change
from company.errors import Refused
from company.models import ChangeRow, User
from company.undo import Undone, undoes
from devices.actions.fault_clearings import read_clearings
from devices.actions.fault_events import lock_for_faults, settle_reported, tell_changed
from devices.actions.fault_reports import key_of
from devices.actions.ledger import lock_receivers, log, touch
from devices.models import Fault, FaultReport, Receiver
from devices.rules.fault_causes import CLEARED, SAID_OVER, with_note, without_end
from devices.rules.fault_spans import CLEARED_BY_HAND
from devices.rules.supervision import EVERY

ACKNOWLEDGED = ("acknowledged_at", "acknowledged_by", "acknowledged_note")
FACTS = ("acknowledged_at", "acknowledged_by_id", "acknowledged_note")
"""The same as the log keeps them."""
LONG_AGO = datetime(1970, 1, 1, tzinfo=UTC)


class NotAcknowledged(Refused):
    """Nothing was acknowledged, or it cannot be taken back; the words say why."""


class NotOver(Refused):
    """A fault was not ended, or its end cannot be taken back; the words say why."""


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """What one press acknowledged; `deed` is the number under which the log keeps it, to take it back whole."""

    deed: UUID
    faults: tuple[Fault, ...]


@transaction.atomic
def acknowledge_faults(
    *, faults: Sequence[int], note: str, by: User, at: datetime, take_over: bool = False
) -> Acknowledged:
    """Record that a person has seen these faults and looks after them; the faults themselves stay as they are.

    Faults that somebody has acknowledged before keep who did it and when: pressed twice is once, and the list is then
    empty. With `take_over` those of another person, and one's own with another note, pass to this one.
    Refused (NotAcknowledged): no fault named, none of them on record.
    """
    rows = list(
        Fault.objects.select_for_update(of=("self",))
        .select_related("receiver", "site").filter(pk__in=list(faults)).order_by("pk")
    )  # fmt: skip
    if not rows:
        raise NotAcknowledged(_("Choose at least one fault in the list, then acknowledge."))
    deed, note = uuid.uuid4(), note.strip()[:200]
    told = (by.pk, note)
    mine = [
        fault for fault in rows
        if fault.acknowledged_at is None
        or (take_over and told != (fault.acknowledged_by_id, fault.acknowledged_note))
    ]  # fmt: skip
    for fault in mine:
        before = facts_of(fault, *FACTS) if fault.acknowledged_at else None
        fault.acknowledged_at, fault.acknowledged_by, fault.acknowledged_note = at, by, note
        record_change(
            by=by, at=at, verb="acknowledge_fault", subject=fault, customer_id=fault.customer_id, reason=note,
            before=before, after=facts_of(fault, *(FACTS if before else FACTS[:1])), batch=deed,
        )  # fmt: skip
    Fault.objects.bulk_update(mine, ACKNOWLEDGED)
    return Acknowledged(deed, tuple(mine))


@undoes("acknowledge_fault")
def undo_acknowledging(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Put a fault back among those that nobody has acknowledged, or with whoever looked after it before."""
    fault = Fault.objects.select_for_update(of=("self",)).filter(pk=change.subject_id).first()
    if fault is None or fault.acknowledged_at is None:
        raise NotAcknowledged(_("This fault is not acknowledged, so there is nothing to take back."))
    before, earlier = facts_of(fault, "acknowledged_at"), change.before or {}
    since = earlier.get("acknowledged_at")
    fault.acknowledged_at = datetime.fromisoformat(since) if since else None
    fault.acknowledged_by_id = earlier.get("acknowledged_by_id")
    fault.acknowledged_note = earlier.get("acknowledged_note", "")
    fault.save(update_fields=list(ACKNOWLEDGED))
    return Undone(before, facts_of(fault, "acknowledged_at"))


def why_not_over(fault: Fault) -> str:
    """Why nobody can say that a standing fault is over, with what ends it instead; empty where a person can.

    What we see ourselves ends when we see it is over, and so does a reported silence where every check-in reaches us.
    """
    if fault.found_by == Fault.FoundBy.WATCH:
        return _("Nobody can end this by hand: it ends by itself as soon as something is heard again.")
    if fault.kind == Fault.Kind.MISSING and fault.receiver.evidence == EVERY:
        return _("Nobody can end this by hand: it ends by itself with the next check-in.")
    if fault.kind == Fault.Kind.LOW_BATTERY:
        return _("A low battery is over when its cells are changed: enter the change at its slot.")
    return ""


@transaction.atomic
def say_fault_over(*, fault: Fault, reason: str, by: User, at: datetime) -> ChangeRow:
    """End a reported fault because a person has seen or made sure that it is over, though no receiver says so.

    Kept beside what receivers reported: a report from before that comes in late does not raise it again, one from after
    does, and a restore from before moves the end. Returns the row of the log, to take it back.
    Refused (NotOver): no reason, over already, or something else ends it (`why_not_over`).
    """
    lock_for_faults([fault.receiver_id])
    row = Fault.objects.select_for_update(of=("self",)).select_related("receiver", "site").get(pk=fault.pk)
    if row.cleared_at is not None:
        raise NotOver(_("It is over already. Look at the fault again: what ended it stands there."))
    if why := why_not_over(row):
        raise NotOver(why)
    if not reason.strip():
        raise NotOver(_("Say why it is over: what you saw, measured or mended. The reason stays with the fault."))
    # Not at its beginning: a fault without any length would be none.
    moment = max(at, row.raised_at + timedelta(seconds=1))
    before = facts_of(row, "cleared_at")
    FaultReport.objects.create(
        customer_id=row.customer_id, site_id=row.site_id, receiver_id=row.receiver_id, kind=row.kind,
        registration_id=row.registration_id, transmitter_id=row.transmitter_id, at=moment, is_raised=False,
        note=SAID_OVER, received_at=at,
    )  # fmt: skip
    settle_reported(keys=[key_of(row)], since=row.raised_at, at=at)
    row.refresh_from_db()
    return record_change(
        by=by, at=at, verb="say_fault_over", subject=row, customer_id=row.customer_id, reason=reason.strip()[:200],
        before=before, after=facts_of(row, "cleared_at"),
    )  # fmt: skip


@undoes("say_fault_over")
def undo_saying_over(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Let a fault stand again that a person had ended, unless it was reported over or anew since."""
    fault = Fault.objects.filter(pk=change.subject_id).first()
    if fault is None:
        raise NotOver(_("This fault is not on record any more, so there is nothing to take back."))
    lock_for_faults([fault.receiver_id])
    fault = Fault.objects.select_for_update(of=("self",)).get(pk=fault.pk)
    moment = datetime.fromisoformat((change.after or {})["cleared_at"])
    mine = {"receiver_id": fault.receiver_id, "transmitter_id": fault.transmitter_id, "kind": fault.kind}
    if fault.cleared_at == moment and Fault.objects.open().filter(**mine).exists():
        raise NotOver(_("It was reported again since, as a fault of its own: see to that one."))
    before = facts_of(fault, "cleared_at")
    FaultReport.objects.filter(**mine, at=moment, is_raised=False, note=SAID_OVER, source="").delete()
    if fault.cleared_at == moment:
        fault.cleared_at, fault.cause = None, without_end(fault.cause)
        fault.save(update_fields=["cleared_at", "cause"])
    settle_reported(keys=[key_of(fault)], since=fault.raised_at, at=at)
    tell_changed([fault])
    fault.refresh_from_db()
    return Undone(before, facts_of(fault, "cleared_at"))


@transaction.atomic
def clear_latched_faults(*, receiver: Receiver, cause: str, by: User, at: datetime) -> list[Fault]:
    """Record that a person cleared the receiver: every latched fault raised before counts as cleared, with its cause
    where it is over.

    What still stands goes on standing until it is reported over, and bears the cause then; but a tamper that was or will be
    reported after the clearing is another one (`fault_spans.CLEARED_BY_HAND`). A receiver without latched faults can be
    cleared too; the list is empty then. May be repeated.
    """
    (receiver,) = lock_receivers(receiver)
    faults = list(Fault.objects.latched().filter(receiver=receiver, raised_at__lte=at).order_by("pk"))
    for fault in faults:
        fault.latch_cleared_at = at
        # A cause that was found out earlier is worth more than a word for all; of what is still there none was found.
        if fault.cleared_at is not None:
            fault.cause = with_note(fault.cause, cause.strip())
    Fault.objects.bulk_update(faults, ["latch_cleared_at", "cause"])
    touch(receiver)
    log(
        by=by, at=at, verb="clear_latched_faults", subject=receiver, receiver=receiver, reason=cause[:300],
        after={"faults": [fault.pk for fault in faults]},
    )  # fmt: skip
    _settle_cleared(faults, at)
    return faults


def _settle_cleared(faults: Sequence[Fault], at: datetime) -> None:
    """Work out anew what a clearing, or its being taken back, parts or joins: reports from after it may be on record."""
    rows = [row for row in faults if row.kind in CLEARED_BY_HAND and row.found_by == Fault.FoundBy.SIGNAL]
    if rows:
        settle_reported(keys={key_of(row) for row in rows}, since=min(row.raised_at for row in rows), at=at)


@transaction.atomic
def latch_faults_again(
    *, receiver: Receiver, faults: Sequence[int], by: User, at: datetime, reason: str
) -> list[Fault]:
    """Take a clearing back that was recorded by mistake: the faults named by their keys are latched again, and with them
    those of which only afterwards came that they had been there when it was cleared.
    """
    (receiver,) = lock_receivers(receiver)
    named = Fault.objects.filter(receiver=receiver, pk__in=faults)
    before = _clearings_of(receiver)
    log(
        by=by, at=at, verb="latch_faults_again", subject=receiver, receiver=receiver, reason=reason,
        after={"faults": sorted(named.values_list("pk", flat=True))},
    )  # fmt: skip
    moments = before - _clearings_of(receiver)
    rows = list(
        Fault.objects.filter(
            Q(pk__in=faults) | Q(latch_cleared_at__in=moments) | Q(cleared_at__in=moments, cause__endswith=CLEARED),
            receiver=receiver,
        ).order_by("pk")
    )  # fmt: skip
    for fault in rows:
        fault.latch_cleared_at = None
    Fault.objects.bulk_update(rows, ["latch_cleared_at"])
    touch(receiver)
    _settle_cleared(rows, at)
    return rows


def _clearings_of(receiver: Receiver) -> set[datetime]:
    """When the receiver was cleared on site, what was taken back left out."""
    return {one.at for one in read_clearings([receiver.pk], LONG_AGO).get(receiver.pk, ())}
