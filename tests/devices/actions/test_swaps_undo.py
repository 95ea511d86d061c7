"""Swaps taken back: on their day they never were, later they are turned round."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from company.models import ChangeRow
from company.undo import CannotUndo, undo
from devices.actions.plans import plan_change
from devices.actions.plans_wish import Wish
from devices.actions.slot_settings import settings_of
from devices.actions.slots import register_transmitter
from devices.actions.swaps_receiver import NewReceiver, swap_receiver
from devices.actions.swaps_transmitter import SPARE, NewUnit, swap_transmitter
from devices.models import Away, Fault, PlannedChange, Registration, Transmitter
from devices.rules.slot_life import never_stood
from tests.factories import (
    NOW,
    TODAY,
    make_output,
    make_receiver,
    make_registration,
    make_transmitter,
    make_user,
    transmitter_type,
)

pytestmark = pytest.mark.django_db
LATER = NOW + timedelta(hours=3)
BACK_AT = NOW + timedelta(hours=5)
NEXT_DAY = NOW + timedelta(days=1)


@pytest.fixture
def office():
    return make_user("office")


@pytest.fixture
def row():
    receiver = make_receiver(code="ABCDEFGH23")
    return make_registration(receiver, 4, outputs=[(make_output(receiver, 1), "latching", None)])


def swap_unit(row, office, *, at=LATER, **over):
    fields = {"serial": "SK-80001", "type": row.transmitter.type} | over.pop("new", {})
    return swap_transmitter(
        transmitter=row.transmitter, new=NewUnit(**fields), by=office, at=at, reason="dropped in the bath", **over
    )


def swap_box(row, office, **over):
    new = NewReceiver(row.receiver.type, row.receiver.n_slots, serial="RX-2")
    return swap_receiver(receiver=row.receiver, new=new, by=office, at=LATER, reason="burnt", **over)


def _plain(row):
    return replace(settings_of(row), outputs=())


SWAPS = {"swap_transmitter": swap_unit, "swap_receiver": swap_box}


def take_back(verb, office, at=BACK_AT):
    return undo(change=ChangeRow.objects.filter(verb=verb).latest("pk"), by=office, at=at)


@pytest.mark.parametrize("verb", SWAPS)
def test_a_swap_taken_back_on_its_day_never_was_and_the_former_registration_goes_on(row, office, verb) -> None:
    SWAPS[verb](row, office)
    take_back(verb, office)
    assert list(Registration.objects.open()) == [row]
    since = row.registered_at
    row.refresh_from_db()
    assert (row.registered_at, row.removed_why, row.register_again_since) == (since, "", None)
    (slip,) = Registration.objects.exclude(pk=row.pk)
    assert never_stood(slip.registered_at, slip.removed_at)
    assert slip.removed_why.startswith("taken back: ")


@pytest.mark.parametrize("verb", SWAPS)
def test_a_swap_of_an_earlier_day_is_turned_round_from_now_on(row, office, verb) -> None:
    SWAPS[verb](row, office)
    take_back(verb, office, at=NEXT_DAY)
    (now,) = Registration.objects.open()
    assert (now.registered_at, now.transmitter_id, now.receiver_id) == (NEXT_DAY, row.transmitter_id, row.receiver_id)
    assert Registration.objects.get(registered_at=LATER).removed_at == NEXT_DAY


@pytest.mark.parametrize("verb", SWAPS)
def test_what_was_entered_today_about_yesterday_is_a_slip_of_today(row, office, verb) -> None:
    SWAPS[verb](row, office, entered_at=NEXT_DAY)
    take_back(verb, office, at=NEXT_DAY + timedelta(hours=1))
    assert list(Registration.objects.open()) == [row]


@pytest.mark.parametrize("verb", SWAPS)
def test_absences_and_plans_are_those_of_before(row, office, verb) -> None:
    away = Away.objects.create(
        customer=row.customer, site=row.site, registration=row, from_on=TODAY, agreed_with="matron", reason="hospital"
    )
    plan = plan_change(receiver=row.receiver, slot=4, wish=Wish("remove"), by=office, at=NOW, reason="moves out")
    SWAPS[verb](row, office)
    assert PlannedChange.objects.get(pk=plan.pk).registration_id != row.pk
    take_back(verb, office)
    assert list(Away.objects.open()) == [away]
    plan = PlannedChange.objects.get(pk=plan.pk)
    assert (plan.registration_id, plan.receiver_id) == (row.pk, row.receiver_id)


@pytest.mark.parametrize("verb", SWAPS)
def test_the_log_tells_the_swap_and_who_took_it_back(row, office, verb) -> None:
    SWAPS[verb](row, office)
    back = take_back(verb, other := make_user("office"))
    assert (back.by, back.undoes.by, back.undoes.verb) == (other, office, verb)


def test_a_carried_fault_of_a_slip_was_never_raised_at_the_new_receiver(row, office) -> None:
    fault = Fault.objects.create(
        customer=row.customer, site=row.site, receiver=row.receiver, kind="low_battery", transmitter=row.transmitter,
        registration=row, raised_at=NOW - timedelta(days=1),
    )  # fmt: skip
    swap_box(row, office)
    take_back("swap_receiver", office)
    assert list(Fault.objects.all()) == [fault]


def test_the_number_of_queries_does_not_grow_with_the_slots(office, django_assert_max_num_queries) -> None:
    counts = []
    for n in (2, 20):
        receiver = make_receiver()
        output = make_output(receiver, 1)
        for slot in range(1, n + 1):
            row = make_registration(receiver, slot, outputs=[(output, "latching", None)])
        swap_box(row, office)
        with django_assert_max_num_queries(80) as caught:
            take_back("swap_receiver", office)
        counts.append(len(caught.captured_queries))
    assert counts[0] == counts[1]


def test_a_spare_that_found_another_slot_since_is_not_brought_back(row, office) -> None:
    swap_unit(row, office, new={"old_becomes": SPARE})
    register_transmitter(
        receiver=make_receiver(row.site), slot=7, transmitter=row.transmitter, settings=_plain(row), by=office,
        at=LATER + timedelta(minutes=5), reason="used there",
    )  # fmt: skip
    with pytest.raises(CannotUndo, match="slot 7"):
        take_back("swap_transmitter", office)


# ------------------------------------------------------------------------------------- units that were never used


def test_a_unit_made_by_a_swap_goes_off_the_records_with_it(row, office) -> None:
    swap_unit(row, office)
    take_back("swap_transmitter", office)
    assert Transmitter.objects.get(serial="SK-80001").retired_at == BACK_AT


def test_a_unit_that_was_on_record_before_the_swap_is_a_spare_again(row, office) -> None:
    make_transmitter(customer=row.customer, serial="SK-80001")
    swap_unit(row, office)
    take_back("swap_transmitter", office)
    assert Transmitter.objects.get(serial="SK-80001").retired_at is None


def test_a_unit_that_stood_for_a_day_stays_on_record(row, office) -> None:
    swap_unit(row, office)
    take_back("swap_transmitter", office, at=NEXT_DAY)
    assert Transmitter.objects.get(serial="SK-80001").retired_at is None


def test_the_same_serial_may_come_in_after_all_as_the_type_said_now(row, office) -> None:
    swap_unit(row, office)
    take_back("swap_transmitter", office)
    other = transmitter_type("another-type")
    swap_unit(row, office, at=BACK_AT + timedelta(hours=1), new={"type": other})
    unit = Registration.objects.open().get().transmitter
    assert (unit.serial, unit.retired_at, unit.type) == ("SK-80001", None, other)


def test_a_mistyped_serial_goes_off_the_records_with_its_registration_and_can_be_used_later(row, office) -> None:
    def register(at):
        known = Transmitter.objects.filter(serial="SK-MISTYPED").first()
        register_transmitter(
            receiver=row.receiver, slot=9, transmitter=known or Transmitter(serial="SK-MISTYPED"),
            settings=_plain(row), by=office, at=at, reason="new",
        )  # fmt: skip

    register(LATER)
    take_back("register_transmitter", office)
    assert Transmitter.objects.get(serial="SK-MISTYPED").retired_at == BACK_AT
    register(BACK_AT + timedelta(hours=1))
    assert Transmitter.objects.get(serial="SK-MISTYPED").retired_at is None
