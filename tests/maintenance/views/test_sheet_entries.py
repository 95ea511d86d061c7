"""What is recorded on the sheet: once, corrected by a new entry, withdrawn with a reason, refused in words."""

import uuid
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from devices.models import Fitting, FittingEnd
from maintenance.models import Entry
from sites.models import MonitoringCentre
from tests import factories
from tests.maintenance.views.test_sheet import record, sheet_url


@pytest.fixture
def visit(world):
    factories.battery_type()
    today = timezone.localdate()
    round = factories.make_round(world.technician, day=today)
    return factories.make_visit(world.own_site, round, state="open", arrived_at=timezone.now(), planned_on=today)


def battery(client, world, visit, **over):
    fields = {"registration": world.own_registration.pk, "cells": "cr2450", "n_cells": 1, "old_why": "preventive"}
    return record(client, visit, "battery", **(fields | over))


# --- recording ---


def test_a_battery_recorded_without_scripts_comes_back_to_the_open_slot(world, visit):
    place = {"r": world.own_receiver.pk, "show": "all", "slot": 1}
    answer = battery(world.client("technician"), world, visit, **place)
    assert answer.status_code == 302
    assert answer.url == sheet_url(visit, **place) + "#slot-1"
    page = world.client("technician").get(answer.url).content.decode()
    assert "battery changed" in page
    assert "Changed again" in page


def test_with_htmx_the_answer_is_the_sheet_alone_with_the_finish_bar_beside_it(world, visit):
    answer = battery(world.client("technician"), world, visit, headers={"HX-Request": "true"})
    html = answer.content.decode()
    assert html.lstrip().startswith('<div id="sheet"')
    assert 'id="finish-in"' in html
    assert "<html" not in html


def test_a_double_click_records_once_and_the_same_key_with_something_else_is_refused(world, visit):
    client, key = world.client("technician"), uuid.uuid4()
    assert battery(client, world, visit, key=key).status_code == 302
    assert battery(client, world, visit, key=key).status_code == 302
    refusal = battery(client, world, visit, key=key, n_cells=3)
    assert refusal.status_code == 422
    assert "sent before" in refusal.content.decode()
    assert Entry.objects.count() == 1
    assert Fitting.objects.filter(transmitter=world.own_registration.transmitter).count() == 2


@pytest.mark.parametrize(
    ("kind", "fields"),
    [
        ("battery", {"n_cells": 0}),  # a set has a cell
        ("battery", {"cells": "no-such"}),  # not in the catalogue
        ("battery", {"old_v": "nan"}),  # not a number
        ("battery", {"old_under_load": "on"}),  # under load, but no reading
        ("battery", {"last_known_on": "0202-03-01"}),  # a slip in the year
        ("walk_test", {"heard": ""}),  # neither heard nor not
        ("walk_test", {"heard": "yes", "margin_db": "1e9"}),  # beyond any receiver
        ("not_done", {"why": "other", "text": ""}),  # other needs words
        ("note", {"text": "   "}),  # nothing said
        ("volts", {"volts": "inf"}),  # no such voltage
        ("covers", {"covers": "on"}),  # only half of the two
    ],
)
def test_what_cannot_be_is_refused_on_the_same_page_and_nothing_is_written(world, visit, kind, fields):
    about = {"registration": world.own_registration.pk, "receiver": world.own_receiver.pk}
    whole = {"cells": "cr2450", "n_cells": 1, "old_why": "preventive"} if kind == "battery" else {}
    place = {"r": world.own_receiver.pk, "show": "last" if kind in ("volts", "covers") else "all", "slot": 1}
    answer = record(world.client("technician"), visit, kind, **(about | whole | place | fields))
    assert answer.status_code == 422
    html = answer.content.decode()
    assert "field__error" in html or "data-errors" in html
    assert not Entry.objects.exists()


def test_slots_and_receivers_of_other_sites_and_unknown_kinds_are_not_found(world, visit):
    client = world.client("technician")
    assert battery(client, world, visit, registration=world.other_registration.pk).status_code == 404
    assert record(client, visit, "volts", receiver=world.other_receiver.pk, volts=12).status_code == 404
    assert record(client, visit, "explode").status_code == 404
    assert not Entry.objects.exists()


def test_hostile_text_stays_text(world, visit):
    client = world.client("technician")
    record(client, visit, "note", registration=world.own_registration.pk, text="<script>alert(1)</script>")
    html = client.get(sheet_url(visit, show="all", slot=1)).content.decode()
    assert "&lt;script&gt;alert(1)" in html
    assert "<script>alert" not in html


@pytest.mark.parametrize("query", ["r=abc&show=x&slot=-1", "r=99999999999999999999", "slot=4²", "show=last&r="])
def test_odd_addresses_show_the_sheet_from_its_beginning(world, visit, query):
    url = reverse("maintenance:tech_visit", args=[visit.pk]) + "?" + query
    assert world.client("technician").get(url).status_code == 200


