"""What needs a person, on the slot map: the same list as on the site's page, resting and waking with it."""

from __future__ import annotations

import re
import uuid
from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.test import Client
from django.urls import reverse

from company import jobs
from devices.models import Fault, Fitting, Receiver
from maintenance.actions.entries import Saying, record_entry, withdraw_entry
from maintenance.actions.findings import refresh_findings
from maintenance.actions.findings_snooze import snooze_findings
from maintenance.actions.reports import ask_for_slot_map
from maintenance.models import FindingRecord
from tests import factories
from tests.conftest import World
from tests.factories import NOW, TODAY
from tests.maintenance.actions.test_findings import due, in_order, plant_newer_copy, plant_plan, walk_test

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]
TOLD = re.compile(r'<li class="stack stack--tight"><div><b>(.*?)</b>.*?<b>(.*?)</b></div>', re.DOTALL)


@pytest.fixture
def receiver(world: World) -> Receiver:
    """A receiver with findings of many kinds: of slots, outputs, faults, plans, dates and of itself."""
    found = in_order(world)
    plant_plan(found, world)
    due(world.own_registration, world.own_fitting, TODAY - timedelta(days=4))
    Fitting.objects.filter(pk=world.own_fitting.pk).update(first_low_at=NOW - timedelta(days=60))
    Receiver.objects.filter(pk=found.pk).update(loan_until=TODAY - timedelta(days=3))
    for slot, days in ((2, 40), (3, 20)):
        row = factories.make_registration(found, slot, duty="security", registered_at=NOW - timedelta(days=days))
        Fault.objects.create(
            customer=row.customer, site=row.site, receiver=found, registration=row, transmitter=row.transmitter,
            kind="tamper", raised_at=NOW - timedelta(days=slot),
        )  # fmt: skip
    walk_test(row, heard=False, ago=timedelta(days=1))
    factories.make_registration(factories.make_receiver(found.site), 1)
    refresh_findings(receivers=Receiver.objects.all(), at=NOW)
    return found


def on_the_map(client: Client, receiver: Receiver) -> list[tuple[str, str]]:
    phone = "tech_" if client.get("/tech/").status_code == 200 else ""
    page = client.get(reverse(f"devices:{phone}slot_map", args=[receiver.pk])).content.decode()
    return TOLD.findall(page.partition('<section id="findings"')[2])


def on_the_panel(client: Client, receiver: Receiver) -> list[tuple[str, str]]:
    url = reverse("maintenance:finding_panel", args=[receiver.site_id])
    page = client.get(url, {"receiver": receiver.pk}, headers={"HX-Request": "true"}).content.decode()
    return TOLD.findall(page)


@pytest.mark.parametrize("who", ["office", "technician"])
def test_the_slot_map_lists_what_the_sites_page_lists_in_the_same_order(
    world: World, receiver: Receiver, who: str
) -> None:
    client = world.client(who)
    told = on_the_map(client, receiver)
    assert len(told) >= 7
    assert told == on_the_panel(client, receiver)


def test_what_rests_is_on_neither_list_and_back_on_both_in_the_morning(world: World, receiver: Receiver) -> None:
    client = world.client("office")
    before = on_the_map(client, receiver)
    row = FindingRecord.objects.open().get(receiver=receiver, code="loan_over")
    snooze_findings(
        pks=[row.pk], until=TODAY + timedelta(days=1), reason="its own unit is ordered", by=world.office, at=NOW, today=TODAY
    )  # fmt: skip
    during = on_the_map(client, receiver)
    assert during == on_the_panel(client, receiver)
    assert [what for what, _ in before if what not in dict(during)] == [row.what]
    with time_machine.travel(NOW + timedelta(days=1), tick=False):
        # Nobody has looked again since: the finding wakes by itself.
        assert on_the_map(client, receiver) == on_the_panel(client, receiver) == before


