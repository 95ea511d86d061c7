"""Walk tests on the technician's visit: what waits for one, and one that was not heard, before finishing and on the slot."""

import re
from dataclasses import replace
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from company.templatetags.house import icon_svg
from devices.actions.plans import plan_change
from devices.actions.plans_wish import Wish
from devices.actions.slot_settings import settings_of
from devices.actions.slots import change_slot
from devices.models import Registration
from maintenance.models import Entry, Visit, WalkTest
from maintenance.reports.service_report import gather, load, summary_words
from tests import factories
from tests.maintenance.views.test_sheet import record, sheet_url, visit

__all__ = ["visit"]
pytestmark = pytest.mark.django_db
GREEN_TICK = "due--fine"


@pytest.fixture
def client(world):
    return world.client("technician")


def lines(client, visit):
    """What "Before you go" says of walk tests."""
    page = client.get(reverse("maintenance:tech_finish", args=[visit.pk]))
    return [gate.text for gate in page.context["gates"] if gate.code == "walk_test"]


def walk(client, visit, row, heard="yes"):
    answer = record(client, visit, "walk_test", registration=row.pk, receiver=row.receiver_id, heard=heard)
    assert answer.status_code == 302


def heard_once(row, at):
    """A good walk test of an earlier visit."""
    then = factories.make_visit(row.site, state="finished", arrived_at=at, finished_at=at, planned_on=at.date())
    entry = Entry.objects.create(
        key=then.uuid, customer=row.customer, visit=then, receiver=row.receiver, registration=row, kind="walk_test",
        made_at=at, by=factories.make_user("technician"), facts={"heard": True}, sha256="0" * 64,
    )  # fmt: skip
    WalkTest.objects.create(customer=row.customer, entry=entry, visit=then, registration=row, at=at, heard=True)


def register_as_planned(world, client, visit, slot=9):
    """A change planned in the office puts a new button into a spare slot, and the technician says it is done."""
    row = world.own_registration
    wish = Wish("register", replace(settings_of(row), label="Porch button"), "SK-909", factories.transmitter_type())
    plan = plan_change(
        receiver=row.receiver, slot=slot, wish=wish, by=world.office, at=timezone.now(), reason="a second button"
    )
    assert client.post(reverse("maintenance:tech_plan_done", args=[visit.pk, plan.pk])).status_code == 302
    return Registration.objects.open().get(receiver=row.receiver, slot=slot)


def finish(client, visit):
    url = reverse("maintenance:tech_finish", args=[visit.pk])
    assert client.post(url, {"signed_name": "Rosa Lind"}).status_code == 302
    assert Visit.objects.get(pk=visit.pk).state == "finished"
    return summary_words(gather(load(visit.pk)))


def test_a_button_registered_as_planned_is_asked_for_until_it_was_heard(world, client, visit):
    new = register_as_planned(world, client, visit)
    said = (
        f"Walk-test slot 9 (Porch button, {new.receiver.label}, life safety): registered on this visit, and no walk test "
        "was heard there since."
    )
    assert lines(client, visit) == [said]
    html = client.get(reverse("maintenance:tech_finish", args=[visit.pk])).content.decode()
    assert f'?r={new.receiver_id}&amp;show=all&amp;slot=9#slot-9">Slot 9 on the sheet' in html
    walk(client, visit, new)
    assert lines(client, visit) == []


def test_finishing_without_it_is_free_and_the_report_opens_with_it(world, client, visit):
    register_as_planned(world, client, visit)
    assert finish(client, visit) == "Left open: 1 transmitter changed on this visit and not walk-tested since."
    content = gather(load(visit.pk))
    assert [(row["slot"], row["label"], row["how"]) for row in content["not_tested"]] == [
        (9, "Porch button", "registered on this visit")
    ]


def test_a_walk_test_of_a_later_visit_does_not_change_what_this_one_left(world, client, visit):
    new = register_as_planned(world, client, visit)
    before = finish(client, visit)
    heard_once(new, timezone.now() + timedelta(hours=1))
    assert summary_words(gather(load(visit.pk))) == before


def test_new_cells_and_new_settings_ask_for_a_walk_test_too(world, client, visit):
    row = world.own_registration
    walk(client, visit, row)
    cells = {"cells": "cr2450", "n_cells": 1, "old_why": "preventive"}
    answer = record(client, visit, "battery", registration=row.pk, receiver=row.receiver_id, **cells)
    assert answer.status_code == 302
    (line,) = lines(client, visit)
    assert "cells changed on this visit" in line
    walk(client, visit, row)
    assert lines(client, visit) == []
    change_slot(
        registration=row, settings=replace(settings_of(row), window_s=86400), by=world.technician, at=timezone.now(),
        reason="asked",
    )  # fmt: skip
    (line,) = lines(client, visit)
    assert "set anew on this visit" in line


def test_a_test_that_was_not_heard_comes_before_the_last_good_one(world, client, visit):
    row = world.own_registration
    heard_once(row, timezone.now() - timedelta(days=189))
    assert client.get(sheet_url(visit, show="all")).context["cards"][0].row.not_heard_at is None
    walk(client, visit, row, heard="no")
    (line,) = lines(client, visit)
    assert line.startswith(
        f"Slot {row.slot} ({row.label}, {row.receiver.label}, life safety) was not heard at the output"
    )
    for show in ({"show": "done"}, {"show": "done", "slot": row.slot}):
        html = client.get(sheet_url(visit, **show)).content.decode()
        assert "Not heard at the output " in html
        assert "; last heard " in html
        assert GREEN_TICK not in html
        assert "slot--grave" in html
    (kept,) = re.findall(r'<p class="kept">(.*?)</p>', html, re.DOTALL)
    assert icon_svg("warning") in kept
    assert icon_svg("check") not in kept, "What was recorded of the failed test carries no tick either."
    page = world.client("office").get(reverse("devices:slot_detail", args=[row.receiver_id, row.slot]))
    assert "; last heard " in page.content.decode()
    walk(client, visit, row)
    assert lines(client, visit) == []
    html = client.get(sheet_url(visit, show="done", slot=row.slot)).content.decode()
    assert GREEN_TICK in html
    assert "Not heard at the output " not in html


def test_a_test_entered_by_mistake_and_withdrawn_is_no_longer_said(world, client, visit):
    walk(client, visit, world.own_registration, heard="no")
    Entry.objects.filter(visit=visit, kind="walk_test").update(is_withdrawn=True)
    assert lines(client, visit) == []


def test_the_queries_before_finishing_do_not_grow_with_the_slots(world, client, visit):
    url, counts = reverse("maintenance:tech_finish", args=[visit.pk]), set()
    for slots in (range(20, 22), range(30, 38)):
        for slot in slots:
            now = timezone.now()
            factories.make_fitting(
                factories.make_registration(world.own_receiver, slot, registered_at=now).transmitter, fitted_at=now
            )
        with CaptureQueriesContext(connection) as found:
            client.get(url)
        counts.add(len(found))
    assert len(counts) == 1
