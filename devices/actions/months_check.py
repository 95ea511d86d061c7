"""System check of check-in days: days that cannot be raise an alarm wherever checks are run."""

from __future__ import annotations

from typing import Any

from django.core.checks import CheckMessage, Tags, Warning, register
from django.db import connection
from django.utils import timezone

from devices.querysets.days_read import stray_days


@register(Tags.database)
def strays(**kwargs: Any) -> list[CheckMessage]:
    """Days of check-ins far ahead or long ago come of a clock that runs wrong; they count, and they should not be there."""
    if not kwargs.get("databases") or "devices_checkinday" not in connection.introspection.table_names():
        return []
    found = stray_days(today=timezone.now().date())
    if not found.n:
        return []
    return [
        Warning(
            f"{found.n} days of check-ins are of a wrong clock, from {found.first} to {found.last}.",
            hint="Correct the clock of what sent them. The days are in devices_checkinday"
            f"{'_other' if connection.vendor == 'postgresql' else ''}; delete them there, then run manage.py reconcile --write.",
            id="slotledger.W010",
        )
    ]
