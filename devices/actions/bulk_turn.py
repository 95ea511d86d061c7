"""Many registrations ended and others begun in their place, in a number of writes that does not grow with them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.utils.translation import gettext as _

from company.actions import facts_of
from company.manner import moment_said
from devices.actions.ledger import REGISTRATION_FACTS, OutOfOrder, lock_all
from devices.actions.rollups import rebuild_totals
from devices.actions.slot_settings import SETTING_FIELDS, OutputChoice, Settings
from devices.models import Away, PlannedChange, Receiver, Registration, RegistrationOutput, Transmitter


@dataclass(frozen=True, slots=True)
class Turn:
    """One registration that ends, and what begins in its place."""

    old: Registration
    receiver: Receiver
    transmitter: Transmitter | None
    settings: Settings
    again_since: datetime | None


def with_settings(rows: Any) -> list[Registration]:
    """Registrations with everything that their settings and their judgement need, in four queries for any number."""
    return list(
        rows.select_related("receiver__type", "receiver__site", "site", "transmitter__type")
        .prefetch_related("outputs__output")
        .order_by("receiver_id", "slot", "pk")
    )


def read_settings(row: Registration) -> Settings:
    """Settings of a registration whose outputs are read already."""
    outputs = sorted(row.outputs.all(), key=lambda one: one.output.number)
    return Settings(
        **{name: getattr(row, name) for name in SETTING_FIELDS},
        outputs=tuple(OutputChoice(one.output, one.behaviour, one.seconds) for one in outputs),
    )


def facts_of_row(row: Registration, settings: Settings) -> dict[str, Any]:
    """One registration as the change log keeps it, without a query."""
    outputs = [[one.output.number, one.behaviour, one.seconds] for one in settings.outputs]
    return facts_of(row, *REGISTRATION_FACTS) | {"outputs": outputs}


def turn_over(turns: Sequence[Turn], *, at: datetime, why: str) -> list[Registration]:
    """End each old registration and begin the new one, in the order given; absences and open plans go on.

    The receivers are locked by the caller, who has judged the settings and logs.

    Raises
    ------
    OutOfOrder
        If one of them began at that moment or later. Nothing is written.
    """
    _refuse_order(turns, at)
    lock_all((), _transmitters(turns))
    Registration.objects.filter(pk__in=[turn.old.pk for turn in turns]).update(removed_at=at, removed_why=why[:200])
    begun = Registration.objects.bulk_create(
        Registration(
            customer_id=turn.receiver.customer_id, site_id=turn.receiver.site_id, receiver=turn.receiver,
            slot=turn.old.slot, transmitter=turn.transmitter, registered_at=at, replaces=turn.old,
            register_again_since=turn.again_since,
            **{name: getattr(turn.settings, name) for name in SETTING_FIELDS},
        )
        for turn in turns
    )  # fmt: skip
    RegistrationOutput.objects.bulk_create(
        RegistrationOutput(
            customer_id=row.customer_id, registration=row, output=one.output, behaviour=one.behaviour,
            seconds=one.seconds,
        )
        for row, turn in zip(begun, turns, strict=True)
        for one in turn.settings.outputs
    )  # fmt: skip
    followers = {turn.old.pk: row for turn, row in zip(turns, begun, strict=True)}
    _carry_absences(followers, at)
    carry_plans(followers)
    rebuild_totals(transmitter_ids=_transmitters(turns))
    return begun


def _transmitters(turns: Iterable[Turn]) -> list[int]:
    units = {turn.old.transmitter_id for turn in turns} | {turn.transmitter.pk for turn in turns if turn.transmitter}
    return sorted(unit for unit in units if unit is not None)


def _refuse_order(turns: Sequence[Turn], at: datetime) -> None:
    late = max(turns, key=lambda turn: turn.old.registered_at, default=None)
    if late is not None and at <= late.old.registered_at:
        began = late.old.registered_at.astimezone(late.receiver.site.zone)
        raise OutOfOrder(
            _("Slot %(slot)s was set as it is on %(moment)s; give a later time.")
            % {"slot": late.old.slot, "moment": moment_said(began)}
        )


def _carry_absences(followers: dict[int, Registration], at: datetime) -> None:
    """A change of settings or of a unit does not bring anybody home."""
    away = list(Away.objects.open().filter(registration__in=followers))
    for row in away:
        day = at.astimezone(followers[row.registration_id].receiver.site.zone).date()
        row.ended_on = max(day, row.from_on)
    Away.objects.bulk_update(away, ["ended_on"])
    Away.objects.bulk_create(
        Away(
            customer_id=row.customer_id, site_id=followers[row.registration_id].site_id,
            registration=followers[row.registration_id], from_on=row.ended_on, agreed_until_on=row.agreed_until_on,
            reason=row.reason, agreed_with=row.agreed_with, interim=row.interim,
        )
        for row in away
    )  # fmt: skip


def carry_plans(followers: dict[int, Registration]) -> None:
    """An open plan is about the slot: it waits on. Where settings changed, carrying it out asks to compare first."""
    plans = list(PlannedChange.objects.open().filter(registration__in=followers))
    for plan in plans:
        if plan.registration_id is not None:
            row = followers[plan.registration_id]
            plan.registration, plan.receiver_id, plan.site_id = row, row.receiver_id, row.site_id
    PlannedChange.objects.bulk_update(plans, ["registration", "receiver", "site"])


def set_words(rows: Sequence[tuple[Registration, Settings]]) -> None:
    """Correct the words of registrations in place: place, area, note."""
    for row, settings in rows:
        row.label, row.area, row.note = settings.label, settings.area, settings.note
    Registration.objects.bulk_update([row for row, _ in rows], ["label", "area", "note"], batch_size=200)
