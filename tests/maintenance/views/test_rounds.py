"""Pages of rounds and of visits for the office."""

from datetime import date, time, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from company.models import Technician, TechnicianDayOff, TechnicianShift
from maintenance.models import DueItem, Round, Visit
from sites.models import SiteClosure, VisitingHours
from tests import factories


def tomorrow():
    return timezone.localdate() + timedelta(days=1)


@pytest.fixture
def round(world):
    round = factories.make_round(world.technician, state="draft", day=tomorrow(), name="Harbour side")
    factories.make_visit(world.own_site, round, planned_on=round.day)
    factories.make_visit(world.other_site, round, planned_on=round.day, position=2)
    return round


def fields_of(world, **over):
    fields = {
        "name": "North", "day": tomorrow().isoformat(), "technician": world.technician.pk, "starts": "08:30",
        "horizon_weeks": 4, "note": "",
    }  # fmt: skip
    return fields | over


def make_due(world, site, receiver, registration, fitting, due_on):
    return DueItem.objects.create(
        customer=site.customer, site=site, kind="cells", fitting=fitting, receiver=receiver, registration=registration,
        transmitter=registration.transmitter, duty="life_safety", harm=0, due_on=due_on, reason="calendar_cap",
        model_version="1", as_of=due_on,
    )  # fmt: skip


PAGES = ["round_list", "round_new", "visit_list"]


@pytest.mark.parametrize("name", PAGES)
def test_pages_of_rounds_are_the_offices_alone(world, round, name):
    url = reverse(f"maintenance:{name}")
    assert world.client("office").get(url).status_code == 200
    for who in ("technician", "own_user", "other_user"):
        assert world.client(who).get(url).status_code == 404


def test_sites_picked_on_the_list_of_what_is_due_become_a_draft(world):
    client = world.client("office")
    url = reverse("maintenance:round_new")
    page = client.get(url, {"site": [world.own_site.pk, world.other_site.pk, "abc", 999999]}).content.decode()
    assert world.own_site.name in page
    assert world.other_site.name in page
    answer = client.post(url, fields_of(world) | {"site": [world.own_site.pk, world.other_site.pk, world.own_site.pk]})
    round = Round.objects.get()
    assert answer.url == round.get_absolute_url()
    assert (round.state, round.visits.count()) == ("draft", 2)


@pytest.mark.parametrize(
    ("over", "words"),
    [
        ({"site": []}, "at least one site"),
        ({"day": "2001-01-01"}, "day is over"),
        ({"day": "31.02.2027"}, "valid date"),
        ({"horizon_weeks": 200}, "104"),
        ({"name": ""}, "required"),
    ],
)
def test_a_plan_that_cannot_be_comes_back_with_what_was_typed(world, over, words):
    fields = fields_of(world) | {"site": [world.own_site.pk]} | over
    answer = world.client("office").post(reverse("maintenance:round_new"), fields)
    assert answer.status_code == 422
    assert words in answer.content.decode()
    assert not Round.objects.exists()


def test_a_site_in_another_round_is_warned_about_before_and_after(world, round):
    client = world.client("office")
    page = client.get(reverse("maintenance:round_new"), {"site": world.own_site.pk}).content.decode()
    assert f'Already in <a href="{round.get_absolute_url()}">' in page
    other = factories.make_round(world.technician, state="draft", day=tomorrow())
    factories.make_visit(world.own_site, other, planned_on=other.day)
    assert f'Also in <a href="{other.get_absolute_url()}">' in client.get(round.get_absolute_url()).content.decode()


def test_the_page_of_a_round_warns_of_closed_doors_hours_days_off_and_long_days(world, round):
    details = Technician.objects.create(user=world.technician, start_latitude=56.0, start_longitude=-6.0)
    TechnicianShift.objects.create(
        technician=details, weekday=round.day.weekday(), begins=time(8, 45), ends=time(9, 0)
    )  # fmt: skip
    SiteClosure.objects.create(
        customer=world.own, site=world.own_site, kind="no_access", from_on=round.day,
        to_on=round.day + timedelta(days=1), reason="exams",
    )  # fmt: skip
    VisitingHours.objects.create(
        customer=world.other, site=world.other_site, weekday=round.day.weekday(), opens=time(6), closes=time(8)
    )  # fmt: skip
    client = world.client("office")
    page = client.get(round.get_absolute_url()).content.decode()
    assert "No access on that day: exams." in page
    assert "does not fit into the visiting hours (06:00–08:00)" in page
    assert "after the shift (09:00)" in page
    assert "before the shift begins at 08:45" in page
    TechnicianDayOff.objects.create(technician=details, day=round.day, reason="holiday")
    assert "does not work on that day: holiday" in client.get(round.get_absolute_url()).content.decode()


