"""What a unit on record says of itself in no slot is not lost: it stands once the unit is put into one."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse

from devices.actions.adopted_faults import carry_over
from devices.actions.slot_settings import Settings
from devices.actions.slots import register_transmitter
from devices.models import Fault, Fitting, Receiver, SetAside, Transmitter
from tests.conftest import World
from tests.devices.intake.test_take_batch import clock, event, send
from tests.factories import NOW, make_fitting, make_gateway, make_receiver, make_registration, make_transmitter

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def unit(receiver: Receiver) -> Transmitter:
    """On record, on the shelf."""
    return make_transmitter(receiver.customer)


def put_in(receiver: Receiver, unit: Transmitter) -> None:
    make_registration(receiver, 1, transmitter=unit, registered_at=NOW - timedelta(minutes=5))
    carry_over(receiver_ids=[receiver.pk], at=NOW)


def standing() -> list[tuple[str, Any]]:
    return list(Fault.objects.open().order_by("kind").values_list("kind", "raised_at"))


def test_a_low_battery_on_the_shelf_stands_in_the_slot_since_it_was_reported(
    source: Any, receiver: Receiver, unit: Transmitter
) -> None:
    send(source, event(unit, clock(1), "low_battery"), event(unit, clock(2), "tamper", 2))
    assert not Fault.objects.exists(), "Nobody can say at which receiver yet."
    put_in(receiver, unit)
    assert standing() == [("low_battery", clock(1))], "A tamper is about how it hangs, and it hung nowhere."
    assert carry_over(receiver_ids=[receiver.pk], at=NOW) == [], "Looked at again, nothing changes."


def test_cells_that_were_low_get_no_better_on_the_shelf(source: Any, receiver: Receiver, unit: Transmitter) -> None:
    send(source, event(unit, clock(1), "low_battery"))
    SetAside.objects.update(adopted_at=NOW - timedelta(days=300))
    put_in(receiver, unit)
    assert standing() == [("low_battery", clock(1))]


@pytest.mark.parametrize("by", ["new cells", "its own word"])
def test_what_was_over_before_the_slot_does_not_stand(
    source: Any, receiver: Receiver, unit: Transmitter, by: str
) -> None:
    send(source, event(unit, clock(1), "low_battery"))
    if by == "new cells":
        make_fitting(unit, fitted_at=clock(2))
    else:
        send(source, event(unit, clock(2), "battery_restored"), batch="b2")
    put_in(receiver, unit)
    assert not Fault.objects.exists()


def test_a_word_that_comes_when_the_unit_has_a_slot_by_now_stands_at_once(
    source: Any, receiver: Receiver, unit: Transmitter
) -> None:
    make_registration(receiver, 1, transmitter=unit, registered_at=clock(5))
    send(source, event(unit, clock(1), "low_battery"))
    assert standing() == [("low_battery", clock(1))]
    receiver.refresh_from_db()
    assert (receiver.fed_by, receiver.heard_until) == (None, None), "The receiver had nothing to do with it."


def test_nobody_is_asked_about_it(world: World) -> None:
    unit, source = make_transmitter(world.own), make_gateway(world.own)
    taken = send(source, event(unit, clock(1), "low_battery"))
    assert (taken.answer["taken"], taken.answer["set_aside"]) == (1, [])
    client = world.client("office")
    pages = [reverse("devices:set_aside_list"), f"{reverse('devices:set_aside_list')}?show=adopted"]
    for page in [*pages, reverse("devices:batch_detail", args=[taken.batch.pk])]:
        assert unit.serial not in client.get(page).content.decode()


def test_registering_it_by_hand_raises_the_fault_and_marks_its_cells(
    world: World, django_capture_on_commit_callbacks: Any
) -> None:
    unit, receiver = make_transmitter(world.own), make_receiver(world.own_site)
    make_fitting(unit, fitted_at=NOW - timedelta(days=400))
    send(make_gateway(world.own), event(unit, clock(1), "low_battery"))
    settings = Settings(label="Room 9", duty="life_safety", supervision="off")
    with django_capture_on_commit_callbacks(execute=True):
        register_transmitter(
            receiver=receiver, slot=3, transmitter=unit, settings=settings, by=world.office, at=NOW, reason="new"
        )
    assert standing() == [("low_battery", clock(1))]
    assert Fitting.objects.get(transmitter=unit).first_low_at == clock(1)
