"""A serial that looks like a known one: every form names the unit it knows, and asks which is meant."""

from __future__ import annotations

import pytest
from django.urls import reverse

from devices.forms import NameForm
from devices.models import Registration, Transmitter
from tests import factories
from tests.devices.test_swaps_pages import versions

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]
ASKS = "differs only in spaces or hyphens"


@pytest.fixture
def standing(world):
    """A unit in slot 1, with a hyphen in its serial."""
    unit = world.own_registration.transmitter
    Transmitter.objects.filter(pk=unit.pk).update(serial="PIER-00012")
    return unit


def register(world, serial, **over):
    data = {
        "serial": serial, "type": "unknown", "label": "Room 1", "area": "", "duty": "life_safety", "window": "unknown",
        "interval_s": "3600", "contact": "no", "input_number": "1", "note": "", "reason": "new", "at": "", "version": "1",
    } | over  # fmt: skip
    return world.client("office").post(reverse("devices:slot_register", args=[world.own_receiver.pk, 9]), data)


@pytest.mark.parametrize("serial", ["pier 00012", "PIER00012", "Pier‑00012"])
def test_registering_what_looks_like_a_standing_unit_names_it_and_asks(world, standing, serial) -> None:
    answer = register(world, serial)
    text = answer.content.decode()
    assert answer.status_code == 422
    assert "PIER-00012, which stands in" in text
    assert "slot 1, differs only in spaces or hyphens" in text
    assert 'type="checkbox" name="is_another"' in text
    assert Transmitter.objects.count() == Transmitter.objects.exclude(serial=serial).count()


def test_a_unit_said_to_be_another_one_is_registered(world, standing) -> None:
    assert register(world, "PIER 00012", is_another="on").status_code == 302
    unit = Registration.objects.open().get(receiver=world.own_receiver, slot=9).transmitter
    assert (unit.serial, unit.pk == standing.pk) == ("PIER 00012", False)


def test_the_question_is_not_there_before_it_is_needed(world, standing) -> None:
    page = (
        world.client("office").get(reverse("devices:slot_register", args=[world.own_receiver.pk, 9])).content.decode()
    )
    assert 'type="hidden" name="is_another"' in page
    assert register(world, "PIER-00013").status_code == 302


def test_a_unit_taken_out_of_use_is_said_to_be_so(world, standing) -> None:
    factories.make_transmitter(world.own_receiver.customer, serial="OLD-77", retired_at=factories.NOW)
    assert "OLD-77, which was taken out of use, differs" in register(world, "OLD 77").content.decode()


def test_a_swap_asks_the_same(world, standing) -> None:
    other = factories.make_transmitter(world.own_receiver.customer, serial="SPARE 5")
    data = {
        "serial": "SPARE-5", "old_becomes": "spare", "reason": "broken", "versions": versions(world.own_receiver),
    }  # fmt: skip
    url = reverse("devices:transmitter_swap", args=[standing.pk])
    answer = world.client("office").post(url, data)
    assert answer.status_code == 422
    assert f"{other.serial}, which stands in no slot, {ASKS}" in answer.content.decode()
    assert world.client("office").post(url, data | {"is_another": "on"}).status_code == 302


def test_a_serial_found_in_a_slot_is_asked_about_too(world, standing) -> None:
    form = NameForm(
        {"serial": "PIER 00012"}, receiver=world.own_receiver, outputs=[], transmitters=Transmitter.objects.all(),
        is_named=False,
    )  # fmt: skip
    assert ASKS in str(form.errors["serial"])


def test_a_plan_asks_the_same(world, standing) -> None:
    url = reverse("devices:slot_plan", args=[world.own_receiver.pk, 9])
    data = {
        "kind": "register", "serial": "PIER 00012", "type": "unknown", "label": "Room 1", "area": "", "duty": "security",
        "window": "unknown", "interval_s": "3600", "contact": "no", "input_number": "1", "note": "", "reason": "new",
        "version": "1",
    }  # fmt: skip
    assert ASKS in world.client("office").post(url, data).content.decode()
