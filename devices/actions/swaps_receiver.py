"""A receiver exchanged for another one: place, outputs and every registration go along, and are proved again one by one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.db.models import Count
from django.utils.translation import gettext as _

from company.actions import facts_of
from company.errors import Refused
from company.models import User
from devices.actions.bulk_turn import Turn, read_settings, turn_over, with_settings
from devices.actions.ledger import lock_receivers, log, refuse_stale, refuse_without_reason, touch
from devices.actions.receiver_serials import refuse_taken_serial
from devices.actions.receivers import OUTPUT_FACTS, RECEIVER_FACTS, AlreadyRemoved
from devices.actions.slot_order import refuse_before_the_receiver
from devices.actions.slot_settings import NothingChanged, OutputChoice, Settings, as_rule, limits_of
from devices.models import Fault, Output, PlannedChange, PlanPin, Receiver, ReceiverType, Registration
from devices.models.receivers import new_code
from devices.rules import legality

PLACE_FIELDS = ("label", "area", "evidence", "supply_v", "fed_from", "cable_m", "cable_gauge", "note")
"""What belongs to the place and not to the unit."""
OUTPUT_FIELDS = ("number", "kind", "drives", "terminals", "contact", "rest", "load", "eol_part", "clears")
OF_TRANSMITTERS = (Fault.Kind.MISSING, Fault.Kind.LOW_BATTERY, Fault.Kind.TAMPER)
"""Conditions of a transmitter: another receiver does not mend them."""


class DoesNotFit(Refused):
    """The new receiver cannot do what the old one did; `reasons` says what, slot by slot."""

    def __init__(self, message: str, reasons: list[str]) -> None:
        super().__init__(message)
        self.reasons = reasons


@dataclass(frozen=True, slots=True)
class NewReceiver:
    """The unit that comes in; an unknown type counts its slots. The standby battery is the one in the new unit."""

    type: ReceiverType | None
    n_slots: int
    serial: str = ""
    loan_until: date | None = None
    standby_fitted_on: date | None = None


def reasons_against(receiver: Receiver, new: NewReceiver) -> list[str]:
    """Why a receiver cannot take another one's place, in plain words; empty where nothing speaks against it. Reads only."""
    found = []
    trial = Receiver(type=new.type, n_slots=new.n_slots)
    limits = limits_of(trial)
    for row in with_settings(Registration.objects.open().filter(receiver=receiver)):
        rule = as_rule(read_settings(row), slot=row.slot, transmitter=row.transmitter)
        # What the old unit could not do either is an old mistake: it is a finding, and no reason to leave a burnt unit.
        known = {one.text for one in legality.problems(rule, limits_of(receiver))}
        hard = [p for p in legality.problems(rule, limits) if not p.is_warning and p.text not in known]
        found += [f"Slot {row.slot}, {row.label}: {problem.text}" for problem in hard]
    if new.type is not None:
        wired = Output.objects.filter(receiver=receiver, number__gt=new.type.n_outputs).exclude(drives="")
        found += [
            _("Output %(number)s drives %(drives)s; the new receiver has only %(n_outputs)s outputs.")
            % {"number": output.number, "drives": output.drives, "n_outputs": new.type.n_outputs}
            for output in wired.order_by("number")
        ]
    plans = PlannedChange.objects.open().filter(receiver=receiver, slot__gt=new.n_slots).order_by("slot")
    found += [
        _("A change is planned for slot %(slot)s, which the new receiver does not have.") % {"slot": plan.slot}
        for plan in plans
    ]
    return found


