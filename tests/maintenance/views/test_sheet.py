"""The technician's sheet over HTTP: who sees what, double sends, gates, corrections, query growth."""

import re
import uuid
from dataclasses import replace
from datetime import date, timedelta

import pytest
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from devices.actions.plans import plan_change
from devices.actions.plans_wish import Wish
from devices.actions.slot_settings import settings_of
from maintenance.models import DueItem, Entry, Visit
from sites.actions import save_access_note
from sites.models import AccessNoteShown
from tests import factories


@pytest.fixture
def visit(world):
    factories.battery_type()
    today = timezone.localdate()
    round = factories.make_round(world.technician, day=today)
    return factories.make_visit(world.own_site, round, state="open", arrived_at=timezone.now(), planned_on=today)


def sheet_url(visit, **query):
    return reverse("maintenance:tech_visit", args=[visit.pk]) + "?" + "&".join(f"{k}={v}" for k, v in query.items())


def record(client, visit, kind, **fields):
    url = reverse("maintenance:tech_record", args=[visit.pk, kind])
    headers = fields.pop("headers", {})
    return client.post(url, {"key": uuid.uuid4()} | fields, headers=headers)


# --- who sees what ---


def test_a_colleague_the_office_and_customers_do_not_get_the_sheet(world, visit):
    url = sheet_url(visit)
    assert world.client("technician").get(url).status_code == 200
    for who in ("office", "own_user", "other_user"):
        assert world.client(who).get(url).status_code == 404
    world.technician = factories.make_user("technician")
    assert world.client("technician").get(url).status_code == 404


def test_a_colleague_cannot_record_on_it_either(world, visit):
    world.technician = factories.make_user("technician")
    assert record(world.client("technician"), visit, "note", text="x").status_code == 404
    assert not Entry.objects.exists()


def test_a_visit_of_a_draft_is_not_there_for_its_technician(world, visit):
    visit.round.state = "draft"
    visit.round.save()
    assert world.client("technician").get(sheet_url(visit)).status_code == 404
    assert b"Stops today" in world.client("technician").get(reverse("maintenance:tech_today")).content


def test_today_shows_what_is_under_way_what_is_late_and_what_comes(world, visit):
    today = timezone.localdate()
    later = factories.make_round(world.technician, day=today + timedelta(days=3))
    old = factories.make_round(world.technician, day=today - timedelta(days=2))
    factories.make_visit(factories.make_site(name="Next Pier"), later, planned_on=later.day)
    factories.make_visit(factories.make_site(name="Old Mill"), old, planned_on=old.day)
    factories.make_visit(factories.make_site(name="Somebody else's"), factories.make_round(day=today), planned_on=today)
    html = world.client("technician").get(reverse("maintenance:tech_today")).content.decode()
    under_way, not_done, comes = (html.index(text) for text in ("Under way", "Not done yet", "Next Pier"))
    assert under_way < html.index("Old Mill")
    assert not_done < html.index("Old Mill") < comes
    assert "Somebody else" not in html


def due_here(world, days, **over):
    row, today = world.own_registration, timezone.localdate()
    fields = {
        "customer": world.own, "site": world.own_site, "kind": "cells", "fitting": world.own_fitting,
        "receiver": world.own_receiver, "registration": row, "transmitter": row.transmitter, "duty": "life_safety",
        "harm": 0, "due_on": today + timedelta(days=days), "reason": "calendar_cap", "model_version": "1", "as_of": today,
    }  # fmt: skip
    return DueItem.objects.create(**(fields | over))


def test_today_counts_what_is_due_now_and_marks_the_stop_under_way(world, visit):
    visit.why = [{"code": "late", "duty": "life_safety", "n": 7, "text": "7 life safety late"}]
    visit.save()
    due_here(world, -3)
    html = world.client("technician").get(reverse("maintenance:tech_today")).content.decode()
    assert "1 life safety late" in html
    assert "7 life safety late" not in html
    assert "bead--open" in html
    assert ">under way<" in html
    visit.state = "planned"
    visit.save()
    html = world.client("technician").get(reverse("maintenance:tech_today")).content.decode()
    assert ">under way<" not in html
    assert "1 life safety late" in world.client("technician").get(sheet_url(visit)).content.decode()


@pytest.mark.parametrize(
    ("call", "days", "n_todo"),
    [
        ("", 200, 0),
        ("", 28, 1),
        ("", 29, 0),
        ("", -1, 1),
        ("no signal from {label}", 200, 1),
        ("SLOT 1 silent", 200, 1),
        ("slot 12 silent", 200, 0),
    ],
)
def test_a_call_out_is_to_do_what_is_due_soon_or_what_the_call_names(world, visit, call, days, n_todo):
    visit.kind, visit.round = "call_out", None
    visit.why = [{"code": "call", "text": call.format(label=world.own_registration.label)}]
    visit.save()
    due_here(world, days)
    answer = world.client("technician").get(sheet_url(visit))
    assert answer.context["tab"].n_todo == n_todo
    answer = world.client("technician").get(sheet_url(visit, show="all"))
    assert len(answer.context["cards"]) == len(answer.context["tab"].cards) == 1


