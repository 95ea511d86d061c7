"""When the standby batteries of receivers were changed, as the records tell it."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.apps import apps

from company.models import ChangeRow
from devices.querysets.moments import end_of_day
from devices.rules.standby import changes_of, moment_of

FACT = "standby_fitted_on"
_NEW = ("add_receiver", "swap_receiver")
"""Changes that tell of another unit before, or of none."""


def standby_changed(receiver_ids: Collection[int], at: datetime) -> dict[int, tuple[datetime, ...]]:
    """Moments up to `at` at which the standby batteries of receivers were changed, oldest first; in two queries.

    On record is only a day: the moment is when it was written down, or the end of the day (by the site's clock) where it
    was written down later.
    """
    rows = apps.get_model("devices", "Receiver")._base_manager.filter(pk__in=receiver_ids)
    now = {pk: (day, zone) for pk, day, zone in rows.values_list("pk", FACT, "site__time_zone")}
    told: dict[int, list[tuple[date | None, datetime | None]]] = {}
    for row in ChangeRow.objects.filter(
        subject_kind="receiver", subject_id__in=now, after__has_key=FACT
    ).order_by("pk").only("subject_id", "verb", "at", "before", "after"):  # fmt: skip
        mine = told.setdefault(row.subject_id, [])
        if not mine and row.verb not in _NEW and FACT in (row.before or {}):
            mine.append((_day((row.before or {})[FACT]), None))
        mine.append((_day((row.after or {})[FACT]), row.at))
    found = {}
    for pk, (day, zone) in now.items():
        changes = changes_of([*told.get(pk, ()), (day, None)])
        moments = (moment_of(one, end_of_day(one.on, ZoneInfo(zone))) for one in changes)
        found[pk] = tuple(sorted(moment for moment in moments if moment <= at))
    return found


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None
