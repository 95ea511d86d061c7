"""Faults on pages about something else: a technician's page of a site, the sheet of a visit, the customer's portal."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from devices.models import Fault
from maintenance.models import VisitCrew
from tests import factories
from tests.factories import NOW, TODAY
from tests.maintenance.views.test_faults import HOUR, make_fault, of_receiver, text_of

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def pages(world):
    """Address of the technician's page of the site, and of the sheet of a visit there."""
    visit = factories.make_visit(world.own_site, planned_on=TODAY)
    VisitCrew.objects.create(visit=visit, user=world.technician)
    return [
        reverse("maintenance:tech_site", args=[world.own_site.pk]),
        reverse("maintenance:tech_visit", args=[visit.pk]),
    ]


def test_on_site_pages_name_what_stands_there_worst_first_with_the_way_to_it(world, pages):
    tamper = make_fault(world.own_registration, "tamper", acknowledged_at=NOW, acknowledged_by=world.office)
    outage = of_receiver(world.own_receiver)
    make_fault(world.own_registration, "trouble", cleared_at=NOW, is_latched=True)
    make_fault(world.own_registration, "missing", cleared_at=NOW)
    make_fault(world.other_registration, "interference")
    for page in pages:
        text = text_of(world.client("technician").get(page))
        part = text[text.index("Faults here") : text.index("</section>", text.index("Faults here"))]
        links = [reverse("maintenance:tech_fault_detail", args=[fault.pk]) for fault in (outage, tamper)]
        assert part.index(links[0]) < part.index(links[1])
        assert "as of 25 Nov 2026, 10:00" in part
        assert "since 25 Nov 2026, 09:00, 60 min" in part
        assert f"{world.office.name} looks after it" in part
        assert "over, to be cleared at the receiver" in part
        assert "have somebody look after those who rely on it" in part
        assert "Missing" not in part
        assert "Interference" not in part


@pytest.mark.parametrize(
    ("kind", "words"), [("receiver_power", "is the mains there off?"), ("link_lost", "See whether the")]
)
def test_on_site_pages_say_what_to_do_about_a_receiver_on_which_life_safety_hangs(world, pages, kind, words):
    of_receiver(world.own_receiver, kind)
    for page in pages:
        assert words in text_of(world.client("technician").get(page))


def test_where_nothing_stands_on_site_pages_say_nothing(world, pages):
    for page in pages:
        assert "Faults here" not in text_of(world.client("technician").get(page))


def test_many_faults_cost_no_more_queries_and_lead_to_the_list(world, pages):
    client = world.client("technician")
    rows = [factories.make_registration(world.own_receiver, n) for n in range(2, 14)]
    # More than are shown, which are counted, from the beginning.
    counts = []
    for add in (rows[:9], rows[9:]):
        for row in add:
            make_fault(row)
        client.get(pages[0])
        with CaptureQueriesContext(connection) as caught:
            text = text_of(client.get(pages[0]))
        counts.append(len(caught))
    assert counts[0] == counts[1]
    assert reverse("maintenance:tech_fault_list") + f"?site={world.own_site.pk}" in text


def test_the_customer_reads_what_is_out_of_order_and_what_to_do(world):
    make_fault(world.own_registration)
    of_receiver(world.own_receiver, "receiver_power")
    make_fault(world.other_registration, "tamper")
    client = world.client("own_user")
    site = text_of(client.get(reverse("maintenance:portal_site", args=[world.own_site.uuid])))
    slots = text_of(client.get(reverse("maintenance:portal_slot_map", args=[world.own_receiver.code])))
    for text in (site, slots):
        assert "A call from it may not arrive. Look whether it is where it belongs" in text
        assert "Look whether the mains is off" in text
        assert "its cover is closed" not in text
    Fault.objects.update(cleared_at=NOW, is_latched=True)
    over = text_of(client.get(reverse("maintenance:portal_slot_map", args=[world.own_receiver.code])))
    assert "A call from it may not arrive" not in over


def test_the_customer_is_not_shown_a_page_full_of_faults(world):
    for n in range(2, 16):
        make_fault(factories.make_registration(world.own_receiver, n), at=NOW - n * HOUR - timedelta(minutes=1))
    text = text_of(world.client("own_user").get(reverse("maintenance:portal_site", args=[world.own_site.uuid])))
    assert text.count("A call from it may not arrive") == 10
    assert "4 more stand in the slot maps." in text


@pytest.mark.parametrize(("who", "frame"), [("office", ""), ("technician", "tech_")])
def test_the_faults_of_a_transmitter_lead_to_their_pages(world, who, frame):
    fault = make_fault(world.own_registration, cleared_at=NOW)
    page = reverse(f"devices:{frame}transmitter_detail", args=[fault.transmitter_id])
    assert reverse(f"maintenance:{frame}fault_detail", args=[fault.pk]) in text_of(world.client(who).get(page))
