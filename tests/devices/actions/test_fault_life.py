"""Faults follow what has them: cells, slots and receivers that change, and changes that are taken back."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from company.models import ChangeRow, User
from company.undo import undo
from devices.actions.away import start_away
from devices.actions.batteries import fit_battery
from devices.actions.fault_life import settle_life_cycle
from devices.actions.fitting_corrections import take_back_fitting
from devices.actions.receivers import remove_receiver
from devices.actions.slot_settings import settings_of
from devices.actions.slots import change_slot, move_transmitter, remove_transmitter
from devices.models import Fault, Receiver, Registration
from tests.factories import NOW, make_fitting, make_manager, make_receiver, make_registration

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

RAISED = NOW - timedelta(days=3)
THEN = NOW - timedelta(hours=2)


@pytest.fixture
def office() -> User:
    return make_manager()


@pytest.fixture
def slot() -> Registration:
    row = make_registration(make_receiver())
    make_fitting(row.transmitter)  # type: ignore[arg-type]
    return row


def plant(row: Registration, kind: str = "low_battery", **over: Any) -> Fault:
    facts: dict[str, Any] = {
        "receiver_id": row.receiver_id, "registration": row, "transmitter_id": row.transmitter_id, "raised_at": RAISED,
    }  # fmt: skip
    return Fault.objects.create(customer_id=row.customer_id, site_id=row.site_id, kind=kind, **(facts | over))


def end_of(fault: Fault) -> tuple[Any, str]:
    fault.refresh_from_db()
    return fault.cleared_at, fault.cause


def last_change(verb: str) -> ChangeRow:
    row = ChangeRow.objects.filter(verb=verb).order_by("-pk").first()
    assert row is not None
    return row


def test_new_cells_end_a_low_battery_and_the_latch_waits_for_a_person(slot: Registration, office: User) -> None:
    fault = plant(slot, is_latched=True)
    fit_battery(transmitter=slot.transmitter, battery_type=None, by=office, at=THEN)  # type: ignore[arg-type]
    settle_life_cycle(at=NOW)
    assert end_of(fault) == (THEN, "cells changed")
    assert fault.latch_cleared_at is None
    assert settle_life_cycle(at=NOW) == []


def test_cells_fitted_before_the_signal_end_nothing(slot: Registration) -> None:
    fault = plant(slot)
    settle_life_cycle(at=NOW)
    assert end_of(fault) == (None, "")


def test_a_change_of_cells_that_is_taken_back_lets_the_low_battery_stand_again(
    slot: Registration, office: User
) -> None:
    fault = plant(slot, cause="cold hall")
    new = fit_battery(transmitter=slot.transmitter, battery_type=None, by=office, at=THEN)  # type: ignore[arg-type]
    settle_life_cycle(at=NOW)
    assert end_of(fault) == (THEN, "cold hall · cells changed")
    take_back_fitting(fitting=new, by=office, at=NOW, reason="never happened")
    settle_life_cycle(at=NOW)
    assert end_of(fault) == (None, "cold hall")


def test_what_was_raised_anew_keeps_the_old_one_ended(slot: Registration, office: User) -> None:
    fault = plant(slot)
    new = fit_battery(transmitter=slot.transmitter, battery_type=None, by=office, at=THEN)  # type: ignore[arg-type]
    settle_life_cycle(at=NOW)
    plant(slot, raised_at=THEN + timedelta(minutes=5))
    take_back_fitting(fitting=new, by=office, at=NOW, reason="never happened")
    settle_life_cycle(at=NOW)
    assert end_of(fault)[0] == THEN


def test_a_transmitter_taken_out_ends_its_faults_and_undo_puts_them_back(slot: Registration, office: User) -> None:
    fault = plant(slot, "missing")
    remove_transmitter(registration=slot, by=office, at=THEN, reason="room closed", entered_at=NOW)
    settle_life_cycle(at=NOW)
    assert end_of(fault) == (THEN, "no longer registered here")
    undo(change=last_change("remove_transmitter"), by=office, at=NOW)
    settle_life_cycle(at=NOW)
    assert end_of(fault) == (None, "")


def test_moved_to_another_receiver_it_is_not_missing_at_the_old_one(slot: Registration, office: User) -> None:
    fault = plant(slot, "missing")
    move_transmitter(
        registration=slot, to_receiver=make_receiver(slot.site), to_slot=3, settings=settings_of(slot), by=office,
        at=THEN, reason="nearer",
    )  # fmt: skip
    settle_life_cycle(at=NOW)
    assert end_of(fault) == (THEN, "no longer registered here")


def test_changed_settings_leave_a_fault_standing(slot: Registration, office: User) -> None:
    fault = plant(slot, "missing")
    change_slot(
        registration=slot, settings=replace(settings_of(slot), window_s=86400), by=office, at=THEN, reason="far away"
    )
    settle_life_cycle(at=NOW)
    assert end_of(fault) == (None, "")


def test_who_is_away_is_not_missing_but_may_still_be_low(slot: Registration, office: User) -> None:
    missing, low = plant(slot, "missing"), plant(slot)
    start_away(
        registration=slot, from_on=NOW.date(), agreed_until_on=None, agreed_with="matron", interim="", by=office, at=NOW,
        reason="on leave",
    )  # fmt: skip
    settle_life_cycle(at=NOW)
    assert (end_of(missing), end_of(low)) == ((NOW, "away, as agreed"), (None, ""))


def test_a_receiver_taken_down_ends_everything_and_undo_puts_it_back(office: User) -> None:
    receiver = make_receiver()
    facts = {"receiver": receiver, "customer": receiver.customer, "site": receiver.site, "raised_at": RAISED}
    fault = Fault.objects.create(kind="receiver_power", is_latched=True, **facts)
    remove_receiver(receiver=receiver, by=office, at=NOW, reason="sold")
    settle_life_cycle(receiver_ids=[receiver.pk], at=NOW)
    assert end_of(fault) == (NOW, "the receiver was taken down")
    assert fault.latch_cleared_at == NOW
    undo(change=last_change("remove_receiver"), by=office, at=NOW)
    assert Receiver.objects.get(pk=receiver.pk).removed_at is None
    settle_life_cycle(at=NOW)
    assert end_of(fault) == (None, "")
    assert fault.latch_cleared_at is None


def test_the_pages_that_change_cells_settle_the_faults_at_once(
    slot: Registration, office: User, django_capture_on_commit_callbacks: Any
) -> None:
    fault = plant(slot)
    with django_capture_on_commit_callbacks(execute=True):
        fit_battery(transmitter=slot.transmitter, battery_type=None, by=office, at=THEN)  # type: ignore[arg-type]
    assert end_of(fault) == (THEN, "cells changed")
