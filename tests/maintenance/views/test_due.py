"""Pages of due dates."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from company.models import Firm
from devices.models import Fitting
from maintenance.actions import due
from maintenance.models import DueItem
from tests import factories
from tests.conftest import World
from tests.factories import NOW, TODAY

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

LIST = "/due/"


@pytest.fixture
def office(world: World) -> Client:
    refresh(world.own_receiver, world.other_receiver)
    return world.client("office")


def refresh(*receivers: Any) -> None:
    due.refresh_receivers(receiver_ids=[row.pk for row in receivers], at=NOW, today=TODAY)


def due_in(fitting: Fitting, days: int) -> DueItem:
    """Publish a date for these cells without waiting for the rules to come to it."""
    item = DueItem.objects.get(fitting=fitting)
    item.due_on = TODAY + timedelta(days=days)
    item.save(update_fields=["due_on"])
    return item


def text_of(client: Client, url: str, **query: Any) -> str:
    response = client.get(url, query)
    assert response.status_code == 200
    return response.content.decode()


def test_the_list_shows_sites_by_harm_then_date(world: World, office: Client) -> None:
    due_in(world.own_fitting, 20)
    DueItem.objects.filter(fitting=world.other_fitting).update(duty="convenience", harm=2)
    due_in(world.other_fitting, -5)
    page = text_of(office, LIST)
    assert page.index(world.own_site.name) < page.index(world.other_site.name)
    assert "1 soon" in page
    assert "1 late" in page
    assert "CR2450" in page


def test_a_window_leaves_out_what_is_due_later(world: World, office: Client) -> None:
    due_in(world.own_fitting, 20)
    due_in(world.other_fitting, 70)
    own, other = (reverse("sites:site_detail", args=[site.pk]) for site in (world.own_site, world.other_site))
    page = text_of(office, LIST, weeks=4)
    assert own in page
    assert other not in page
    assert other in text_of(office, LIST, weeks=12)


def test_the_top_line_counts_what_is_late_on_life_safety_without_a_round(world: World, office: Client) -> None:
    assert "Nothing on life safety is late without being in a published round." in text_of(office, LIST)
    due_in(world.own_fitting, -1)
    page = text_of(office, LIST)
    assert "Life safety late and in nobody's round" in page
    assert "1 at 1 site<" in page
    round_ = factories.make_round(state="published")
    factories.make_visit(world.own_site, round_)
    page = text_of(office, LIST)
    assert "Nothing on life safety is late without being in a published round." in page
    assert round_.technician.name in page
    assert f"{reverse('maintenance:round_new')}?site={world.own_site.pk}" not in page


def test_a_draft_does_not_silence_the_top_line(world: World, office: Client) -> None:
    due_in(world.own_fitting, -1)
    due_in(world.other_fitting, 8)
    draft = factories.make_round(state="draft")
    factories.make_visit(world.own_site, draft)
    factories.make_visit(world.other_site, draft)
    page = text_of(office, LIST)
    assert "1 only in a draft" in page
    assert f'in a draft</span> (<a href="{draft.get_absolute_url()}">Round {draft.number}</a>)' in page
    assert "week of 30 Nov: 1 due in four weeks" in page
    due_in(world.other_fitting, -2)
    factories.make_visit(world.other_site, factories.make_round(state="published"))
    page = text_of(office, LIST, placed="draft", late="1")
    assert reverse("sites:site_detail", args=[world.own_site.pk]) in page
    assert reverse("sites:site_detail", args=[world.other_site.pk]) not in page


def test_the_top_line_adds_what_is_only_in_a_draft_to_what_is_nowhere(world: World, office: Client) -> None:
    due_in(world.own_fitting, -1)
    due_in(world.other_fitting, -1)
    factories.make_visit(world.own_site, factories.make_round(state="draft"))
    page = text_of(office, LIST)
    assert "1 at 1 site<" in page
    assert "1 more in a draft" in page


def test_a_published_round_shows_before_an_earlier_draft(world: World, office: Client) -> None:
    due_in(world.own_fitting, -1)
    told = factories.make_round(state="published", day=TODAY + timedelta(days=5))
    factories.make_visit(world.own_site, told)
    factories.make_visit(world.own_site, factories.make_round(state="draft"))
    page = text_of(office, LIST)
    assert told.get_absolute_url() in page
    assert "not published" not in page


def test_the_bars_and_the_numbers_above_them_cover_the_same_days(world: World, office: Client) -> None:
    due_in(world.own_fitting, 84)
    due_in(world.other_fitting, 85)
    context = office.get(LIST).context
    tally = context["tally"]
    assert sum(week.n for week in context["by_week"]) == tally["late"] + tally["soon"] + tally["later"] == 1


@pytest.mark.parametrize("state", ["done", "cancelled"])
def test_a_round_that_is_over_takes_care_of_nothing(world: World, office: Client, state: str) -> None:
    due_in(world.own_fitting, -1)
    factories.make_visit(world.own_site, factories.make_round(state=state))
    page = text_of(office, LIST)
    assert "1 at 1 site<" in page
    assert f"{reverse('maintenance:round_new')}?site={world.own_site.pk}" in page


@pytest.mark.parametrize(
    ("query", "own", "other"),
    [
        ({"duty": "security"}, False, True),
        ({"placed": "any"}, True, False),
        ({"placed": "none"}, False, True),
        ({"q": "Room 77"}, True, False),
        ({"q": "no such thing"}, False, False),
        ({"late": "1"}, True, False),
        ({"reason": "recall"}, False, True),
        ({"reason": "contract_date"}, False, False),
        (
            {
                "duty": "made-up",
                "placed": "x",
                "customer": "y",
                "weeks": "-3",
                "page": "99",
                "reason": "z",
                "order": "w",
            },
            True,
            True,
        ),
    ],
)
def test_filters_narrow_the_list(world: World, office: Client, query: dict[str, str], own: bool, other: bool) -> None:
    due_in(world.own_fitting, -3)
    due_in(world.other_fitting, 3)
    DueItem.objects.filter(fitting=world.other_fitting).update(duty="security", harm=1, reason="recall")
    world.own_registration.label = "Room 77"
    world.own_registration.save()
    factories.make_visit(world.own_site, factories.make_round())
    page = text_of(office, LIST, **query)
    assert (reverse("sites:site_detail", args=[world.own_site.pk]) in page) is own
    assert (reverse("sites:site_detail", args=[world.other_site.pk]) in page) is other


def order_of(client: Client, world: World, **query: str) -> list[str]:
    page = text_of(client, LIST, **query)
    sites = {reverse("sites:site_detail", args=[site.pk]): site.name for site in (world.own_site, world.other_site)}
    return [name for _, name in sorted((page.index(url), name) for url, name in sites.items())]


def test_the_most_likely_to_fail_may_come_first(world: World, office: Client) -> None:
    due_in(world.own_fitting, 3)
    due_in(world.other_fitting, 3)
    own, other = world.own_site.name, world.other_site.name
    DueItem.objects.filter(fitting=world.own_fitting).update(chance_ahead=0.02)
    DueItem.objects.filter(fitting=world.other_fitting).update(chance_ahead=0.3, duty="convenience", harm=2)
    assert order_of(office, world) == [own, other], "by harm"
    assert order_of(office, world, order="chance") == [other, own]
    page = text_of(office, LIST, order="chance")
    assert "likeliest: two in a hundred in 90 d" in page
    assert "likeliest" not in text_of(office, LIST)


def test_a_reported_low_battery_outweighs_any_chance(world: World, office: Client) -> None:
    due_in(world.own_fitting, 3)
    due_in(world.other_fitting, 3)
    DueItem.objects.filter(fitting=world.own_fitting).update(chance_ahead=0.9)
    DueItem.objects.filter(fitting=world.other_fitting).update(reason="low_battery", chance_ahead=0.001)
    assert order_of(office, world, order="chance") == [world.other_site.name, world.own_site.name]
    assert "low battery reported: comes first" in text_of(office, LIST, order="chance")


def test_a_site_without_any_chance_comes_last(world: World, office: Client) -> None:
    due_in(world.own_fitting, 3)
    due_in(world.other_fitting, 3)
    DueItem.objects.filter(fitting=world.own_fitting).update(chance_ahead=None)
    DueItem.objects.filter(fitting=world.other_fitting).update(chance_ahead=0.001)
    assert order_of(office, world, order="chance") == [world.other_site.name, world.own_site.name]
    assert "chance not known" in text_of(office, LIST, order="chance")


def test_rows_say_in_short_why_things_are_due(world: World, office: Client) -> None:
    fittings = [world.own_fitting]
    for slot in (2, 3):
        fittings.append(factories.make_fitting(factories.make_registration(world.own_receiver, slot).transmitter))
    refresh(world.own_receiver)
    for fitting in fittings:
        due_in(fitting, 3)
    DueItem.objects.filter(fitting=fittings[0]).update(reason="low_battery")
    assert "charge used ×2, low battery reported" in text_of(office, LIST)


def test_pages_of_the_list_keep_order_and_filter(world: World, office: Client) -> None:
    for _ in range(26):
        receiver = factories.make_receiver()
        fitting = factories.make_fitting(factories.make_registration(receiver, 1).transmitter)
        refresh(receiver)
        due_in(fitting, 3)
    first = text_of(office, LIST, order="chance", reason="risk_limit")
    assert "order=chance&amp;reason=risk_limit&amp;page=2" in first
    second = office.get(LIST, {"order": "chance", "reason": "risk_limit", "page": "2"}).context["page"]
    assert (second.number, len(second.object_list)) == (2, 1)


def test_filters_by_customer_and_technician(world: World, office: Client) -> None:
    due_in(world.own_fitting, 3)
    due_in(world.other_fitting, 3)
    round_ = factories.make_round()
    factories.make_visit(world.other_site, round_)
    other = reverse("sites:site_detail", args=[world.other_site.pk])
    assert other not in text_of(office, LIST, customer=str(world.own.pk))
    assert other in text_of(office, LIST, placed=str(round_.technician_id))
    assert other not in text_of(office, LIST, placed=str(world.technician.pk))


def test_only_the_rows_come_when_htmx_asks(world: World, office: Client) -> None:
    response = office.get(LIST, headers={"HX-Request": "true"})
    page = response.content.decode()
    assert page.lstrip().startswith('<div id="rows"')
    assert "<html" not in page


def test_the_weeks_have_a_table_that_says_the_same(world: World, office: Client) -> None:
    due_in(world.own_fitting, -3)
    due_in(world.other_fitting, 8)
    page = text_of(office, LIST)
    assert "1 late on life safety; week of 30 Nov: 1 due in four weeks" in page
    assert "As a table" in page


def test_dates_in_the_column_bear_a_year_only_where_it_is_another(world: World, office: Client) -> None:
    due_in(world.own_fitting, 20)
    due_in(world.other_fitting, 60)
    assert [site["words"] for site in office.get(LIST).context["page"]] == ["due 15 Dec", "due 24 Jan 2027"]
    assert [site["life_words"] for site in office.get(LIST).context["page"]] == ["15 Dec", "24 Jan 2027"]


def test_a_hostile_name_stays_text(world: World, office: Client) -> None:
    due_in(world.own_fitting, 3)
    world.own_site.name = "<script>alert(1)</script>"
    world.own_site.save()
    page = text_of(office, LIST, q="<script>")
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert" in page


def test_the_list_makes_as_many_queries_for_3_sites_as_for_23(world: World, office: Client) -> None:
    counts = []
    for n in (1, 20):
        for _ in range(n):
            receiver = factories.make_receiver()
            fitting = factories.make_fitting(factories.make_registration(receiver, 1).transmitter)
            refresh(receiver)
            due_in(fitting, n)
            factories.make_visit(receiver.site, factories.make_round())
        office.get(LIST)
        with CaptureQueriesContext(connection) as queries:
            office.get(LIST)
        counts.append(len(queries))
    assert counts[0] == counts[1]
    assert counts[0] <= 20


@pytest.mark.parametrize("who", ["office", "technician"])
def test_the_panel_of_a_site_lists_by_harm(world: World, office: Client, who: str) -> None:
    second = factories.make_registration(world.own_receiver, 2, duty="convenience", label="Store door")
    fitting = factories.make_fitting(second.transmitter)
    refresh(world.own_receiver)
    due_in(fitting, -40)
    due_in(world.own_fitting, 30)
    page = text_of(world.client(who), f"/due/site/{world.own_site.pk}/")
    assert page.index(world.own_registration.label) < page.index("Store door")
    assert "late 40 d" in page
    assert re.search(r'aria-label="Why this date, charge used: Store door, slot 2">charge used</a>', page)


def test_the_panel_makes_as_many_queries_for_3_slots_as_for_23(world: World, office: Client) -> None:
    counts = []
    for slots in (range(2, 4), range(4, 24)):
        for slot in slots:
            factories.make_fitting(factories.make_registration(world.own_receiver, slot).transmitter)
        refresh(world.own_receiver)
        DueItem.objects.update(due_on=TODAY)
        with CaptureQueriesContext(connection) as queries:
            office.get(f"/due/site/{world.own_site.pk}/")
        counts.append(len(queries))
    assert counts[0] == counts[1]


@pytest.mark.parametrize("who", ["own_user", "technician"])
def test_the_list_is_for_the_office_only(world: World, office: Client, who: str) -> None:
    assert world.client(who).get(LIST).status_code == 404


def test_customers_see_neither_panel_nor_reasons(world: World, office: Client) -> None:
    item = DueItem.objects.get(fitting=world.own_fitting)
    for url in (f"/due/site/{world.own_site.pk}/", item.get_absolute_url()):
        assert world.client("own_user").get(url).status_code == 404


def test_what_is_not_there_is_not_found(world: World, office: Client) -> None:
    assert office.get("/due/999999/").status_code == 404
    assert office.get("/due/site/999999/").status_code == 404


def test_list_and_reasons_say_days_in_the_firms_style(world: World, office: Client) -> None:
    item = due_in(world.own_fitting, 20)
    plain = text_of(office, reverse("maintenance:due_why", args=[item.pk]))
    on = item.due_on
    assert f"due {on.day} {on:%b}" in text_of(office, LIST, weeks=12)
    said = set(
        re.findall(
            r"\b\d{1,2} (?:January|February|March|April|May|June|July|August|September|October|November|December) 20\d\d",
            plain,
        )
    )
    assert said
    Firm.objects.update(date_style="month_day")
    assert f"due {on:%b} {on.day}" in text_of(office, LIST, weeks=12)
    page = text_of(office, reverse("maintenance:due_why", args=[item.pk]))
    assert not [day for day in said if day in page]
    Firm.objects.update(date_style="iso")
    assert f"due {on.isoformat()}" in text_of(office, LIST, weeks=12)
