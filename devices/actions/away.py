"""Every write to absences: a transmitter out of use or off the site, agreed with somebody, and back."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from datetime import date, datetime

from django.db import transaction
from django.utils.translation import gettext as _

from company.actions import record_change
from company.errors import Refused
from company.manner import day_said
from company.models import ChangeRow, User
from devices.actions.ledger import OutOfOrder, lock_receivers, log, refuse_stale, refuse_without_reason, touch
from devices.actions.slot_settings import NothingChanged, NotSettable, in_force
from devices.models import Away, Receiver, Registration


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
        raise AlreadyAway(_("It is away already; end that first."))
    if agreed_until_on is not None and agreed_until_on < from_on:
        raise NotSettable(_("The agreed end lies before the beginning."))
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
    after = {
        "away_from": from_on.isoformat(), "agreed_until": agreed_until_on.isoformat() if agreed_until_on else None,
        "away": away.pk,
    }  # fmt: skip
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
        raise NothingChanged(_("It is back already."))
    if ended_on < row.from_on:
        raise OutOfOrder(_("It cannot come back before it went away."))
    row.ended_on = ended_on
    row.save(update_fields=["ended_on"])
    touch(receiver)
    log(
        by=by, at=at, verb="end_away", subject=row.registration, receiver=receiver, reason=reason or "back",
        after={"away_ended": ended_on.isoformat(), "away": row.pk},
    )  # fmt: skip
    return row


@transaction.atomic
def extend_away(
    *,
    away: Away,
    agreed_until_on: date | None,
    by: User,
    at: datetime,
    reason: str,
    seen_until: date | None = None,
) -> ChangeRow:
    """Agree on another day of return; None: no day is agreed any more. `seen_until` is the day the form was made from.

    Raises
    ------
    NothingChanged, NotSettable, ReasonMissing
        Nothing is written.
    """
    reason = refuse_without_reason(reason)
    (receiver,) = lock_receivers(away.registration.receiver)
    row = Away.objects.select_related("registration").get(pk=away.pk)
    if row.ended_on is not None:
        raise NothingChanged(_("It is back already, so there is nothing to extend."))
    if row.agreed_until_on != seen_until:
        raise NothingChanged(_("Another day was agreed after you opened the form. Look at it, then try again."))
    if row.agreed_until_on == agreed_until_on:
        raise NothingChanged(_("This day is agreed already. Give another one."))
    if agreed_until_on is not None and agreed_until_on < row.from_on:
        raise NotSettable(_("The agreed day lies before it went away."))
    before = {"agreed_until": row.agreed_until_on.isoformat() if row.agreed_until_on else None}
    row.agreed_until_on = agreed_until_on
    row.save(update_fields=["agreed_until_on"])
    touch(receiver)
    after = {"agreed_until": agreed_until_on.isoformat() if agreed_until_on else None, "away": row.pk}
    return log(
        by=by, at=at, verb="extend_away", subject=row.registration, receiver=receiver, reason=reason, before=before,
        after=after,
    )  # fmt: skip


@transaction.atomic
def end_several(
    *, aways: Sequence[Away], ended_on: Mapping[int, date], by: User, at: datetime, reason: str = ""
) -> list[ChangeRow]:
    """Record that several are back, all or none; `ended_on` gives the day by the key of the receiver.

    Raises
    ------
    NothingChanged, OutOfOrder
        If one of them is back already: nothing is written.
    """
    wanted = {row.registration.receiver_id: row.registration.receiver for row in aways}
    receivers = {row.pk: row for row in lock_receivers(*(Receiver(pk=pk) for pk in wanted))}
    rows = list(Away.objects.filter(pk__in=[row.pk for row in aways]).for_list().order_by("pk"))
    if not rows:
        raise NothingChanged(_("Choose at least one that is back."))
    for row in rows:
        day = ended_on[row.registration.receiver_id]
        if row.ended_on is not None:
            raise NothingChanged(
                _("%(registration)s is back already. Open the list again.") % {"registration": row.registration.label}
            )
        if day < row.from_on:
            raise OutOfOrder(
                _("%(registration)s went away on %(day)s; it cannot be back before.")
                % {"registration": row.registration.label, "day": day_said(row.from_on)}
            )
        row.ended_on = day
    Away.objects.bulk_update(rows, ["ended_on"])
    touch(*receivers.values())
    batch = uuid.uuid4()
    return [
        record_change(
            by=by, at=at, verb="end_away", subject=row.registration, customer_id=row.customer_id,
            reason=reason or "back", batch=batch,
            after={
                "away_ended": row.ended_on.isoformat() if row.ended_on else None, "away": row.pk,
                "receiver": row.registration.receiver_id, "version": receivers[row.registration.receiver_id].version,
            },
        )
        for row in rows
    ]  # fmt: skip
