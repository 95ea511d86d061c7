"""After a change of many slots is taken back, nothing on the pages or in the files says that it ever was in force."""

from __future__ import annotations

import re
from dataclasses import replace as other
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils.html import strip_tags

from company.models import ChangeRow
from company.undo import offers_undo, undo
from devices.actions.bulk import change_slots
from devices.actions.bulk_turn import with_settings
from devices.actions.slot_settings import settings_of
from devices.actions.slots import change_slot
from devices.models import Registration
from devices.rules.bulk import Wish
from tests import factories

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]
NOW = factories.NOW
HOUR, DAY = timedelta(hours=1), timedelta(days=1)


def slots(world):
    return with_settings(Registration.objects.open().filter(receiver=world.own_receiver))


def bulk(world, at):
    factories.make_registration(world.own_receiver, 2)
    fields = {"wish": Wish(duty="convenience"), "by": world.office, "at": at, "reason": "agreed"}
    return change_slots(registrations=slots(world), **fields)[0]


def read(world):
    url = reverse("devices:slot_detail", args=[world.own_receiver.pk, 1])
    return re.sub(r"\s+", " ", strip_tags(world.client("office").get(url).content.decode()))


def test_a_change_of_today_leaves_since_when_and_the_earlier_change_as_they_were(world) -> None:
    row = world.own_registration
    first = row.registered_at
    change_slot(
        registration=row,
        settings=other(settings_of(row), window_s=3600),
        by=world.office,
        at=NOW - 2 * DAY,
        reason="short",
    )
    earlier = ChangeRow.objects.get(verb="change_slot")
    since = Registration.objects.open().get(receiver=world.own_receiver, slot=1).registered_at
    undo(change=bulk(world, NOW - HOUR), by=world.office, at=NOW)
    now = Registration.objects.open().get(receiver=world.own_receiver, slot=1)
    assert (now.registered_at, now.duty) == (since, row.duty)
    assert "In force since23 Nov 2026, 10:00" in read(world)
    assert offers_undo(ChangeRow.objects.with_fate().get(pk=earlier.pk), world.office)
    undo(change=earlier, by=world.office, at=NOW)
    assert Registration.objects.open().get(receiver=world.own_receiver, slot=1).window_s == row.window_s
    assert Registration.objects.get(pk=row.pk).registered_at == first


@pytest.mark.parametrize("many", [True, False])
def test_a_change_of_an_earlier_day_goes_back_as_far_as_that_of_one_slot_does(world, many) -> None:
    """What the days since showed stays told, so the former settings are in force since today, whichever way."""
    if many:
        change = bulk(world, NOW - 2 * DAY)
    else:
        row = world.own_registration
        wish = other(settings_of(row), duty="convenience")
        change_slot(registration=row, settings=wish, by=world.office, at=NOW - 2 * DAY, reason="agreed")
        change = ChangeRow.objects.get(verb="change_slot")
    undo(change=change, by=world.office, at=NOW)
    now = Registration.objects.open().get(receiver=world.own_receiver, slot=1)
    assert (now.registered_at, now.duty) == (NOW, world.own_registration.duty)
    assert "In force since25 Nov 2026, 10:00" in read(world)
