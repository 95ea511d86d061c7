"""Pages of papers, of the portal and of search: who sees what, the bytes, and how many queries a list takes."""

from __future__ import annotations

import hashlib
from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from company.jobs import run_ready
from company.models import Job
from devices.models import CheckInDay
from maintenance.actions.reports import ask_for_service_report, ask_for_slot_map, release_to_portal
from maintenance.models import DueItem, IssuedReport, Request, RequestMessage
from sites.models import PortalSite
from tests import factories
from tests.conftest import World
from tests.maintenance.reports.paper_world import PaperWorld, do, make_paper_world

NOW = factories.NOW
pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def signed_in(user: Any) -> Client:
    client = Client()
    client.force_login(user, backend="allauth.account.auth_backends.AuthenticationBackend")
    return client


@pytest.fixture
def papers(world: World) -> PaperWorld:
    """A reported visit at a site of the own customer."""
    made = make_paper_world(factories.make_site(world.own, name="Lantern House"))
    do(ask_for_service_report(visit=made.visit, by=world.office, at=NOW))
    return made


def queries(client: Client, url: str) -> int:
    with CaptureQueriesContext(
        connection,
    ) as found:
        assert client.get(url).status_code == 200
    return len(found)


# --- technicians -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("kind", "query"), [("slot_map", ""), ("lid_label", "?choose=1")])
def test_a_technician_makes_and_opens_the_papers_of_a_receiver(world: World, kind: str, query: str) -> None:
    receiver, client = world.own_receiver, world.client("technician")
    address = reverse(f"maintenance:tech_{kind}_pdf", args=[receiver.pk])
    # The office has asked for the same paper: its job is not the technician's to see.
    ask_for_slot_map(receiver=receiver, by=world.office, at=NOW, kind=kind)
    page = client.get(reverse("devices:tech_slot_map", args=[receiver.pk])).content.decode()
    assert f'href="{address}{query}"' in page
    assert client.get(address).status_code == 200
    job = client.post(address).headers["Location"]
    assert client.get(job).status_code == 200
    run_ready()
    made = IssuedReport.objects.get(kind=kind)
    file = reverse("maintenance:tech_report_file", args=[made.pk])
    assert f'href="{file}"' in client.get(job).content.decode()
    assert client.get(address).headers["Location"] == file
    assert client.get(file).content.startswith(b"%PDF")


def test_a_label_printed_in_the_other_size_is_told(world: World) -> None:
    receiver, client = world.own_receiver, world.client("office")
    address = reverse("maintenance:lid_label_pdf", args=[receiver.pk])
    assert "It has not been printed yet" in client.get(f"{address}?choose=1").content.decode()
    other = "letter" if receiver.customer.paper == "a4" else "a4"
    client.post(address, {"paper": other})
    run_ready()
    page = client.get(f"{address}?choose=1").content.decode()
    assert "It has not been printed yet" not in page
    assert "as the records are now in another size" in page
    assert reverse("maintenance:report_file", args=[IssuedReport.objects.get(kind="lid_label").pk]) in page


def test_a_technician_gets_no_report_to_a_customer(papers: PaperWorld, world: World) -> None:
    report = IssuedReport.objects.get(kind="service_report")
    file = reverse("maintenance:tech_report_file", args=[report.pk])
    assert world.client("technician").get(file).status_code == 404


# --- office ------------------------------------------------------------------------------------------------------------


def test_the_office_issues_a_report_from_a_finished_visit_once(world: World) -> None:
    visit = make_paper_world(factories.make_site(world.own)).visit
    client = world.client("office")
    assert "Issue the report" in client.get(f"/visits/{visit.pk}/report/").content.decode()
    answers = [client.post(f"/visits/{visit.pk}/report/") for _ in range(2)]
    assert answers[0].headers["Location"] == answers[1].headers["Location"]
    run_ready()
    report = IssuedReport.objects.get()
    assert Job.objects.get().result_url == f"/reports/{report.pk}/"
    page = client.get(f"/reports/{report.pk}/").content.decode()
    assert report.sha256 in page
    assert "Issue revision 2" in page


def test_a_correction_without_a_reason_comes_back_with_words(papers: PaperWorld, world: World) -> None:
    answer = world.client("office").post(f"/visits/{papers.visit.pk}/report/", {"what_changed": "  "})
    assert answer.status_code == 422
    assert "what the new revision corrects" in answer.content.decode()


def test_an_unfinished_visit_is_refused_in_words(world: World) -> None:
    visit = factories.make_visit(world.own_site)
    answer = world.client("office").post(f"/visits/{visit.pk}/report/")
    assert answer.status_code == 422
    assert "not finished" in answer.content.decode()


