"""The office's home page: every number is that of the list it leads to, nothing is said where there is nothing."""

from __future__ import annotations

import re
import uuid
from datetime import timedelta
from html import unescape
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from company.actions import record_change
from company.manner import day_said
from company.models import Customer, Firm, Job, Upload
from devices.models import CheckInDay, PlannedChange, Receiver
from maintenance.models import DueItem, FindingRecord, IssuedReport, RefreshRun, Request, RequestMessage
from maintenance.views.findings_shown import kind_title
from tests import factories
from tests.conftest import World
from tests.factories import NOW, TODAY
from tests.maintenance.views.test_findings import make, rest

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def home(world: World) -> str:
    response = world.client("office").get(reverse("maintenance:office_home"))
    assert response.status_code == 200
    return " ".join(response.content.decode().split())


def due(world: World, days: int, duty: str = "life_safety") -> DueItem:
    row = factories.make_registration(world.own_receiver, 2 + factories.number() % 60_000, duty=duty)
    return DueItem.objects.create(
        customer=world.own, site=world.own_site, kind="cells", fitting=factories.make_fitting(row.transmitter),
        receiver=world.own_receiver, registration=row, transmitter=row.transmitter, duty=duty,
        harm=("life_safety", "security", "convenience").index(duty), due_on=TODAY + timedelta(days=days),
        reason="calendar", model_version="1", as_of=TODAY,
    )  # fmt: skip


def job(key: str, state: str, result: Any = None) -> Job:
    return Job.objects.create(
        key=key, handler="maintenance.actions.findings.refresh_night", title="Work", state=state, result=result,
        created_at=NOW - timedelta(hours=1),
    )  # fmt: skip


def test_the_first_address_leads_the_office_here(world: World) -> None:
    assert world.client("office").get("/").url == reverse("maintenance:office_home")


def test_a_quiet_firm_is_told_so_and_what_that_rests_on(world: World) -> None:
    page = home(world)
    assert "Nothing is wrong that the records can tell." in page
    assert "Nothing is due within four weeks." in page
    assert "Nothing waits." in page
    assert "Nobody goes out today." in page
    assert page.count("2 receivers are known from visits only") == 1
    assert "No night has run yet" in page


def test_what_is_late_and_in_nobodys_round_is_the_top_line(world: World) -> None:
    due(world, -3)
    due(world, -1)
    due(world, -9, "security")
    assert "2 at 1 site" in home(world)
    factories.make_visit(world.own_site, factories.make_round(state="draft"))
    assert "2 only in a draft" in home(world)
    factories.make_visit(world.own_site, factories.make_round(state="published"))
    assert "Nothing on life safety is late without being in a published round." in home(world)


def test_what_is_due_is_counted_by_harm_and_span(world: World) -> None:
    for days in (-1, 0, 6, 7, 28, 29):
        due(world, days, "security")
    due(world, 3)
    page = home(world)
    assert '<b>1</b><div><a href="/due/?late=1">late</a>' in page
    assert '<b>4</b><div><a href="/due/?weeks=1&amp;late=0">due within a week</a>' in page
    assert '<b>5</b><div><a href="/due/?weeks=4&amp;late=0">due within four weeks</a>' in page
    assert "1 life safety" in page


def test_findings_stand_by_kind_worst_first_and_a_single_one_with_its_place(world: World) -> None:
    make(world, "mixed_lots", harm=10)
    make(world, "mixed_lots", harm=10)
    one = make(world, "silent", harm=0, duty="life_safety")
    make(world, "standing_fault", harm=0, duty="life_safety")
    rest(make(world, "no_spare_slot"), 3)
    page = home(world)
    assert page.index(kind_title("silent")) < page.index("Mixed lots in one set")
    # Told above, as it is this second.
    assert "Fault not cleared" not in page
    assert one.where in page
    assert "at 1 site" in page
    assert "1 snoozed" in page
    assert "No spare slot" not in page


def ask(world: World, *, answered: bool) -> None:
    asked = Request.objects.create(customer=world.own, site=world.own_site, by=world.own_user, title="Help", at=NOW)
    RequestMessage.objects.create(request=asked, customer=world.own, by=world.own_user, text="Please")
    if answered:
        RequestMessage.objects.create(request=asked, customer=world.own, by=world.office, text="Yes")


