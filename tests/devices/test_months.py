"""Months of check-in days are made before they begin."""

from datetime import date

import pytest
from django.db import connection

from devices.actions.months import ensure_months
from devices.models import CheckInDay


@pytest.mark.django_db
def test_a_month_is_made_once_and_takes_its_days():
    made = ensure_months(today=date(2031, 11, 30))
    expected = ["devices_checkinday_203111", "devices_checkinday_203112", "devices_checkinday_203201"]
    assert made == (expected if connection.vendor == "postgresql" else [])
    assert ensure_months(today=date(2031, 11, 30)) == []
    day = CheckInDay.objects.create(transmitter_id=1, day=date(2031, 12, 31), customer_id=1, heard=24, expected=24)
    assert CheckInDay.objects.get(pk=day.pk).day == date(2031, 12, 31)


@pytest.mark.django_db
def test_days_that_came_early_do_not_stop_the_night():
    row = CheckInDay.objects.create(transmitter_id=1, day=date(2040, 1, 5), customer_id=1, heard=1, expected=1)
    made = ensure_months(today=date(2040, 1, 1), ahead=1)
    months = ["devices_checkinday_204001", "devices_checkinday_204002"]
    assert made == (months if connection.vendor == "postgresql" else [])
    assert CheckInDay.objects.get(pk=row.pk).heard == 1
