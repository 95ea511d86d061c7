"""A receiver added by mistake goes again while nothing else speaks of it; else it stays and the refusal says why."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from django.urls import reverse

from company import undo
from company.models import ChangeRow
from devices.actions.away import start_away
from devices.actions.receivers import add_receiver, edit_receiver, save_output
from devices.actions.slot_settings import Settings
from devices.actions.slots import register_transmitter, remove_transmitter
from devices.models import Away, Output, PlanPin, Receiver, Registration, Transmitter
from maintenance.models import FindingRecord
from sites.models import FloorPlan
from tests import factories
from tests.conftest import World
from tests.factories import NOW

SOON, LATER = NOW + timedelta(minutes=2), NOW + timedelta(days=5)
SETTINGS = Settings(label="Room 3", duty="life_safety", supervision="on", window_s=14400, interval_s=3600, contact="no")


def added(world: World, **over: Any) -> tuple[Receiver, ChangeRow]:
    receiver = Receiver(site=world.own_site, label="Attic", type=factories.receiver_type(), n_slots=64, **over)
    add_receiver(receiver=receiver, by=world.office, at=NOW, reason="new wing")
    return receiver, ChangeRow.objects.get(verb="add_receiver", subject_id=receiver.pk)


def register(receiver: Receiver, world: World, at: Any = NOW) -> Registration:
    return register_transmitter(
        receiver=receiver, slot=3, transmitter=Transmitter(serial="SK-77001", type=factories.transmitter_type()),
        settings=SETTINGS, by=world.office, at=at, reason="new resident",
    )  # fmt: skip


def last_change() -> ChangeRow:
    return ChangeRow.objects.order_by("-pk")[0]


def test_it_goes_with_its_outputs_and_with_what_was_worked_out_from_it(world: World) -> None:
    receiver, change = added(world)
    FindingRecord.objects.create(
        customer=world.own, site=world.own_site, receiver=receiver, key=f"x:{receiver.pk}", code="x", harm=3, what="x",
        where="x", why="x", do="x",
    )  # fmt: skip
    assert Output.objects.filter(receiver=receiver).count() == 4
    back = undo.undo(change=change, by=world.office, at=SOON)
    assert not Receiver.objects.filter(pk=receiver.pk).exists()
    assert not Output.objects.filter(receiver=receiver.pk).exists()
    assert (back.before["label"], back.before["site"], back.after) == ("Attic", world.own_site.pk, None)


def test_a_slot_filled_by_mistake_and_taken_back_does_not_hold_it(world: World) -> None:
    receiver, change = added(world)
    row = register(receiver, world)
    registering = last_change()
    start_away(
        registration=row, from_on=NOW.date(), agreed_until_on=None, agreed_with="matron", interim="", by=world.office,
        at=NOW, reason="holiday",
    )  # fmt: skip
    undo.undo(change=last_change(), by=world.office, at=SOON)
    with pytest.raises(undo.ChangedAfter, match="transmitter registered"):
        undo.undo(change=change, by=world.office, at=SOON)
    undo.undo(change=registering, by=world.office, at=SOON)
    undo.undo(change=change, by=world.office, at=SOON)
    assert not Registration.objects.filter(pk=row.pk).exists()
    assert not Away.objects.filter(registration=row.pk).exists()
    assert ChangeRow.objects.filter(verb="register_transmitter").count() == 1


def test_a_slot_that_was_in_use_for_days_holds_it(world: World) -> None:
    receiver, change = added(world)
    row = register(receiver, world)
    undo.undo(change=last_change(), by=world.office, at=LATER)
    with pytest.raises(undo.CannotUndo, match=r"Slot 3 of it has been in use.*Take it down instead"):
        undo.undo(change=change, by=world.office, at=LATER)
    assert Registration.objects.filter(pk=row.pk).exists()


def test_whatever_was_recorded_on_it_later_is_named(world: World) -> None:
    receiver, change = added(world)
    output = receiver.outputs.get(number=1)
    output.drives = "Siren"
    save_output(output=output, by=world.manager, at=SOON, reason="seen")
    with pytest.raises(undo.ChangedAfter, match=f"{world.manager.name}.*output saved"):
        undo.undo(change=change, by=world.office, at=SOON)
    undo.undo(change=last_change(), by=world.office, at=SOON)
    receiver.refresh_from_db()
    receiver.serial = "77"
    edit_receiver(receiver=receiver, by=world.manager, at=SOON, reason="read off")
    with pytest.raises(undo.ChangedAfter, match="receiver edited"):
        undo.undo(change=change, by=world.office, at=SOON)


def test_what_speaks_of_it_without_a_change_of_its_own_holds_it(world: World) -> None:
    receiver, change = added(world)
    plan = FloorPlan.objects.create(
        customer=world.own, site=world.own_site, name="Ground floor", picture=b"x", media_type="image/png", width_px=9,
        height_px=9,
    )  # fmt: skip
    PlanPin.objects.create(
        customer=world.own, site=world.own_site, plan=plan, receiver=receiver, x_permille=1, y_permille=1
    )
    with pytest.raises(undo.CannotUndo, match="rests on it, so the receiver stays"):
        undo.undo(change=change, by=world.office, at=SOON)
    assert Receiver.objects.filter(pk=receiver.pk).exists()


def test_a_removed_transmitter_has_stood_there(world: World) -> None:
    receiver, change = added(world)
    row = register(receiver, world, at=NOW - timedelta(days=40))
    remove_transmitter(registration=row, by=world.office, at=NOW, reason="sold")
    with pytest.raises(undo.ChangedAfter, match="transmitter removed"):
        undo.undo(change=change, by=world.office, at=SOON)


def test_the_button_leads_back_to_the_site(world: World) -> None:
    receiver, change = added(world, installed_on=date(2026, 11, 1))
    page = receiver.get_absolute_url()
    client = world.client("office")
    answer = client.post(
        reverse("company:change_undo", args=[change.pk]), headers={"referer": f"http://testserver{page}"}
    )
    assert answer["Location"] == world.own_site.get_absolute_url()
    assert "Taken back: receiver added" in client.get(answer["Location"]).content.decode()
    assert client.get(page).status_code == 404
    log = client.get(reverse("company:change_list")).content.decode()
    assert "Attic" in log
    assert f'href="{page}"' not in log


def test_the_message_after_adding_takes_it_back(world: World) -> None:
    client, kind = world.client("office"), factories.receiver_type()
    fields = {"label": "Attic", "type": kind.pk, "n_slots": 64, "evidence": "every", "reason": "new wing"}
    answer = client.post(reverse("devices:receiver_new", args=[world.own_site.pk]), fields, follow=True)
    receiver = Receiver.objects.get(label="Attic")
    change = ChangeRow.objects.get(verb="add_receiver", subject_id=receiver.pk)
    assert f'action="{reverse("company:change_undo", args=[change.pk])}"' in answer.content.decode()
