"""A change of what is installed moves due dates at once, through the real action and its signal."""

from __future__ import annotations

import time
from typing import Any

import pytest
import time_machine

from devices.actions.batteries import fit_battery
from maintenance.actions.due import refresh_receivers
from maintenance.models import DueItem
from tests import factories
from tests.conftest import World
from tests.factories import NOW

pytestmark = pytest.mark.django_db


@time_machine.travel(NOW, tick=False)
def test_a_battery_change_moves_the_due_date_at_once(world: World, django_capture_on_commit_callbacks: Any) -> None:
    refresh_receivers(receiver_ids=[world.own_receiver.pk], at=NOW)
    old = DueItem.objects.get(fitting=world.own_fitting)
    with django_capture_on_commit_callbacks(execute=True):
        new = fit_battery(
            transmitter=world.own_registration.transmitter,
            battery_type=factories.battery_type(),
            by=world.office,
            at=NOW,
        )
    old.refresh_from_db()
    fresh = DueItem.objects.get(fitting=new)
    assert old.is_closed
    assert not fresh.is_closed
    assert fresh.due_on > old.due_on
    assert fresh.registration == world.own_registration


def test_a_full_receiver_is_worked_out_in_less_than_a_second(world: World) -> None:
    for slot in range(2, 65):
        factories.make_fitting(factories.make_registration(world.own_receiver, slot).transmitter)
    seconds = []
    for _ in range(5):
        begun = time.process_time()
        DueItem.objects.all().delete()
        refresh_receivers(receiver_ids=[world.own_receiver.pk])
        seconds.append(time.process_time() - begun)
    assert DueItem.objects.count() == 64
    assert sorted(seconds)[2] < 1.0
