"""Transmitters exchanged: what goes along, what must be proved again, what is refused, and how it is taken back."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from company.models import ChangeRow
from company.undo import ChangedAfter, undo
from devices.actions.ledger import OutOfOrder, StaleSlotMap
from devices.actions.plans import carry_out_plan, plan_change
from devices.actions.plans_wish import Wish
from devices.actions.slot_settings import NothingChanged, NotSettable, OtherCustomer, settings_of
from devices.actions.slots import mark_registered
from devices.actions.swaps_transmitter import SPARE, NewUnit, StandsNowhere, swap_transmitter
from devices.models import Away, Fitting, PlanPin, Registration, Transmitter
from tests.devices.actions.swapping import (
    BACK_AT,
    LATER,
    last_change,
    make_place,
    make_slot,
    pin,
    raise_fault,
    send_away,
)
from tests.factories import (
    NOW,
    battery_type,
    make_fitting,
    make_receiver,
    make_registration,
    make_transmitter,
    make_user,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def office():
    return make_user("office")


@pytest.fixture
def receiver():
    return make_place()


@pytest.fixture
def row(receiver):
    return make_slot(receiver)


def swap(row, office, serial="SK-80001", **over):
    new = NewUnit(**({"serial": serial, "type": row.transmitter.type} | over.pop("new", {})))
    fields = {"transmitter": row.transmitter, "new": new, "by": office, "at": LATER, "reason": "dropped in the bath"}
    return swap_transmitter(**(fields | over))


def test_the_new_transmitter_takes_the_slot_with_its_settings_and_is_registered_again(row, office) -> None:
    (new,) = swap(row, office)
    assert settings_of(new) == settings_of(row)
    assert (new.slot, new.transmitter.serial, new.replaces, new.register_again_since) == (4, "SK-80001", row, LATER)
    assert new.transmitter.replaces == row.transmitter


def test_every_slot_of_the_transmitter_goes_along(row, office) -> None:
    second = make_registration(row.receiver, 5, transmitter=row.transmitter, input_number=2)
    elsewhere = make_receiver(row.site)
    third = make_registration(elsewhere, 1, transmitter=row.transmitter, is_shared=True)
    begun = swap(row, office)
    assert {(one.receiver_id, one.slot, one.input_number) for one in begun} == {
        (row.receiver_id, 4, 1), (row.receiver_id, 5, 2), (elsewhere.pk, 1, 1),
    }  # fmt: skip
    assert not Registration.objects.open().filter(pk__in=[row.pk, second.pk, third.pk]).exists()


def test_a_transmitter_in_no_slot_has_nothing_to_hand_over(office) -> None:
    with pytest.raises(StandsNowhere):
        swap_transmitter(transmitter=make_transmitter(), new=NewUnit("SK-1"), by=office, at=LATER, reason="broken")


def test_a_unit_that_stands_elsewhere_is_refused_with_where(row, office) -> None:
    other = make_registration(row.receiver, 9)
    with pytest.raises(NotSettable, match="slot 9"):
        swap(row, office, other.transmitter.serial)


def test_its_own_serial_is_no_new_unit(row, office) -> None:
    with pytest.raises(NothingChanged):
        swap(row, office, row.transmitter.serial.lower())


def test_another_customers_unit_is_refused(row, office) -> None:
    with pytest.raises(OtherCustomer):
        swap(row, office, make_transmitter().serial)


def test_a_unit_with_fewer_inputs_than_are_in_use_is_refused(row, office) -> None:
    from tests.factories import transmitter_type

    make_registration(row.receiver, 5, transmitter=row.transmitter, input_number=3)
    with pytest.raises(NotSettable, match="no input 3"):
        swap(row, office, new={"type": transmitter_type("one-input", n_inputs=1)})
    assert not Transmitter.objects.filter(serial="SK-80001").exists()


def test_the_old_unit_is_retired_and_its_cells_come_out(row, office) -> None:
    cells = make_fitting(row.transmitter)
    swap(row, office)
    cells.refresh_from_db()
    assert Transmitter.objects.get(pk=row.transmitter_id).retired_at == LATER
    assert (cells.removed_at, cells.removed_why) == (LATER, "retired")


def test_a_spare_keeps_its_cells(row, office) -> None:
    make_fitting(row.transmitter)
    swap(row, office, new={"old_becomes": SPARE})
    assert Transmitter.objects.get(pk=row.transmitter_id).retired_at is None
    assert Fitting.objects.open().filter(transmitter=row.transmitter_id).exists()


def test_new_cells_and_a_loan_are_noted_at_the_new_unit(row, office) -> None:
    (new,) = swap(row, office, new={"battery_type": battery_type(), "n_cells": 2, "loan_until": date(2027, 1, 15)})
    assert new.transmitter.loan_until == date(2027, 1, 15)
    assert Fitting.objects.open().get(transmitter=new.transmitter).n_cells == 2


def test_absences_plans_and_pins_stay_with_the_slot(row, office) -> None:
    send_away(row)
    mark = pin(row.receiver, 4)
    plan = plan_change(receiver=row.receiver, slot=4, wish=Wish("remove"), by=office, at=NOW, reason="moves out")
    (new,) = swap(row, office)
    assert Away.objects.open().get().registration == new
    assert PlanPin.objects.get() == mark
    carry_out_plan(plan=plan, by=office, at=BACK_AT)
    assert not Registration.objects.open().exists()


def test_what_the_old_unit_raised_is_over_but_a_latch_waits_for_a_person(row, office) -> None:
    fault = raise_fault(row, is_latched=True)
    swap(row, office)
    fault.refresh_from_db()
    assert (fault.cleared_at, fault.latch_cleared_at) == (LATER, None)


def test_a_swap_on_an_old_map_is_refused(row, office) -> None:
    with pytest.raises(StaleSlotMap):
        swap(row, office, seen_versions={row.receiver_id: 0})


def test_a_swap_before_the_slot_was_set_is_refused(row, office) -> None:
    with pytest.raises(OutOfOrder):
        swap(row, office, at=row.registered_at)


def test_a_swap_taken_back_leaves_everything_as_before(row, office) -> None:
    second = make_registration(row.receiver, 5, transmitter=row.transmitter, input_number=2, register_again_since=NOW)
    cells = make_fitting(row.transmitter)
    fault = raise_fault(row)
    swap(row, office, new={"battery_type": battery_type()})
    undo(change=last_change("swap_transmitter"), by=office, at=BACK_AT)
    stands = {one.slot: one for one in Registration.objects.open()}
    assert {slot: one.transmitter_id for slot, one in stands.items()} == dict.fromkeys((4, 5), row.transmitter_id)
    assert (stands[4].register_again_since, stands[5].register_again_since) == (None, second.register_again_since)
    assert Transmitter.objects.get(pk=row.transmitter_id).retired_at is None
    assert Fitting.objects.open().get() == cells
    fault.refresh_from_db()
    assert fault.cleared_at is None
    # Both slots' rows of the log are marked: nothing is left to press.
    assert not ChangeRow.objects.filter(verb="swap_transmitter", undone_by=None).exists()


def test_a_swap_that_something_rests_on_is_not_taken_back(row, office) -> None:
    (new,) = swap(row, office)
    mark_registered(registration=new, by=office, at=LATER + timedelta(minutes=5))
    with pytest.raises(ChangedAfter):
        undo(change=last_change("swap_transmitter"), by=office, at=BACK_AT)
