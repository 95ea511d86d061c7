"""The one read of check-in days: whoever shows or judges days gets them here, as narrow tuples in the order of their key.

So how days are kept can change without anybody noticing: one row a day today, packed months perhaps tomorrow.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.apps import apps
from django.db import connection
from django.db.models import Q, QuerySet

from devices.fields import day_number, day_of
from devices.rules.months import sensible_span

DAY_FIELDS = (
    "transmitter_id", "day", "heard", "expected", "activations", "loss_runs", "lowest_margin_db", "flags", "last_heard_s",
)  # fmt: skip
"""Counts a day; margin [dB] and last check-in [s since midnight UTC] are None where unknown."""
MASKS = ("presence", "acted")
"""12 bytes, a bit a quarter hour, `acted` with counts behind (`devices.rules.day_acts`); empty in months that are closed."""


def days_of(
    days: QuerySet[Any], *, since: date, until: date, transmitters: Collection[int] | None = None,
    receiver: int | None = None, site: int | None = None, fields: tuple[str, ...] = DAY_FIELDS,
) -> QuerySet[Any, Any]:  # fmt: skip
    """Days of some transmitters, or of all that stood at a receiver or a site in that span, by transmitter and day.

    Parameters
    ----------
    days : QuerySet
        `CheckInDay.objects.visible_to(user)` in a door: the scope is the caller's.
    since, until : date
        First and last day, both included, of UTC.
    transmitters, receiver, site
        Exactly one. A unit that stood there for part of the span gives all its days of the span.
    fields : tuple of str
        Columns of a tuple; `DAY_FIELDS` unless told. `MASKS` may be asked for besides.
    """
    if sum(given is not None for given in (transmitters, receiver, site)) != 1:
        raise TypeError("Name either transmitters, or a receiver, or a site.")
    if transmitters is not None:
        which: Any = sorted(transmitters)
    else:
        stood = apps.get_model("devices", "Registration")._default_manager.filter(
            Q(removed_at=None) | Q(removed_at__date__gte=since), registered_at__date__lte=until,
            transmitter__isnull=False,
        )  # fmt: skip
        stood = stood.filter(receiver=receiver) if receiver is not None else stood.filter(site=site)
        which = stood.values("transmitter_id")
    rows = days.filter(transmitter_id__in=which, day__gte=since, day__lte=until)
    return rows.order_by("transmitter_id", "day").values_list(*fields)


# --- of all transmitters ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Strays:
    """Days that cannot be, for a clock that ran wrong: how many, the first and the last of them."""

    n: int
    first: date | None = None
    last: date | None = None


def stray_days(*, today: date) -> Strays:
    """Days of months that nobody made room for: after the months ahead, or of longer ago than any record of ours.

    PostgreSQL keeps them in the default partition (as well as, until the next night, days whose month is still to be
    made); SQLite has them among the others. They count like any other day, and they are wrong.
    """
    begin, end = sensible_span(today)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "SELECT count(*), min(day), max(day) FROM devices_checkinday_other WHERE day < %s OR day >= %s",
                [begin, end],
            )
            return Strays(*cursor.fetchone())
        # By transmitter: the key leads to the ends of each one's days, and nothing leads to days alone.
        one = (
            "SELECT count(*) AS n, min(d.day) AS first, max(d.day) AS last FROM devices_transmitter t "
            "CROSS JOIN devices_checkinday d ON d.transmitter_id = t.id AND d.day {} %s"
        )
        cursor.execute(
            f"SELECT sum(n), min(first), max(last) FROM ({one.format('<')} UNION ALL {one.format('>=')}) AS ends",
            [day_number(begin), day_number(end)],
        )
        n, first, last = cursor.fetchone()
        return Strays(n, day_of(first), day_of(last)) if n else Strays(0)


def first_day_unparted() -> date | None:
    """First day on record in no month's own table: of those in the default partition, or of all days on SQLite."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SELECT min(day) FROM devices_checkinday_other")
            return cursor.fetchone()[0]  # type: ignore[no-any-return]
        cursor.execute(
            "SELECT min(first) FROM (SELECT (SELECT min(d.day) FROM devices_checkinday d WHERE d.transmitter_id = t.id) "
            "AS first FROM devices_transmitter t) AS firsts"
        )
        (first,) = cursor.fetchone()
        return day_of(first) if first is not None else None
