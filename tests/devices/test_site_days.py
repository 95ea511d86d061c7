"""Days that people type or agree on are the site's days, in whatever zone the firm works, on a night of a change of clocks too."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
import time_machine
from django.urls import reverse
from django.utils import timezone

from devices.forms.ends import BatteryForm
from devices.forms.swaps import ReceiverSwapForm
from devices.models import Away, BatteryType, Receiver, ReceiverType
from tests.conftest import World

pytestmark = pytest.mark.django_db
# Clocks of New York go back on 1 November 2026 at 06:00 UTC: at 04:30 UTC it is 00:30 there before, at 04:30 UTC of the
# next day 23:30 after the change. With summer time all year round the second moment would be 00:30 of 2 November.
BEFORE, AFTER = datetime(2026, 11, 1, 4, 30, tzinfo=UTC), datetime(2026, 11, 2, 4, 30, tzinfo=UTC)
MOMENTS = pytest.mark.parametrize(("now", "site_day"), [(BEFORE, date(2026, 11, 1)), (AFTER, date(2026, 11, 1))])


@pytest.fixture
def receiver(world: World) -> Receiver:
    world.own_site.time_zone = "America/New_York"
    world.own_site.save()
    found: Receiver = Receiver.objects.select_related("site").get(pk=world.own_registration.receiver_id)
    return found


def refused(form: Any, name: str) -> bool:
    form.is_valid()
    return name in form.errors


@MOMENTS
def test_cells_are_not_made_after_the_sites_today(
    world: World, receiver: Receiver, now: datetime, site_day: date
) -> None:
    def made(day: date) -> BatteryForm:
        return BatteryForm(
            {"made_on": day.isoformat(), "n_cells": "1", "reason": "x"}, receiver=receiver, has_cells=False,
            transmitter=world.own_registration.transmitter, types=BatteryType.objects.all(),
        )  # fmt: skip

    with time_machine.travel(now, tick=False):
        assert not refused(made(site_day), "made_on")
        assert refused(made(site_day + timedelta(days=1)), "made_on")


@MOMENTS
def test_a_loan_ends_on_the_sites_today_at_the_earliest(receiver: Receiver, now: datetime, site_day: date) -> None:
    def until(day: date) -> ReceiverSwapForm:
        given = {"loan_until": day.isoformat(), "n_slots": "8", "reason": "x"}
        return ReceiverSwapForm(given, receiver=receiver, types=ReceiverType.objects.all())

    with time_machine.travel(now, tick=False):
        assert not refused(until(site_day), "loan_until")
        assert refused(until(site_day - timedelta(days=1)), "loan_until")


@MOMENTS
def test_an_absence_is_late_once_the_day_is_over_at_the_site(
    world: World, receiver: Receiver, now: datetime, site_day: date
) -> None:
    away = Away.objects.create(
        registration=world.own_registration, site=receiver.site, customer=receiver.customer, agreed_with="the matron",
        reason="repair", from_on=site_day - timedelta(days=9), agreed_until_on=site_day,
    )  # fmt: skip
    with time_machine.travel(now, tick=False):
        client, url = world.client("office"), reverse("devices:away_list")
        assert not Away.objects.late_at(timezone.now()).exists()
        assert "due--late" not in client.get(url).content.decode()
        away.agreed_until_on = site_day - timedelta(days=1)
        away.save()
        assert list(Away.objects.late_at(timezone.now())) == [away]
        assert "due--late" in client.get(url).content.decode()
        away.ended_on = site_day
        away.save()
        assert not Away.objects.late_at(timezone.now()).exists()


def test_hours_of_a_site_in_another_zone_name_its_clock(world: World, receiver: Receiver) -> None:
    page = world.client("office").get(reverse("sites:site_detail", args=[receiver.site_id])).content.decode()
    assert "site time, New York" in page
