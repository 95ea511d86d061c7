"""Every write to the ledger of slots: register, change, move, remove, put back, register again.

`entered_at` is when a change was typed in, where `at` says when it happened; a change taken back on that day never was.
"""

from __future__ import annotations

from datetime import datetime

from django.db import transaction
from django.utils.translation import gettext as _

from company.manner import moment_said
from company.models import User
from devices.actions.ledger import (
    OutOfOrder,
    first_refusal,
    lock_receivers,
    log,
    refuse_stale,
    refuse_without_reason,
    registration_facts,
    touch,
)
from devices.actions.rollups import settle_slot
from devices.actions.slot_again import ask_to_register_again, mark_registered
from devices.actions.slot_order import refuse_before_the_receiver, refuse_overlap, refuse_two_places
from devices.actions.slot_settings import (
    SETTING_FIELDS,
    WORDING_FIELDS,
    NothingChanged,
    NotSettable,
    OtherCustomer,
    Settings,
    SlotTaken,
    as_rule,
    in_force,
    problems_with,
    settings_of,
)
from devices.actions.unused_units import put_on_again
from devices.models import Away, Receiver, Registration, RegistrationOutput, Transmitter
from devices.rules import legality

__all__ = [
    "ask_to_register_again", "change_slot", "mark_registered", "move_transmitter", "put_back", "register_transmitter",
    "remove_transmitter",
]  # fmt: skip


def _refuse_problems(found: list[legality.Problem]) -> None:
    hard = [problem for problem in found if not problem.is_warning]
    if not hard:
        return
    refusal = SlotTaken if any(problem.code == "slot_taken" for problem in hard) else NotSettable
    raise refusal(first_refusal(hard))


def _end(registration: Registration, at: datetime, why: str) -> None:
    if at <= registration.registered_at:
        began = registration.registered_at.astimezone(registration.site.zone)
        raise OutOfOrder(
            _("This registration began on %(moment)s; give a later time.") % {"moment": moment_said(began)}
        )
    registration.removed_at = at
    registration.removed_why = why[:200]
    registration.save(update_fields=["removed_at", "removed_why"])
    # An absence belongs to a registration in force.
    Away.objects.filter(registration=registration, ended_on=None).update(
        ended_on=at.astimezone(registration.site.zone).date()
    )


def _begin(
    *,
    receiver: Receiver,
    slot: int,
    transmitter: Transmitter | None,
    settings: Settings,
    at: datetime,
    replaces: Registration | None = None,
    register_again_since: datetime | None = None,
) -> Registration:
    refuse_before_the_receiver(receiver, at)
    refuse_two_places(transmitter, settings, receiver, at)
    registration = Registration(
        customer_id=receiver.customer_id,
        site_id=receiver.site_id,
        receiver=receiver,
        slot=slot,
        transmitter=transmitter,
        registered_at=at,
        replaces=replaces,
        register_again_since=register_again_since,
        **{name: getattr(settings, name) for name in SETTING_FIELDS},
    )
    registration.full_clean(exclude=["customer", "site", "receiver", "transmitter", "replaces"])
    registration.save()
    RegistrationOutput.objects.bulk_create(
        RegistrationOutput(
            customer_id=receiver.customer_id,
            registration=registration,
            output=choice.output,
            behaviour=choice.behaviour,
            seconds=choice.seconds,
        )
        for choice in settings.outputs
    )
    settle_slot(registration)
    return registration


def _own_transmitter(transmitter: Transmitter | None, receiver: Receiver) -> Transmitter | None:
    """Save a new transmitter; refuse one that another customer owns."""
    if transmitter is None:
        return None
    if transmitter.pk is None:
        transmitter.customer_id = receiver.customer_id
        transmitter.full_clean(exclude=["customer"])
        transmitter.save()
    elif transmitter.customer_id != receiver.customer_id:
        raise OtherCustomer(
            _("Transmitter %(serial)s is recorded for another customer.") % {"serial": transmitter.serial}
        )
    elif transmitter.retired_at is not None and not put_on_again(transmitter):
        raise NotSettable(_("Transmitter %(serial)s was taken out of use.") % {"serial": transmitter.serial})
    return transmitter


