"""Taking an import back: the records are as before, unless something rests on it; the log keeps both."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from django.core.management import call_command
from django.urls import reverse
from django.utils import timezone

from company import jobs
from company.models import ChangeRow, Contact, Customer, Job
from company.undo import undo
from devices.actions.areas import move_area
from devices.actions.batteries import fit_battery
from devices.actions.bulk import change_slots
from devices.actions.plans import plan_change
from devices.actions.plans_wish import Wish
from devices.actions.slot_settings import settings_of
from devices.actions.slots import Settings, change_slot, register_transmitter
from devices.models import (
    Away,
    Fitting,
    FittingEnd,
    FittingTotals,
    Output,
    Receiver,
    Registration,
    RegistrationOutput,
    Transmitter,
)
from devices.rules.bulk import Wish as BulkWish
from maintenance.models import DueItem
from sites.models import Area, Site
from tests import factories
from tests.devices.rules.import_world import right_sheets
from tests.devices.test_imports import bring_in

TABLES = (
    Customer, Contact, Site, Area, Receiver, Output, Transmitter, Registration, RegistrationOutput, Away, Fitting, FittingEnd,
    FittingTotals,
)  # fmt: skip


@pytest.fixture(autouse=True)
def _catalogue(db: Any) -> None:
    call_command("load_catalogue", verbosity=0)


def records() -> dict[str, list[dict[str, Any]]]:
    """Every row of every table an import may touch; the version of a receiver only grows."""
    found = {model.__name__: list(model.objects.order_by("pk").values()) for model in TABLES}
    for unit in found["Transmitter"]:
        # Whatever changes and is changed back is drawn anew.
        del unit["stamp"]
    for row in found["Receiver"]:
        del row["version"]
    return found


def take_back(client: Any, url: str) -> str:
    """Ask, let the job run; gives the import's page."""
    client.post(f"{url}undo/")
    jobs.run_ready()
    return str(client.get(url).content.decode())


def changed_sheets() -> dict[str, list[dict[str, Any]]]:
    """A second workbook that changes, ends and adds on every sheet."""
    sheets = right_sheets()
    sheets["customers"][0] |= {"name": "Harbour Board", "contact phone": "2"}
    sheets["sites"][0] |= {"town": "Port", "latitude": 57.5}
    sheets["receivers"][0] |= {"installed on": date(2023, 6, 1), "standby battery fitted on": date(2024, 1, 1)}
    sheets["outputs"][0] |= {"drives": "Siren"}
    sheets["slots"][0] |= {"supervision window": "24 h", "label": "Pendant of room 5"}
    sheets["slots"][1] |= {"label": "Desk button"}
    new = {**sheets["slots"][1], "slot": 3, "transmitter serial": "SK-00003", "label": "new one", "area": "Attic"}
    sheets["slots"].append(new)
    sheets["fittings"] = [
        {**sheets["fittings"][0], "fitted on": date(2025, 6, 1)},
        {"transmitter serial": "SK-00003", "battery code": "CR2450", "fitted on": date(2025, 6, 1)},
    ]
    sheets["past fittings"][0] |= {"why it came out": "dead", "measured volts": 2.1, "lot or date code": "2201"}
    return sheets


def test_an_import_into_an_empty_firm_leaves_nothing_behind_when_taken_back(world):
    client = world.client("office")
    before = records()
    url = bring_in(client, right_sheets())
    assert DueItem.objects.filter(site__code="HARB-1").exists()
    n_changes = ChangeRow.objects.count()
    assert "Take it back" in client.get(f"{url}undo/").content.decode()
    text = take_back(client, url)
    assert "Taken back" in text
    assert records() == before
    assert not DueItem.objects.filter(site__code="HARB-1").exists()
    undone = ChangeRow.objects.exclude(undoes=None)
    assert undone.count() == ChangeRow.objects.filter(undoes=None, batch__isnull=False).count() > 5
    assert ChangeRow.objects.count() == n_changes + undone.count()
    assert bring_in(client, right_sheets()) != url


