"""The technician's sheet over HTTP: who sees what, double sends, gates, corrections, query growth."""

import re
import uuid
from datetime import date, timedelta

import pytest
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from devices.models import Fitting, FittingEnd
from maintenance.models import DueItem, Entry, Visit
from sites.actions import save_access_note
from sites.models import AccessNoteShown, MonitoringCentre
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


def battery(client, world, visit, **over):
    fields = {"registration": world.own_registration.pk, "cells": "cr2450", "n_cells": 1, "old_why": "preventive"}
    return record(client, visit, "battery", **(fields | over))


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
    note = save_access_note(site=world.own_site, title="Key safe", text="2580", by=world.office, at=timezone.now())
    client = world.client("technician")
    page = client.get(reverse("maintenance:tech_site", args=[world.own_site.pk])).content.decode()
    assert "shown on a visit" in page
    assert "2580" not in page
    sheet = client.get(sheet_url(visit)).content.decode()
    assert "Key safe" in sheet
    assert "2580" not in sheet
    url = reverse("maintenance:tech_access_note", args=[visit.pk, note.pk])
    assert client.get(url).status_code == 405
    answer = client.post(url)
    assert "2580" in answer.content.decode()
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
    note = save_access_note(site=world.own_site, title="Key safe", text="2580", by=world.office, at=timezone.now())
    day = timezone.localdate(timezone=world.own_site.zone) + timedelta(days=days)
    over = timezone.now() if state == "finished" else None
    Visit.objects.filter(pk=visit.pk).update(state=state, planned_on=day, finished_at=over)
    answer = world.client("technician").post(reverse("maintenance:tech_access_note", args=[visit.pk, note.pk]))
    assert answer.status_code == {True: 200, False: 422, None: 404}[is_shown]
    assert ("2580" in answer.content.decode()) is (is_shown is True)
    assert AccessNoteShown.objects.exists() is (is_shown is True)


def test_a_code_is_shown_for_nobody_elses_visit_and_at_no_other_site(world, visit):
    here = save_access_note(site=world.own_site, title="Key safe", text="2580", by=world.office, at=timezone.now())
    elsewhere = save_access_note(site=world.other_site, title="Gate", text="7391", by=world.office, at=timezone.now())
    client = world.client("technician")
    assert client.post(reverse("maintenance:tech_access_note", args=[visit.pk, elsewhere.pk])).status_code == 404
    world.technician = factories.make_user("technician")
    other = world.client("technician").post(reverse("maintenance:tech_access_note", args=[visit.pk, here.pk]))
    assert other.status_code == 404
    assert not AccessNoteShown.objects.exists()


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


# --- query growth ---


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


@pytest.mark.parametrize("junk", ["abc", "-1", "1.5", "9" * 40])
@pytest.mark.parametrize("kind", ["battery", "walk_test", "note"])
def test_an_entry_about_nonsense_is_not_found(world, kind, junk):
    round = factories.make_round(world.technician)
    visit = factories.make_visit(world.own_site, round, state="open", arrived_at=factories.NOW)
    form = {"key": "8e0cf1a4-3f0c-4d1c-9f4e-000000000001", "registration": junk, "text": "x", "heard": "yes"}
    assert world.client("technician").post(f"/tech/visits/{visit.pk}/record/{kind}/", form).status_code == 404
