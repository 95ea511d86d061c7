"""A receiver swapped for another one does not cut the life of its slots: each page leads to the other half."""

from __future__ import annotations

import html
import re
from dataclasses import replace as other
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils.html import strip_tags

from company.models import ChangeRow
from company.undo import undo
from devices.actions.slot_settings import settings_of
from devices.actions.slots import change_slot
from devices.actions.swaps_receiver import NewReceiver, swap_receiver
from devices.models import Receiver, Registration
from tests import factories

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]
NOW = factories.NOW
DAY = timedelta(days=1)
SWAPPED = "15 Nov 2026, 10:00"


@pytest.fixture
def ingrid():
    return factories.make_user("office", name="Ingrid Okafor")


@pytest.fixture
def unit(world, ingrid):
    """The receiver that came ten days ago in the own one's place, under which the slot's window had been changed."""
    row = world.own_registration
    change_slot(
        registration=row,
        settings=other(settings_of(row), window_s=3600),
        by=ingrid,
        at=NOW - 12 * DAY,
        reason="shorter",
    )
    new = NewReceiver(world.own_receiver.type, world.own_receiver.n_slots, serial="RX-90002")
    return swap_receiver(receiver=world.own_receiver, new=new, by=ingrid, at=NOW - 10 * DAY, reason="burnt")


def get(world, name, *args, who="office", query=""):
    answer = world.client(who).get(reverse(f"devices:{name}", args=args) + query)
    assert answer.status_code == 200, answer.status_code
    return answer.content.decode()


def read(page):
    return re.sub(r"\s+", " ", html.unescape(strip_tags(page)))


def link(name, *args, query=""):
    return f'href="{reverse(f"devices:{name}", args=args)}{query}"'


def test_the_slot_tells_what_happened_on_the_receiver_before(world, unit) -> None:
    page = get(world, "slot_detail", unit.pk, 1)
    before = read(page.split('id="before"')[1])
    assert "Before 15 Nov 2026, on the" in before
    assert "Ingrid Okafor: shorter" in before
    assert link("slot_detail", world.own_receiver.pk, 1) in page


def test_the_slot_of_a_receiver_taken_down_leads_on_and_offers_no_deeds(world, unit) -> None:
    Registration.objects.filter(receiver=unit).update(note="")
    for slot in (1, 2):
        page = get(world, "slot_detail", world.own_receiver.pk, slot)
        assert link("slot_detail", unit.pk, slot) in page
        assert "nothing can be done in its slots" in read(page)
        for name in ("slot_register", "slot_change", "slot_move", "slot_remove", "slot_away"):
            assert reverse(f"devices:{name}", args=[world.own_receiver.pk, slot]) not in page
        assert "Put " not in page
        story = read(page).split("Everything that stood here")[1]
        assert ("Receiver swapped" in story) is (slot == 1)
        assert "Removed" not in story


def test_as_of_a_day_before_the_swap_says_where_to_look(world, unit) -> None:
    page = get(world, "slot_map", unit.pk, query="?on=2026-11-14")
    assert f"This unit was not here then: until {SWAPPED} these slots were on" in read(page)
    assert link("slot_map", world.own_receiver.pk, query="?on=2026-11-14") in page
    slot = get(world, "slot_detail", unit.pk, 1, query="?on=2026-11-14")
    assert link("slot_detail", world.own_receiver.pk, 1, query="?on=2026-11-14") in slot
    after = read(get(world, "slot_map", unit.pk, query="?on=2026-11-16"))
    assert "This unit was not here then" not in after
    assert f"Before {SWAPPED} these slots were on" in after


@pytest.mark.parametrize("name", ["slot_map", "receiver_changes", "receiver_log"])
def test_pages_of_the_old_and_the_new_receiver_lead_to_each_other(world, unit, name) -> None:
    assert link(name, world.own_receiver.pk)[:-1] in get(world, name, unit.pk)
    assert link(name, unit.pk)[:-1] in get(world, name, world.own_receiver.pk)


def test_the_panel_of_the_site_leads_to_the_receiver_that_hung_there(world, unit) -> None:
    page = get(world, "site_receivers", world.own_site.pk)
    assert link("slot_map", world.own_receiver.pk) in page
    assert f"hung here before {SWAPPED}" in read(page)


def test_what_changed_compares_with_the_receiver_before_and_names_who_changed_it(world, unit) -> None:
    for name, key in (("receiver_changes", unit.pk), ("site_changes", world.own_site.pk)):
        page = read(get(world, name, key, query="?from=2026-11-10&to=2026-11-20"))
        assert "filled" not in page, name
        assert "emptied" not in page, name
        assert "Ingrid Okafor: slot changed shorter" in page, name
        assert "not on record" not in page, name
        assert "Ingrid Okafor: receiver swapped" in page, name
    assert "Nothing is different" in read(
        get(world, "receiver_changes", unit.pk, query="?from=2026-11-16&to=2026-11-20")
    )


def test_the_old_receiver_says_who_emptied_its_slots(world, unit) -> None:
    page = read(get(world, "receiver_changes", world.own_receiver.pk, query="?from=2026-11-14&to=2026-11-20"))
    assert "emptied" in page
    assert "Ingrid Okafor: receiver swapped burnt" in page


def test_a_swap_taken_back_leads_from_the_unit_to_the_one_that_hangs_there_again(world, unit, ingrid) -> None:
    undo(change=ChangeRow.objects.get(verb="swap_receiver"), by=ingrid, at=NOW)
    page = get(world, "slot_map", unit.pk)
    assert "In its place hangs" in read(page)
    assert link("slot_map", world.own_receiver.pk) in page
    again = get(world, "slot_map", world.own_receiver.pk)
    assert link("slot_map", unit.pk) not in again


def test_the_life_goes_on_over_two_swaps(world, unit, ingrid) -> None:
    third = swap_receiver(
        receiver=Receiver.objects.get(pk=unit.pk), new=NewReceiver(unit.type, unit.n_slots), by=ingrid, at=NOW - 5 * DAY,
        reason="again",
    )  # fmt: skip
    first = read(get(world, "receiver_changes", third.pk, query="?from=2026-11-14&to=2026-11-24"))
    assert "went along with the swap" in first
    assert "filled" not in first
    assert "The receiver was swapped on" in read(
        get(world, "site_changes", world.own_site.pk, query="?from=2026-11-14")
    )
    assert "In its place came" in read(get(world, "slot_map", world.own_receiver.pk))
    assert link("slot_detail", unit.pk, 1) in get(world, "slot_detail", third.pk, 1)


def test_words_corrected_after_a_swap_was_taken_back_are_not_told_of_the_swap(world, ingrid) -> None:
    row = world.own_registration
    name = row.label
    new = NewReceiver(world.own_receiver.type, world.own_receiver.n_slots)
    swap_receiver(receiver=world.own_receiver, new=new, by=ingrid, at=NOW - 2 * timedelta(hours=1), reason="burnt")
    undo(change=ChangeRow.objects.get(verb="swap_receiver"), by=ingrid, at=NOW - timedelta(hours=1))
    row.refresh_from_db()
    change_slot(registration=row, settings=other(settings_of(row), label="Eleven"), by=ingrid, at=NOW, reason="sign")
    story = read(get(world, "slot_detail", world.own_receiver.pk, 1)).split("Everything that stood here")[1]
    assert f"{row.transmitter.serial}, {name}" in story
    assert f"Place: {name} → Eleven" not in story
    assert f"place: {name} → Eleven" in story