@transaction.atomic
def swap_receiver(
    *,
    receiver: Receiver,
    new: NewReceiver,
    by: User,
    at: datetime,
    reason: str,
    seen_version: int | None = None,
    entered_at: datetime | None = None,
) -> Receiver:
    """Put another unit in a receiver's place and return it. The old one is taken down with its history.

    Label, area, supply and cable stay; so do the outputs with what they drive, which must be seen to work again, and every
    registration, which goes to "register again". The code on the lid leads to the new unit, for the label stays on the
    wall. Pins, absences and open plans go along. Of open faults, what a transmitter has raised goes on at the new unit;
    what the old unit itself had raised or latched is over with it. `entered_at` is when it was typed in.

    Raises
    ------
    DoesNotFit, AlreadyRemoved, SerialTaken, OutOfOrder, StaleSlotMap, ReasonMissing
        Nothing is written.
    """
    reason = refuse_without_reason(reason)
    (old,) = lock_receivers(receiver)
    refuse_stale(old, seen_version)
    if old.removed_at is not None:
        raise AlreadyRemoved(_("It was taken down already."))
    refuse_before_the_receiver(old, at)
    refuse_taken_serial(new.serial)
    reasons = reasons_against(old, new)
    if reasons:
        raise DoesNotFit(
            _("The new receiver cannot take over as it is. Choose another type, or change these slots first."), reasons
        )
    before = facts_of(old, *RECEIVER_FACTS)
    code = old.code
    old.code, old.removed_at = new_code(), at
    old.save(update_fields=["code", "removed_at"])
    unit = Receiver(
        customer_id=old.customer_id, site=old.site, code=code, type=new.type, n_slots=new.n_slots, serial=new.serial,
        loan_until=new.loan_until, standby_fitted_on=new.standby_fitted_on, replaces=old, created_at=at,
        installed_on=at.astimezone(old.site.zone).date(), **{name: getattr(old, name) for name in PLACE_FIELDS},
    )  # fmt: skip
    unit.save()
    outputs = _copy_outputs(old, unit, at)
    moved, begun = carry_over(old, unit, outputs, at=at, why=f"receiver swapped: {reason}", again=None)
    moved |= _carry_faults(old, unit, begun, at)
    touch(old, unit)
    log(
        by=by, at=at, entered_at=entered_at, verb="swap_receiver", subject=unit, receiver=unit, reason=reason, before=before,
        after=facts_of(unit, *RECEIVER_FACTS) | {"replaces": old.pk, "code": code} | moved,
    )  # fmt: skip
    return unit


def _copy_outputs(old: Receiver, unit: Receiver, at: datetime) -> dict[int, Output]:
    """Outputs of the new unit by number: those of the old one as they are wired, and those that its type has besides."""
    n_outputs = unit.type.n_outputs if unit.type is not None else None
    in_use = set(Output.objects.filter(receiver=old).in_use().values_list("pk", flat=True))
    rows = [
        Output(
            customer_id=unit.customer_id, receiver=unit, test_again_since=at if output.pk in in_use else None,
            **{name: getattr(output, name) for name in OUTPUT_FIELDS},
        )
        for output in Output.objects.filter(receiver=old).order_by("number")
        if n_outputs is None or output.number <= n_outputs
    ]  # fmt: skip
    known = {row.number for row in rows}
    more = [number for number in range(1, (n_outputs or 0) + 1) if number not in known]
    rows += [Output(customer_id=unit.customer_id, receiver=unit, number=number) for number in more]
    return {row.number: row for row in Output.objects.bulk_create(rows)}


def _at_the_new(settings: Settings, outputs: Mapping[int, Output]) -> Settings:
    return Settings(
        **{name: getattr(settings, name) for name in Settings.__dataclass_fields__ if name != "outputs"},
        outputs=tuple(OutputChoice(outputs[one.output.number], one.behaviour, one.seconds) for one in settings.outputs),
    )


def carry_over(
    left: Receiver,
    entered: Receiver,
    outputs: Mapping[int, Output],
    *,
    at: datetime,
    why: str,
    again: Mapping[int, datetime | None] | None,
) -> tuple[dict[str, Any], list[Registration]]:
    """Slots, pins and plans of a receiver to another one; both are locked. Returns what was moved, for the log, and
    the registrations begun.

    `again` gives the "register again" of each slot; None: all of them from this moment.
    """
    rows = with_settings(Registration.objects.open().filter(receiver=left))
    since = {str(row.slot): row.register_again_since.isoformat() for row in rows if row.register_again_since}
    turns = [
        Turn(
            row, entered, row.transmitter, _at_the_new(read_settings(row), outputs),
            at if again is None else again.get(row.slot),
        )
        for row in rows
    ]  # fmt: skip
    begun = turn_over(turns, at=at, why=why)
    return {"slots": len(begun), "again_before": since, **carry_pins_and_plans(left, entered)}, begun


def carry_pins_and_plans(left: Receiver, entered: Receiver) -> dict[str, Any]:
    """Pins on floor plans and open plans of a receiver to another one; keys of what was moved, for the log."""
    pins = list(PlanPin.objects.filter(receiver=left).values_list("pk", flat=True))
    PlanPin.objects.filter(pk__in=pins).update(receiver=entered)
    return {"pins": pins, "plans": _carry_plans(left, entered)}