def test_the_file_is_the_issued_bytes_with_their_digest_as_etag(papers: PaperWorld, world: World) -> None:
    report = IssuedReport.objects.get()
    client = world.client("office")
    answer = client.get(f"/reports/{report.pk}/file/")
    assert answer.content == bytes(report.content)
    assert hashlib.sha256(answer.content).hexdigest() == report.sha256
    assert answer.headers["Content-Type"] == "application/pdf"
    assert answer.headers["Content-Disposition"] == f'attachment; filename="{report.number}-r1.pdf"'
    assert answer.headers["Cache-Control"] == "private, no-cache"
    again = client.get(f"/reports/{report.pk}/file/", headers={"If-None-Match": answer.headers["ETag"]})
    assert (again.status_code, again.content) == (304, b"")


def test_the_list_finds_by_word_kind_customer_and_day(papers: PaperWorld, world: World) -> None:
    do(ask_for_slot_map(receiver=world.other_receiver, by=world.office, at=NOW))
    service, slot_map = IssuedReport.objects.order_by("kind")
    assert (service.kind, slot_map.kind) == ("service_report", "slot_map")
    client = world.client("office")
    for query, wanted in (
        ("", {service, slot_map}), ("q=lantern", {service}), ("kind=slot_map", {slot_map}), ("kind=nonsense", {service, slot_map}),
        (f"customer={world.other.pk}", {slot_map}), ("customer=x", {service, slot_map}), ("from=2026-11-25&to=2026-11-25", {service, slot_map}),
        ("to=2026-11-24", set()), ("from=2026-13-45", {service, slot_map}), (f"q={slot_map.number}", {slot_map}),
    ):  # fmt: skip
        assert set(client.get(f"/reports/?{query}").context["page"].object_list) == wanted, query


def test_a_slot_map_is_made_only_by_asking_and_then_given_as_it_is(world: World) -> None:
    client, url = world.client("office"), f"/receivers/{world.own_receiver.pk}/slot-map.pdf"
    assert "Make the PDF" in client.get(url).content.decode()
    assert not Job.objects.exists()
    assert client.post(url).headers["Location"].startswith("/jobs/")
    run_ready()
    report = IssuedReport.objects.get()
    assert client.get(url).headers["Location"] == f"/reports/{report.pk}/file/"
    assert client.post(url).headers["Location"] == f"/reports/{report.pk}/"


@pytest.mark.parametrize("on", ["2026-11-20", "2026-11-26", "nonsense", "9999-99-99", ""])
def test_the_day_of_a_slot_map_may_be_anything(world: World, on: str) -> None:
    url = f"/receivers/{world.own_receiver.pk}/slot-map.pdf"
    answer = world.client("office").get(url, {"on": on})
    assert answer.status_code == 200
    assert (
        answer.context["on"] == (NOW - timedelta(days=5)).date() if on == "2026-11-20" else answer.context["on"] is None
    )


# --- printed codes -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", ["/r/{}/", "/R/{}/"])
def test_a_printed_code_opens_each_persons_own_page(world: World, path: str) -> None:
    receiver = world.own_receiver
    url = path.format(receiver.code)
    assert world.client("office").get(url).headers["Location"] == f"/receivers/{receiver.pk}/"
    assert world.client("own_user").get(url).headers["Location"] == f"/portal/receivers/{receiver.code}/"
    assert world.client("own_user").get(path.format(receiver.code.lower())).status_code == 302
    assert world.client("other_user").get(url).status_code == 404
    assert world.client("office").get(path.format("AAAAAAAAAA")).status_code == 404
    anonymous = Client().get(url)
    assert anonymous.headers["Location"] == f"/accounts/login/?next={url}"


def test_a_printed_code_takes_a_technician_to_the_site_on_the_phone(world: World) -> None:
    answer = world.client("technician").get(f"/r/{world.own_receiver.code}/")
    assert answer.headers["Location"].startswith("/tech/")


# --- portal ------------------------------------------------------------------------------------------------------------


def test_the_customer_downloads_the_very_bytes_that_were_issued(papers: PaperWorld, world: World) -> None:
    report = IssuedReport.objects.get()
    client = world.client("own_user")
    listed = client.get("/portal/reports/").content.decode()
    assert f"/portal/reports/{report.uuid}/file/" in listed
    assert client.get(f"/portal/reports/{report.uuid}/file/").content == bytes(report.content)
    assert client.get(f"/portal/reports/{report.uuid}/").status_code == 200


