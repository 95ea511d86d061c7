"""A broken transmitter exchanged for another one: every slot it stands in goes along with place, settings and history."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from company.actions import record_change
from company.errors import Refused
from company.models import User
from devices.actions.batteries import fit_battery, remove_battery
from devices.actions.bulk_turn import Turn, facts_of_row, read_settings, turn_over, with_settings
from devices.actions.ledger import first_refusal, lock_all, lock_receivers, refuse_stale, refuse_without_reason, touch
from devices.actions.slot_order import refuse_two_places
from devices.actions.slot_settings import NothingChanged, NotSettable, OtherCustomer, as_rule, limits_of
from devices.actions.unused_units import put_on_again
from devices.models import BatteryType, Fault, Fitting, Receiver, Registration, Transmitter, TransmitterType
from devices.models.batteries import WhyOut
from devices.rules import legality

RETIRED, SPARE = "retired", "spare"
OLD_BECOMES = ((RETIRED, gettext_lazy("taken out of use")), (SPARE, gettext_lazy("kept as a spare")))


class StandsNowhere(Refused):
    """A transmitter in no slot has nothing that another one could take over."""


@dataclass(frozen=True, slots=True)
class NewUnit:
    """What comes in. `old_becomes` says what the old unit is afterwards; `battery_type` with `n_cells` notes its cells."""

    serial: str
    type: TransmitterType | None = None
    loan_until: date | None = None
    old_becomes: str = RETIRED
    battery_type: BatteryType | None = None
    n_cells: int | None = None


def _receivers_of(transmitter: Transmitter) -> list[Receiver]:
    rows = Receiver.objects.filter(registrations__transmitter=transmitter, registrations__removed_at=None)
    return lock_receivers(*rows.distinct())


def _on_record(new: NewUnit) -> Transmitter | None:
    found: Transmitter | None = (
        Transmitter.objects.filter(serial__iexact=new.serial.strip()).select_related("type").first()
    )
    return found


def _unit_for(new: NewUnit, old: Transmitter, at: datetime) -> Transmitter:
    """The unit that comes in: new, or a spare one of the same customer."""
    unit = _on_record(new)
    if unit is None:
        unit = Transmitter(serial=new.serial.strip(), type=new.type)
    elif unit.pk == old.pk:
        raise NothingChanged(
            _("%(serial)s is the unit that stands there. Give the serial of the new one.") % {"serial": old.serial}
        )
    elif unit.customer_id != old.customer_id:
        raise OtherCustomer(_("Transmitter %(serial)s is recorded for another customer.") % {"serial": unit.serial})
    elif unit.retired_at is not None and not _comes_again(unit, new):
        raise NotSettable(_("Transmitter %(serial)s was taken out of use. Take another one.") % {"serial": unit.serial})
    else:
        place = Registration.objects.open().filter(transmitter=unit).select_related("receiver__site").first()
        if place is not None:
            raise NotSettable(
                _("Transmitter %(serial)s stands in %(receiver)s, slot %(slot)s. Remove it there first.")
                % {"serial": unit.serial, "receiver": place.receiver, "slot": place.slot}
            )
    unit.customer_id, unit.replaces, unit.loan_until = old.customer_id, old, new.loan_until
    return unit


def _comes_again(unit: Transmitter, new: NewUnit) -> bool:
    """A unit whose making was taken back may be meant after all, then as the type that is said now."""
    unit.type = new.type or unit.type
    return put_on_again(unit)


def _refuse_unfit(rows: Sequence[Registration], unit: Transmitter, old: Transmitter, at: datetime) -> None:
    """Refuse a unit that cannot do what the old one did; what was wrong before is no reason."""
    for row in rows:
        settings, limits = read_settings(row), limits_of(row.receiver)
        known = {one.text for one in legality.problems(as_rule(settings, slot=row.slot, transmitter=old), limits)}
        found = legality.problems(as_rule(settings, slot=row.slot, transmitter=unit), limits)
        hard = [one for one in found if not one.is_warning and one.text.replace(unit.serial, old.serial) not in known]
        if hard:
            named = {"receiver": row.receiver, "slot": row.slot, "why": first_refusal(hard)}
            raise NotSettable(_("%(receiver)s, slot %(slot)s: %(why)s") % named)
        refuse_two_places(unit if unit.pk else None, settings, row.receiver, at)


@transaction.atomic
def swap_transmitter(
    *,
    transmitter: Transmitter,
    new: NewUnit,
    by: User,
    at: datetime,
    reason: str,
    seen_versions: Mapping[int, int] | None = None,
    entered_at: datetime | None = None,
) -> list[Registration]:
    """Put another unit in the place of a transmitter, in every slot it stands in: inputs and declared slots go along.

    Settings, absences, open plans and pins stay; every slot goes to "register again". What the old unit had raised and
    is still open counts as cleared, for it is gone; latched faults stay until a person clears the receiver. The cells of
    a unit taken out of use are taken out, those of a spare stay in. `entered_at` is when it was typed in.

    Raises
    ------
    StandsNowhere, NothingChanged, NotSettable, OtherCustomer, OutOfOrder, StaleSlotMap, TakesNoCells, ReasonMissing
        Nothing is written.
    """
    reason = refuse_without_reason(reason)
    receivers = _receivers_of(transmitter)
    _refuse_stale(receivers, seen_versions)
    spare = _on_record(new)
    lock_all((), [transmitter.pk, *([spare.pk] if spare else [])])
    old = Transmitter.objects.select_related("type").get(pk=transmitter.pk)
    rows = with_settings(Registration.objects.open().filter(transmitter=old))
    if not rows:
        raise StandsNowhere(
            _("%(serial)s stands in no slot, so there is nothing to take over. Register the other one.")
            % {"serial": old.serial}
        )
    unit = _unit_for(new, old, at)
    _refuse_unfit(rows, unit, old, at)
    is_made = unit.pk is None
    entered = {"recorded_at": entered_at.isoformat()} if entered_at else {}
    unit.unit_since = at.astimezone(rows[0].site.zone).date()
    unit.full_clean(exclude=["customer", "type", "replaces"])
    unit.save()
    before = [facts_of_row(row, read_settings(row)) for row in rows]
    again_before = [row.register_again_since.isoformat() if row.register_again_since else None for row in rows]
    turns = [Turn(row, row.receiver, unit, read_settings(row), at) for row in rows]
    begun = turn_over(turns, at=at, why=f"swapped for {unit.serial}: {reason}")
    faults = _end_faults(old, at)
    touch(*receivers)
    told = {
        "old": old.pk, "new": unit.pk, "is_made": is_made, "faults": faults, "again_before": again_before,
        **_cells(old, unit, new, by=by, at=at, reason=reason),
    }  # fmt: skip
    _log(begun, before, receivers, {"swap": told, **entered}, by=by, at=at, reason=reason)
    return begun


def _refuse_stale(receivers: Sequence[Receiver], seen: Mapping[int, int] | None) -> None:
    if seen is None:
        return
    for receiver in receivers:
        refuse_stale(receiver, seen.get(receiver.pk, 0))


def _end_faults(old: Transmitter, at: datetime) -> list[int]:
    faults = list(Fault.objects.open().filter(transmitter=old))
    for fault in faults:
        fault.cleared_at = max(at, fault.raised_at)
        fault.cause = fault.cause or "the transmitter was swapped"
    Fault.objects.bulk_update(faults, ["cleared_at", "cause"])
    return [fault.pk for fault in faults]


def _cells(
    old: Transmitter, unit: Transmitter, new: NewUnit, *, by: User, at: datetime, reason: str
) -> dict[str, int | None]:
    """Cells of both units; keys of what was taken out and fitted."""
    out = fitted = None
    if new.old_becomes == RETIRED:
        if Fitting.objects.open().filter(transmitter=old).exists():
            out = remove_battery(transmitter=old, by=by, at=at, removed_why=WhyOut.RETIRED, reason=reason).pk
        old.retired_at = at
        old.save(update_fields=["retired_at"])
    if new.battery_type is not None:
        fitted = fit_battery(
            transmitter=unit, battery_type=new.battery_type, n_cells=new.n_cells, by=by, at=at,
            reason="fitted in the new unit",
        ).pk  # fmt: skip
    return {"cells_out": out, "cells_in": fitted}


def _log(
    begun: Sequence[Registration],
    before: Sequence[dict[str, Any]],
    receivers: Sequence[Receiver],
    told: dict[str, Any],
    *,
    by: User,
    at: datetime,
    reason: str,
) -> None:
    """One row of the log a slot, all of one batch, so that each slot's history tells it."""
    batch = uuid.uuid4()
    versions = dict(Receiver.objects.filter(pk__in=[one.pk for one in receivers]).values_list("pk", "version"))
    for row, facts in zip(begun, before, strict=True):
        after = facts_of_row(row, read_settings(row))
        record_change(
            by=by, at=at, verb="swap_transmitter", subject=row, customer_id=row.customer_id, before=facts,
            after={**after, **told, "receiver": row.receiver_id, "version": versions[row.receiver_id]},
            reason=reason, batch=batch,
        )  # fmt: skip
