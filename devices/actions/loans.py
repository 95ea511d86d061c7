"""Every write to loans of units that stand somewhere: another day of return, or a unit that stays."""

from __future__ import annotations

from datetime import date, datetime

from django.db import transaction
from django.utils.translation import gettext as _

from company.actions import facts_of
from company.errors import Refused
from company.models import ChangeRow, User
from company.undo import CannotUndo, Undone, undoes
from devices.actions.ledger import lock_receivers, log, refuse_without_reason, touch
from devices.actions.slot_settings import NothingChanged, NotSettable
from devices.models import Receiver, Transmitter

Unit = Transmitter | Receiver


class NotLent(Refused):
    """A unit that is no loan, or hangs and stands nowhere any more."""


def _hangs_at(unit: Unit) -> list[Receiver]:
    """The receivers whose findings speak of the unit, locked."""
    if isinstance(unit, Receiver):
        return [row for row in lock_receivers(unit) if row.removed_at is None]
    rows = Receiver.objects.filter(registrations__transmitter=unit, registrations__removed_at=None)
    return lock_receivers(*rows.distinct().order_by("pk"))


def _fresh(unit: Unit) -> Unit:
    if isinstance(unit, Receiver):
        return Receiver.objects.get(pk=unit.pk)
    return Transmitter.objects.select_for_update(of=("self",), no_key=True).get(pk=unit.pk)


@transaction.atomic
def set_loan_day(
    *, unit: Unit, until_on: date | None, seen_until: date | None, today: date, by: User, at: datetime, reason: str
) -> ChangeRow:
    """Agree on another day on which a unit on loan goes back; None: it stays and is no loan any more.

    `seen_until` is the day that the form was made from, `today` the site's day.

    Raises
    ------
    NotLent, NothingChanged, NotSettable, ReasonMissing
        Nothing is written.
    """
    reason = refuse_without_reason(reason)
    receivers = _hangs_at(unit)
    row = _fresh(unit)
    if row.loan_until is None or not receivers:
        raise NotLent(_("This unit is not on loan any more. Look at the list again."))
    if row.loan_until != seen_until:
        raise NothingChanged(_("Another day was agreed after you opened the form. Look at it, then try again."))
    if until_on == row.loan_until:
        raise NothingChanged(_("This day is agreed already. Give another one."))
    if until_on is not None and until_on < today:
        raise NotSettable(_("The loan would be over already. Give the day on which it goes back."))
    before = facts_of(row, "loan_until")
    _write(row, until_on, receivers)
    return log(
        by=by, at=at, verb="set_loan_day", subject=row, receiver=_of(row, receivers), reason=reason, before=before,
        after=facts_of(row, "loan_until"),
    )  # fmt: skip


def _of(row: Unit, receivers: list[Receiver]) -> Receiver:
    return row if isinstance(row, Receiver) else receivers[0]


def _write(row: Unit, until_on: date | None, receivers: list[Receiver]) -> None:
    """Keep the day. A receiver bears its own version; for a transmitter those of its receivers tell who listens."""
    touch(*receivers)
    if isinstance(row, Receiver):
        row.version = receivers[0].version
    row.loan_until = until_on
    row.save(update_fields=["loan_until"])


@undoes("set_loan_day")
def undo_loan_day(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """The day of return is the former one again. Refused where the unit hangs and stands nowhere any more."""
    model = Receiver if change.subject_kind == "receiver" else Transmitter
    unit: Unit = model(pk=change.subject_id)
    receivers = _hangs_at(unit)
    if not receivers:
        raise CannotUndo(_("The unit has been taken away since. There is no loan to set right."))
    row = _fresh(unit)
    before = facts_of(row, "loan_until")
    _write(row, date.fromisoformat((change.before or {})["loan_until"]), receivers)
    return Undone(before, facts_of(row, "loan_until"))
