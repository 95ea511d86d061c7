"""Taking back a battery change that was recorded by mistake."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction

from company.actions import facts_of, record_change
from company.errors import Refused
from company.models import User
from devices.actions.batteries import FITTING_FACTS
from devices.actions.ledger import lock_receivers, log, refuse_without_reason, touch
from devices.models import Fitting, Receiver, Transmitter


class ChangedSince(Refused):
    """The cells were changed again after that."""


@transaction.atomic
def take_back_fitting(*, fitting: Fitting, by: User, at: datetime, reason: str) -> Fitting | None:
    """Undo a change that never happened: the row goes, the cells before it are in service again.

    The row must go and not merely end: an end after zero days would teach the fleet a life that nobody lived. What it
    said stays in the change log.

    Returns
    -------
    Fitting or None
        The cells in service again; None where none were recorded before.

    Raises
    ------
    ChangedSince, ReasonMissing
        Nothing is written.
    """
    reason = refuse_without_reason(reason)
    # Receivers first, then the transmitter: the order of every action that touches both.
    held = Receiver.objects.filter(
        registrations__transmitter=fitting.transmitter_id, registrations__removed_at=None
    ).distinct()
    receivers = lock_receivers(*held)
    transmitter = Transmitter.objects.select_for_update(of=("self",)).get(pk=fitting.transmitter_id)
    row = Fitting.objects.open().filter(pk=fitting.pk).first()
    if row is None:
        raise ChangedSince("These cells have been taken out since, so the change cannot be taken back any more.")
    old = None
    if row.fitted_at is not None:
        old = Fitting.objects.filter(transmitter=transmitter, removed_at=row.fitted_at).order_by("-pk").first()
    before = facts_of(row, *FITTING_FACTS)
    facts = {"by": by, "at": at, "verb": "take_back_fitting", "subject": row, "before": before, "reason": reason}
    if receivers:
        touch(*receivers)
        for receiver in receivers:
            log(receiver=receiver, **facts)
    else:
        record_change(customer_id=row.customer_id, **facts)
    row.delete()
    if old is not None:
        old.removed_at, old.removed_why, old.removed_v, old.last_alive_at = None, "", None, None
        old.save(update_fields=["removed_at", "removed_why", "removed_v", "last_alive_at"])
    return old
