"""The page "why this date": sentence, steps, picture, check-ins, rules, what would change it; for each kind of thing."""

from __future__ import annotations

import html
import re
from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from company.actions import record_change
from company.models.firm import RiskPolicy
from devices.models import CheckInDay, Fitting, Receiver
from maintenance.actions import due, fits
from maintenance.models import DueChange, DueItem, Recall, RecallItem, StratumFit
from tests import factories
from tests.conftest import World
from tests.factories import NOW, TODAY

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def office(world: World) -> Client:
    refresh(world.own_receiver, world.other_receiver)
    return world.client("office")


def refresh(*receivers: Any) -> None:
    due.refresh_receivers(receiver_ids=[row.pk for row in receivers], at=NOW, today=TODAY)


def item_of(fitting: Fitting) -> DueItem:
    return DueItem.objects.get(fitting=fitting)


def page_of(client: Client, item: DueItem) -> str:
    """The page's text, blanks drawn together, without marks."""
    response = client.get(item.get_absolute_url())
    assert response.status_code == 200
    text = re.sub(r"<svg.*?</svg>", " ", response.content.decode(), flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text)).split())


def raw_page(client: Client, item: DueItem) -> str:
    return client.get(item.get_absolute_url()).content.decode()


# --- cells ------------------------------------------------------------------------------------------------------------


def test_it_says_what_by_when_and_why_in_one_sentence(world: World, office: Client) -> None:
    item = item_of(world.own_fitting)
    assert item.due_on is not None
    page = page_of(office, item)
    on = f"{item.due_on.day} {item.due_on:%B %Y}"
    assert f"Change the battery of “{world.own_registration.label}” by {on}: by then about" in page
    assert "Going by the catalogue, about one in a hundred batteries of this kind fails before that point" in page


def test_it_tells_in_steps_how_we_know(world: World, office: Client) -> None:
    page = page_of(office, item_of(world.own_fitting))
    steps = ("Used so far", "Used per year", "The limit", "What its kind has shown", "The date")
    at = [page.index(step) for step in steps]
    assert at == sorted(at)
    assert "No battery of this kind has been followed to its end yet" in page


def test_it_has_a_text_for_the_customer(world: World, office: Client) -> None:
    page = page_of(office, item_of(world.own_fitting))
    assert f"The battery of “{world.own_registration.label}” at {world.own_site.name} is to be changed by" in page


def test_it_shows_every_rule_and_the_figures_with_their_units(world: World, office: Client) -> None:
    item = item_of(world.own_fitting)
    page = page_of(office, item)
    for opinion in item.opinions:
        assert opinion["why"] in page
    assert "620 mAh" in page
    assert "Charge used at the limit" in page


def test_the_picture_has_a_title_a_finding_and_its_table(world: World, office: Client) -> None:
    page = raw_page(office, item_of(world.own_fitting))
    assert '<title id="life-t">Of 100 batteries of this kind' in page
    assert re.search(r'<desc id="life-d">[^<]*today, 25 Nov 2026: ', page)
    assert "The same as a table" in page


def test_it_says_what_would_change_it_and_to_when(world: World, office: Client) -> None:
    page = page_of(office, item_of(world.own_fitting))
    assert "A low-battery report today would bring it forward: 7 days are allowed after a report. 2 Dec 2026" in page
    policy = RiskPolicy.objects.get(duty="life_safety")
    assert policy.p_dead == 0.01
    assert re.search(
        r"With the level Thrifty \(two in a hundred may die without warning, [^)]+\)\. \d+ \w+ 20\d\d", page
    )


def test_it_tells_the_chance_ahead_as_another_question(world: World, office: Client) -> None:
    page = page_of(office, item_of(world.own_fitting))
    assert "Whom to visit first" in page
    assert "within the next 90 days" in page


