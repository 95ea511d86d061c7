"""Writes to faults by people: a receiver cleared, faults acknowledged, and either taken back."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db import transaction
from django.utils.translation import gettext as _

from company.actions import facts_of, record_change
from company.errors import Refused
from company.models import ChangeRow, User
from company.undo import Undone, undoes
from devices.actions.ledger import lock_receivers, log, touch
from devices.models import Fault, Receiver

ACKNOWLEDGED = ("acknowledged_at", "acknowledged_by", "acknowledged_note")
FACTS = ("acknowledged_at", "acknowledged_by_id", "acknowledged_note")
"""The same as the log keeps them."""


class NotAcknowledged(Refused):
    """Nothing was acknowledged, or it cannot be taken back; the words say why."""


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


@transaction.atomic
def clear_latched_faults(*, receiver: Receiver, cause: str, by: User, at: datetime) -> list[Fault]:
    """Record that a person cleared the receiver: every latched fault raised before counts as cleared, with its cause
    where it is over.

    A receiver without latched faults can be cleared too; the list is empty then. May be repeated.
    """
    (receiver,) = lock_receivers(receiver)
    faults = list(Fault.objects.latched().filter(receiver=receiver, raised_at__lte=at).order_by("pk"))
    for fault in faults:
        fault.latch_cleared_at = at
        # A cause that was found out earlier is worth more than a word for all; of what is still there none was found.
        if fault.cleared_at is not None:
            fault.cause = fault.cause or cause.strip()[:120]
    Fault.objects.bulk_update(faults, ["latch_cleared_at", "cause"])
    touch(receiver)
    log(
        by=by, at=at, verb="clear_latched_faults", subject=receiver, receiver=receiver, reason=cause[:300],
        after={"faults": [fault.pk for fault in faults]},
    )  # fmt: skip
    return faults


@transaction.atomic
def latch_faults_again(
    *, receiver: Receiver, faults: Sequence[int], by: User, at: datetime, reason: str
) -> list[Fault]:
    """Take a clearing back that was recorded by mistake: the faults named by their keys are latched again."""
    (receiver,) = lock_receivers(receiver)
    rows = list(Fault.objects.filter(receiver=receiver, pk__in=faults).order_by("pk"))
    for fault in rows:
        fault.latch_cleared_at = None
    Fault.objects.bulk_update(rows, ["latch_cleared_at"])
    touch(receiver)
    log(
        by=by, at=at, verb="latch_faults_again", subject=receiver, receiver=receiver, reason=reason,
        after={"faults": [fault.pk for fault in rows]},
    )  # fmt: skip
    return rows
