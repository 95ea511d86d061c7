"""Receivers and outputs: made, changed, taken down; nothing that slots still use can go."""

from datetime import timedelta

import pytest

from company.models import ChangeRow
from devices.actions.ledger import ReasonMissing, StaleSlotMap
from devices.actions.receivers import (
    AlreadyRemoved,
    InTheFuture,
    OutputInUse,
    SlotsInUse,
    add_receiver,
    edit_receiver,
    remove_output,
    remove_receiver,
    save_output,
)
from devices.models import Output, Receiver
from tests.factories import (
    NOW,
    TODAY,
    make_output,
    make_receiver,
    make_registration,
    make_site,
    make_user,
    receiver_type,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def office():
    return make_user("office")


def test_a_new_receiver_comes_with_a_row_for_each_output(office):
    new = Receiver(site=make_site(), type=receiver_type(), n_slots=64, label="R1")
    add_receiver(receiver=new, by=office, at=NOW, reason="installed")
    assert new.customer == new.site.customer
    assert list(new.outputs.order_by("number").values_list("number", "kind")) == [(n, "unknown") for n in (1, 2, 3, 4)]
    assert ChangeRow.objects.get().verb == "add_receiver"


def test_an_edit_keeps_before_and_after_and_bumps_the_version(office):
    receiver = make_receiver(label="R1")
    receiver.label = "Ground floor"
    edit_receiver(receiver=receiver, by=office, at=NOW, reason="renamed", seen_version=1)
    change = ChangeRow.objects.get()
    assert (change.before["label"], change.after["label"]) == ("R1", "Ground floor")
    stored = Receiver.objects.get(pk=receiver.pk)
    assert (stored.label, stored.version) == ("Ground floor", 2)
    with pytest.raises(StaleSlotMap):
        edit_receiver(receiver=stored, by=office, at=NOW, reason="again", seen_version=1)


@pytest.mark.parametrize(
    ("over", "refusal"),
    [({"n_slots": 4}, SlotsInUse), ({"measured_on": TODAY + timedelta(days=1)}, InTheFuture)],
)
def test_an_edit_that_cannot_be_is_refused(office, over, refusal):
    registration = make_registration(slot=5)
    receiver = registration.receiver
    for name, value in over.items():
        setattr(receiver, name, value)
    with pytest.raises(refusal):
        edit_receiver(receiver=receiver, by=office, at=NOW, reason="x")
    assert Receiver.objects.get(pk=receiver.pk).version == 1


def test_a_receiver_goes_only_when_it_is_empty(office):
    registration = make_registration()
    receiver = registration.receiver
    with pytest.raises(SlotsInUse, match="1 of its slots"):
        remove_receiver(receiver=receiver, by=office, at=NOW, reason="burnt")
    registration.removed_at = NOW
    registration.save()
    with pytest.raises(ReasonMissing):
        remove_receiver(receiver=receiver, by=office, at=NOW, reason="")
    assert remove_receiver(receiver=receiver, by=office, at=NOW, reason="burnt").removed_at == NOW
    with pytest.raises(AlreadyRemoved):
        remove_receiver(receiver=receiver, by=office, at=NOW, reason="burnt")


def test_an_output_is_changed_with_a_log_and_stays_once_it_was_driven(office):
    receiver = make_receiver()
    output = make_output(receiver, 1)
    output.drives = "corridor lamp"
    save_output(output=output, by=office, at=NOW, reason="rewired")
    assert ChangeRow.objects.get().before["drives"] == "call lamp"
    make_registration(receiver, outputs=[(output, "latching", None)])
    with pytest.raises(OutputInUse):
        remove_output(output=output, by=office, at=NOW, reason="mistake")
    spare = make_output(receiver, 2)
    remove_output(output=spare, by=office, at=NOW, reason="mistake")
    assert list(Output.objects.values_list("number", flat=True)) == [1]