def test_a_closed_building_that_is_only_preferred_is_no_warning(world, round):
    SiteClosure.objects.create(
        customer=world.own, site=world.own_site, kind="preferred", from_on=round.day, to_on=round.day + timedelta(days=1)
    )  # fmt: skip
    assert "No access" not in world.client("office").get(round.get_absolute_url()).content.decode()


def press(client, name, pk, **fields):
    return client.post(reverse(f"maintenance:{name}", args=[pk]), fields)


def test_the_buttons_of_a_round_do_what_they_say(world, round):
    client = world.client("office")
    first, second = round.visits.order_by("position")
    assert press(client, "stop_shift", second.pk, version=1, by_places=-1).status_code == 302
    assert list(round.visits.order_by("position").values_list("pk", flat=True)) == [second.pk, first.pk]
    assert press(client, "stop_minutes", first.pk, version=2, minutes=75).status_code == 302
    assert press(client, "round_order", round.pk, version=3).status_code == 302
    other = factories.make_round(world.technician, state="draft", day=tomorrow())
    assert press(client, "stop_move", first.pk, version=4, to=other.pk).status_code == 302
    assert press(client, "stop_remove", second.pk, version=5).status_code == 302
    assert press(client, "stop_add", round.pk, version=6, site=world.other_site.pk, horizon_weeks=4).status_code == 302
    assert press(client, "round_publish", round.pk, version=7).status_code == 302
    first.refresh_from_db()
    round.refresh_from_db()
    assert (first.round, first.planned_minutes) == (other, 75)
    assert (round.state, round.version) == ("published", 8)
    assert press(client, "round_cancel", round.pk, version=8, reason="storm").status_code == 302
    round.refresh_from_db()
    assert round.state == "cancelled"


def test_a_button_of_an_old_page_is_refused_with_the_page_as_it_is_now(world, round):
    client = world.client("office")
    Round.objects.filter(pk=round.pk).update(version=5)
    answer = press(client, "round_publish", round.pk, version=4)
    assert answer.status_code == 422
    html = answer.content.decode()
    assert "changed after you opened the page" in html
    assert 'name="version" value="5"' in html
    round.refresh_from_db()
    assert round.state == "draft"


@pytest.mark.parametrize("fields", [{}, {"version": "x"}, {"version": 0}, {"version": "1", "minutes": 4}])
def test_a_button_with_something_missing_is_refused(world, round, fields):
    answer = press(world.client("office"), "stop_minutes", round.visits.first().pk, **fields)
    assert answer.status_code == 422


def test_buttons_are_not_there_for_technicians_and_customers(world, round):
    for who in ("technician", "own_user"):
        assert press(world.client(who), "round_publish", round.pk, version=1).status_code == 404
        assert press(world.client(who), "stop_remove", round.visits.first().pk, version=1).status_code == 404
    round.refresh_from_db()
    assert round.state == "draft"


def test_changing_the_day_works_the_stops_out_anew(world, round):
    client, url = world.client("office"), reverse("maintenance:round_edit", args=[round.pk])
    day = tomorrow() + timedelta(days=1)
    assert client.get(url).status_code == 200
    assert client.post(url, fields_of(world, day=day.isoformat()) | {"version": 9}).status_code == 422
    assert client.post(url, fields_of(world, day=day.isoformat()) | {"version": 1}).status_code == 302
    assert set(Visit.objects.values_list("planned_on", flat=True)) == {day}


def test_the_packing_list_sums_cells_per_code_and_adds_spares(world, round):
    for site, receiver, row, fitting in (
        (world.own_site, world.own_receiver, world.own_registration, world.own_fitting),
        (world.other_site, world.other_receiver, world.other_registration, world.other_fitting),
    ):
        make_due(world, site, receiver, row, fitting, tomorrow())
    url = reverse("maintenance:round_packing", args=[round.pk])
    answer = world.client("office").get(url, {"spares": 50})
    assert [(line.cells, line.n_needed, line.n_load) for line in answer.context["lines"]] == [("CR2450", 2, 3)]
    assert world.client("office").get(url, {"spares": "-3"}).context["percent"] == 10
    assert world.client("technician").get(reverse("maintenance:tech_packing", args=[round.pk])).status_code == 404
    Round.objects.filter(pk=round.pk).update(state="published")
    tech = world.client("technician").get(reverse("maintenance:tech_packing", args=[round.pk]))
    assert "CR2450" in tech.content.decode()
    assert world.client("own_user").get(url).status_code == 404


