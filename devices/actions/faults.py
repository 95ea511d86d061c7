"""Writes to faults by people: a receiver cleared, and a clearing taken back."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.db import transaction

from company.models import User
from devices.actions.ledger import lock_receivers, log, touch
from devices.models import Fault, Receiver


@transaction.atomic
def clear_latched_faults(*, receiver: Receiver, cause: str, by: User, at: datetime) -> list[Fault]:
    """Record that a person cleared the receiver: every latched fault raised before counts as cleared, with its cause.

    A receiver without latched faults can be cleared too; the list is empty then. May be repeated.
    """
    (receiver,) = lock_receivers(receiver)
    faults = list(Fault.objects.latched().filter(receiver=receiver, raised_at__lte=at).order_by("pk"))
    for fault in faults:
        fault.latch_cleared_at = at
        # A cause that was found out earlier is worth more than a word for all.
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