def test_clearing_is_offered_only_when_its_turn_has_come(world, visit):
    client, about = world.client("technician"), {"receiver": world.own_receiver.pk}
    battery(client, world, visit)
    last = sheet_url(visit, show="last", r=world.own_receiver.pk)
    assert "The receiver is cleared" not in client.get(last).content.decode()
    assert record(client, visit, "cleared", cause="work", show="last", **about).status_code == 422
    record(client, visit, "covers", covers="on", in_place="on", **about)
    assert "The receiver is cleared" in client.get(last).content.decode()
    assert record(client, visit, "cleared", cause="work", **about).status_code == 302
    assert Entry.objects.filter(kind="cleared").count() == 1


def test_the_centre_is_warned_about_before_a_walk_test(world, visit):
    MonitoringCentre.objects.create(customer=world.own, site=world.own_site, name="Harbour Watch")
    client = world.client("technician")
    open_slot = sheet_url(visit, show="all", slot=1)
    assert "centre is not on test" in client.get(open_slot).content.decode()
    record(client, visit, "on_test", told="Ina")
    assert "centre is not on test" not in client.get(open_slot).content.decode()


def test_a_time_typed_for_on_test_is_the_last_such_time_at_the_site(world, visit):
    now = timezone.now().astimezone(world.own_site.zone)
    earlier = (now - timedelta(minutes=20)).replace(second=0, microsecond=0)
    record(world.client("technician"), visit, "on_test", told="Ina", at=f"{earlier:%H:%M}")
    visit.refresh_from_db()
    assert visit.on_test_at == earlier


# --- corrections ---


def test_a_correction_is_a_new_entry_and_the_old_one_stays(world, visit):
    client = world.client("technician")
    battery(client, world, visit)
    old = Entry.objects.get()
    url = reverse("maintenance:tech_entry", args=[old.pk])
    assert b'value="1"' in client.get(url).content
    fields = {"key": uuid.uuid4(), "cells": "cr2450", "n_cells": 2, "old_why": "dead", "lot": "L9"}
    assert client.post(url, fields).status_code == 302
    old.refresh_from_db()
    assert old.is_withdrawn
    assert Entry.objects.get(corrects=old).facts["lot"] == "L9"
    office = world.client("office").get(visit.get_absolute_url()).content.decode()
    assert "<s>battery changed" in office
    assert "corrected" in office


def test_the_sheet_takes_load_and_last_day_of_dead_cells_once(world, visit):
    client, key = world.client("technician"), uuid.uuid4()
    page = client.get(sheet_url(visit, r=world.own_receiver.pk, slot=1, show="all")).content.decode()
    assert "Measured under load" in page
    assert "If found dead: last known working" in page
    day = visit.planned_on - timedelta(days=10)
    fields = {"old_why": "dead", "old_v": "1.9", "old_under_load": "on", "last_known_on": day.isoformat(), "key": key}
    for _ in range(2):
        assert battery(client, world, visit, **fields).status_code == 302
    entry = Entry.objects.get()
    assert (entry.facts["old_under_load"], entry.facts["last_known_on"]) == (True, day.isoformat())
    end = FittingEnd.objects.get()
    assert (end.why, end.volts, end.is_under_load) == ("dead", 1.9, True)
    page = client.get(sheet_url(visit, r=world.own_receiver.pk, slot=1, show="all")).content.decode()
    words = f"; the old ones: found dead, 1.9 V under load, last known working {day.day} {day:%b %Y}"
    assert words in page
    assert words in world.client("office").get(f"/visits/{visit.pk}/").content.decode()


def test_where_no_cells_were_nothing_is_said_of_old_ones(world, visit):
    Fitting.objects.filter(transmitter=world.own_registration.transmitter).delete()
    client = world.client("technician")
    assert battery(client, world, visit, old_why="preventive").status_code == 302
    page = client.get(sheet_url(visit, r=world.own_receiver.pk, slot=1, show="all")).content.decode()
    assert "1 × CR2450" in page
    assert "; the old ones:" not in page


def test_a_withdrawal_asks_why(world, visit):
    client = world.client("technician")
    record(client, visit, "note", text="wrong site")
    url = reverse("maintenance:tech_entry_withdraw", args=[Entry.objects.get().pk])
    assert client.post(url, {"key": uuid.uuid4(), "reason": ""}).status_code == 422
    assert client.post(url, {"key": uuid.uuid4(), "reason": "not here"}).status_code == 302
    assert not Entry.objects.standing().exists()


def test_entries_of_others_are_not_found(world, visit):
    record(world.client("technician"), visit, "note", text="a")
    pk = Entry.objects.get().pk
    assert world.client("own_user").get(reverse("maintenance:visit_entry", args=[pk])).status_code == 404
    world.technician = factories.make_user("technician")
    assert world.client("technician").get(reverse("maintenance:tech_entry", args=[pk])).status_code == 404


# --- query growth ---


@pytest.mark.parametrize("junk", ["abc", "-1", "1.5", "9" * 40])
@pytest.mark.parametrize("kind", ["battery", "walk_test", "note"])
def test_an_entry_about_nonsense_is_not_found(world, kind, junk):
    round = factories.make_round(world.technician)
    visit = factories.make_visit(world.own_site, round, state="open", arrived_at=factories.NOW)
    form = {"key": "8e0cf1a4-3f0c-4d1c-9f4e-000000000001", "registration": junk, "text": "x", "heard": "yes"}
    assert world.client("technician").post(f"/tech/visits/{visit.pk}/record/{kind}/", form).status_code == 404
