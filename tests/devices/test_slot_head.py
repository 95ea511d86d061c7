"""The head of a slot's page never contradicts its story: what was changed, when, by whom."""

from __future__ import annotations

import re
import uuid
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils.html import strip_tags

from company.models import ChangeRow
from company.undo import undo
from devices.actions.areas import merge_area
from devices.actions.batteries import fit_battery
from devices.actions.slot_settings import settings_of
from devices.actions.slots import ask_to_register_again, move_transmitter
from devices.actions.swaps_receiver import NewReceiver, swap_receiver
from devices.actions.swaps_transmitter import NewUnit, swap_transmitter
from devices.models import Fault, Registration
from maintenance.models import Entry
from sites.models import Area
from tests import factories

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]
NOW = factories.NOW
HOUR = timedelta(hours=1)


@pytest.fixture
def ingrid():
    return factories.make_user("office", name="Ingrid Okafor")


@pytest.fixture
def bo():
    return factories.make_user("office", name="Bo Lindqvist")


def page_of(world, receiver=None):
    url = reverse("devices:slot_detail", args=[(receiver or world.own_receiver).pk, 1])
    return re.sub(r"\s+", " ", strip_tags(world.client("office").get(url).content.decode()))


def head_of(world, receiver=None):
    return page_of(world, receiver).split("Everything that stood here")[0]


def swap(world, verb, by):
    receiver, row = world.own_receiver, world.own_registration
    facts = {"by": by, "at": NOW - 2 * HOUR, "reason": "burnt"}
    if verb == "swap_receiver":
        swap_receiver(receiver=receiver, new=NewReceiver(receiver.type, receiver.n_slots), **facts)
    else:
        swap_transmitter(transmitter=row.transmitter, new=NewUnit("SK-80001", row.transmitter.type), **facts)
    return ChangeRow.objects.filter(verb=verb).latest("pk")


@pytest.mark.parametrize(
    ("verb", "words"), [("swap_receiver", "receiver swapped"), ("swap_transmitter", "transmitter swapped")]
)
def test_a_swap_and_its_undo_stand_in_head_and_story_with_their_people(world, ingrid, bo, verb, words) -> None:
    since = world.own_registration.registered_at
    undo(change=swap(world, verb, ingrid), by=bo, at=NOW - HOUR)
    page, head = page_of(world), head_of(world)
    assert f"Last changed 25 Nov 2026, 09:00 by Bo Lindqvist (taken back: {words}): burnt" in head
    assert f"In force since{since.day} {since:%b %Y}" in head
    story = page.split("Everything that stood here")[1]
    assert "Ingrid Okafor: burnt" in story
    assert "Bo Lindqvist: burnt" in story
    assert "Moved here" not in story
    assert Registration.objects.open().get(receiver=world.own_receiver) == world.own_registration


def test_a_receiver_swapped_in_is_told_as_a_swap_and_not_as_a_move(world, ingrid) -> None:
    unit_pk = swap(world, "swap_receiver", ingrid).subject_id
    unit = type(world.own_receiver).objects.get(pk=unit_pk)
    assert "by Ingrid Okafor (receiver swapped): burnt" in head_of(world, unit)
    page = page_of(world, unit)
    assert "Receiver swapped another unit hangs here" in page
    assert "Moved here" not in page


def test_new_cells_are_named_apart_from_the_slot(world, ingrid) -> None:
    fit_battery(
        transmitter=world.own_registration.transmitter, battery_type=factories.battery_type(), by=ingrid, at=NOW - HOUR,
        reason="low",
    )  # fmt: skip
    head = head_of(world)
    assert "Cells changed 25 Nov 2026, 09:00 by Ingrid Okafor" in head
    assert "Last changed" not in head


def test_a_mark_is_no_change_of_the_slot(world, ingrid) -> None:
    ask_to_register_again(registration=world.own_registration, by=ingrid, at=NOW - HOUR, reason="jumper")
    assert "Last changed" not in head_of(world)
    assert "Ingrid Okafor: jumper" in page_of(world)


def test_a_merge_of_areas_and_its_undo_say_what_they_were(world, ingrid, bo) -> None:
    row = world.own_registration
    Registration.objects.filter(pk=row.pk).update(area="North wing")
    fields = {"customer": world.own_site.customer, "site": world.own_site}
    north = Area.objects.create(path="North wing", walk_order=900, **fields)
    south = Area.objects.create(path="South wing", walk_order=910, **fields)
    change = merge_area(area=north, into=south, by=ingrid, at=NOW - 2 * HOUR)
    assert "Area renamed or merged" in page_of(world)
    assert "area: North wing → South wing" in page_of(world)
    undo(change=change, by=bo, at=NOW - HOUR)
    assert "by Bo Lindqvist (taken back: area" in head_of(world)


