"""Two receivers that hang somewhere do not bear one serial."""

from __future__ import annotations

import pytest

from devices.actions import receivers as actions
from devices.actions.receiver_serials import SerialTaken
from devices.actions.swaps_receiver import NewReceiver, swap_receiver
from devices.models import Receiver
from tests import factories

pytestmark = pytest.mark.django_db
NOW = factories.NOW


@pytest.fixture
def hanging(world):
    Receiver.objects.filter(pk=world.own_receiver.pk).update(serial="RX-N9")
    world.own_receiver.refresh_from_db()
    return world.own_receiver


def new(world, serial):
    receiver = Receiver(site=world.own_site, label="Second", n_slots=8, serial=serial)
    return actions.add_receiver(receiver=receiver, by=world.office, at=NOW, reason="new")


@pytest.mark.parametrize("serial", ["RX-N9", "rx n9", "RXN9"])
def test_a_new_receiver_does_not_take_the_serial_of_one_that_hangs(world, hanging, serial) -> None:
    with pytest.raises(SerialTaken, match="RX-N9 is the serial number of"):
        new(world, serial)
    assert new(world, "").pk


def test_an_edit_is_refused_the_serial_of_another_and_keeps_its_own(world, hanging) -> None:
    other = new(world, "RX-2")
    other.serial = "RX-N9"
    with pytest.raises(SerialTaken):
        actions.edit_receiver(receiver=other, by=world.office, at=NOW, reason="typed")
    hanging.note = "Behind the door"
    assert actions.edit_receiver(receiver=hanging, by=world.office, at=NOW, reason="note").note == "Behind the door"


def test_a_swap_with_the_serial_that_hangs_there_is_refused(world, hanging) -> None:
    with pytest.raises(SerialTaken):
        swap_receiver(
            receiver=hanging, new=NewReceiver(hanging.type, hanging.n_slots, serial="rx-n9"), by=world.office, at=NOW,
            reason="broken",
        )  # fmt: skip
    assert Receiver.objects.get(pk=hanging.pk).removed_at is None


def test_the_serial_of_a_receiver_taken_down_may_hang_again(world, hanging) -> None:
    Receiver.objects.filter(pk=hanging.pk).update(removed_at=NOW)
    assert new(world, "RX-N9").pk