def test_the_chance_on_the_page_is_the_one_that_lists_go_by(world: World, office: Client) -> None:
    make_fit(world)
    item = item_of(world.own_fitting)
    Fitting.objects.filter(pk=item.fitting_id).update(fitted_at=NOW - timedelta(days=2600))
    refresh(world.own_receiver)
    item.refresh_from_db()
    told = office.get(item.get_absolute_url()).context["told"]
    assert item.chance_ahead is not None
    assert 0.01 < item.chance_ahead < 0.9
    assert told.chance_ahead == pytest.approx(item.chance_ahead, rel=1e-3)


def test_a_date_held_back_on_lists_is_told(world: World, office: Client) -> None:
    item = item_of(world.own_fitting)
    DueItem.objects.filter(pk=item.pk).update(due_on=date(2030, 1, 5))
    assert "Lists still show 5 Jan 2030" in page_of(office, item)


def test_a_move_of_the_date_is_told_with_both_reasons(world: World, office: Client) -> None:
    Fitting.objects.filter(pk=world.own_fitting.pk).update(first_low_at=NOW - timedelta(days=1))
    refresh(world.own_receiver)
    page = page_of(office, item_of(world.own_fitting))
    assert "How the date has moved" in page
    assert re.search(r"\(charge used\) → 1 Dec 2026 \(low battery reported\)", page)
    assert "it reported a low battery on 24 November 2026" in page
    assert "It has reported a low battery. That says more" in page


def test_a_date_of_fitting_in_the_future_is_noted(world: World, office: Client) -> None:
    Fitting.objects.filter(pk=world.own_fitting.pk).update(fitted_at=NOW + timedelta(days=30))
    refresh(world.own_receiver)
    assert "lies in the future" in page_of(office, item_of(world.own_fitting))


def test_a_recall_is_named(world: World, office: Client) -> None:
    recall = Recall.objects.create(
        title="Lot LM-7 leaks", why="acid", due_on=TODAY + timedelta(days=21), opened_at=NOW, opened_by=world.office
    )
    RecallItem.objects.create(
        customer=world.own, recall=recall, site=world.own_site, receiver=world.own_receiver, fitting=world.own_fitting,
        registration=world.own_registration, transmitter=world.own_registration.transmitter,
    )  # fmt: skip
    refresh(world.own_receiver)
    item = item_of(world.own_fitting)
    assert (item.reason, item.due_on) == ("recall", TODAY + timedelta(days=21))
    page = page_of(office, item)
    assert "by 16 December 2026: it is being recalled (Lot LM-7 leaks) and must be out by then" in page
    assert "Finding on site that it is not affected by the recall" in page
    assert recall.get_absolute_url() in raw_page(office, item)
    assert recall.get_absolute_url() not in raw_page(world.client("technician"), item), "not theirs to open"


def test_a_hostile_label_stays_text(world: World, office: Client) -> None:
    world.own_registration.label = "<script>alert(1)</script>"
    world.own_registration.save()
    page = raw_page(office, item_of(world.own_fitting))
    assert "<script>alert" not in page
    assert "“&lt;script&gt;alert(1)&lt;/script&gt;”" in page


def test_cells_without_an_estimate_say_what_is_missing(world: World, office: Client) -> None:
    item = item_of(world.own_fitting)
    Fitting.objects.filter(pk=item.fitting_id).update(battery_type=None)
    RiskPolicy.objects.update(calendar_cap_days=30)
    refresh(world.own_receiver)
    page = page_of(office, item_of(world.own_fitting))
    assert "the firm leaves no battery in life-safety service longer than 30 days" in page
    assert "so the calendar decides" in page
    assert "Recording which cells and which type of transmitter" in page


# --- by the calendar --------------------------------------------------------------------------------------------------


def test_standby_batteries_and_unknown_ages_go_by_the_calendar(world: World, office: Client) -> None:
    kind = factories.receiver_type("test-standby", has_standby_battery=True, standby_life_years=4)
    receiver = factories.make_receiver(world.own_site, type=kind, standby_fitted_on=date(2024, 3, 1))
    registration = factories.make_registration(
        receiver, 1, transmitter=factories.make_transmitter(world.own, type=None)
    )
    factories.make_fitting(registration.transmitter, battery_type=None, fitted_at=None)
    refresh(receiver)
    standby = page_of(office, DueItem.objects.get(receiver=receiver, kind="standby"))
    assert "a standby battery of this kind serves 4 years, counted from the day it was fitted" in standby
    assert "it goes by the calendar, not by use" in standby
    assert "Check-ins of the last" not in standby
    assert "of its charge" not in standby
    cells = page_of(office, DueItem.objects.get(receiver=receiver, kind="cells"))
    assert "nobody knows when it was fitted" in cells
    assert "Finding out when it was fitted would replace the guess" in cells


