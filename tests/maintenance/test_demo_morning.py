"""The demo firm loaded before its working day has begun: nothing that it tells of lies ahead of the clock."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.apps import apps
from django.db.models import DateTimeField, Max

from maintenance.management.demo.build import size_of
from maintenance.management.demo.clock import at, morning_before, share_of
from maintenance.management.demo.load import Wish, load_firm
from maintenance.models import Visit

TODAY = date(2026, 11, 26)
NIGHT = datetime(2026, 11, 26, 0, 40, tzinfo=UTC)

OF_THE_REAL_CLOCK = {"company.User.joined_at", "devices.Transmitter.created_at"}
"""Written by the database's own clock, which runs on while this test pretends that it is night."""


@pytest.mark.parametrize(
    ("hour", "minute", "expected"),
    [(0, 0, "00:00"), (3, 5, "00:13"), (6, 0, "00:25"), (8, 42, "00:37"), (9, 15, "00:40")],
)
def test_a_morning_is_pressed_together_before_now(hour: int, minute: int, expected: str) -> None:
    with morning_before(NIGHT, TODAY):
        assert f"{at(TODAY, hour, minute):%H:%M}" == expected


def test_other_days_and_later_hours_stay_as_they_are() -> None:
    with morning_before(NIGHT, TODAY):
        assert at(TODAY - timedelta(days=1), 8, 42) == datetime(2026, 11, 25, 8, 42, tzinfo=UTC)
    with morning_before(datetime(2026, 11, 26, 15, tzinfo=UTC), TODAY):
        assert at(TODAY, 8, 42) == datetime(2026, 11, 26, 8, 42, tzinfo=UTC)
    assert share_of(TODAY) == 1


@pytest.mark.django_db
def test_nothing_that_the_firm_tells_of_lies_ahead_of_the_clock() -> None:
    load_firm(Wish(seed=21, today=TODAY, n_transmitters=size_of(0.1), n_reports=0, now=NIGHT))
    ahead: dict[str, Any] = {}
    for model in apps.get_models():
        for field in model._meta.get_fields():
            name = f"{model._meta.label}.{field.name}"
            if isinstance(field, DateTimeField) and name not in OF_THE_REAL_CLOCK and not field.auto_now_add:
                last = model._default_manager.aggregate(last=Max(field.name))["last"]
                if last and last > NIGHT:
                    ahead[name] = last
    assert not ahead
    assert Visit.objects.filter(state="open", arrived_at__lte=NIGHT).count() == 1
