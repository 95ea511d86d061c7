"""The whole life of a transmitter: every place it stood in, swaps, and the same as a file."""

from __future__ import annotations

import csv
import io
from dataclasses import replace as other
from datetime import date

import pytest
from django.urls import reverse

from devices.actions.away import start_away
from devices.actions.slot_settings import settings_of
from devices.actions.slots import move_transmitter
from devices.models import Fault, Registration
from tests import factories
from tests.conftest import World
from tests.devices.test_history_pages import DAY, changed, form_of, text, undo_url
from tests.factories import NOW

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def test_a_transmitter_tells_every_place_it_stood_in_with_cells_faults_and_absences(world: World) -> None:
    row = world.own_registration
    annexe = factories.make_receiver(factories.make_site(world.own, name="Annexe House"))
    move_transmitter(
        registration=row, to_receiver=annexe, to_slot=5, settings=other(settings_of(row), outputs=()), by=world.office, at=NOW - 9 * DAY,
        reason="moved house",
    )  # fmt: skip
    there = Registration.objects.open().get(transmitter=row.transmitter)
    start_away(
        registration=there, from_on=date(2026, 11, 20), agreed_until_on=date(2026, 12, 1), agreed_with="matron",
        interim="", by=world.office, at=NOW - 5 * DAY, reason="in hospital",
    )  # fmt: skip
    Fault.objects.create(
        customer=row.customer, site=there.site, receiver=annexe, registration=there, transmitter=row.transmitter,
        kind="missing", raised_at=NOW - 2 * DAY,
    )  # fmt: skip
    page = text(world.client("office").get(reverse("devices:transmitter_detail", args=[row.transmitter_id])))
    for words in (
        f"{annexe}, slot 5", f"{world.own_receiver}, slot 1", "2 sites", "still away , agreed until 1 Dec 2026",
        "in hospital", "Missing 23 Nov 2026, 10:00 – stands", "1 × CR2450",
    ):  # fmt: skip
        assert words in page, words


def test_a_swapped_unit_names_the_one_it_replaced_and_the_other_way_round(world: World) -> None:
    old = world.own_registration.transmitter
    new = factories.make_transmitter(world.own, serial="SK-77777", replaces=old)
    client = world.client("office")
    assert "Replaced by SK-77777" in text(client.get(reverse("devices:transmitter_detail", args=[old.pk])))
    assert f"Replaced {old.serial}" in text(client.get(reverse("devices:transmitter_detail", args=[new.pk])))


def test_the_file_of_a_transmitter_holds_its_whole_life(world: World) -> None:
    changed(world)
    serial = world.own_registration.transmitter
    answer = world.client("office").get(reverse("devices:transmitter_csv", args=[serial.pk]))
    header, *lines = csv.reader(io.StringIO(answer.content.decode("utf-8-sig")))
    assert header[0] == "From"
    assert [line[2] for line in lines] == ["registered", "registered", "cells"]
    assert lines[0][:2] == ["2026-11-23 10:00", ""]
    assert lines[1][8] == "shorter"


def test_a_stay_that_never_was_is_no_part_of_its_life(world: World) -> None:
    client = world.client("office")
    url = reverse("devices:slot_register", args=[world.own_receiver.pk, 7])
    answer = client.post(url, form_of(client, url) | {"serial": "SK-88003", "label": "Room 7", "reason": "new"})
    client.post(undo_url(client, answer.url))
    row = Registration.objects.get(transmitter__serial="SK-88003")
    page = text(client.get(reverse("devices:transmitter_detail", args=[row.transmitter_id])))
    assert "It never stood in a slot" in page
