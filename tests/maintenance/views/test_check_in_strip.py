"""The strip of check-ins turns back as far as days are kept."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.urls import reverse

from devices.models import CheckInDay, LinkWatch, Registration
from tests.conftest import World
from tests.factories import TODAY
from tests.maintenance.views.test_adviser import heard, slot, text_of

__all__ = ["slot"]

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def strip_of(slot: Registration, until: str = "") -> str:
    url = reverse("maintenance:check_in_strip", args=[slot.transmitter_id])
    return f"{url}?until={until}" if until else url


def kept_long_ago(slot: Registration) -> None:
    """One day that lies before the last ninety, with a low battery on it."""
    CheckInDay.objects.create(
        transmitter_id=slot.transmitter_id, customer_id=slot.customer_id, day=TODAY - timedelta(days=100),
        heard=20, expected=24, activations=3, flags=1,
    )  # fmt: skip


def test_without_older_days_nothing_leads_back(world: World, slot: Registration) -> None:
    heard(slot, lost=0, runs=0)
    text = text_of(world.client("office"), strip_of(slot))
    assert "Check-ins of the last 90 days" in text
    assert "90 days earlier" not in text
    assert "90 days later" not in text


def test_older_days_are_a_page_away_and_lead_back_to_now(world: World, slot: Registration) -> None:
    heard(slot, lost=0, runs=0)
    kept_long_ago(slot)
    client = world.client("office")
    page = client.get(strip_of(slot)).content.decode()
    back = (TODAY - timedelta(days=90)).isoformat()
    assert f"?until={back}#h-strip" in page
    assert f"?until={TODAY.isoformat()}#h-strip" in client.get(strip_of(slot, back)).content.decode()
    text = text_of(client, strip_of(slot, back))
    assert "20 of 24 expected check-ins came (83 %)." in text
    assert "Low battery was reported on " in text
    assert "last 90 days" not in text
    assert "90 days earlier" not in text


def test_what_is_judged_of_the_link_is_said_of_the_present_only(world: World, slot: Registration) -> None:
    heard(slot, lost=0, runs=0)
    kept_long_ago(slot)
    LinkWatch.objects.create(
        transmitter=slot.transmitter, customer=slot.customer, registration=slot, judged_on=TODAY, amber_since=TODAY,
        onset_on=TODAY - timedelta(days=6), share_before=0.97, share_now=0.65,
    )  # fmt: skip
    client = world.client("office")
    assert "That is a weak link" in text_of(client, strip_of(slot))
    assert "That is a weak link" not in text_of(client, strip_of(slot, (TODAY - timedelta(days=90)).isoformat()))


@pytest.mark.parametrize("until", ["2999-01-01", "yesterday", "0001-01-01"])
def test_a_day_to_come_and_no_day_at_all_show_the_last_days(world: World, slot: Registration, until: str) -> None:
    heard(slot, lost=0, runs=0)
    answer = world.client("office").get(strip_of(slot, until))
    assert answer.status_code == 200
    assert "Check-ins of the last 90 days" in answer.content.decode()
