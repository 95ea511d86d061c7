"""Pages of swaps and of changes of many slots."""

from __future__ import annotations

from datetime import timedelta

import pytest
import time_machine
from django.urls import reverse

from company.models import ChangeRow
from devices.models import Receiver, Registration, Transmitter
from tests import factories

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]
NOW = factories.NOW


def versions(*receivers):
    return ",".join(f"{row.pk}:{row.version}" for row in receivers)


def test_a_technician_swaps_a_transmitter_and_takes_it_back(world) -> None:
    client, old = world.client("technician"), world.own_registration.transmitter
    url = reverse("devices:tech_transmitter_swap", args=[old.pk])
    assert "Slots that go along" in client.get(url).content.decode()
    data = {
        "serial": "SK-88001", "type": old.type_id, "old_becomes": "retired", "reason": "fell down",
        "versions": versions(world.own_receiver),
    }  # fmt: skip
    answer = client.post(url, data)
    assert answer.url == reverse("devices:tech_slot_detail", args=[world.own_receiver.pk, 1])
    assert Registration.objects.open().get(receiver=world.own_receiver).transmitter.serial == "SK-88001"
    with time_machine.travel(NOW + timedelta(hours=1), tick=False):
        client.post(reverse("company:change_undo", args=[ChangeRow.objects.get(verb="swap_transmitter").pk]))
    assert Registration.objects.open().get(receiver=world.own_receiver).transmitter == old


@pytest.mark.parametrize(
    ("over", "words"),
    [
        ({"serial": ""}, "required"),
        ({"reason": ""}, "required"),
        ({"versions": ""}, "Changed meanwhile"),
        ({"loan_until": "2020-01-01"}, "would be over already"),
    ],
)
def test_a_swap_that_cannot_be_is_refused_with_what_to_do(world, over, words) -> None:
    old = world.own_registration.transmitter
    data = {
        "serial": "SK-88002",
        "old_becomes": "spare",
        "reason": "fell down",
        "versions": versions(world.own_receiver),
    }
    answer = world.client("office").post(reverse("devices:transmitter_swap", args=[old.pk]), data | over)
    assert answer.status_code == 422
    assert words in answer.content.decode()
    assert not Transmitter.objects.filter(serial="SK-88002").exists()


def swap_receiver(world, who="office", **over):
    receiver = world.own_receiver
    data = {"type": receiver.type_id, "serial": "RX-9", "reason": "burnt", "version": receiver.version}
    return world.client(who).post(reverse("devices:receiver_swap", args=[receiver.pk]), data | over)


def test_a_receiver_is_swapped_and_proved_again_step_by_step(world) -> None:
    answer = swap_receiver(world)
    unit = Receiver.objects.get(replaces=world.own_receiver)
    progress = reverse("devices:receiver_progress", args=[unit.pk])
    assert answer.url == progress
    client = world.client("office")
    assert "0 of 1 registered again, 0 of 1 outputs" in client.get(progress).content.decode()
    client.post(reverse("devices:receiver_registered", args=[unit.pk, 1]))
    assert "1 of 1 registered again, 0 of 1 outputs" in client.get(progress).content.decode()
    client.post(reverse("devices:output_works", args=[unit.pk, 1]), {"seen_by": "night nurse"})
    text = client.get(progress).content.decode()
    assert "1 of 1 outputs seen to work again" in text
    assert reverse("maintenance:lid_label_pdf", args=[unit.pk]) in text


def test_the_code_on_the_lid_leads_to_the_new_receiver(world) -> None:
    code = world.own_receiver.code
    swap_receiver(world)
    unit = Receiver.objects.get(replaces=world.own_receiver)
    answer = world.client("office").get(reverse("maintenance:qr", args=[code]))
    assert answer.url.startswith(reverse("devices:slot_map", args=[unit.pk]))


def test_a_receiver_that_is_too_small_is_refused_with_the_list(world) -> None:
    factories.make_registration(world.own_receiver, 20)
    small = factories.receiver_type("test-16", n_slots=16)
    answer = swap_receiver(world, type=small.pk)
    assert answer.status_code == 422
    assert "Slot 20, Room 20" in answer.content.decode()
    assert Receiver.objects.filter(site=world.own_site).count() == 1


def test_an_output_is_not_seen_by_nobody(world) -> None:
    swap_receiver(world)
    unit = Receiver.objects.get(replaces=world.own_receiver)
    answer = world.client("office").post(reverse("devices:output_works", args=[unit.pk, 1]), {"seen_by": ""})
    assert answer.status_code == 422
    assert unit.outputs.get(number=1).test_again_since is not None


def test_a_receiver_swapped_already_leads_to_its_successor(world) -> None:
    swap_receiver(world)
    unit = Receiver.objects.get(replaces=world.own_receiver)
    text = world.client("office").get(reverse("devices:receiver_swap", args=[world.own_receiver.pk])).content.decode()
    assert reverse("devices:receiver_progress", args=[unit.pk]) in text


def test_a_swap_taken_back_leads_to_the_unit_that_hangs_there_again(world) -> None:
    swap_receiver(world)
    unit = Receiver.objects.get(replaces=world.own_receiver)
    client = world.client("office")
    with time_machine.travel(NOW + timedelta(hours=1), tick=False):
        client.post(reverse("company:change_undo", args=[ChangeRow.objects.get(verb="swap_receiver").pk]))
        text = client.get(reverse("devices:receiver_progress", args=[unit.pk])).content.decode()
    assert "it never hung here" in text
    assert reverse("devices:slot_map", args=[world.own_receiver.pk]) in text