def test_another_customers_things_are_not_there(papers: PaperWorld, world: World) -> None:
    report, request = IssuedReport.objects.get(), _request(world)
    client = world.client("other_user")
    for url in (
        f"/portal/reports/{report.uuid}/", f"/portal/reports/{report.uuid}/file/", f"/portal/sites/{world.own_site.uuid}/",
        f"/portal/receivers/{world.own_receiver.code}/", f"/portal/receivers/{world.own_receiver.code}/slot-map.pdf",
        f"/portal/requests/{request.uuid}/", f"/portal/sites/{world.own_site.uuid}/ask/", f"/portal/jobs/{Job.objects.get().uuid}/",
        f"/reports/{report.pk}/", f"/reports/{report.pk}/file/", f"/receivers/{world.own_receiver.pk}/slot-map.pdf",
    ):  # fmt: skip
        assert client.get(url).status_code == 404, url
        assert client.post(url).status_code in (404, 405), url
    assert "Lantern House" not in client.get("/portal/").content.decode()
    assert report.number not in client.get("/portal/reports/").content.decode()


def test_a_limited_person_sees_only_their_sites(papers: PaperWorld, world: World) -> None:
    limited = factories.make_portal_user(world.own, is_limited=True)
    PortalSite.objects.create(access=limited.portal_access.get(), site=world.own_site)
    client = signed_in(limited)
    page = client.get("/portal/").content.decode()
    assert world.own_site.name in page
    assert "Lantern House" not in page
    assert client.get(f"/portal/sites/{papers.visit.site.uuid}/").status_code == 404
    assert client.get(f"/portal/receivers/{papers.receiver.code}/").status_code == 404
    assert client.get(f"/portal/reports/{IssuedReport.objects.get().uuid}/file/").status_code == 404


def test_a_paper_kept_back_is_not_in_the_portal(papers: PaperWorld, world: World) -> None:
    report = IssuedReport.objects.get()
    release_to_portal(report=report, is_shown=False, by=world.office, at=NOW)
    assert world.client("own_user").get(f"/portal/reports/{report.uuid}/file/").status_code == 404
    answer = world.client("office").post(f"/reports/{report.pk}/portal/", {"show": "yes"})
    assert answer.status_code == 302
    assert world.client("own_user").get(f"/portal/reports/{report.uuid}/file/").status_code == 200


def test_the_customer_makes_a_slot_map_and_sees_its_job_though_the_office_asked_first(world: World) -> None:
    ask_for_slot_map(receiver=world.own_receiver, by=world.office, at=NOW)
    client, url = world.client("own_user"), f"/portal/receivers/{world.own_receiver.code}/slot-map.pdf"
    job = client.post(url).headers["Location"]
    assert "being made" in client.get(job).content.decode()
    run_ready()
    report = IssuedReport.objects.get()
    assert f"/portal/reports/{report.uuid}/" in client.get(job).content.decode()
    assert client.post(url).headers["Location"] == f"/portal/reports/{report.uuid}/file/"
    release_to_portal(report=report, is_shown=False, by=world.office, at=NOW)
    assert "has not released it" in client.post(url).content.decode()


def test_the_sentence_obeys_the_evidence_of_the_receiver(world: World) -> None:
    receiver, client = world.own_receiver, world.client("own_user")
    assert "Not yet visited: nothing is known." in client.get("/portal/").content.decode()
    receiver.evidence = "exceptions"
    receiver.link_tested_at = NOW - timedelta(hours=4)
    receiver.save()
    assert "No fault reported, link tested 06:00." in client.get("/portal/").content.decode()
    receiver.evidence, receiver.heard_until = "every", NOW
    receiver.save()
    CheckInDay.objects.create(
        transmitter_id=world.own_registration.transmitter_id,
        day=NOW.date(),
        customer_id=world.own.pk,
        heard=3,
        last_heard_s=34000,
    )
    page = client.get(f"/portal/sites/{world.own_site.uuid}/").content.decode()
    assert "1 of 1 heard by 09:26, last delivery 10:00." in page
    assert (
        client.get(f"/portal/receivers/{receiver.code}/")
        .content.decode()
        .count("1 of 1 heard by 09:26, last delivery 10:00.")
        == 1
    )


def test_the_next_visit_is_told_once_its_round_is_published(world: World) -> None:
    round_ = factories.make_round(world.technician, state="draft", day=NOW.date() + timedelta(days=9))
    factories.make_visit(world.own_site, round_, planned_on=round_.day)
    DueItem.objects.create(
        customer=world.own, site=world.own_site, kind="cells", fitting=world.own_fitting, receiver=world.own_receiver,
        registration=world.own_registration, transmitter=world.own_registration.transmitter, duty="life_safety", harm=0,
        due_on=round_.day, reason="x", model_version="1", as_of=NOW.date(),
    )  # fmt: skip
    client = world.client("own_user")
    assert "No visit is announced." in client.get("/portal/").content.decode()
    round_.state = "published"
    round_.save()
    assert "Next visit on 4 December, for 1 battery." in client.get("/portal/").content.decode()
    assert "Next visit" not in world.client("other_user").get("/portal/").content.decode()


