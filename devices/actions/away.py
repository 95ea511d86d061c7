"""Every write to absences: a transmitter out of use or off the site, agreed with somebody, and back."""

from __future__ import annotations

from datetime import date, datetime

from django.db import transaction

from company.errors import Refused
from company.models import User
from devices.actions.ledger import OutOfOrder, lock_receivers, log, refuse_stale, refuse_without_reason, touch
from devices.actions.slot_settings import NothingChanged, NotSettable, in_force
from devices.models import Away, Registration


class AlreadyAway(Refused):
    """The transmitter is away already."""


@transaction.atomic
def start_away(
    *,
    registration: Registration,
    from_on: date,
    agreed_until_on: date | None,
    agreed_with: str,
    interim: str,
    by: User,
    at: datetime,
    reason: str,
    seen_version: int | None = None,
) -> Away:
    """Record that a transmitter is out of use or off the site, agreed with somebody.

    Raises
    ------
    AlreadyAway, NotSettable, NoLongerThere, StaleSlotMap, ReasonMissing
        Nothing is written.
    """
    reason = refuse_without_reason(reason)
    (receiver,) = lock_receivers(registration.receiver)
    refuse_stale(receiver, seen_version)
    row = in_force(registration)
    if Away.objects.filter(registration=row, ended_on=None).exists():
        raise AlreadyAway("It is away already; end that first.")
    if agreed_until_on is not None and agreed_until_on < from_on:
        raise NotSettable("The agreed end lies before the beginning.")
    away = Away.objects.create(
        customer_id=receiver.customer_id,
        site_id=receiver.site_id,
        registration=row,
        from_on=from_on,
        agreed_until_on=agreed_until_on,
        agreed_with=agreed_with,
        interim=interim,
        reason=reason[:120],
    )
    touch(receiver)
    after = {"away_from": from_on.isoformat(), "agreed_until": agreed_until_on.isoformat() if agreed_until_on else None}
    log(by=by, at=at, verb="start_away", subject=row, receiver=receiver, reason=reason, after=after)
    return away


@transaction.atomic
def end_away(
    *, away: Away, ended_on: date, by: User, at: datetime, reason: str = "", seen_version: int | None = None
) -> Away:
    """Record that a transmitter is back; the day is the first on which it is there again.

    Raises
    ------
    NothingChanged, OutOfOrder, StaleSlotMap
        Nothing is written.
    """
    (receiver,) = lock_receivers(away.registration.receiver)
    refuse_stale(receiver, seen_version)
    row = Away.objects.select_related("registration").get(pk=away.pk)
    if row.ended_on is not None:
        raise NothingChanged("It is back already.")
    if ended_on < row.from_on:
        raise OutOfOrder("It cannot come back before it went away.")
    row.ended_on = ended_on
    row.save(update_fields=["ended_on"])
    touch(receiver)
    log(
        by=by, at=at, verb="end_away", subject=row.registration, receiver=receiver, reason=reason or "back",
        after={"away_ended": ended_on.isoformat()},
    )  # fmt: skip
    return row
