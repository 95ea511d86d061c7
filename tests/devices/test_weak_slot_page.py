"""The page of a slot names a weak link, and only while it stands there and is not away."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.urls import reverse

from devices.models import LinkWatch, Receiver, Registration
from tests.conftest import World
from tests.factories import TODAY

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

WEAK = "This link is weak just now."


@pytest.fixture
def slot(world: World) -> Registration:
    Receiver.objects.filter(pk=world.own_receiver.pk).update(evidence="every")
    of = world.own_registration
    LinkWatch.objects.create(
        transmitter_id=of.transmitter_id, customer=of.customer, registration=of, judged_on=TODAY, amber_since=TODAY,
        onset_on=TODAY - timedelta(days=21), share_before=0.97, share_now=0.65,
    )  # fmt: skip
    return of


def page(world: World, who: str = "office") -> str:
    name = "devices:tech_slot_detail" if who == "technician" else "devices:slot_detail"
    return str(world.client(who).get(reverse(name, args=[world.own_receiver.pk, 1])).content.decode())


@pytest.mark.parametrize("who", ["office", "technician"])
def test_a_weak_link_is_named_with_its_fall_and_its_day(world: World, slot: Registration, who: str) -> None:
    text = page(world, who)
    assert WEAK in text
    assert "Of its check-ins 65 in 100 come now; before, 97 in 100 did. It was as usual until 4 Nov" in text


def test_of_what_leaves_the_site_the_link_is_not_blamed(world: World, slot: Registration) -> None:
    Registration.objects.filter(pk=slot.pk).update(is_portable=True)
    text = page(world)
    assert WEAK not in text
    assert "Fewer of its check-ins come just now." in text


def test_a_link_that_is_as_usual_is_not_named(world: World, slot: Registration) -> None:
    LinkWatch.objects.update(amber_since=None)
    assert WEAK not in page(world)


def test_where_check_ins_do_not_reach_us_nothing_is_said_of_the_link(world: World, slot: Registration) -> None:
    Receiver.objects.filter(pk=world.own_receiver.pk).update(evidence="visits")
    assert WEAK not in page(world)