def finished(world: World, days: int, *, reported: bool = False) -> None:
    visit = factories.make_visit(world.own_site, state="finished", finished_at=NOW - timedelta(days=days))
    if reported:
        IssuedReport.objects.create(
            customer=world.own, site=world.own_site, visit=visit, kind="service_report", number=f"SR-{visit.pk}",
            title="Report", data={}, content=b"%PDF", sha256="0" * 64,
        )  # fmt: skip


def plan(world: World, **over: Any) -> None:
    PlannedChange.objects.create(
        customer=world.own,
        site=world.own_site,
        receiver=world.own_receiver,
        slot=9,
        kind="register",
        reason="new",
        **over,
    )


def workbook(world: World) -> uuid.UUID:
    content = uuid.uuid4().bytes
    upload = Upload.objects.create(
        kind="workbook", name="book.xlsx", sha256=content.hex() * 2, content=content, by=world.office,
        at=NOW - timedelta(hours=1),
    )  # fmt: skip
    return upload.uuid


def checked(world: World, **result: Any) -> None:
    job(f"workbook-check:{workbook(world)}", "done", {"preview": "abc"} | result)


def applied(world: World) -> None:
    number = workbook(world)
    job(f"workbook-check:{number}", "done", {"preview": "abc"})
    job(f"workbook-apply:{number}:abc", "done", {"applied": True})


def refused_job(world: World) -> None:
    """What somebody asked for and was refused, in words: an answer, not a fault."""
    Job.objects.filter(pk=job("refused", "failed").pk).update(requested_by=world.office, error="It rests on it.")


def back_today(world: World) -> None:
    rest(make(world), 0)


WAITING: list[tuple[str, Any, Any]] = [
    ("request without an answer", lambda w: ask(w, answered=False), lambda w: ask(w, answered=True)),
    ("request answered and still open", lambda w: ask(w, answered=True), lambda w: ask(w, answered=False)),
    ("finished visit without a report", lambda w: finished(w, 3), lambda w: (finished(w, 3, reported=True), finished(w, 31))),
    ("round to publish", lambda w: factories.make_round(state="draft"), lambda w: factories.make_round(state="draft", day=TODAY - timedelta(days=1))),
    ("import checked, to be applied", lambda w: checked(w), lambda w: (checked(w, faults=2), checked(w, is_empty=True), applied(w))),
    ("planned change not made yet", lambda w: plan(w), lambda w: plan(w, done_at=NOW)),
    ("no longer snoozed since today", back_today, lambda w: rest(make(w), 1)),
    ("invitation not taken up", lambda w: factories.make_user("technician", invited_at=NOW), lambda w: factories.make_user("technician", invited_at=NOW, last_login=NOW)),
    ("background job failed", lambda w: job("failed", "failed"), lambda w: (job("done", "done"), refused_job(w))),
]  # fmt: skip


@pytest.mark.parametrize(("words", "plant", "other"), WAITING, ids=[words for words, _, _ in WAITING])
def test_what_waits_is_counted_and_what_does_not_is_not(world: World, words: str, plant: Any, other: Any) -> None:
    other(world)
    assert words not in home(world)
    plant(world)
    page = home(world)
    start = page.index(words)
    assert "<b>1</b>" in page[start - 200 : start]


def rows_of(page: str) -> int:
    """Rows of the table of a list."""
    body = page.partition("<tbody>")[2]
    return body.partition("</tbody>")[0].count("<tr") if body else 0


@pytest.mark.parametrize(("words", "plant", "other"), WAITING, ids=[words for words, _, _ in WAITING])
def test_a_number_that_waits_opens_exactly_the_rows_it_counts(world: World, words: str, plant: Any, other: Any) -> None:
    other(world)
    plant(world)
    found = re.search(rf'<b>1</b><div><a href="([^"]+)">{words}', home(world))
    assert found, words
    page = world.client("office").get(unescape(found[1]))
    assert page.status_code == 200
    counted = page.context["n"] if words.startswith("no longer snoozed") else page.context["page"].paginator.count
    assert counted == 1
    assert rows_of(page.content.decode()) == 1 or words.startswith("no longer snoozed")


@pytest.mark.parametrize(
    ("words", "key"), [("late", "late"), ("due within a week", "soon"), ("due within four weeks", "soon")]
)
def test_a_number_that_is_due_opens_exactly_what_it_counts(world: World, words: str, key: str) -> None:
    for days in (-1, -2, 0, 6, 7, 8, 28, 29):
        due(world, days)
    found = re.search(rf'<b>(\d+)</b><div><a href="([^"]+)">{words}<', home(world))
    assert found
    page = world.client("office").get(unescape(found[2]))
    assert page.context["tally"][key] == int(found[1])
    listed = sum(site[n] for site in page.context["page"] for n in ("n_grave", "n_late", "n_soon", "n_later"))
    assert listed == int(found[1])