@transaction.atomic
def register_transmitter(
    *,
    receiver: Receiver,
    slot: int,
    transmitter: Transmitter | None,
    settings: Settings,
    by: User,
    at: datetime,
    reason: str,
    seen_version: int | None = None,
    entered_at: datetime | None = None,
) -> Registration:
    """Put a transmitter into a spare slot. None as transmitter: the slot is taken, but nothing answers.

    A transmitter without a key is new and is saved here. Not repeatable: the second time the slot is taken.

    Raises
    ------
    SlotTaken, NotSettable, OtherCustomer, OutOfOrder, StaleSlotMap, ReasonMissing
        Nothing is written.
    """
    reason = refuse_without_reason(reason)
    (receiver,) = lock_receivers(receiver)
    refuse_stale(receiver, seen_version, slot)
    _refuse_problems(problems_with(settings, receiver=receiver, slot=slot, transmitter=transmitter))
    made = {} if transmitter is None or transmitter.pk else {"is_made": True}
    transmitter = _own_transmitter(transmitter, receiver)
    refuse_overlap(receiver, slot, at)
    registration = _begin(receiver=receiver, slot=slot, transmitter=transmitter, settings=settings, at=at)
    touch(receiver)
    log(
        by=by, at=at, entered_at=entered_at, verb="register_transmitter", subject=registration, receiver=receiver, reason=reason,
        after=registration_facts(registration) | made,
    )  # fmt: skip
    return registration


@transaction.atomic
def change_slot(
    *,
    registration: Registration,
    settings: Settings,
    by: User,
    at: datetime,
    reason: str,
    seen_version: int | None = None,
    transmitter: Transmitter | None = None,
    entered_at: datetime | None = None,
) -> Registration:
    """Set a slot differently; its past stays readable.

    Only words (place, area, note): corrected in place. Any setting: the registration ends and a new one begins; one made
    on the transmitter (contact, interval, input) asks for registering again. `transmitter` names the one that was found
    to stand in a slot where nothing answered.

    Raises
    ------
    NothingChanged, NotSettable, NoLongerThere, OutOfOrder, StaleSlotMap, ReasonMissing
        Nothing is written.
    """
    reason = refuse_without_reason(reason)
    (receiver,) = lock_receivers(registration.receiver)
    refuse_stale(receiver, seen_version, registration.slot)
    old = in_force(registration)
    if transmitter is not None and old.transmitter is not None and transmitter != old.transmitter:
        raise NotSettable(
            _("Another transmitter is a new registration: remove this one first, or move the other here.")
        )
    known = old.transmitter or transmitter
    before_settings = settings_of(old)
    changed = {
        name for name in (*SETTING_FIELDS, "outputs") if getattr(before_settings, name) != getattr(settings, name)
    }
    if not changed and known == old.transmitter:
        raise NothingChanged(_("The slot is already set like this."))
    _refuse_problems(problems_with(settings, receiver=receiver, slot=old.slot, transmitter=known, besides=old))
    before = registration_facts(old)
    made = {} if known is None or known.pk else {"is_made": True}
    if changed <= WORDING_FIELDS and known == old.transmitter:
        if at < old.registered_at:
            began = old.registered_at.astimezone(receiver.site.zone)
            raise OutOfOrder(
                _("This registration began on %(moment)s; give a later time.") % {"moment": moment_said(began)}
            )
        for name in changed:
            setattr(old, name, getattr(settings, name))
        old.full_clean(exclude=["customer", "site", "receiver", "transmitter", "replaces"])
        old.save(update_fields=sorted(changed))
        new = old
    else:
        again = old.register_again_since
        if old.transmitter is not None and legality.must_register_again(
            as_rule(before_settings, slot=old.slot, transmitter=known),
            as_rule(settings, slot=old.slot, transmitter=known),
        ):
            again = again or at
        known = _own_transmitter(known, receiver)
        was_away = list(Away.objects.filter(registration=old, ended_on=None))
        _end(old, at, reason)
        new = _begin(
            receiver=receiver, slot=old.slot, transmitter=known, settings=settings, at=at, replaces=old,
            register_again_since=again,
        )  # fmt: skip
        _carry_away(was_away, new, at)
    touch(receiver)
    log(
        by=by, at=at, entered_at=entered_at, verb="change_slot", subject=new, receiver=receiver, reason=reason, before=before,
        after=registration_facts(new) | made,
    )  # fmt: skip
    return new


def _carry_away(rows: list[Away], registration: Registration, at: datetime) -> None:
    """A changed setting does not bring anybody home: the absence goes on under the new registration."""
    for row in rows:
        Away.objects.create(
            customer_id=row.customer_id,
            site_id=row.site_id,
            registration=registration,
            from_on=at.astimezone(registration.receiver.site.zone).date(),
            agreed_until_on=row.agreed_until_on,
            reason=row.reason,
            agreed_with=row.agreed_with,
            interim=row.interim,
        )


