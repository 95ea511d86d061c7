"""Changes of receivers, outputs and cells taken back, and what past days show of words that were corrected."""

from __future__ import annotations

from dataclasses import replace as other
from datetime import date, timedelta
from typing import Any

import pytest
import time_machine

from company import undo
from company.models import ChangeRow
from devices.actions.batteries import fit_battery
from devices.actions.receivers import edit_receiver, remove_output, remove_receiver, save_output
from devices.actions.slot_settings import settings_of
from devices.actions.slots import change_slot
from devices.models import Fitting, Output, Receiver, Registration
from devices.querysets import end_of_day
from tests import factories
from tests.devices.actions.test_undo import away_of, last_change, take_back
from tests.factories import NOW

pytestmark = pytest.mark.django_db


@pytest.fixture
def office() -> Any:
    return factories.make_user("office", name="Ingrid Okafor")


@pytest.fixture
def receiver() -> Receiver:
    return factories.make_receiver()


@pytest.fixture
def stood(receiver: Receiver) -> Registration:
    """What has stood in slot 3 for a year."""
    return factories.make_registration(receiver, 3, label="Room 3", contact="no")


# ------------------------------------------------------------------------------------------------ receivers, outputs


def test_a_receiver_edited_by_mistake_is_as_before(receiver: Receiver, office: Any) -> None:
    was = receiver.label
    receiver.label, receiver.supply_v, receiver.installed_on = "Wrong", 24.0, date(2026, 1, 2)
    edit_receiver(receiver=receiver, by=office, at=NOW, reason="typo")
    back = take_back(office)
    receiver.refresh_from_db()
    assert (receiver.label, receiver.supply_v, receiver.installed_on) == (was, None, None)
    assert back.after["version"] == receiver.version


def test_a_type_chosen_by_mistake_goes_back_to_the_former_one(receiver: Receiver, office: Any) -> None:
    was = receiver.type
    receiver.type = factories.receiver_type("test-128", label="receiver, 128 slots", n_slots=128)
    edit_receiver(receiver=receiver, by=office, at=NOW, reason="wrong plate read")
    take_back(office)
    receiver.refresh_from_db()
    assert receiver.type == was


def test_a_value_measured_since_is_not_overwritten(receiver: Receiver, office: Any) -> None:
    receiver.measured_v = 12.1
    edit_receiver(receiver=receiver, by=office, at=NOW, reason="measured")
    Receiver.objects.filter(pk=receiver.pk).update(measured_v=11.9)
    with pytest.raises(undo.CannotUndo, match="measured v"):
        take_back(office)
    receiver.refresh_from_db()
    assert receiver.measured_v == 11.9


def test_a_receiver_taken_down_by_mistake_hangs_there_again(receiver: Receiver, office: Any) -> None:
    remove_receiver(receiver=receiver, by=office, at=NOW, reason="wrong one")
    take_back(office)
    receiver.refresh_from_db()
    assert receiver.removed_at is None


def test_its_place_may_be_taken_by_now(receiver: Receiver, office: Any) -> None:
    remove_receiver(receiver=receiver, by=office, at=NOW, reason="wrong one")
    factories.make_receiver(receiver.site, label=receiver.label)
    with pytest.raises(undo.CannotUndo, match="Rename"):
        take_back(office)


def test_an_output_changed_added_or_dropped_by_mistake(receiver: Receiver, office: Any) -> None:
    output = factories.make_output(receiver, 1, drives="siren", end_effect_seen_on=date(2026, 5, 3))
    output.drives = "lamp"
    save_output(output=output, by=office, at=NOW, reason="typo")
    take_back(office)
    output.refresh_from_db()
    assert output.drives == "siren"
    remove_output(output=output, by=office, at=NOW, reason="typo")
    take_back(office)
    again = Output.objects.get(receiver=receiver, number=1)
    assert (again.drives, again.end_effect_seen_on) == ("siren", date(2026, 5, 3))
    save_output(output=Output(receiver=receiver, number=7), by=office, at=NOW, reason="typo")
    take_back(office)
    assert not Output.objects.filter(receiver=receiver, number=7).exists()


def test_an_output_that_a_slot_drives_by_now_stays(receiver: Receiver, stood: Registration, office: Any) -> None:
    output = save_output(output=Output(receiver=receiver, number=7), by=office, at=NOW, reason="new")
    stood.outputs.create(customer=stood.customer, output=output, behaviour="latching")
    with pytest.raises(undo.CannotUndo, match="drive this output"):
        take_back(office)


# ------------------------------------------------------------------------------------------------ cells


def test_cells_recorded_by_mistake_go_and_the_former_ones_serve_on(
    receiver: Receiver, stood: Registration, office: Any
) -> None:
    old = factories.make_fitting(stood.transmitter)
    fit_battery(transmitter=stood.transmitter, battery_type=factories.battery_type(), by=office, at=NOW)
    change = last_change()
    take_back(office)
    assert list(Fitting.objects.open().filter(transmitter=stood.transmitter)) == [old]
    assert change.undone_by.get().by == office
    assert not ChangeRow.objects.filter(verb="take_back_fitting").exists()


def label_on(receiver: Receiver, day: date) -> tuple[str, str]:
    zone = receiver.site.zone
    (row,) = Registration.objects.filter(receiver=receiver).slot_rows(end_of_day(day, zone), zone)
    return row.label, row.area


# ------------------------------------------------------------------------------------------------ past days keep words


def test_a_past_day_shows_the_words_of_that_day(receiver: Receiver, stood: Registration, office: Any) -> None:
    for days, label, area in ((30, "Room 4", ""), (20, "Room 5", "East wing"), (10, "Room 6", "West wing")):
        change_slot(
            registration=stood, settings=other(settings_of(stood), label=label, area=area), by=office,
            at=NOW - timedelta(days=days), reason="renamed",
        )  # fmt: skip
        stood.refresh_from_db()
    with time_machine.travel(NOW, tick=False):
        said = [label_on(receiver, NOW.date() - timedelta(days=days)) for days in (40, 25, 15, 5, 0)]
    assert said == [
        ("Room 3", ""), ("Room 4", ""), ("Room 5", "East wing"), ("Room 6", "West wing"), ("Room 6", "West wing"),
    ]  # fmt: skip


def test_words_taken_back_are_told_as_they_stood_on_each_day(
    receiver: Receiver, stood: Registration, office: Any
) -> None:
    change_slot(
        registration=stood, settings=other(settings_of(stood), label="Room 33"), by=office,
        at=NOW - timedelta(days=10), reason="typo",
    )  # fmt: skip
    take_back(office, at=NOW - timedelta(days=4))
    with time_machine.travel(NOW, tick=False):
        said = [label_on(receiver, NOW.date() - timedelta(days=days))[0] for days in (12, 7, 2)]
    assert said == ["Room 3", "Room 33", "Room 3"]


def test_a_later_absence_does_not_disturb_a_past_day(receiver: Receiver, stood: Registration, office: Any) -> None:
    away_of(stood, office)
    with time_machine.travel(NOW, tick=False):
        assert label_on(receiver, NOW.date() - timedelta(days=30)) == ("Room 3", "")


def test_today_asks_the_log_nothing(receiver: Receiver, stood: Registration, django_assert_num_queries: Any) -> None:
    with time_machine.travel(NOW, tick=False), django_assert_num_queries(2):
        label_on(receiver, NOW.date())
