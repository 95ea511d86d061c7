"""The panel of a site's page: what is planned there, what was done, which papers came of it, what was asked for."""

from __future__ import annotations

from datetime import timedelta

from django.urls import reverse
from django.utils import timezone

from maintenance.models import IssuedReport, Request
from tests import factories
from tests.house.test_query_growth import assert_same_queries


def panel(world, who="office"):
    return world.client(who).get(reverse("maintenance:site_work_panel", args=[world.own_site.pk]))


def text_of(world):
    return " ".join(panel(world).content.decode().split())


def done_visit(world, days_ago=10):
    at = timezone.now() - timedelta(days=days_ago)
    return factories.make_visit(
        world.own_site, state="finished", planned_on=at.date(), finished_at=at, finished_by=world.technician
    )


def issue(world, visit, revision=1):
    return IssuedReport.objects.create(
        customer=world.own, site=world.own_site, visit=visit, kind="service_report", number="R-7", revision=revision,
        title="Service report", data={}, content=b"x", sha256="0" * 64,
    )  # fmt: skip


def test_it_says_when_who_comes_next_and_whether_the_day_has_passed(world):
    today = timezone.localdate()
    round = factories.make_round(world.technician, day=today)
    factories.make_visit(world.own_site, round, planned_on=today)
    text = text_of(world)
    assert "(today)" in text
    assert f"round {round.number}" in text
    assert world.technician.name in text
    world.own_site.visits.update(planned_on=today - timedelta(days=3))
    assert "its day has passed" in text_of(world)


def test_a_round_that_is_still_being_planned_says_that_nobody_was_told(world):
    round = factories.make_round(world.technician, state="draft")
    factories.make_visit(world.own_site, round, planned_on=timezone.localdate() + timedelta(days=5))
    assert "not told yet" in text_of(world)


def test_the_last_visit_leads_to_the_newest_revision_of_its_report(world):
    visit = done_visit(world)
    assert "no report issued" in text_of(world)
    issue(world, visit)
    second = issue(world, visit, revision=2)
    text = text_of(world)
    assert "revision 2" in text
    assert second.get_absolute_url() in text.partition("Newest papers")[0]


def test_what_was_asked_for_stands_there_until_it_is_done(world):
    row = Request.objects.create(customer=world.own, site=world.own_site, by=world.own_user, title="Lamp is dark")
    assert "Lamp is dark" in text_of(world)
    row.state = "done"
    row.save()
    assert "Lamp is dark" not in text_of(world)


def test_nothing_planned_and_nothing_done_is_said(world):
    text = text_of(world)
    assert "No visit is planned." in text
    assert "No visit has been recorded here yet." in text


def test_it_is_the_offices_alone(world):
    for who in ("technician", "own_user"):
        assert panel(world, who).status_code == 404


def test_it_takes_the_same_number_of_queries_however_much_was_done(world):
    def grow(n):
        for number in range(n):
            issue_of = done_visit(world, days_ago=5 + number)
            IssuedReport.objects.create(
                customer=world.own, site=world.own_site, visit=issue_of, kind="service_report",
                number=f"R-{factories.number()}", title="x", data={}, content=b"x", sha256="0" * 64,
            )  # fmt: skip

    assert_same_queries(world.client("office"), reverse("maintenance:site_work_panel", args=[world.own_site.pk]), grow)
