"""Moments and days as every read of the ledger takes them."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta, tzinfo

from django.db.models import Q


def from_to(begins: str, ends: str, at: datetime) -> Q:
    """Rows in force at a moment: begun, and not yet ended (the end is exclusive)."""
    return Q(**{f"{begins}__lte": at}) & (Q(**{ends: None}) | Q(**{f"{ends}__gt": at}))


def end_of_day(day: date, zone: tzinfo) -> datetime:
    """Last moment of a day in a site's time zone: what "as of that day" means everywhere."""
    # In UTC: where clocks go back at midnight, the last hour of the day comes twice and the wall alone would lose one.
    midnight = datetime.combine(day + timedelta(days=1), time.min, tzinfo=zone).astimezone(UTC)
    return (midnight - timedelta(microseconds=1)).astimezone(zone)


def heard_moment(day: date | None, seconds: int | None) -> datetime | None:
    """Moment of a check-in from its day and its seconds since midnight UTC, as the table of days keeps them."""
    if day is None or seconds is None:
        return None
    return datetime.combine(day, time.min, tzinfo=UTC) + timedelta(seconds=seconds)