def test_standby_batteries_and_whole_units_are_packed_and_named(world, round):
    add = {"customer": world.own, "site": world.own_site, "receiver": world.own_receiver, "as_of": timezone.localdate()}
    DueItem.objects.create(kind="standby", duty="life_safety", harm=0, due_on=tomorrow(), **add)
    DueItem.objects.create(
        kind="unit", duty="security", harm=1, due_on=tomorrow(), transmitter=world.own_registration.transmitter,
        registration=world.own_registration, **add,
    )  # fmt: skip
    kind = world.own_registration.transmitter.type.label
    client = world.client("office")
    for url in (reverse("maintenance:round_packing", args=[round.pk]), round.get_absolute_url()):
        lines = client.get(url).context["lines"]
        assert {(line.cells, line.n_load) for line in lines} == {
            (f"standby battery, receiver {world.own_receiver.label}", 1),
            (kind, 1),
        }
    page = client.get(reverse("maintenance:due_list")).content.decode()
    assert f"{kind} ×1" in page
    assert f"standby battery, receiver {world.own_receiver.label} ×1" in page


def test_the_list_finds_rounds_by_site_technician_and_state(world, round):
    done = factories.make_round(world.technician, state="done", name="Long ago", day=date(2026, 1, 5))
    client, url = world.client("office"), reverse("maintenance:round_list")

    def shown(**query):
        return [row.pk for row in client.get(url, query).context["page"]]

    assert shown() == [round.pk]
    assert shown(state="all", q="ago") == [done.pk]
    assert shown(state="done") == [done.pk]
    assert shown(q=world.own_site.name) == [round.pk]
    assert shown(q=str(round.number)) == [round.pk]
    assert shown(technician=factories.make_user("technician").pk) == []


def test_the_remark_is_kept_and_bad_ones_come_back(world, round):
    visit = round.visits.first()
    client, url = world.client("office"), reverse("maintenance:visit_remark", args=[visit.pk])
    assert client.post(url, {"remark": "Come back for the stairwell."}).status_code == 302
    assert client.post(url, {"remark": "x" * 4001}).status_code == 422
    visit.refresh_from_db()
    assert visit.remark == "Come back for the stairwell."


def n_queries(client, url):
    client.get(url)
    with CaptureQueriesContext(connection) as caught:
        assert client.get(url).status_code == 200
    return len(caught)


@pytest.mark.parametrize("name", ["round_list", "visit_list", "tech_sites", "round_detail", "round_packing"])
def test_lists_ask_as_often_for_23_rows_as_for_3(world, round, name):
    who = "technician" if name.startswith("tech") else "office"
    args = [round.pk] if name in ("round_detail", "round_packing") else []
    client, url = world.client(who), reverse(f"maintenance:{name}", args=args)

    def add(n):
        for _ in range(n):
            site = factories.make_site()
            row = factories.make_registration(factories.make_receiver(site))
            make_due(world, site, row.receiver, row, factories.make_fitting(row.transmitter), round.day)
            factories.make_visit(site, round, planned_on=round.day, position=9)
            other = factories.make_round(world.technician, state="published", day=round.day)
            factories.make_visit(site, other, planned_on=round.day)

    add(1)
    few = n_queries(client, url)
    add(20)
    assert n_queries(client, url) == few


def test_the_office_says_who_goes(world, round):
    visit, colleague = round.visits.first(), factories.make_user("technician")
    client, url = world.client("office"), reverse("maintenance:visit_crew", args=[visit.pk])
    assert client.post(url, {"people": [world.office.pk]}).status_code == 422
    assert client.post(url, {"people": [colleague.pk]}).status_code == 302
    assert [row.user for row in visit.crew.all()] == [colleague]
    assert world.client("technician").post(url, {"people": [world.technician.pk]}).status_code == 404


def test_a_stop_that_is_over_is_not_packed_for_any_more(world, round):
    make_due(world, world.own_site, world.own_receiver, world.own_registration, world.own_fitting, tomorrow())
    client = world.client("office")
    detail, packing = round.get_absolute_url(), reverse("maintenance:round_packing", args=[round.pk])
    assert client.get(detail).context["n_changes"] == 1
    round.visits.filter(site=world.own_site).update(state="finished", finished_at=timezone.now())
    assert client.get(detail).context["n_changes"] == 0
    assert client.get(packing).context["lines"] == []
