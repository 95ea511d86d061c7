"""While a receiver hears nothing, or nothing comes from it, its slot map and the pages of its slots say so at the top."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.core.cache import cache
from django.urls import reverse

from devices.models import Fault, Receiver
from tests import factories
from tests.conftest import World
from tests.factories import NOW

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

DEAF = "This receiver hears little or nothing since 09:30"
CUT_OFF = "Nothing comes from this receiver to us since 09:30"


def fault(world: World, kind: str = "outage", **over: Any) -> Fault:
    receiver = world.own_receiver
    fields = {"customer": world.own, "site": receiver.site, "receiver": receiver, "kind": kind}
    fields |= {"raised_at": NOW - timedelta(minutes=30), "found_by": "watch"}
    return Fault.objects.create(**(fields | over))


def look(world: World, name: str, *args: int, who: str = "office") -> str:
    frame = "devices:tech_" if who == "technician" else "devices:"
    return str(world.client(who).get(reverse(f"{frame}{name}", args=args)).content.decode())


@pytest.mark.parametrize("who", ["office", "technician"])
@pytest.mark.parametrize(("kind", "words"), [("outage", DEAF), ("link_lost", CUT_OFF)])
def test_a_kept_slot_map_says_so_as_soon_as_it_stands_and_no_longer(
    world: World, who: str, kind: str, words: str
) -> None:
    pk = world.own_receiver.pk
    assert words not in look(world, "slot_map", pk, who=who)
    row = fault(world, kind)
    text = look(world, "slot_map", pk, who=who)
    assert words in text
    assert "1 slot on life safety hangs on it." in text
    name = "maintenance:tech_fault_detail" if who == "technician" else "maintenance:fault_detail"
    assert reverse(name, args=[row.pk]) in text
    Fault.objects.update(cleared_at=NOW)
    assert words not in look(world, "slot_map", pk, who=who)


def test_every_tile_in_use_bears_it_and_no_spare_one(world: World) -> None:
    factories.make_registration(world.own_receiver, 2)
    fault(world)
    cache.clear()
    text = look(world, "slot_map", world.own_receiver.pk)
    grid = text[text.index('class="slot-grid"') : text.index('id="heard"')]
    assert grid.count("receiver hears little or nothing") == 2


def test_a_fault_of_the_receiver_that_dooms_no_slot_is_said_without_marking_the_tiles(world: World) -> None:
    fault(world, "receiver_tamper")
    text = look(world, "slot_map", world.own_receiver.pk)
    assert "cover is open, since 09:30." in text
    assert text.count("receiver tamper") < 4


def test_the_past_is_not_told_with_todays_fault(world: World) -> None:
    fault(world)
    address = reverse("devices:slot_map", args=[world.own_receiver.pk]) + "?on=2026-11-01"
    assert DEAF not in world.client("office").get(address).content.decode()


@pytest.mark.parametrize("who", ["office", "technician"])
def test_the_page_of_a_slot_says_that_its_receiver_is_deaf(world: World, who: str) -> None:
    row = fault(world)
    text = look(world, "slot_detail", world.own_receiver.pk, 1, who=who)
    assert "The receiver hears little or nothing since 09:30" in text
    name = "maintenance:tech_fault_detail" if who == "technician" else "maintenance:fault_detail"
    assert reverse(name, args=[row.pk]) in text


def test_a_fault_of_the_slot_leads_to_its_page(world: World) -> None:
    row = fault(world, "tamper", registration=world.own_registration, transmitter=world.own_registration.transmitter)
    text = look(world, "slot_detail", world.own_receiver.pk, 1)
    assert "Fault: tamper, since 25 Nov" in text
    assert reverse("maintenance:fault_detail", args=[row.pk]) in text


def test_the_site_s_maps_say_it_at_the_receiver_concerned_only(world: World) -> None:
    factories.make_receiver(world.own_site, label="Box 2")
    fault(world)
    text = look(world, "site_map", world.own_site.pk)
    assert text.count(DEAF) == 1


def test_nobody_counts_as_heard_by_a_receiver_that_hears_nothing(world: World) -> None:
    Receiver.objects.update(evidence="every", heard_until=NOW - timedelta(minutes=4))
    fault(world)
    text = look(world, "slot_map", world.own_receiver.pk)
    assert "More than half of 1 silent at one time since 09:30, last delivery 09:56" in text
    assert "heard by" not in text
