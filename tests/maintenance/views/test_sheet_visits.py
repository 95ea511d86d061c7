"""Visits from the phone: finishing one, and call-outs that begin beside another."""

import re
import uuid
from datetime import date, timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from maintenance.models import DueItem, Entry, Visit
from tests import factories
from tests.maintenance.views.test_sheet import record, sheet_url
from tests.maintenance.views.test_sheet_entries import battery


@pytest.fixture
def visit(world):
    factories.battery_type()
    today = timezone.localdate()
    round = factories.make_round(world.technician, day=today)
    return factories.make_visit(world.own_site, round, state="open", arrived_at=timezone.now(), planned_on=today)


# --- finish ---


def test_finishing_asks_a_reason_for_each_due_thing_and_a_name(world, visit):
    row = world.own_registration
    item = DueItem.objects.create(
        customer=world.own, site=world.own_site, kind="cells", fitting=world.own_fitting, receiver=world.own_receiver,
        registration=row, transmitter=row.transmitter, duty="life_safety", harm=0, due_on=date(2020, 1, 1),
        reason="calendar_cap", model_version="1", as_of=date(2020, 1, 1),
    )  # fmt: skip
    client, url = world.client("technician"), reverse("maintenance:tech_finish", args=[visit.pk])
    html = client.get(url).content.decode()
    key = re.search(rf'name="key_{item.pk}" value="([0-9a-f-]+)"', html)[1]
    fields = {"signed_name": "Ina Moor", "signature_path": "M1 1L20 20", f"key_{item.pk}": key}
    assert client.post(url, fields).status_code == 422
    assert client.post(url, fields | {f"why_{item.pk}": "other"}).status_code == 422
    assert client.post(url, fields | {f"why_{item.pk}": "no_access", "signed_name": ""}).status_code == 422
    visit.refresh_from_db()
    assert visit.state == "open"
    assert client.post(url, fields | {"why_all": "no_access"}).status_code == 302
    visit.refresh_from_db()
    assert (visit.state, visit.signed_name, visit.signature_path) == ("finished", "Ina Moor", "M1 1L20 20")
    assert Entry.objects.get().facts["why"] == "no_access"
    assert client.get(url).status_code == 302


def test_what_stands_in_the_way_is_said_in_short_and_each_line_leads_there(world, visit):
    client, url = world.client("technician"), reverse("maintenance:tech_finish", args=[visit.pk])
    record(client, visit, "on_test", told="Ina")
    battery(client, world, visit)
    answer = client.post(url, {"signed_name": "Ina Moor"})
    html = answer.content.decode()
    assert answer.status_code == 422
    assert "2 things stand in the way: see below." in html
    assert html.count("The monitoring centre is still on test.") == 1
    assert f'href="{sheet_url(visit, r=world.own_receiver.pk)}&amp;show=last"' in html
    off = sheet_url(visit, off=1)
    assert f'href="{off}#test-box"' in html
    assert '<details open><summary class="button button--wide">Put off test' in client.get(off).content.decode()


def test_entries_stand_by_receiver_label_with_the_whole_visit_on_top(world, visit):
    client, first = world.client("technician"), factories.make_receiver(world.own_site, label="A first")
    world.own_receiver.label = "B second"
    world.own_receiver.save()
    for receiver in (world.own_receiver, first):
        record(client, visit, "volts", receiver=receiver.pk, volts="12.1")
    record(client, visit, "note", text="all quiet")
    done = client.get(reverse("maintenance:tech_finish", args=[visit.pk])).context["done"]
    groups = world.client("office").get(visit.get_absolute_url()).context["groups"]
    assert [name for name, _ in done] == [name for name, _ in groups] == ["The visit", "A first", "B second"]


def test_a_signature_that_is_no_drawing_is_refused(world, visit):
    url = reverse("maintenance:tech_finish", args=[visit.pk])
    fields = {"signed_name": "Ina", "signature_path": '"/><script>alert(1)</script>'}
    answer = world.client("technician").post(url, fields)
    assert answer.status_code == 422
    assert "<script>alert" not in answer.content.decode()


# --- call-outs ---


def test_a_call_out_begins_at_once_at_any_site_and_once(world):
    client, site = world.client("technician"), world.other_site
    url = reverse("maintenance:tech_call_out", args=[site.pk])
    fields = {"uuid": uuid.uuid4(), "kind": "call_out", "why": "pendant silent"}
    first = client.post(url, fields)
    again = client.post(url, fields)
    assert first.url == again.url
    visit = Visit.objects.get()
    assert (visit.site, visit.state, visit.kind) == (site, "open", "call_out")
    assert client.post(url, {"uuid": uuid.uuid4(), "kind": "round"}).status_code == 422
    assert Visit.objects.count() == 1


def test_a_second_visit_asks_before_it_starts_and_is_never_blocked(world, visit):
    client = world.client("technician")
    record(client, visit, "on_test", told="Kirsten", at="")
    stop = factories.make_visit(world.other_site, visit.round, planned_on=visit.planned_on)
    url = reverse("maintenance:tech_start", args=[stop.pk])
    answer = client.post(url)
    assert answer.status_code == 422
    assert f"You are still at {world.own_site.name}, on test." in answer.content.decode()
    stop.refresh_from_db()
    assert stop.state == "planned"
    assert client.post(url, {"sure": "1"}).status_code == 302
    stop.refresh_from_db()
    assert stop.state == "open"


def test_a_stop_of_another_day_asks_and_one_of_today_does_not(world):
    today = timezone.localdate()
    client, round = world.client("technician"), factories.make_round(world.technician, day=today)
    later = factories.make_visit(world.own_site, round, planned_on=today + timedelta(days=2))
    url = reverse("maintenance:tech_start", args=[later.pk])
    assert "not for today" in client.post(url).content.decode()
    later.planned_on = today
    later.save()
    assert client.post(url).status_code == 302
    later.refresh_from_db()
    assert later.state == "open"


def test_a_call_out_during_another_visit_asks_and_keeps_what_was_typed(world, visit):
    client, url = world.client("technician"), reverse("maintenance:tech_call_out", args=[world.other_site.pk])
    answer = client.post(url, {"uuid": uuid.uuid4(), "kind": "call_out", "why": "pendant <silent>"})
    assert answer.status_code == 422
    assert "pendant &lt;silent&gt;" in answer.content.decode()
    assert Visit.objects.count() == 1
    assert client.post(url, answer.context["fields"] | {"sure": "1"}).status_code == 302
    assert Visit.objects.get(site=world.other_site).why == [{"code": "call", "text": "pendant <silent>"}]


def test_the_office_does_not_start_visits_from_the_phone_pages(world):
    url = reverse("maintenance:tech_call_out", args=[world.own_site.pk])
    assert world.client("office").post(url, {"uuid": uuid.uuid4(), "kind": "call_out"}).status_code == 404
    assert not Visit.objects.exists()