def test_changed_ended_and_added_records_are_as_they_were(world):
    client = world.client("office")
    bring_in(client, right_sheets())
    slot = Registration.objects.get(receiver__site__code="HARB-1", slot=1)
    Away.objects.create(
        customer_id=slot.customer_id, site_id=slot.site_id, registration=slot, from_on=date(2025, 1, 1), reason="x",
        agreed_with="y",
    )  # fmt: skip
    before = records()
    url = bring_in(client, changed_sheets())
    assert Registration.objects.get(pk=slot.pk).removed_at is not None
    assert Away.objects.filter(ended_on=None).count() == 1
    assert records() != before
    assert Area.objects.filter(path="Attic").exists()
    assert "Taken back" in take_back(client, url)
    assert records() == before


def added_attic(world: Any, client: Any) -> tuple[str, Area]:
    """A second import that adds the area “Attic” with a slot in it; its page, and the area."""
    bring_in(client, right_sheets())
    url = bring_in(client, changed_sheets())
    return url, Area.objects.get(path="Attic")


def stand_in_the_attic(world: Any, area: Area) -> None:
    register_transmitter(
        receiver=Receiver.objects.get(label="Main", site=area.site), slot=7,
        transmitter=factories.make_transmitter(area.customer), by=world.office, at=timezone.now(), reason="moved in",
        settings=Settings(label="Under the roof", duty="security", area="Attic"),
    )  # fmt: skip


def plan_for_the_attic(world: Any, area: Area) -> None:
    settings = Settings(label="Under the roof", duty="security", area="Attic")
    plan_change(
        receiver=Receiver.objects.get(label="Main", site=area.site), slot=7, by=world.office, at=timezone.now(),
        wish=Wish("register", settings), reason="next week",
    )  # fmt: skip


def walk_the_attic_first(world: Any, area: Area) -> None:
    move_area(area=area, place=0, by=world.office, at=timezone.now())


def hang_a_receiver_in_the_attic(world: Any, area: Area) -> None:
    factories.make_receiver(area.site, area="Attic")


@pytest.mark.parametrize(
    "use", [stand_in_the_attic, plan_for_the_attic, walk_the_attic_first, hang_a_receiver_in_the_attic]
)
def test_an_area_in_use_by_now_stays_and_the_log_does_not_say_that_it_went(world, use):
    client = world.client("office")
    url, area = added_attic(world, client)
    use(world, area)
    assert "Taken back" in take_back(client, url)
    assert Area.objects.filter(pk=area.pk).exists()
    assert not Registration.objects.filter(transmitter__serial="SK-00003").exists()
    assert not ChangeRow.objects.filter(verb="save_area", subject_id=area.pk).exclude(undone_by=None).exists()


def test_an_area_of_the_same_name_at_another_site_does_not_hold_it(world):
    client = world.client("office")
    url, area = added_attic(world, client)
    other = Area.objects.create(site=world.other_site, customer=world.other_site.customer, path="Attic")
    hang_a_receiver_in_the_attic(world, other)
    take_back(client, url)
    assert not Area.objects.filter(pk=area.pk).exists()


def test_an_area_on_record_before_stays(world):
    client = world.client("office")
    bring_in(client, right_sheets())
    site = Site.objects.get(code="HARB-1")
    attic = Area.objects.create(site=site, customer=site.customer, path="Attic", walk_order=9)
    url = bring_in(client, changed_sheets())
    take_back(client, url)
    assert Area.objects.get(site=site, path="Attic") == attic


def test_the_log_still_names_a_customer_that_went_with_the_import(world):
    client = world.client("office")
    sheets, name = right_sheets(), "Gone with the Import"
    sheets["customers"][0]["name"] = name
    url = bring_in(client, sheets)
    about = ChangeRow.objects.get(verb="save_site", subject_text__contains="Harbour office")
    take_back(client, url)
    assert not Customer.objects.filter(name=name).exists()
    about.refresh_from_db()
    assert (about.customer, about.after["customer_name"], about.after["code"]) == (None, name, "HARB-1")
    assert about.undone_by.get().after["customer_name"] == name
    for query in ("kind=site", f"q={name}"):
        text = client.get(f"{reverse('company:change_list')}?{query}").content.decode()
        assert f"site · {name}</span>" in text, query


def test_the_older_import_waits_for_the_newer_one(world):
    client = world.client("office")
    first = bring_in(client, right_sheets())
    second = bring_in(client, changed_sheets())
    page = client.get(f"{first}undo/").content.decode()
    assert "can no longer be taken back as a whole" in page
    assert client.post(f"{first}undo/").status_code == 422
    take_back(client, second)
    assert "Taken back" in take_back(client, first)
    assert not Site.objects.filter(code="HARB-1").exists()