@pytest.mark.parametrize(
    ("who", "words"), [("office", "1 snoozed"), ("technician", "1 more rests: the office has agreed that it can wait.")]
)
def test_the_slot_map_says_how_many_rest(world: World, receiver: Receiver, who: str, words: str) -> None:
    client = world.client(who)
    url = reverse(f"devices:{'tech_' if who == 'technician' else ''}slot_map", args=[receiver.pk])
    assert words not in client.get(url).content.decode()
    row = FindingRecord.objects.open().get(receiver=receiver, code="loan_over")
    snooze_findings(
        pks=[row.pk], until=TODAY + timedelta(days=9), reason="its own unit is ordered", by=world.office, at=NOW, today=TODAY
    )  # fmt: skip
    assert words in client.get(url).content.decode()


def test_a_slot_whose_only_finding_rests_is_not_among_those_that_need_a_person(
    world: World, receiver: Receiver
) -> None:
    client, url = world.client("office"), reverse("devices:slot_map", args=[receiver.pk])
    shown = 'id="slot-3"'
    assert shown in client.get(url, {"show": "person"}).content.decode()
    rows = FindingRecord.objects.open().filter(receiver=receiver, slot=3)
    snooze_findings(
        pks=[row.pk for row in rows], until=TODAY + timedelta(days=9), reason="shut until then", by=world.office, at=NOW,
        today=TODAY,
    )  # fmt: skip
    assert shown not in client.get(url, {"show": "person"}).content.decode()


def test_the_maps_of_a_site_count_the_findings_of_each_receiver(world: World, receiver: Receiver) -> None:
    page = world.client("office").get(reverse("devices:site_map", args=[receiver.site_id])).content.decode()
    counts = [FindingRecord.objects.awake(TODAY).filter(receiver=row).count() for row in receiver.site.receivers.all()]
    assert len(set(counts)) == 2
    for n in counts:
        assert f"· {n} finding" in page


def test_a_past_day_shows_no_findings(world: World, receiver: Receiver) -> None:
    url = reverse("devices:slot_map", args=[receiver.pk])
    page = world.client("office").get(url, {"on": (TODAY - timedelta(days=1)).isoformat()}).content.decode()
    assert 'id="findings"' not in page


def test_a_walk_test_recorded_or_withdrawn_on_a_visit_is_on_both_lists_at_once(
    world: World, django_capture_on_commit_callbacks: Any
) -> None:
    row, client = world.own_registration, world.client("technician")
    visit = factories.make_visit(row.site, factories.make_round(world.technician), state="open", arrived_at=NOW)
    said = Saying("walk_test", {"heard": True}, registration=row)
    untested = "No walk test is on record"
    refresh_findings(receivers=[row.receiver_id], at=NOW)
    assert untested in dict(on_the_map(client, row.receiver))
    with django_capture_on_commit_callbacks(execute=True):
        entry = record_entry(visit=visit, saying=said, key=uuid.uuid4(), by=world.technician, at=NOW)
    assert on_the_map(client, row.receiver) == on_the_panel(client, row.receiver)
    assert untested not in dict(on_the_map(client, row.receiver))
    with django_capture_on_commit_callbacks(execute=True):
        withdraw_entry(entry=entry, reason="the wrong slot", key=uuid.uuid4(), by=world.technician, at=NOW)
    assert untested in dict(on_the_map(client, row.receiver))


def test_a_slot_map_issued_anew_settles_that_the_copy_was_old(
    world: World, django_capture_on_commit_callbacks: Any
) -> None:
    row, client = world.own_registration, world.client("office")
    plant_newer_copy(row.receiver)
    factories.make_registration(row.receiver, 9, registered_at=NOW - timedelta(days=2))
    refresh_findings(receivers=[row.receiver_id], at=NOW)
    old = [what for what, _ in on_the_map(client, row.receiver) if "is older than the slots" in what]
    assert len(old) == 1
    with django_capture_on_commit_callbacks(execute=True):
        job = ask_for_slot_map(receiver=row.receiver, by=world.office, at=NOW)
        jobs.run(job.pk)
    assert not set(old) & set(dict(on_the_map(client, row.receiver)))