def _carry_plans(left: Receiver, entered: Receiver) -> list[int]:
    """Plans of spare slots, and those of other receivers that lead here. Those of taken slots went with the slots."""
    open_plans = PlannedChange.objects.open()
    own = list(open_plans.filter(receiver=left))
    for plan in own:
        plan.receiver = entered
    PlannedChange.objects.bulk_update(own, ["receiver"])
    towards = [plan for plan in open_plans.filter(kind="move") if plan.wanted.get("to_receiver") == left.pk]
    for plan in towards:
        plan.wanted = plan.wanted | {"to_receiver": entered.pk}
    PlannedChange.objects.bulk_update(towards, ["wanted"])
    return [plan.pk for plan in own + towards]


def _carry_faults(
    left: Receiver, entered: Receiver, begun: Sequence[Registration], at: datetime
) -> dict[str, list[Any]]:
    """What transmitters have raised goes on at the new unit; the rest is over. Faults ended: key, was open, was latched."""
    by_unit = {row.transmitter_id: row for row in begun if row.transmitter_id is not None}
    standing = list(Fault.objects.standing().filter(receiver=left))
    ended = [
        [fault.pk, fault.cleared_at is None, fault.is_latched and fault.latch_cleared_at is None] for fault in standing
    ]
    going_on = [
        fault
        for fault in standing
        if fault.cleared_at is None and fault.kind in OF_TRANSMITTERS and fault.transmitter_id in by_unit
    ]
    end_faults(standing, at, cause="the receiver was swapped")
    carried = Fault.objects.bulk_create(
        Fault(
            customer_id=fault.customer_id, site_id=entered.site_id, receiver=entered, kind=fault.kind,
            registration=by_unit[fault.transmitter_id], transmitter_id=fault.transmitter_id,
            raised_at=fault.raised_at, source=fault.source, recorded_at=fault.recorded_at, found_by=fault.found_by,
            acknowledged_at=fault.acknowledged_at, acknowledged_by_id=fault.acknowledged_by_id,
            acknowledged_note=fault.acknowledged_note,
        )
        for fault in going_on
        if fault.transmitter_id is not None
    )  # fmt: skip
    return {"faults_ended": ended, "faults_carried": [fault.pk for fault in carried]}


def end_faults(faults: Sequence[Fault], at: datetime, *, cause: str) -> None:
    """The unit that showed them is gone: conditions and latches end."""
    for fault in faults:
        if fault.cleared_at is None:
            fault.cleared_at = max(at, fault.raised_at)
        if fault.is_latched and fault.latch_cleared_at is None:
            fault.latch_cleared_at = max(at, fault.raised_at)
        fault.cause = fault.cause or cause
    Fault.objects.bulk_update(faults, ["cleared_at", "latch_cleared_at", "cause"])


@transaction.atomic
def output_works_again(
    *, output: Output, seen_by: str, seen_on: date, by: User, at: datetime, seen_version: int | None = None
) -> Output:
    """Record that the end effect of an output was seen again after its receiver was swapped.

    Raises
    ------
    NothingChanged, StaleSlotMap, ReasonMissing
        Nothing is written.
    """
    if not seen_by.strip():
        raise NothingChanged(_("Say who saw it: the lamp, the sounder, the entry in the other system."))
    (receiver,) = lock_receivers(output.receiver)
    refuse_stale(receiver, seen_version)
    row = Output.objects.get(pk=output.pk)
    if row.test_again_since is None:
        raise NothingChanged(_("Output %(number)s does not wait for a test.") % {"number": row.number})
    before = facts_of(row, *OUTPUT_FACTS)
    row.end_effect_seen_by, row.end_effect_seen_on, row.test_again_since = seen_by.strip()[:80], seen_on, None
    row.save(update_fields=["end_effect_seen_by", "end_effect_seen_on", "test_again_since"])
    touch(receiver)
    log(
        by=by, at=at, verb="output_works_again", subject=row, receiver=receiver, reason="seen to work after the swap",
        before=before, after=facts_of(row, *OUTPUT_FACTS),
    )  # fmt: skip
    return row


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a receiver is after a swap: slots registered again, outputs seen to work again."""

    n_slots: int
    n_registered: int
    n_outputs: int
    n_seen: int

    @property
    def is_done(self) -> bool:
        return self.n_registered == self.n_slots and self.n_seen == self.n_outputs


def progress_of(slots: Any, outputs: Any) -> Progress:
    """Count what was proved again; only outputs that something hangs on ask for a test."""
    counted = slots.aggregate(n=Count("pk"), again=Count("register_again_since"))
    driven = outputs.in_use().aggregate(n=Count("pk"), again=Count("test_again_since"))
    return Progress(counted["n"], counted["n"] - counted["again"], driven["n"], driven["n"] - driven["again"])
