"""Transmitters moved and away, and what the order of days allows."""

from dataclasses import replace as other
from datetime import date, timedelta

import pytest

from devices.actions.away import AlreadyAway, end_away, start_away
from devices.actions.ledger import OutOfOrder
from devices.actions.slot_settings import NothingChanged, NotSettable, OtherCustomer, SlotTaken
from devices.actions.slots import change_slot, move_transmitter, register_transmitter, remove_transmitter
from devices.models import Away, Registration
from tests.devices.actions.test_slots import SETTINGS, change, register
from tests.factories import NOW, make_receiver, make_site, make_transmitter, make_user

pytestmark = pytest.mark.django_db


@pytest.fixture
def office():
    return make_user("office")


@pytest.fixture
def receiver():
    return make_receiver()


def test_a_transmitter_moved_to_another_receiver_bumps_both_and_must_be_registered_there(receiver, office):
    row = register(receiver, office)
    there = make_receiver(receiver.site)
    new = move_transmitter(
        registration=row, to_receiver=there, to_slot=7, settings=SETTINGS, by=office, at=NOW + timedelta(hours=1),
        reason="nearer",
    )  # fmt: skip
    assert (new.receiver, new.slot, new.transmitter) == (there, 7, row.transmitter)
    assert new.register_again_since == NOW + timedelta(hours=1)
    row.refresh_from_db()
    assert row.removed_why == "moved: nearer"
    receiver.refresh_from_db()
    there.refresh_from_db()
    assert (receiver.version, there.version) == (3, 2)


def test_a_move_to_where_it_stands_or_into_a_taken_slot_is_refused(receiver, office):
    row = register(receiver, office)
    register(receiver, office, slot=4)
    move = {"registration": row, "settings": SETTINGS, "by": office, "at": NOW + timedelta(hours=1), "reason": "nearer"}
    with pytest.raises(NothingChanged):
        move_transmitter(to_receiver=receiver, to_slot=3, **move)
    with pytest.raises(SlotTaken):
        move_transmitter(to_receiver=receiver, to_slot=4, **move)
    with pytest.raises(OtherCustomer):
        move_transmitter(to_receiver=make_receiver(make_site()), to_slot=4, **move)
    assert Registration.objects.open().count() == 2


def go_away(row, office, **over):
    fields = {
        "from_on": date(2026, 11, 25), "agreed_until_on": date(2026, 12, 1), "agreed_with": "the ward", "interim": "",
        "by": office, "at": NOW + timedelta(hours=1), "reason": "hospital",
    }  # fmt: skip
    return start_away(registration=row, **(fields | over))


def test_an_absence_is_recorded_once_and_ended(receiver, office):
    row = register(receiver, office)
    away = go_away(row, office)
    with pytest.raises(AlreadyAway):
        go_away(row, office)
    with pytest.raises(OutOfOrder):
        end_away(away=away, ended_on=date(2026, 11, 20), by=office, at=NOW)
    end_away(away=away, ended_on=date(2026, 11, 28), by=office, at=NOW)
    with pytest.raises(NothingChanged):
        end_away(away=away, ended_on=date(2026, 11, 28), by=office, at=NOW)


def test_an_absence_that_ends_before_it_begins_is_refused(receiver, office):
    with pytest.raises(NotSettable):
        go_away(register(receiver, office), office, agreed_until_on=date(2026, 11, 1))


def test_a_changed_setting_does_not_bring_anybody_home(receiver, office):
    row = register(receiver, office)
    go_away(row, office)
    new = change(row, office, other(SETTINGS, window_s=86400))
    assert Away.objects.get(ended_on=None).registration == new
    remove_transmitter(registration=new, by=office, at=NOW + timedelta(days=2), reason="moved out")
    assert not Away.objects.filter(ended_on=None).exists()


def test_a_transmitter_stood_in_one_place_at_a_time_in_the_past_too(receiver, office):
    long_ago, later, meanwhile = NOW - timedelta(days=600), NOW - timedelta(days=200), NOW - timedelta(days=400)
    transmitter = make_transmitter(receiver.customer)
    row = register_transmitter(
        receiver=receiver, slot=1, transmitter=transmitter, settings=SETTINGS, by=office, at=long_ago, reason="r"
    )
    remove_transmitter(registration=row, by=office, at=later, reason="r")
    with pytest.raises(OutOfOrder, match="slot 1, until"):
        register_transmitter(
            receiver=receiver, slot=2, transmitter=transmitter, settings=SETTINGS, by=office, at=meanwhile, reason="r"
        )
    register_transmitter(
        receiver=receiver, slot=2, transmitter=transmitter, settings=SETTINGS, by=office, at=later, reason="r"
    )


def test_nothing_is_dated_before_its_receiver_or_its_registration(receiver, office):
    receiver.installed_on = date(2024, 1, 1)
    receiver.save()
    with pytest.raises(OutOfOrder, match="installed on 1 January 2024"):
        register_transmitter(
            receiver=receiver, slot=1, transmitter=make_transmitter(receiver.customer), settings=SETTINGS, by=office,
            at=NOW - timedelta(days=4000), reason="r",
        )  # fmt: skip
    row = register_transmitter(
        receiver=receiver, slot=1, transmitter=make_transmitter(receiver.customer), settings=SETTINGS, by=office,
        at=NOW - timedelta(days=100), reason="r",
    )  # fmt: skip
    with pytest.raises(OutOfOrder, match="This registration began"):
        change_slot(
            registration=row,
            settings=other(SETTINGS, label="Room 4"),
            by=office,
            at=NOW - timedelta(days=200),
            reason="r",
        )
