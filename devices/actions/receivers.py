"""Every write to receivers and their outputs."""

from __future__ import annotations

from datetime import date, datetime

from django.db import transaction
from django.db.models import Max
from django.utils.translation import gettext as _

from company.actions import facts_of
from company.errors import Refused
from company.manner import day_said
from company.models import User
from devices.actions.ledger import lock_receivers, log, refuse_stale, refuse_without_reason, touch
from devices.actions.receiver_serials import refuse_taken_serial
from devices.models import Output, Receiver, Registration, RegistrationOutput

RECEIVER_FACTS = (
    "type", "n_slots", "label", "area", "serial", "evidence", "supply_v", "fed_from", "cable_m", "cable_gauge",
    "measured_v", "measured_on", "standby_fitted_on", "installed_on", "link_tested_at", "loan_until", "note", "removed_at",
)  # fmt: skip
OUTPUT_FACTS = (
    "number", "kind", "drives", "terminals", "contact", "rest", "load", "eol_part", "clears", "end_effect_seen_by",
    "end_effect_seen_on",
)  # fmt: skip


class SlotsInUse(Refused):
    """The receiver cannot shrink or go while slots are in use."""


class OutputInUse(Refused):
    """An output that slots drive cannot go."""


class AlreadyRemoved(Refused):
    """The receiver does not hang there any more."""


class InTheFuture(Refused):
    """Nobody can have seen or measured anything tomorrow."""


def _refuse_future(day: date | None, at: datetime, receiver: Receiver) -> None:
    if day is not None and day > at.astimezone(receiver.site.zone).date():
        raise InTheFuture(_("%(day)s has not come yet.") % {"day": day_said(day)})


def _refuse_shrinking(receiver: Receiver) -> None:
    highest = Registration.objects.open().filter(receiver=receiver).aggregate(last=Max("slot"))["last"]
    if highest is not None and highest > receiver.n_slots:
        raise SlotsInUse(
            _("Slot %(highest)s is in use, so the receiver cannot have only %(n_slots)s slots.")
            % {"highest": highest, "n_slots": receiver.n_slots}
        )


def _ensure_outputs(receiver: Receiver) -> None:
    """Make a row for every output of the type that is not there yet."""
    if receiver.type is None:
        return
    known = set(receiver.outputs.values_list("number", flat=True))
    Output.objects.bulk_create(
        Output(customer_id=receiver.customer_id, receiver=receiver, number=number)
        for number in range(1, receiver.type.n_outputs + 1)
        if number not in known
    )


@transaction.atomic
def add_receiver(*, receiver: Receiver, by: User, at: datetime, reason: str) -> Receiver:
    """Save a new receiver and a row for each of its outputs.

    Raises
    ------
    ReasonMissing, InTheFuture, SerialTaken
        Nothing is written.
    """
    reason = refuse_without_reason(reason)
    receiver.customer_id = receiver.site.customer_id
    _refuse_future(receiver.measured_on, at, receiver)
    refuse_taken_serial(receiver.serial)
    receiver.save()
    _ensure_outputs(receiver)
    touch(receiver)
    log(
        by=by, at=at, verb="add_receiver", subject=receiver, receiver=receiver, reason=reason,
        after=facts_of(receiver, *RECEIVER_FACTS),
    )  # fmt: skip
    return receiver


@transaction.atomic
def edit_receiver(
    *, receiver: Receiver, by: User, at: datetime, reason: str, seen_version: int | None = None
) -> Receiver:
    """Save a receiver whose fields a form has changed.

    Raises
    ------
    SlotsInUse, InTheFuture, SerialTaken, StaleSlotMap, ReasonMissing
        Nothing is written.
    """
    reason = refuse_without_reason(reason)
    (stored,) = lock_receivers(receiver)
    refuse_stale(stored, seen_version)
    before = facts_of(stored, *RECEIVER_FACTS)
    _refuse_future(receiver.measured_on, at, receiver)
    _refuse_shrinking(receiver)
    if receiver.serial != stored.serial:
        refuse_taken_serial(receiver.serial, besides=receiver.pk)
    receiver.version = stored.version
    receiver.save()
    _ensure_outputs(receiver)
    touch(receiver)
    log(
        by=by, at=at, verb="edit_receiver", subject=receiver, receiver=receiver, reason=reason, before=before,
        after=facts_of(receiver, *RECEIVER_FACTS),
    )  # fmt: skip
    return receiver