def test_a_whole_unit_goes_by_its_years(world: World, office: Client) -> None:
    kind = factories.transmitter_type("test-smoke", label="smoke detector", kind="smoke", unit_life_years=10)
    unit = factories.make_transmitter(world.own, type=kind, made_on=date(2018, 1, 1))
    registration = factories.make_registration(world.own_receiver, 5, transmitter=unit, label="Workshop")
    refresh(world.own_receiver)
    page = page_of(office, DueItem.objects.get(registration=registration, kind="unit"))
    assert "Change the whole unit “Workshop” by" in page
    assert "counted from the day it was made, 1 January 2018" in page


def test_a_closed_item_keeps_its_last_date_and_leads_to_what_is_there_now(world: World, office: Client) -> None:
    item = item_of(world.own_fitting)
    Fitting.objects.filter(pk=world.own_fitting.pk).update(removed_at=NOW)
    new = factories.make_fitting(world.own_registration.transmitter, fitted_at=NOW)
    refresh(world.own_receiver)
    page = raw_page(office, item)
    assert "has been changed or taken out of use" in page
    assert item.due_on is not None
    assert f"{item.due_on.day} {item.due_on:%b %Y}: charge used" in page
    assert item_of(new).get_absolute_url() in page
    assert "How we know" not in page


def heard(world: World, ago: int, **over: Any) -> CheckInDay:
    facts = {"heard": 24, "expected": 24, "activations": 1, "flags": 0} | over
    return CheckInDay.objects.create(
        transmitter_id=world.own_registration.transmitter_id, day=TODAY - timedelta(days=ago),
        customer_id=world.own.pk, **facts,
    )  # fmt: skip


# --- check-ins --------------------------------------------------------------------------------------------------------


def test_the_strip_shows_days_in_words_and_as_a_table(world: World, office: Client) -> None:
    Receiver.objects.filter(pk=world.own_receiver.pk).update(evidence="every")
    for ago in range(3):
        heard(world, ago, heard=24 if ago else 12)
    page = raw_page(office, item_of(world.own_fitting))
    assert "Check-ins of the last 90 days, one column a day" in page
    assert "60 of 72 expected check-ins came (83 %)." in page
    assert "Nothing is kept of 87 days." in page
    assert "Days with low battery" in page


@pytest.mark.parametrize(
    ("evidence", "words"), [("exceptions", "only faults reach us"), ("visits", "only visits tell")]
)
def test_no_strip_is_shown_where_check_ins_do_not_reach_us(
    world: World, office: Client, evidence: str, words: str
) -> None:
    heard(world, 1)
    Receiver.objects.filter(pk=world.own_receiver.pk).update(evidence=evidence)
    page = raw_page(office, item_of(world.own_fitting))
    assert words in page
    assert "one column a day" not in page


def test_a_transmitter_that_was_never_heard_says_so(world: World, office: Client) -> None:
    Receiver.objects.filter(pk=world.own_receiver.pk).update(evidence="every")
    assert "No check-in of this transmitter is kept for these days." in page_of(office, item_of(world.own_fitting))


def test_the_strip_has_a_page_of_its_own_that_the_transmitter_leads_to(world: World, office: Client) -> None:
    unit = world.own_registration.transmitter
    url = f"/due/transmitter/{unit.pk}/"
    assert url in office.get(f"/transmitters/{unit.pk}/").content.decode()
    assert "only visits tell" in office.get(url).content.decode()
    Receiver.objects.filter(pk=world.own_receiver.pk).update(evidence="every")
    heard(world, 1, heard=20)
    page = office.get(url).content.decode()
    assert "20 of 24 expected check-ins came (83 %)." in page
    assert item_of(world.own_fitting).get_absolute_url() in page
    world.own_registration.removed_at = NOW
    world.own_registration.save()
    assert "It stands in no slot now" in office.get(url).content.decode()


