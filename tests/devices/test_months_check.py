"""The check of days that cannot be: silent where all is well, with a way out where it is not."""

from __future__ import annotations

from datetime import date

import pytest
from django.core.checks import Tags, run_checks

from devices.models import CheckInDay
from tests.factories import TODAY, make_transmitter

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def told():
    return [one for one in run_checks(tags=[Tags.database], databases=["default"]) if one.id == "slotledger.W010"]


def test_days_of_a_wrong_clock_are_told_with_what_to_do():
    unit = make_transmitter()
    row = {"transmitter_id": unit.pk, "customer_id": unit.customer_id, "heard": 3, "expected": 24}
    CheckInDay.objects.create(day=TODAY, **row)
    assert told() == []
    CheckInDay.objects.create(day=date(2051, 3, 4), **row)
    (one,) = told()
    assert "1 days of check-ins are of a wrong clock, from 2051-03-04 to 2051-03-04" in one.msg
    assert "reconcile --write" in one.hint