def cells_of_before_the_log(row):
    """New cells three days ago in the place of those on record, of which the log has no row."""
    at = NOW - timedelta(days=3)
    row.transmitter.fittings.update(removed_at=at, removed_why="due")
    factories.make_fitting(row.transmitter, fitted_at=at)
    return at


def test_cells_without_a_row_of_the_log_do_not_move_the_day_since_when_the_slot_is_set(world) -> None:
    row = world.own_registration
    cells_of_before_the_log(row)
    head = head_of(world)
    assert f"In force since {row.registered_at.astimezone(row.site.zone):%-d %b %Y, %H:%M}; who entered it" in head
    assert "Cells changed 22 Nov 2026, 10:00" in head


@pytest.mark.parametrize(("hours", "told"), [(3, False), (72, True)])
def test_the_only_cells_on_record_were_changed_if_the_transmitter_stood_here_before(world, hours, told) -> None:
    row = world.own_registration
    row.transmitter.fittings.update(fitted_at=row.registered_at + timedelta(hours=hours))
    assert ("Cells changed" in head_of(world)) is told


def test_a_visit_tells_who_changed_cells_that_the_log_does_not_know(world) -> None:
    row = world.own_registration
    at = cells_of_before_the_log(row)
    aino = factories.make_user("technician", name="Aino Fairweather")
    visit = factories.make_visit(row.site)
    Entry.objects.create(
        key=uuid.uuid4(), customer=row.customer, visit=visit, receiver=row.receiver, registration=row, kind="battery",
        made_at=at, by=aino, sha256="0" * 64,
    )  # fmt: skip
    assert "Cells changed 22 Nov 2026, 10:00 by Aino Fairweather" in head_of(world)
    assert "Aino Fairweather" in page_of(world).split("Everything that stood here")[1]


def test_a_slot_that_was_left_names_who_moved_the_transmitter_away(world, ingrid) -> None:
    row = world.own_registration
    move_transmitter(
        registration=row, to_receiver=world.own_receiver, to_slot=2, settings=settings_of(row), by=ingrid,
        at=NOW - HOUR, reason="nearer to the bed",
    )  # fmt: skip
    page, head = page_of(world), head_of(world)
    assert "Last changed 25 Nov 2026, 09:00 by Ingrid Okafor" in head
    assert "who did it is not on record" not in head
    moved = page.split("Everything that stood here")[1]
    assert moved.index("Moved away") < moved.index("Ingrid Okafor")


def test_the_story_of_a_slot_tells_the_end_of_a_fault_by_what_ended_it(world) -> None:
    row = world.own_registration
    Fault.objects.create(
        customer=row.customer, site=row.site, receiver=row.receiver, registration=row, transmitter=row.transmitter,
        kind="low_battery", raised_at=NOW - 3 * HOUR, cleared_at=NOW - HOUR, cause="seen on the lamp · cells changed",
    )  # fmt: skip
    story = page_of(world).split("Everything that stood here")[1]
    over = story[story.index("Fault over: low battery") :]
    assert over.index("cells changed") < over.index("Fault: low battery") < over.index("seen on the lamp")
    assert "cells changed" not in over[over.index("Fault: low battery") :]


@pytest.mark.parametrize(
    ("cause", "words"),
    [
        ("the receiver heard nothing", "told since then as: the receiver hears little or nothing"),
        ("check-ins that came in late show it was heard", "withdrawn: check-ins that came in late show it was heard"),
    ],
)
def test_a_silence_that_its_receiver_explains_or_that_was_none_is_not_told_as_over(world, cause, words) -> None:
    row = world.own_registration
    Fault.objects.create(
        customer=row.customer, site=row.site, receiver=row.receiver, registration=row, transmitter=row.transmitter,
        kind="missing", raised_at=NOW - 3 * HOUR, cleared_at=NOW - HOUR, cause=cause, found_by="watch",
    )  # fmt: skip
    story = page_of(world).split("Everything that stood here")[1]
    assert "Fault over" not in story
    assert story.index("Fault no longer told as such: missing") < story.index(words) < story.index("Fault: missing")
