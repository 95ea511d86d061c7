"""The page of a receiver says since when its standby battery is in, when it is due, and where that is explained."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from django.urls import reverse

from devices.models import Receiver
from maintenance.actions.due import refresh_receivers
from maintenance.models import DueItem
from tests import factories
from tests.conftest import World
from tests.factories import NOW

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

TODAY = NOW.date()


def standby_on(world: World, audience: str = "office", **asked: str) -> str:
    frame = "devices:tech_slot_map" if audience == "technician" else "devices:slot_map"
    answer = world.client(audience).get(reverse(frame, args=[world.own_receiver.pk]), asked)
    text = answer.content.decode()
    start = text.find("<dt>Standby battery</dt>")
    return "" if start < 0 else text[start : text.index("</div>", start)]


def give(world: World, fitted_on: date | None = None, *, years: float = 4, has_one: bool = True) -> None:
    kind = factories.receiver_type("test-standby", has_standby_battery=has_one, standby_life_years=years)
    Receiver.objects.filter(pk=world.own_receiver.pk).update(type=kind, standby_fitted_on=fitted_on)
    refresh_receivers(receiver_ids=[world.own_receiver.pk], at=NOW)


def why_of(world: World) -> str:
    return reverse("maintenance:due_why", args=[DueItem.objects.get(kind="standby", is_closed=False).pk])


@pytest.mark.parametrize("audience", ["office", "technician"])
def test_it_is_said_when_it_was_fitted_when_it_is_due_and_where_that_is_explained(world: World, audience: str) -> None:
    give(world, date(2024, 3, 9))
    text = standby_on(world, audience)
    assert "fitted 9 Mar 2024" in text
    assert "due Mar 2028" in text
    assert why_of(world) in text
    assert world.client(audience).get(why_of(world)).status_code == 200


def test_one_that_is_late_says_so(world: World) -> None:
    give(world, TODAY - timedelta(days=1461 + 12))
    assert "late 12 d" in standby_on(world)


def test_a_kept_page_follows_a_date_that_moves(world: World) -> None:
    give(world, date(2024, 3, 9))
    assert "due Mar 2028" in standby_on(world)
    DueItem.objects.filter(kind="standby").update(due_on=date(2029, 6, 1))
    assert "due Jun 2029" in standby_on(world)


def test_where_nobody_knows_since_when_it_is_in_the_date_that_the_firm_allows_stands(world: World) -> None:
    give(world)
    text = standby_on(world)
    assert "not known since when it is in" in text
    assert why_of(world) in text
    assert "due" in text


def test_where_no_date_can_be_given_it_says_why(world: World) -> None:
    give(world, date(2024, 3, 9))
    DueItem.objects.filter(kind="standby").update(due_on=None)
    text = standby_on(world)
    assert "Nobody can say when it is due" in text
    assert why_of(world) in text


def test_before_it_was_worked_out_it_says_so(world: World) -> None:
    give(world, date(2024, 3, 9))
    DueItem.objects.filter(kind="standby").delete()
    assert "has not been worked out yet" in standby_on(world)


def test_a_type_without_one_says_that_there_is_none(world: World) -> None:
    give(world, has_one=False)
    assert "none: its type has none" in standby_on(world)


def test_of_an_unknown_type_the_office_is_asked_to_enter_it(world: World) -> None:
    Receiver.objects.filter(pk=world.own_receiver.pk).update(type=None, standby_fitted_on=None)
    assert "not known whether it has one" in standby_on(world)
    assert reverse("devices:receiver_edit", args=[world.own_receiver.pk]) in standby_on(world)
    assert "receiver_edit" not in standby_on(world, "technician")
    assert "/edit/" not in standby_on(world, "technician")


def test_a_day_on_record_proves_one_whatever_the_type_says(world: World) -> None:
    give(world, date(2024, 3, 9), has_one=False)
    assert "fitted 9 Mar 2024" in standby_on(world)


def test_the_past_and_a_receiver_that_came_down_tell_nothing_of_it(world: World) -> None:
    give(world, date(2024, 3, 9))
    assert standby_on(world, on="2026-01-01") == ""
    Receiver.objects.filter(pk=world.own_receiver.pk).update(removed_at=NOW)
    assert standby_on(world) == ""