def test_todays_rounds_stand_with_what_is_done(world: World) -> None:
    round = factories.make_round(world.technician, name="Harbour side")
    factories.make_visit(world.own_site, round, state="finished", finished_at=NOW)
    factories.make_visit(world.other_site, round)
    factories.make_round(name="Tomorrow's", day=TODAY + timedelta(days=1))
    page = home(world)
    assert "Harbour side" in page
    assert "1 of 2 stops done" in page
    assert "Tomorrow" not in page


@pytest.mark.parametrize(
    ("run", "failed", "words"),
    [
        ({"state": "closed", "started_at": NOW - timedelta(hours=7), "closed_at": NOW - timedelta(hours=7) + timedelta(seconds=40)}, False, "in 40 s"),
        ({"started_at": NOW - timedelta(minutes=1)}, False, "Running since"),
        ({"started_at": NOW - timedelta(hours=7)}, True, "failed."),
        ({"state": "closed", "started_at": NOW - timedelta(days=3), "closed_at": NOW - timedelta(days=3)}, False, "left running at night"),
    ],
    ids=["fine", "running", "failed", "old"],
)  # fmt: skip
def test_last_night_is_told_truly(world: World, run: dict[str, Any], failed: bool, words: str) -> None:
    RefreshRun.objects.create(business_day=TODAY, model_version="1", **run)
    if failed:
        job(f"due:{TODAY.isoformat()}:fit", "failed")
    assert words in home(world)


def test_an_empty_firm_is_shown_its_first_steps_and_they_tick_themselves_off(db: Any) -> None:
    client = Client()
    manager = factories.make_manager()
    client.force_login(manager, backend="allauth.account.auth_backends.AuthenticationBackend")
    url = reverse("maintenance:office_home")
    page = client.get(url).content.decode()
    assert "0 of 5 done" in page
    assert "Needs a person" not in page
    Customer.objects.create(code="C1", name="First")
    assert "1 of 5 done" in client.get(url).content.decode()
    factories.make_registration()
    factories.make_user("technician")
    page = client.get(url).content.decode()
    assert "3 of 5 done" in page
    assert "Needs a person" in page
    record_change(by=manager, at=NOW, verb="save_policy", subject=manager)
    assert "Name your firm and its letterhead" in client.get(url).content.decode()
    Firm.objects.update_or_create(pk=1, defaults={"name": "Tide Signals", "address": ""})
    page = client.get(url).content.decode()
    assert "4 of 5 done" in page
    assert "Its name is on record; its address is not yet." in page
    Firm.objects.update_or_create(pk=1, defaults={"name": "Tide Signals", "address": "1 Quay Road"})
    assert "First steps" not in client.get(url).content.decode()


def test_the_page_asks_few_questions_however_much_there_is(world: World) -> None:
    client, url = world.client("office"), reverse("maintenance:office_home")

    def asked() -> list[str]:
        client.get(url)
        with CaptureQueriesContext(connection) as caught:
            client.get(url)
        return [query["sql"] for query in caught.captured_queries]

    few = asked()
    for n in range(12):
        make(world)
        due(world, n - 5)
        ask(world, answered=bool(n % 2))
        finished(world, 2)
        factories.make_visit(world.own_site, factories.make_round(world.technician))
        job(f"failed {n}", "failed")
    many = asked()
    assert len(many) == len(few)
    sign_in = [sql for sql in many if "django_session" in sql or 'FROM "company_user" WHERE "company_user"."id"' in sql]
    assert len(many) - len(sign_in) <= 14, "\n".join(many)
    assert FindingRecord.objects.count() == 12
    assert Receiver.objects.count() == 2


def test_days_of_a_wrong_clock_are_named_where_the_health_of_the_night_stands(world: World) -> None:
    row = factories.make_registration(world.own_receiver, 60)
    assert "wrong clock" not in home(world)
    for days in (400, 900):
        CheckInDay.objects.create(
            customer_id=world.own.pk, transmitter_id=row.transmitter_id, day=TODAY + timedelta(days=days), expected=96, heard=96, loss_runs=0,
            activations=0, flags=0,
        )  # fmt: skip
    page = home(world)
    assert "2 days of check-ins are of a wrong clock" in page
    assert f"The last is {day_said(TODAY + timedelta(days=900))}" in unescape(page)