def test_the_strip_is_for_the_firms_own_people(world: World, office: Client) -> None:
    url = f"/due/transmitter/{world.own_registration.transmitter_id}/"
    assert world.client("technician").get(url).status_code == 200
    assert world.client("own_user").get(url).status_code == 404
    assert office.get("/due/transmitter/999999/").status_code == 404


def make_fit(world: World, *, n_ends: int = 30, lot: str = "") -> StratumFit:
    """A fit over ends of the kind of the world's cells: after eight to nine years, a report in time but for every sixth."""
    for n in range(n_ends):
        unit = factories.make_transmitter(world.other)
        slot = factories.make_registration(world.other_receiver, 10 + n, transmitter=unit)
        type(slot).objects.filter(pk=slot.pk).update(removed_at=NOW - timedelta(days=20))
        ended = NOW - timedelta(days=60 + n)
        begun = ended - timedelta(days=3000 + 12 * n)
        is_dead = n % 6 == 0
        factories.make_fitting(
            unit, fitted_at=begun, entered_at=begun, removed_at=ended + timedelta(days=5), lot=lot,
            first_low_at=None if is_dead else ended, removed_why="dead" if is_dead else "low_battery",
        )  # fmt: skip
    fit = fits.refresh_fit(at=NOW, as_of=TODAY)
    refresh(world.own_receiver)
    return fit.strata.get(
        transmitter_type=world.own_registration.transmitter.type, battery_type=world.own_fitting.battery_type,
        is_measured=False,
    )  # fmt: skip


# --- who may, and how much is asked -----------------------------------------------------------------------------------


def test_technicians_may_read_it_and_customers_may_not(world: World, office: Client) -> None:
    item = item_of(world.own_fitting)
    assert "How we know" in page_of(world.client("technician"), item)
    for who in ("own_user", "other_user"):
        assert world.client(who).get(item.get_absolute_url()).status_code == 404


def test_a_long_history_makes_no_more_queries(world: World, office: Client) -> None:
    make_fit(world)
    item = item_of(world.own_fitting)
    counts = []
    for n in (2, 30):
        for ago in range(n):
            CheckInDay.objects.filter(transmitter_id=item.transmitter_id, day=TODAY - timedelta(days=ago)).delete()
            heard(world, ago)
            DueChange.objects.create(
                due_item=item, customer=world.own, at=NOW, to_on=TODAY, from_reason="risk_limit", to_reason="recall"
            )
        with CaptureQueriesContext(connection) as queries:
            page_of(office, item)
        counts.append(len(queries))
    assert counts[0] == counts[1] <= 34


def test_a_move_on_the_day_of_a_changed_policy_says_so(world: World, office: Client) -> None:
    item = item_of(world.own_fitting)
    policy = RiskPolicy.objects.get(duty=item.duty)
    manager = factories.make_manager(email="limits@example.org")
    record_change(by=manager, at=NOW - timedelta(hours=2), verb="save_policy", subject=policy)
    for ago, before in ((timedelta(0), "risk_limit"), (timedelta(days=9), "risk_limit"), (timedelta(0), "recall")):
        DueChange.objects.create(
            due_item=item, customer=world.own, at=NOW - ago, to_on=TODAY, from_reason=before, to_reason="risk_limit"
        )
    assert page_of(office, item).count("the firm's limits were changed") == 1


def test_a_technician_gets_to_a_page_of_the_site_that_opens(world: World, office: Client) -> None:
    item = item_of(world.own_fitting)
    own, of_office = reverse("maintenance:tech_site", args=[item.site_id]), item.site.get_absolute_url()
    technician = world.client("technician")
    page = raw_page(technician, item)
    assert f'href="{own}"' in page
    assert f'href="{of_office}"' not in page
    assert technician.get(own).status_code == 200
    assert f'href="{of_office}"' in raw_page(office, item)
