"""A serial that another customer has: the office is told so and led there, the sender is not, and no Adopt is offered."""

from __future__ import annotations

import pytest
from django.urls import reverse

from devices.models import SetAside, Transmitter
from tests.conftest import World
from tests.devices.intake.test_take_batch import make_source
from tests.devices.senders import Sender, row

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def pages(world: World, event: SetAside) -> list[str]:
    client = world.client("office")
    addresses = reverse("devices:set_aside_list"), reverse("devices:set_aside_detail", args=[event.pk])
    return [" ".join(client.get(one).content.decode().split()) for one in addresses]


def test_the_office_reads_whose_it_is_and_is_offered_no_adopting(world: World) -> None:
    theirs = world.other_registration.transmitter
    Transmitter.objects.filter(pk=theirs.pk).update(serial="ZX-90417")
    sender = Sender(world.own, site=world.own_site)
    answer = sender.post(rows=[row("zx 90417")])
    assert world.other.name not in answer.content.decode(), "Nothing of others is revealed to a source."
    assert "No transmitter" in answer.json()["set_aside"][0]["why"]
    event = SetAside.objects.get()
    adopt = reverse("devices:set_aside_adopt", args=[event.pk])
    listed, shown = pages(world, event)
    for page in (listed, shown):
        assert f'href="{theirs.get_absolute_url()}"' in page
        assert world.other.name in page
        assert adopt not in page
        assert reverse("devices:set_aside_dismiss", args=[event.pk]) in page
    assert "is on record of another customer" in listed
    assert world.other.get_absolute_url() in shown
    world.client("office").post(adopt)
    assert SetAside.objects.open().count() == 1


def test_a_serial_that_only_looks_like_one_of_others_is_adopted_as_before(world: World) -> None:
    Transmitter.objects.filter(pk=world.other_registration.transmitter_id).update(serial="ZX-90418")
    Sender(world.own, site=world.own_site).post(rows=[row("ZX-90417")])
    event = SetAside.objects.get()
    for page in pages(world, event):
        assert reverse("devices:set_aside_adopt", args=[event.pk]) in page
        assert "cannot be adopted" not in page


def test_a_page_whose_filter_is_called_like_the_search_leaves_the_search_box_empty(world: World) -> None:
    make_source(world.own)
    client = world.client("office")
    for name in ("devices:set_aside_list", "devices:panel_list", "maintenance:fault_list"):
        page = client.get(reverse(name), {"q": "harbour"}).content.decode()
        head, _, main = page.partition("<main")
        assert "harbour" not in head.partition('id="top-q"')[2].partition(">")[0]
        assert 'value="harbour"' in main, "The filter of the page itself keeps what was typed."
    found = client.get(reverse("maintenance:search"), {"q": "harbour"}).content.decode()
    assert 'value="harbour"' in found.partition("<main")[0]
