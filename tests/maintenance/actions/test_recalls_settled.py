"""What settles an item of a recall: cells changed, units gone or exchanged, by the records alone."""

from datetime import timedelta

import pytest
import time_machine

from devices.actions.batteries import remove_battery
from devices.actions.fitting_corrections import take_back_fitting
from devices.actions.slot_settings import settings_of
from devices.actions.slots import register_transmitter, remove_transmitter
from maintenance.actions.due import start_nightly
from maintenance.actions.recall_states import follow_changes
from maintenance.actions.recalls import close_recall, open_recall
from maintenance.rules.recalls import RecallFilter
from tests import factories
from tests.factories import NOW, TODAY
from tests.maintenance.actions.test_recalls import a_plan, fit, item_of, make_things, state


@pytest.fixture
def things(world):
    return make_things(world)


@pytest.fixture
def recall(world, things):
    return open_recall(plan=a_plan(), by=world.office, at=NOW, today=TODAY)


# --- what the records settle ------------------------------------------------------------------------------------------------


def test_new_cells_settle_an_item_even_when_they_are_recorded_late_and_backdated(world, things, recall):
    fit(world, things.bed, at=NOW - timedelta(days=2))
    assert follow_changes(receiver_ids=[world.own_receiver.pk], at=NOW) == 1
    item = item_of(recall, things.bed)
    assert (item.state, item.state_at, item.state_by) == ("done", NOW, None)
    assert follow_changes(at=NOW) == 0, "a second look writes nothing"


def test_new_cells_of_the_same_lot_settle_nothing(world, things, recall):
    fit(world, things.bed, lot="24A17")
    follow_changes(at=NOW)
    assert state(recall, things.bed) == "open"


def test_a_change_that_is_taken_back_is_to_do_again(world, things, recall):
    new = fit(world, things.bed)
    follow_changes(at=NOW)
    assert state(recall, things.bed) == "done"
    take_back_fitting(fitting=new, by=world.office, at=NOW, reason="wrong slot")
    follow_changes(at=NOW)
    item = item_of(recall, things.bed)
    assert (item.state, item.state_at) == ("open", None)


def test_cells_taken_out_and_none_put_in_are_out(world, things, recall):
    remove_battery(transmitter=things.bed.unit, by=world.office, at=NOW, removed_why="defect")
    follow_changes(at=NOW)
    assert state(recall, things.bed) == "done"


def test_a_transmitter_that_leaves_its_slot_is_gone_and_open_again_where_it_comes_back(world, things, recall):
    settings = settings_of(things.bed.row)
    remove_transmitter(registration=things.bed.row, by=world.office, at=NOW, reason="room empty")
    follow_changes(receiver_ids=[world.own_receiver.pk], at=NOW)
    assert state(recall, things.bed) == "gone"
    receiver = factories.make_receiver(world.own_site)
    later = NOW + timedelta(days=1)
    row = register_transmitter(
        receiver=receiver,
        slot=9,
        transmitter=things.bed.unit,
        settings=settings,
        by=world.office,
        at=later,
        reason="back",
    )
    follow_changes(receiver_ids=[receiver.pk], at=later)
    item = item_of(recall, things.bed)
    assert (item.state, item.receiver, item.registration) == ("open", receiver, row)


def test_a_unit_is_done_when_another_stands_in_its_slot_and_gone_when_none_does(world, things):
    wanted = RecallFilter(lots=("24A17",), customer=world.own.pk)
    recall = open_recall(plan=a_plan(wanted, what="unit"), by=world.office, at=NOW, today=TODAY)
    fit(world, things.bed)
    settings = settings_of(things.bed.row)
    remove_transmitter(registration=things.bed.row, by=world.office, at=NOW, reason="swapped")
    remove_transmitter(registration=things.door.row, by=world.office, at=NOW, reason="door bricked up")
    new = factories.make_transmitter(world.own)
    register_transmitter(
        receiver=world.own_receiver, slot=2, transmitter=new, settings=settings, by=world.office,
        at=NOW + timedelta(minutes=5), reason="swapped",
    )  # fmt: skip
    follow_changes(at=NOW)
    assert [state(recall, things.bed), state(recall, things.door), state(recall, things.mixed)] == [
        "done",
        "gone",
        "open",
    ]


@time_machine.travel(NOW + timedelta(hours=1), tick=False)
def test_a_change_of_cells_settles_the_item_by_itself(world, things, recall, django_capture_on_commit_callbacks):
    with django_capture_on_commit_callbacks(execute=True):
        fit(world, things.bed)
    assert state(recall, things.bed) == "done"
    assert state(recall, things.door) == "open"


def test_a_closed_recall_follows_nothing_any_more(world, things, recall):
    close_recall(recall=recall, by=world.manager, at=NOW, reason="by mistake")
    fit(world, things.bed)
    assert follow_changes(at=NOW) == 0
    assert state(recall, things.bed) == "open"


# --- in a round -----------------------------------------------------------------------------------------------------------


def test_the_night_follows_what_a_signal_has_missed(world, things, recall):
    fit(world, things.bed)
    start_nightly(at=NOW)
    assert state(recall, things.bed) == "done"