@transaction.atomic
def remove_receiver(
    *, receiver: Receiver, by: User, at: datetime, reason: str, seen_version: int | None = None
) -> Receiver:
    """Take a receiver down once no slot is in use; its history stays.

    Raises
    ------
    SlotsInUse, AlreadyRemoved, StaleSlotMap, ReasonMissing
        Nothing is written.
    """
    reason = refuse_without_reason(reason)
    (receiver,) = lock_receivers(receiver)
    refuse_stale(receiver, seen_version)
    if receiver.removed_at is not None:
        raise AlreadyRemoved(_("It was taken down already."))
    used = Registration.objects.open().filter(receiver=receiver).count()
    if used:
        raise SlotsInUse(
            _("%(used)s of its slots are still in use: remove or move the transmitters first.") % {"used": used}
        )
    before = facts_of(receiver, *RECEIVER_FACTS)
    receiver.removed_at = at
    receiver.save(update_fields=["removed_at"])
    touch(receiver)
    log(
        by=by, at=at, verb="remove_receiver", subject=receiver, receiver=receiver, reason=reason, before=before,
        after=facts_of(receiver, *RECEIVER_FACTS),
    )  # fmt: skip
    return receiver


def _note_tested_again(output: Output, stored: Output | None, receiver: Receiver) -> None:
    """An end effect seen on or after the day of a swap proves the output again, whichever page it is recorded on."""
    since, seen_on = output.test_again_since, output.end_effect_seen_on
    if since is None or seen_on is None or stored is None or seen_on == stored.end_effect_seen_on:
        return
    if seen_on >= since.astimezone(receiver.site.zone).date():
        output.test_again_since = None


@transaction.atomic
def save_output(*, output: Output, by: User, at: datetime, reason: str, seen_version: int | None = None) -> Output:
    """Add or change an output.

    Raises
    ------
    InTheFuture, StaleSlotMap, ReasonMissing
        Nothing is written.
    """
    reason = refuse_without_reason(reason)
    (receiver,) = lock_receivers(output.receiver)
    refuse_stale(receiver, seen_version)
    _refuse_future(output.end_effect_seen_on, at, receiver)
    stored = Output.objects.filter(pk=output.pk).first()
    before = facts_of(stored, *OUTPUT_FACTS) if stored else None
    _note_tested_again(output, stored, receiver)
    output.customer_id = receiver.customer_id
    output.save()
    touch(receiver)
    log(
        by=by, at=at, verb="save_output", subject=output, receiver=receiver, reason=reason, before=before,
        after=facts_of(output, *OUTPUT_FACTS),
    )  # fmt: skip
    return output


@transaction.atomic
def remove_output(*, output: Output, by: User, at: datetime, reason: str, seen_version: int | None = None) -> None:
    """Drop an output that was recorded by mistake.

    Raises
    ------
    OutputInUse, StaleSlotMap, ReasonMissing
        An output that a slot drives, or ever drove, stays: history points at it.
    """
    reason = refuse_without_reason(reason)
    (receiver,) = lock_receivers(output.receiver)
    refuse_stale(receiver, seen_version)
    if RegistrationOutput.objects.filter(output=output).exists():
        raise OutputInUse(_("Slots drive it or have driven it, so it stays on record."))
    touch(receiver)
    log(
        by=by, at=at, verb="remove_output", subject=output, receiver=receiver, reason=reason,
        before=facts_of(output, *OUTPUT_FACTS),
    )  # fmt: skip
    output.delete()