# ------------------------------------------------------------------------------------------------ many slots


def bulk(world, *, step, name="devices:receiver_bulk", pk=None, slots=None, **over):
    rows = Registration.objects.open().filter(receiver=world.own_receiver)
    data = {
        "slots": [row.pk for row in rows] if slots is None else slots, "window": "86400", "reason": "quieter",
        "versions": versions(world.own_receiver), "step": step,
    }  # fmt: skip
    return world.client("office").post(reverse(name, args=[pk or world.own_receiver.pk]), data | over)


def test_the_preview_shows_before_and_after_and_saves_nothing(world) -> None:
    text = bulk(world, step="look").content.decode()
    assert "missing after 4 h" in text
    assert "missing after 24 h" in text
    assert "Change 1 slot" in text
    assert Registration.objects.open().get(receiver=world.own_receiver).window_s == 14400


@pytest.mark.parametrize("name", ["devices:receiver_bulk", "devices:site_bulk"])
def test_saving_changes_all_and_offers_to_take_it_back(world, name) -> None:
    pk = world.own_site.pk if name == "devices:site_bulk" else world.own_receiver.pk
    factories.make_registration(world.own_receiver, 2)
    bulk(world, step="save", name=name, pk=pk)
    rows = Registration.objects.open().filter(receiver=world.own_receiver)
    assert {row.window_s for row in rows} == {86400}
    change = ChangeRow.objects.filter(verb="bulk_change_slot").first()
    with time_machine.travel(NOW + timedelta(hours=1), tick=False):
        answer = world.client("office").post(reverse("company:change_undo", args=[change.pk]), follow=True)
    assert {row.window_s for row in rows.all()} == {14400}
    assert "Taken back as a whole: slot changed with others, 2 records." in answer.content.decode()


def test_a_slot_that_cannot_be_set_so_takes_the_button_away(world) -> None:
    Registration.objects.filter(pk=world.own_registration.pk).update(interval_s=7200)
    text = bulk(world, step="look", window="3600").content.decode()
    assert "would call it missing although it works" in text
    assert 'value="save"' not in text
    assert "0 of 1 slot would change, 1 cannot be set like that" in text
    assert bulk(world, step="save", window="3600").status_code == 422


@pytest.mark.parametrize(
    ("over", "words"),
    [
        ({"slots": []}, "Choose at least one slot"),
        ({"window": ""}, "Nothing is to be changed yet"),
        ({"pattern": "{room}"}, "is not known"),
        ({"output": "1"}, "Say how the output is driven"),
        ({"reason": ""}, "required"),
    ],
)
def test_an_unfinished_wish_is_told_what_is_missing(world, over, words) -> None:
    answer = bulk(world, step="look", **over)
    assert answer.status_code == 422
    assert words in answer.content.decode()


def test_slots_of_another_receiver_are_not_changed(world) -> None:
    answer = bulk(world, step="save", slots=[world.other_registration.pk])
    assert answer.status_code == 422
    assert Registration.objects.get(pk=world.other_registration.pk).removed_at is None


def test_somebody_elses_change_meanwhile_is_told(world) -> None:
    answer = bulk(world, step="save", versions=f"{world.own_receiver.pk}:0")
    assert answer.status_code == 422
    assert "Changed meanwhile" in answer.content.decode()


def test_a_ready_choice_ticks_its_slots(world) -> None:
    url = reverse("devices:receiver_bulk", args=[world.own_receiver.pk])
    assert "checked" in world.client("office").get(url, {"pick": "life_safety"}).content.decode()
    assert "checked" not in world.client("office").get(url).content.decode()


def test_a_unit_with_another_contact_is_told_of(world) -> None:
    old = world.own_registration.transmitter
    Registration.objects.filter(pk=world.own_registration.pk).update(contact="none")
    door = factories.transmitter_type()
    type(door).objects.filter(pk=door.pk).update(contact="nc", label="Door contact")
    data = {
        "serial": "SK-88003", "type": door.pk, "old_becomes": "spare", "reason": "other use",
        "versions": versions(world.own_receiver),
    }  # fmt: skip
    url = reverse("devices:transmitter_swap", args=[old.pk])
    text = world.client("office").post(url, data, follow=True).content.decode()
    assert "Slot 1 still says “no contact”, which does not go with Door contact" in text


def test_a_unit_that_never_hung_is_not_found_and_asks_for_no_label(world) -> None:
    swap_receiver(world, serial="RX-77777")
    unit = Receiver.objects.get(serial="RX-77777")
    client, label = world.client("office"), reverse("maintenance:lid_label_pdf", args=[unit.pk])
    there = reverse("devices:slot_map", args=[unit.pk])
    assert there in client.get("/search/?q=RX-77777", follow=True).content.decode()
    assert label in client.get(there).content.decode()
    with time_machine.travel(NOW + timedelta(hours=1), tick=False):
        client.post(reverse("company:change_undo", args=[ChangeRow.objects.get(verb="swap_receiver").pk]))
        assert there not in client.get("/search/?q=RX-77777", follow=True).content.decode()
        assert label not in client.get(there).content.decode()