def test_every_technician_reads_every_site_but_codes_only_on_a_visit_of_their_own(world, visit):
    note = save_access_note(
        site=world.own_site, title="Key safe", text="turn left at gannet", by=world.office, at=timezone.now()
    )
    client = world.client("technician")
    page = client.get(reverse("maintenance:tech_site", args=[world.own_site.pk])).content.decode()
    assert "shown on a visit" in page
    assert "turn left at gannet" not in page
    sheet = client.get(sheet_url(visit)).content.decode()
    assert "Key safe" in sheet
    assert "turn left at gannet" not in sheet
    url = reverse("maintenance:tech_access_note", args=[visit.pk, note.pk])
    assert client.get(url).status_code == 405
    answer = client.post(url)
    assert "turn left at gannet" in answer.content.decode()
    assert answer.headers["Cache-Control"] == "no-store"
    shown = AccessNoteShown.objects.get()
    assert (shown.to, shown.visit_id) == (world.technician, visit.pk)
    Visit.objects.filter(pk=visit.pk).update(state="finished", finished_at=timezone.now())
    assert client.post(url).status_code == 404
    assert AccessNoteShown.objects.count() == 1


@pytest.mark.parametrize(
    ("state", "days", "is_shown"),
    [("planned", 0, True), ("planned", 2, True), ("planned", -2, True), ("planned", 3, False), ("planned", -3, False),
     ("open", -40, True), ("finished", 0, None), ("cancelled", 0, None)],
)  # fmt: skip
def test_a_code_is_shown_only_near_the_day_of_ones_own_visit_or_while_it_is_under_way(
    world, visit, state, days, is_shown
):
    note = save_access_note(
        site=world.own_site, title="Key safe", text="turn left at gannet", by=world.office, at=timezone.now()
    )
    day = timezone.localdate(timezone=world.own_site.zone) + timedelta(days=days)
    over = timezone.now() if state == "finished" else None
    Visit.objects.filter(pk=visit.pk).update(state=state, planned_on=day, finished_at=over)
    answer = world.client("technician").post(reverse("maintenance:tech_access_note", args=[visit.pk, note.pk]))
    assert answer.status_code == {True: 200, False: 422, None: 404}[is_shown]
    assert ("turn left at gannet" in answer.content.decode()) is (is_shown is True)
    assert AccessNoteShown.objects.exists() is (is_shown is True)


def test_a_code_is_shown_for_nobody_elses_visit_and_at_no_other_site(world, visit):
    here = save_access_note(
        site=world.own_site, title="Key safe", text="turn left at gannet", by=world.office, at=timezone.now()
    )
    elsewhere = save_access_note(site=world.other_site, title="Gate", text="7391", by=world.office, at=timezone.now())
    client = world.client("technician")
    assert client.post(reverse("maintenance:tech_access_note", args=[visit.pk, elsewhere.pk])).status_code == 404
    world.technician = factories.make_user("technician")
    other = world.client("technician").post(reverse("maintenance:tech_access_note", args=[visit.pk, here.pk]))
    assert other.status_code == 404
    assert not AccessNoteShown.objects.exists()


def fill(world, receiver, first, last):
    output = receiver.outputs.first()
    for slot in range(first, last + 1):
        row = factories.make_registration(receiver, slot, outputs=[(output, "latching", None)])
        fitting = factories.make_fitting(row.transmitter)
        DueItem.objects.create(
            customer=row.customer, site=row.site, kind="cells", fitting=fitting, receiver=receiver, registration=row,
            transmitter=row.transmitter, duty="life_safety", harm=0, due_on=date(2020, 1, 1), reason="calendar_cap",
            model_version="1", as_of=date(2020, 1, 1),
        )  # fmt: skip


def n_queries(client, url):
    from django.db import connection

    client.get(url)
    with CaptureQueriesContext(
        connection,
    ) as caught:
        assert client.get(url).status_code == 200
    return len(caught)


# --- query growth ---


@pytest.mark.parametrize("name", ["todo", "all", "last", "slot", "finish", "site"])
def test_the_sheet_asks_the_database_as_often_for_23_slots_as_for_3(world, visit, name):
    client = world.client("technician")
    url = {
        "slot": sheet_url(visit, show="all", slot=2, r=world.own_receiver.pk),
        "finish": reverse("maintenance:tech_finish", args=[visit.pk]),
        "site": reverse("maintenance:tech_site", args=[world.own_site.pk]),
    }.get(name) or sheet_url(visit, show=name, r=world.own_receiver.pk)

    def note(slot):
        row = world.own_receiver.registrations.get(slot=slot, removed_at=None)
        record(client, visit, "note", registration=row.pk, text="seen")

    fill(world, world.own_receiver, 2, 3)
    note(2)
    few = n_queries(client, url)
    fill(world, world.own_receiver, 4, 23)
    for slot in (4, 5, 6):
        note(slot)
    assert n_queries(client, url) == few


def test_today_asks_as_often_for_eight_stops_as_for_two(world, visit):
    client, url = world.client("technician"), reverse("maintenance:tech_today")

    def add(n):
        for _ in range(n):
            factories.make_visit(factories.make_site(), visit.round, planned_on=visit.planned_on)

    add(1)
    few = n_queries(client, url)
    add(6)
    assert n_queries(client, url) == few


def test_a_tab_says_that_a_planned_change_is_to_be_made_at_its_receiver(world, visit):
    factories.make_registration(factories.make_receiver(world.own_site, label="R9 attic"))
    client = world.client("technician")

    def tabs():
        text = " ".join(client.get(sheet_url(visit)).content.decode().split())
        return re.findall(r">([^<>]+)<small>([^<]*)</small></a>", text)

    before = dict(tabs())
    assert before["R9 attic"] == "nothing to do"
    row = world.own_registration
    wish = Wish("change", replace(settings_of(row), window_s=86400))
    plan_change(receiver=row.receiver, slot=row.slot, wish=wish, by=world.office, at=timezone.now(), reason="asked")
    after = dict(tabs())
    assert after["R9 attic"] == "nothing to do"
    assert "1 change" in after[row.receiver.label]
    assert "nothing to do" not in after[row.receiver.label]