def test_the_slot_map_is_shown_as_of_a_past_day(world: World) -> None:
    row = world.own_registration
    row.removed_at = NOW - timedelta(days=1)
    row.save()
    client, url = world.client("own_user"), f"/portal/receivers/{world.own_receiver.code}/"
    assert "Room 1" not in client.get(url).content.decode()
    past = client.get(url, {"on": "2026-11-20"}).content.decode()
    assert "Room 1" in past
    assert "end of 20 Nov 2026" in past
    assert "still to come" in client.get(url, {"on": "2027-01-01"}).content.decode()


# --- requests ----------------------------------------------------------------------------------------------------------


def _request(world: World) -> Request:
    request = Request.objects.create(customer=world.own, site=world.own_site, by=world.own_user, title="Lamp stays on")
    RequestMessage.objects.create(request=request, customer=world.own, by=world.own_user, text="Since Monday.")
    return request


def test_a_request_is_asked_once_answered_and_done(world: World) -> None:
    client, url = world.client("own_user"), f"/portal/sites/{world.own_site.uuid}/ask/"
    form = {"title": "Lamp stays on", "text": "Since <b>Monday</b>.", "key": str(uuid4())}
    assert client.post(url, form | {"text": " "}).status_code == 422
    answers = {client.post(url, form).headers["Location"] for _ in range(2)}
    asked = Request.objects.get()
    client.post(url, form | {"text": "Another thing, typed in a second window."})
    assert Request.objects.count() == 2
    Request.objects.exclude(pk=asked.pk).get().messages.get()
    assert answers == {f"/portal/requests/{asked.uuid}/"}
    office = world.client("office")
    assert "Lamp stays on" in office.get("/requests/").content.decode()
    office.post(f"/requests/{asked.pk}/", {"text": "We come on Friday.", "state": "planned"})
    page = client.get(f"/portal/requests/{asked.uuid}/").content.decode()
    assert "We come on Friday." in page
    assert "&lt;b&gt;Monday&lt;/b&gt;" in page
    office.post(f"/requests/{asked.pk}/", {"text": "", "state": "done"})
    assert client.post(f"/portal/requests/{asked.uuid}/", {"text": "Thanks"}).status_code == 422
    assert office.post(f"/requests/{asked.pk}/", {"state": "nonsense"}).status_code == 422


def test_a_request_keeps_every_word_and_nothing_that_no_screen_shows(world: World) -> None:
    client, url = world.client("own_user"), f"/portal/sites/{world.own_site.uuid}/ask/"
    form = {"title": "Lamp\x00 \u202eon", "text": "Since\x1b Monday", "key": str(uuid4())}
    assert client.post(url, form | {"title": "x" * 121}).status_code == 422
    assert client.post(url, form | {"text": "x" * 5001}).status_code == 422
    assert not Request.objects.exists()
    assert client.post(url, form).status_code == 302
    asked = Request.objects.get()
    assert (asked.title, asked.messages.get().text) == ("Lamp on", "Since Monday")


# --- growth ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("who", "url"),
    [
        ("office", "/reports/"), ("office", "/requests/"), ("office", "/search/?q=Room"), ("own_user", "/portal/"),
        ("own_user", "/portal/reports/"), ("own_user", "/portal/requests/"),
    ],
)  # fmt: skip
def test_a_list_takes_the_same_number_of_queries_for_many_rows(world: World, who: str, url: str) -> None:
    def grow(n: int) -> None:
        for _ in range(n):
            site = factories.make_site(world.own)
            receiver = factories.make_receiver(site)
            row = factories.make_registration(receiver, 1)
            factories.make_fitting(row.transmitter)
            factories.make_visit(site, factories.make_round(world.technician), planned_on=factories.TODAY)
            IssuedReport.objects.create(
                customer=world.own, site=site, receiver=receiver, kind="slot_map", number=f"SM-{receiver.code}", title="x",
                data={}, content=b"x", sha256="0" * 64, issued_by=world.office,
            )  # fmt: skip
            asked = Request.objects.create(customer=world.own, site=site, by=world.own_user, title="x")
            RequestMessage.objects.create(request=asked, customer=world.own, by=world.own_user, text="x")

    client = world.client(who)
    grow(3)
    few = queries(client, url)
    grow(14)
    assert queries(client, url) == few


def test_the_portals_site_and_slot_map_take_the_same_number_of_queries_for_many_slots(world: World) -> None:
    client = world.client("own_user")
    site, receiver = world.own_site, world.own_receiver
    urls = (f"/portal/sites/{site.uuid}/", f"/portal/receivers/{receiver.code}/")
    few = [queries(client, url) for url in urls]
    for slot in range(2, 30):
        factories.make_fitting(factories.make_registration(receiver, slot).transmitter)
    for _ in range(5):
        factories.make_registration(factories.make_receiver(site), 1)
    assert [queries(client, url) for url in urls] == few
