"""Writes about registering again: it is asked for, and recorded once it is done."""

from __future__ import annotations

from datetime import datetime

from django.db import transaction
from django.utils.translation import gettext as _

from company.models import User
from devices.actions.ledger import (
    OutOfOrder,
    lock_receivers,
    log,
    refuse_stale,
    refuse_without_reason,
    registration_facts,
    touch,
)
from devices.actions.slot_settings import NothingChanged, in_force
from devices.models import Registration


@transaction.atomic
def mark_registered(
    *, registration: Registration, by: User, at: datetime, reason: str = "", seen_version: int | None = None
) -> Registration:
    """Record that a transmitter was registered again after its set-up was changed.

    Raises
    ------
    NothingChanged, NoLongerThere, OutOfOrder, StaleSlotMap
        Nothing is written.
    """
    (receiver,) = lock_receivers(registration.receiver)
    refuse_stale(receiver, seen_version, registration.slot)
    row = in_force(registration)
    if row.register_again_since is None:
        raise NothingChanged(_("It does not need to be registered again."))
    if at < row.register_again_since:
        raise OutOfOrder(_("The set-up was changed after that time."))
    before = registration_facts(row)
    row.register_again_since = None
    row.save(update_fields=["register_again_since"])
    touch(receiver)
    log(
        by=by, at=at, verb="mark_registered", subject=row, receiver=receiver, reason=reason or "registered again",
        before=before, after=registration_facts(row),
    )  # fmt: skip
    return row


@transaction.atomic
def ask_to_register_again(
    *, registration: Registration, by: User, at: datetime, reason: str, seen_version: int | None = None
) -> Registration:
    """Record that something was changed on the transmitter, so that it must be registered again.

    Raises
    ------
    NothingChanged, NoLongerThere, StaleSlotMap, ReasonMissing
        Nothing is written.
    """
    reason = refuse_without_reason(reason)
    (receiver,) = lock_receivers(registration.receiver)
    refuse_stale(receiver, seen_version, registration.slot)
    row = in_force(registration)
    if row.register_again_since is not None:
        raise NothingChanged(_("It stands at “register again” already."))
    before = registration_facts(row)
    row.register_again_since = at
    row.save(update_fields=["register_again_since"])
    touch(receiver)
    log(
        by=by, at=at, verb="ask_to_register_again", subject=row, receiver=receiver, reason=reason, before=before,
        after=registration_facts(row),
    )  # fmt: skip
    return row