@transaction.atomic
def move_transmitter(
    *,
    registration: Registration,
    to_receiver: Receiver,
    to_slot: int,
    settings: Settings,
    by: User,
    at: datetime,
    reason: str,
    seen_version: int | None = None,
    entered_at: datetime | None = None,
) -> Registration:
    """Move a transmitter to another slot, of the same receiver or another one of the same customer.

    It must be registered there, so the new slot stands at "register again" until that is recorded. `seen_version` is that
    of the receiver it leaves.

    Raises
    ------
    SlotTaken, NotSettable, OtherCustomer, NoLongerThere, OutOfOrder, StaleSlotMap, ReasonMissing
        Nothing is written.
    """
    reason = refuse_without_reason(reason)
    left, entered = lock_receivers(registration.receiver, to_receiver)
    refuse_stale(left, seen_version, registration.slot)
    old = in_force(registration)
    if left.pk == entered.pk and to_slot == old.slot:
        raise NothingChanged(_("It stands in this slot already."))
    if left.customer_id != entered.customer_id:
        raise OtherCustomer(
            _("A transmitter cannot be moved to another customer: remove it here and register it there.")
        )
    _refuse_problems(problems_with(settings, receiver=entered, slot=to_slot, transmitter=old.transmitter, besides=old))
    refuse_overlap(entered, to_slot, at)
    before = registration_facts(old)
    _end(old, at, f"moved: {reason}")
    new = _begin(
        receiver=entered, slot=to_slot, transmitter=old.transmitter, settings=settings, at=at, replaces=old,
        register_again_since=at,
    )  # fmt: skip
    touch(*([left] if left.pk == entered.pk else [left, entered]))
    log(
        by=by, at=at, entered_at=entered_at, verb="move_transmitter", subject=new, receiver=entered, reason=reason, before=before,
        after=registration_facts(new),
    )  # fmt: skip
    if left.pk != entered.pk:
        log(
            by=by, at=at, entered_at=entered_at, verb="move_transmitter", subject=old, receiver=left, reason=reason, before=before,
            after=registration_facts(old),
        )  # fmt: skip
    return new


@transaction.atomic
def remove_transmitter(
    *,
    registration: Registration,
    by: User,
    at: datetime,
    reason: str,
    seen_version: int | None = None,
    entered_at: datetime | None = None,
) -> Registration:
    """Free a slot; the registration stays as history and can be put back.

    Raises
    ------
    NoLongerThere, OutOfOrder, StaleSlotMap, ReasonMissing
        Nothing is written.
    """
    reason = refuse_without_reason(reason)
    (receiver,) = lock_receivers(registration.receiver)
    refuse_stale(receiver, seen_version, registration.slot)
    old = in_force(registration)
    before = registration_facts(old)
    _end(old, at, reason)
    settle_slot(old)
    touch(receiver)
    log(
        by=by, at=at, entered_at=entered_at, verb="remove_transmitter", subject=old, receiver=receiver, reason=reason, before=before,
        after=registration_facts(old),
    )  # fmt: skip
    return old


@transaction.atomic
def put_back(
    *,
    registration: Registration,
    by: User,
    at: datetime,
    reason: str,
    seen_version: int | None = None,
    entered_at: datetime | None = None,
) -> Registration:
    """Undo a removal: a new registration with the same settings in the same slot; the gap stays on record.

    Raises
    ------
    SlotTaken, NotSettable, StaleSlotMap, ReasonMissing
        If the slot or the transmitter is in use by now, or the registration never ended.
    """
    reason = refuse_without_reason(reason)
    (receiver,) = lock_receivers(registration.receiver)
    refuse_stale(receiver, seen_version, registration.slot)
    old = Registration.objects.select_related("transmitter__type").get(pk=registration.pk)
    if old.removed_at is None:
        raise SlotTaken(_("It was not removed."))
    settings = settings_of(old)
    _refuse_problems(problems_with(settings, receiver=receiver, slot=old.slot, transmitter=old.transmitter))
    _own_transmitter(old.transmitter, receiver)
    refuse_overlap(receiver, old.slot, at)
    new = _begin(
        receiver=receiver, slot=old.slot, transmitter=old.transmitter, settings=settings, at=at, replaces=old,
        register_again_since=old.register_again_since,
    )  # fmt: skip
    touch(receiver)
    log(
        by=by, at=at, entered_at=entered_at, verb="put_back", subject=new, receiver=receiver, reason=reason,
        after=registration_facts(new),
    )  # fmt: skip
    return new