def test_a_record_changed_since_is_named_and_nothing_is_taken_back(world):
    client = world.client("office")
    url = bring_in(client, right_sheets())
    site = Site.objects.get(code="HARB-1")
    ChangeRow.objects.create(
        verb="save_site", subject_kind="site", subject_id=site.pk, subject_text=str(site), by=world.office,
        at=timezone.now() + timedelta(seconds=1),
    )  # fmt: skip
    before = records()
    answer = client.post(f"{url}undo/")
    assert answer.status_code == 422
    assert f"Harbour office: site saved by {world.office.name}" in answer.content.decode()
    assert records() == before


def test_what_rests_on_it_without_a_change_of_the_record_is_found_too(world):
    client = world.client("office")
    url = bring_in(client, right_sheets())
    factories.make_visit(Site.objects.get(code="HARB-1"))
    before = records()
    text = take_back(client, url)
    assert "The import was not taken back." in text
    assert "Visit “" in text
    assert records() == before


def test_all_that_stands_in_the_way_is_listed_newest_first(world):
    client = world.client("office")
    url = bring_in(client, right_sheets())
    row = Registration.objects.get(receiver__site__code="HARB-1", slot=1)
    facts = {"by": world.office, "reason": "quieter"}
    wish = replace(settings_of(row), window_s=86400)
    row = change_slot(registration=row, settings=wish, at=timezone.now(), **facts)
    change_slots(registrations=[row], wish=BulkWish(duty="convenience"), at=timezone.now(), **facts)
    other = Registration.objects.get(receiver=row.receiver, slot=2)
    plan_change(receiver=other.receiver, slot=2, wish=Wish("remove"), at=timezone.now(), by=world.office, reason="sold")
    fit_battery(
        transmitter=other.transmitter, battery_type=factories.battery_type(), at=timezone.now(), by=world.office,
        reason="low",
    )  # fmt: skip
    page = client.get(f"{url}undo/").content.decode()
    deeds = ["cells fitted", "change planned", "slot changed with others", "slot changed"]
    places = [page.index(f"{deed} by {world.office.name}") for deed in deeds]
    assert places == sorted(places)
    assert "Take it back" not in page


def test_the_slot_says_who_took_the_import_back(world):
    client = world.client("office")
    bring_in(client, right_sheets())
    url = bring_in(client, changed_sheets())
    row = Registration.objects.open().get(receiver__site__code="HARB-1", slot=1)
    page = reverse("devices:slot_detail", args=[row.receiver_id, 1])
    assert "taken back" not in client.get(page).content.decode()
    take_back(client, url)
    assert f"by <b>{world.office.name}</b> (taken back: slot changed)" in client.get(page).content.decode()


def test_a_registration_taken_back_on_its_day_does_not_stand_in_the_way(world):
    client = world.client("office")
    before = records()
    url = bring_in(client, right_sheets())
    unit, receiver = Transmitter.objects.get(serial="SK-00001"), Receiver.objects.get(label="Main")
    registered = register_transmitter(
        receiver=receiver, slot=7, transmitter=unit,
        settings=Settings(label="Slip", duty="security", is_shared=True), by=world.office, at=timezone.now(), reason="x",
    )  # fmt: skip
    assert "The import was not taken back." in client.post(f"{url}undo/").content.decode()
    change = ChangeRow.objects.get(verb="register_transmitter", subject_id=registered.pk)
    undo(change=change, by=world.office, at=timezone.now())
    assert Registration.objects.filter(pk=registered.pk).exists(), "the log's slip stays as long as the import does"
    assert "Taken back" in take_back(client, url)
    assert records() == before


def test_a_refusal_is_said_once_and_is_no_failed_job(world):
    client = world.client("office")
    url = bring_in(client, right_sheets())
    factories.make_visit(Site.objects.get(code="HARB-1"))
    text = take_back(client, url)
    assert text.count("taken back.") == 1
    assert "cannot be taken back" not in text
    assert not Job.objects.filter(state="failed").exists()


def test_pressing_twice_takes_back_once(world):
    client = world.client("office")
    url = bring_in(client, right_sheets())
    client.post(f"{url}undo/")
    client.post(f"{url}undo/")
    jobs.run_ready()
    assert Job.objects.filter(handler="devices.imports.undo_import").count() == 1
    assert client.post(f"{url}undo/").status_code == 302
    assert client.get(f"{url}undo/").status_code == 302
