"""Events set aside, adopted: counted once, as if the transmitter had been on record when they came."""

import pytest
from django.db import connection

from company.models import ChangeRow
from devices.actions.adoption import NothingToAdopt, adopt, place_again
from devices.actions.rollups import differences
from devices.actions.slot_settings import OtherCustomer
from devices.models import CheckInDay, Fault, FittingTotals, SetAside, Transmitter
from devices.rules.events import Event
from tests.devices.intake.test_take_batch import clock, day_of, event, make_source, send
from tests.factories import (
    NOW,
    make_customer,
    make_fitting,
    make_registration,
    make_transmitter,
)

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def fates():
    return list(SetAside.objects.order_by("pk").values_list("adopted_at", "adopted_by", "transmitter"))


def test_one_click_takes_the_unit_on_record_and_counts_what_it_said(source, receiver, office):
    send(source, event("NEW-1", clock(6)), event("new 1", clock(7), "activation", 2), event("other", clock(7), row=3))
    send(source, event("NEW-1", clock(8), "low_battery"), batch="b2")
    done = adopt(serial="NEW-1", customer=receiver.customer, by=office, at=NOW)
    assert (done.is_new, done.n_events, done.n_left, done.n_too_old) == (True, 3, 0, 0)
    unit = Transmitter.objects.get(serial="NEW-1")
    assert (unit.customer_id, unit.type) == (receiver.customer_id, None)
    day = day_of(unit)
    assert (day.heard, day.activations, day.flags, day.acts_source) == (3, 1, CheckInDay.LOW_BATTERY, source.pk)
    mine = (NOW, office.pk, unit.pk)
    assert fates() == [mine, mine, (None, None, None), mine]
    change = ChangeRow.objects.get(verb="adopt_set_aside")
    assert (change.subject_id, change.by, change.customer_id) == (unit.pk, office, receiver.customer_id)
    assert change.after == {"serial": "NEW-1", "events": 3, "is_new": True}


def test_what_comes_later_needs_no_adopting(source, receiver, office):
    send(source, event("NEW-1", clock(6)))
    adopt(serial="NEW-1", customer=receiver.customer, by=office, at=NOW)
    assert send(source, event("NEW-1", clock(7)), batch="b2").answer["set_aside"] == []
    assert CheckInDay.objects.get().heard == 2


def test_a_second_click_finds_nothing(source, receiver, office):
    send(source, event("NEW-1", clock(6), "activation"))
    adopt(serial="NEW-1", customer=receiver.customer, by=office, at=NOW)
    with pytest.raises(NothingToAdopt):
        adopt(serial="NEW-1", customer=receiver.customer, by=office, at=NOW)
    assert CheckInDay.objects.get().activations == 1


def test_a_unit_put_on_record_meanwhile_is_taken_with_its_slot_and_cells(source, receiver, office):
    send(source, event("SK-9", clock(6)), event("SK-9", clock(7), "low_battery", 2))
    unit = make_registration(receiver, 1, transmitter=make_transmitter(receiver.customer, serial="sk9")).transmitter
    make_fitting(unit)
    done = adopt(serial="SK-9", customer=receiver.customer, by=office, at=NOW)
    assert (done.transmitter, done.is_new) == (unit, False)
    assert FittingTotals.objects.get().checkins == 2
    assert Fault.objects.get(transmitter=unit).kind == "low_battery"
    assert differences(transmitter_ids=[unit.pk]) == []


def test_the_office_may_say_which_unit_was_meant(source, receiver, office):
    unit = make_transmitter(receiver.customer)
    send(source, event("misread", clock(6)))
    assert adopt(serial="misread", customer=receiver.customer, by=office, at=NOW, transmitter=unit).n_events == 1
    assert day_of(unit).heard == 1
    assert not Transmitter.objects.filter(serial="misread").exists()


def test_a_unit_of_another_customer_is_not_adopted(source, receiver, office):
    foreign = make_transmitter(make_customer(), serial="SK-5")
    send(source, event("sk 5", clock(6)))
    for given in ({}, {"transmitter": foreign}):
        with pytest.raises(OtherCustomer):
            adopt(serial="sk 5", customer=receiver.customer, by=office, at=NOW, **given)
    assert fates() == [(None, None, None)]
    assert not CheckInDay.objects.exists()


def test_events_of_other_customers_stay_where_they_are(source, receiver, office):
    other = make_source(make_customer())
    send(source, event("NEW-1", clock(6)))
    send(other, event("NEW-1", clock(7)))
    send(make_source(kind="file"), event("NEW-1", clock(8)))
    assert adopt(serial="NEW-1", customer=receiver.customer, by=office, at=NOW).n_events == 2
    assert SetAside.objects.open().get().customer_id == other.customer_id
    assert CheckInDay.objects.get().heard == 2


def test_what_a_receiver_had_no_slot_for_is_settled_without_being_counted(source, receiver, office):
    send(source, event("NEW-1", clock(6), "unregistered"), receiver=receiver)
    assert adopt(serial="NEW-1", customer=receiver.customer, by=office, at=NOW).n_events == 1
    assert not CheckInDay.objects.exists()


def test_a_slot_entered_later_gets_its_events(source, receiver, office):
    send(source, Event(1, "check_in", clock(6), slot=4), Event(2, "check_in", clock(7), slot=5), receiver=receiver)
    with pytest.raises(NothingToAdopt):
        place_again(rows=SetAside.objects.all(), by=office, at=NOW)
    unit = make_registration(receiver, 4).transmitter
    done = place_again(rows=SetAside.objects.all(), by=office, at=NOW)
    assert (done.n_events, done.n_left) == (1, 1)
    assert day_of(unit).heard == 1
    assert SetAside.objects.open().get().slot == 5
    assert ChangeRow.objects.get(verb="place_set_aside").after == {"events": 1, "slot": 4}


def test_answers_of_batches_are_not_read_with_every_event(source, receiver, office, django_assert_max_num_queries):
    """An answer names each row set aside: 5000 of a batch would read it 5000 times, which filled 20 GB."""
    send(source, event("NEW-1", clock(6)), event("NEW-1", clock(7), row=2))
    with django_assert_max_num_queries(40) as asked:
        adopt(serial="NEW-1", customer=receiver.customer, by=office, at=NOW)
    assert [one["sql"] for one in asked if '"devices_intakebatch"."answer"' in one["sql"]] == []


@pytest.mark.django_db(transaction=True)
def test_a_failure_adopts_nothing(source, receiver, office, monkeypatch):
    send(source, event("NEW-1", clock(6)))
    monkeypatch.setattr("devices.actions.adoption.record_change", lambda **_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        adopt(serial="NEW-1", customer=receiver.customer, by=office, at=NOW)
    assert fates() == [(None, None, None)]
    assert not Transmitter.objects.filter(serial="NEW-1").exists()
    assert not CheckInDay.objects.exists()
    assert not connection.in_atomic_block
