"""The supervision adviser where the record contradicts it: faults that no loss explains, a link that fell, a unit missing now."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.urls import reverse

from devices.models import CheckInDay, Fault, LinkWatch, Receiver, Registration
from maintenance.actions.due import refresh_receivers
from maintenance.models import DueItem
from tests.conftest import World
from tests.factories import NOW, TODAY
from tests.maintenance.views.test_adviser import heard, slot, text_of, url, words

__all__ = ["slot"]

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def missing(of: Registration, *days_ago: int, stands: bool = False) -> None:
    for days in days_ago:
        at = NOW - timedelta(days=days)
        Fault.objects.create(
            kind=Fault.Kind.MISSING, customer=of.customer, site=of.receiver.site, receiver=of.receiver, registration=of,
            transmitter=of.transmitter, raised_at=at, cleared_at=None if stands else at + timedelta(hours=9),
        )  # fmt: skip


def looked_for_silence(of: Registration) -> None:
    Receiver.objects.filter(pk=of.receiver_id).update(judged_until=NOW)
    Registration.objects.filter(pk=of.pk).update(registered_at=NOW - timedelta(days=200))


def test_a_window_that_raised_more_faults_than_its_losses_explain_is_never_said_to_fit(
    world: World, slot: Registration
) -> None:
    heard(slot, lost=0, runs=0)
    looked_for_silence(slot)
    missing(slot, 3, 11, 19, 30, 41, 55, 70)
    page = world.client("office").get(url(slot)).content.decode()
    text = words(page)
    assert (
        "With 4 h there were more faults than its lost check-ins explain: 7 missing faults in the last 90 days." in text
    )
    assert (
        "On record that is about 28 a year; by its lost check-ins less than one in 1,000 years would be expected"
        in text
    )
    assert "may stay" not in text
    assert " fits " not in text
    assert text.count("quiet by its losses, but the faults on record are more than these explain") >= 2
    assert "button--main" not in page.partition('id="h-windows"')[0].partition('id="h-advice"')[2]


def test_faults_that_came_before_the_days_looked_at_speak_against_nothing(world: World, slot: Registration) -> None:
    heard(slot, lost=0, runs=0)
    looked_for_silence(slot)
    missing(slot, 95, 99, 101)
    assert "The window of 4 h may stay." in text_of(world.client("office"), url(slot))


def fell(of: Registration, days_ago: int) -> None:
    LinkWatch.objects.create(
        transmitter=of.transmitter, customer=of.customer, registration=of, judged_on=TODAY, amber_since=TODAY,
        onset_on=TODAY - timedelta(days=days_ago), share_before=0.97, share_now=0.65,
    )  # fmt: skip


def test_where_the_link_fell_only_the_days_since_then_count(world: World, slot: Registration) -> None:
    heard(slot, lost=0, runs=0)
    CheckInDay.objects.filter(day__gte=TODAY - timedelta(days=20)).update(heard=16, loss_runs=4)
    fell(slot, 21)
    text = text_of(world.client("office"), url(slot))
    assert "20 days of its own record: 160 of 480 check-ins were lost, 33.3 in 100" in text
    assert "Its link fell after 4 November: only days since then count here, the last 28 at most." in text
    assert "may stay" not in text


def test_of_a_link_that_fell_long_ago_the_newest_days_count(world: World, slot: Registration) -> None:
    heard(slot, lost=0, runs=0)
    CheckInDay.objects.filter(day__gte=TODAY - timedelta(days=28)).update(heard=12, loss_runs=4)
    fell(slot, 55)
    assert "28 days of its own record: 336 of 672 check-ins were lost, 50.0 in 100" in text_of(
        world.client("office"), url(slot)
    )


def test_so_soon_after_a_fall_nothing_is_said_to_fit(world: World, slot: Registration) -> None:
    heard(slot, lost=0, runs=0)
    looked_for_silence(slot)
    missing(slot, 3, 40)
    fell(slot, 6)
    text = text_of(world.client("office"), url(slot))
    assert "too little of its own record" in text
    assert "On record: 5 days" in text
    assert "2 missing faults in the last 90 days" in text
    assert " fits " not in text


def test_what_is_missing_now_is_said_first_here_and_on_its_due_page(world: World, slot: Registration) -> None:
    heard(slot, lost=0, runs=0)
    looked_for_silence(slot)
    refresh_receivers(receiver_ids=[slot.receiver_id], at=NOW, today=TODAY)
    CheckInDay.objects.filter(transmitter_id=slot.transmitter_id).update(last_heard_s=86_000)
    Receiver.objects.filter(pk=slot.receiver_id).update(heard_until=NOW - timedelta(hours=9))
    client = world.client("office")
    assert "missing now" not in text_of(client, url(slot))
    missing(slot, 1, stands=True)
    text = text_of(client, url(slot))
    assert "It is missing now: last heard " in text
    assert text.index("It is missing now") < text.index("days of its own record")
    item = DueItem.objects.open().get(fitting=world.own_fitting)
    assert "It is missing now: last heard " in text_of(client, reverse("maintenance:due_why", args=[item.pk]))
    strip = reverse("maintenance:check_in_strip", args=[slot.transmitter_id])
    assert "It is missing now: last heard " in text_of(client, strip)
