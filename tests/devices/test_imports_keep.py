"""What an import keeps: the settings of a slot into which its file brings another transmitter."""

from __future__ import annotations

from typing import Any

import pytest
from django.core.management import call_command
from django.urls import reverse

from company import jobs
from devices.models import Registration, Transmitter
from tests.devices.rules.import_world import right_sheets
from tests.devices.test_imports import apply, bring_in, check, upload

PLACE = {"site code": "HARB-1", "receiver": "Main"}
KEPT = (
    "label", "area", "duty", "is_portable", "supervision", "window_s", "interval_s", "contact", "input_number", "note",
)  # fmt: skip


@pytest.fixture(autouse=True)
def _catalogue(db: Any) -> None:
    call_command("load_catalogue", verbosity=0)


def in_slot(n: int) -> Registration:
    return Registration.objects.get(receiver__site__code="HARB-1", slot=n, removed_at=None)


def settings_of(row: Registration) -> tuple[Any, ...]:
    driven = row.outputs.order_by("output__number").values_list("output__number", "behaviour", "seconds")
    return (*(getattr(row, name) for name in KEPT), tuple(driven))


def test_a_file_that_changes_only_the_serial_keeps_every_setting_of_the_slot(world):
    client = world.client("office")
    bring_in(client, right_sheets())
    Registration.objects.filter(pk=in_slot(1).pk).update(note="Behind the curtain")
    before = settings_of(in_slot(1))
    slot = {**PLACE, "slot": 1, "transmitter serial": "SK-00009", "transmitter type code": "pendant-long"}
    url = check(client, {"slots": [slot]})
    row = client.get(f"{url}?view=rows").context["page"].object_list[0]
    assert [title for title, _, _ in row[4]] == ["transmitter serial"]
    apply(client, url)
    now = in_slot(1)
    assert now.transmitter.serial == "SK-00009"
    assert settings_of(now) == before


def test_two_serials_crossed_in_a_file_leave_the_settings_with_the_slots(world):
    client = world.client("office")
    bring_in(client, right_sheets())
    before = settings_of(in_slot(1)), settings_of(in_slot(2))
    rows = [{**PLACE, "slot": n, "transmitter serial": serial} for n, serial in ((1, "SK-00002"), (2, "SK-00001"))]
    bring_in(client, {"slots": rows})
    assert (settings_of(in_slot(1)), settings_of(in_slot(2))) == before
    assert in_slot(1).transmitter.serial == "SK-00002"


def test_a_transmitter_that_stands_is_never_made_twice_for_its_spelling(world):
    client = world.client("office")
    bring_in(client, right_sheets())
    units = Transmitter.objects.count()
    page = client.get(check(client, {"slots": [{**PLACE, "slot": 5, "transmitter serial": "sk 00001"}]}))
    assert page.context["seen"]["faults"] == 1
    assert "SK-00001, input 1, also stands on record in slot 1" in page.content.decode()
    again = client.get(check(client, {"slots": [{**PLACE, "slot": 1, "transmitter serial": "sk 00001"}]}))
    assert again.context["seen"]["is_empty"]
    assert Transmitter.objects.count() == units


def test_the_template_as_it_comes_is_said_to_hold_no_row(world):
    client = world.client("office")
    url = upload(client, ("book.xlsx", client.get(reverse("devices:import_template")).content))
    jobs.run_ready()
    page = client.get(url)
    text = page.content.decode()
    assert "No row of this workbook was read." in text
    assert "on record already" not in text
    assert page.context["view"] == "remarks"
    client.post(f"{url}apply/", {"preview": page.context["seen"]["preview"]})
    assert "No row of this workbook was read, so there is nothing to apply" in client.get(url).content.decode()
    assert "no rows" in client.get(reverse("devices:import_list")).content.decode()


def test_the_preview_of_a_new_slot_names_everything_that_will_stand(world):
    client = world.client("office")
    url = check(client, right_sheets())
    rows = client.get(f"{url}?view=rows&sheet=slots").context["page"].object_list
    told = {title: after for title, _, after in rows[0][4]}
    assert {name: told[name] for name in ("transmitter type code", "input", "portable", "registered on")} == {
        "transmitter type code": "pendant-long", "input": "1", "portable": "no", "registered on": "2023-05-03",
    }  # fmt: skip
    apply(client, url)
    page = client.get(url)
    assert page.context["written"]["counts"]["contacts"] == 1
    assert "contacts 1" in page.content.decode()
