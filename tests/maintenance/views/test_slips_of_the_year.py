"""A day at the end of the calendar, typed where days are counted on from: told, and nothing breaks."""

from __future__ import annotations

import pytest
from django.urls import reverse

from company.models import TechnicianDayOff
from maintenance.models import Round
from tests.conftest import World

FAR = "9999-12-31"


def test_a_round_is_not_planned_for_the_end_of_the_calendar(world: World) -> None:
    data = {
        "site": world.own_site.pk, "name": "North", "day": FAR, "technician": world.technician.pk, "starts": "08:30",
        "horizon_weeks": "4", "note": "",
    }  # fmt: skip
    answer = world.client("office").post(reverse("maintenance:round_new"), data)
    assert answer.status_code == 422
    assert "Check the year" in answer.content.decode()
    assert not Round.objects.exists()


@pytest.mark.parametrize("days", [{"unknown_from": "2020-01-01", "unknown_to": FAR}, {"unknown_from": "0001-01-01"}])
def test_a_recall_of_cells_fitted_until_the_end_of_the_calendar_is_asked_again(world: World, days: dict) -> None:
    asked = {"what": "cells", "lots": "L1", "unknown_to": "2021-01-01"} | days
    answer = world.client("office").get(reverse("maintenance:recall_new"), asked)
    assert answer.status_code < 500
    assert "Give a day between" in answer.content.decode()


def test_days_off_are_not_noted_for_the_end_of_the_calendar(world: World) -> None:
    address = reverse("company:days_off_add", args=[world.technician.pk])
    answer = world.client("manager").post(address, {"from_on": FAR, "to_on": FAR, "reason": "leave"})
    assert answer.status_code < 500
    assert not TechnicianDayOff.objects.exists()


def test_an_absence_does_not_last_until_the_end_of_the_calendar(world: World) -> None:
    address = reverse("devices:slot_away", args=[world.own_receiver.pk, 1])
    data = {
        "reason": "away", "from_on": "2026-03-01", "agreed_until_on": FAR, "agreed_with": "the matron", "interim": "",
        "version": world.own_receiver.version,
    }  # fmt: skip
    answer = world.client("office").post(address, data)
    assert answer.status_code == 422
    assert "Check the year" in answer.content.decode()
