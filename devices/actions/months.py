"""Months of check-in days: made ahead, closed, dropped. `keep_months` is the night's one call for all of it.

On PostgreSQL the table is cut by month; on SQLite it is one table, where a month is only a range of days. What is done
already is read off the database's own catalogue (a closed partition is one with fillfactor 100) or off the finished jobs.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date

from django.db import OperationalError, connection, transaction
from django.utils.translation import gettext

from company import jobs
from company.manner import day_said
from company.models import Firm, Job
from devices.querysets.days_read import first_day_unparted, stray_days
from devices.rules.months import (
    MONTHS_AHEAD,
    closed_until,
    kept_from,
    month_after,
    month_of,
    months_back,
    sensible_span,
)

logger = logging.getLogger(__name__)

TABLE, STRAYS = "devices_checkinday", "devices_checkinday_other"
LIVE_FILL, CLOSED_FILL = 50, 100
"""Percent of a page filled at first: half of a live page is left for new versions of its rows."""
LOCK_WAIT_MS = 4000
"""Nobody waits behind us for longer than this: a month that is in use is closed another time."""
CLOSE = "devices.actions.months_close.close_month"
DROP = "devices.actions.months_drop.drop_month"


@dataclass(frozen=True, slots=True)
class Partition:
    """A month's own table on PostgreSQL; `fill` is None where none was ever set."""

    name: str
    month: date
    fill: int | None

    @property
    def is_closed(self) -> bool:
        """Whether it has been rewritten in key order."""
        return self.fill == CLOSED_FILL


def partition_name(month: date) -> str:
    """Name of a month's table."""
    return f"{TABLE}_{month:%Y%m}"


def partitions() -> list[Partition]:
    """Months that have a table of their own, oldest first; none on SQLite."""
    if connection.vendor != "postgresql":
        return []
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT c.relname, array_to_string(c.reloptions, ',') FROM pg_inherits i "
            "JOIN pg_class c ON c.oid = i.inhrelid WHERE i.inhparent = to_regclass(%s) ORDER BY c.relname",
            [TABLE],
        )
        found = []
        for name, options in cursor.fetchall():
            month = re.fullmatch(rf"{TABLE}_(\d{{4}})(\d\d)", name)
            fill = re.search(r"fillfactor=(\d+)", options or "")
            if month:
                first = date(int(month[1]), int(month[2]), 1)
                found.append(Partition(name, first, int(fill[1]) if fill else None))
        return sorted(found, key=lambda one: one.month)


@contextmanager
def short_lock_wait() -> Iterator[None]:
    """A transaction on PostgreSQL that gives up a lock it cannot have soon, so that no queue forms behind it."""
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(f"SET LOCAL lock_timeout = {LOCK_WAIT_MS}")
        yield
        cursor.execute("SET LOCAL lock_timeout TO DEFAULT")


# --- made ahead ---------------------------------------------------------------------------------------------------------


def ensure_months(*, today: date, ahead: int = MONTHS_AHEAD) -> list[str]:
    """Make partitions of this month, the months ahead, and months of strays that can be; nothing to do on SQLite.

    Days that came before their month was made wait in the default partition and are moved in the transaction that makes
    it. What stays there are days that cannot be (see `stray_days`). A table in use for long is left to the next night.

    Returns
    -------
    list of str
        Names of the partitions made.
    """
    if connection.vendor != "postgresql":
        return []
    wanted, month = set(), month_of(today)
    for _ in range(ahead + 1):
        wanted.add(month)
        month = month_after(month)
    wanted |= _months_of_strays(today)
    made = []
    for first in sorted(wanted - {one.month for one in partitions()}):
        try:
            with short_lock_wait():
                _make(first)
        except OperationalError:
            logger.warning("No partition could be made for the check-ins of %s; the next night tries again.", first)
        else:
            made.append(partition_name(first))
    return made


def _months_of_strays(today: date) -> set[date]:
    begin, end = sensible_span(today)
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT DISTINCT date_trunc('month', day)::date FROM {STRAYS} WHERE day >= %s AND day < %s", [begin, end]
        )
        return {month for (month,) in cursor.fetchall()}


def _make(month: date) -> None:
    """Make one partition with the days that were put aside for want of it. Attached, not created in place: that would lock all."""
    name, after = partition_name(month), month_after(month)
    with connection.cursor() as cursor:
        # Whoever writes a day of this month just now must not slip in between the move and the new border.
        cursor.execute(f"LOCK TABLE {STRAYS} IN ACCESS EXCLUSIVE MODE")
        cursor.execute(
            f'CREATE TABLE "{name}" (LIKE {TABLE} INCLUDING DEFAULTS INCLUDING CONSTRAINTS INCLUDING INDEXES) '
            f"WITH (fillfactor={LIVE_FILL})"
        )
        cursor.execute(
            f"WITH moved AS (DELETE FROM {STRAYS} WHERE day >= %s AND day < %s RETURNING *) "
            f'INSERT INTO "{name}" SELECT * FROM moved ORDER BY transmitter_id, day',
            [month, after],
        )
        cursor.execute(f"ALTER TABLE {TABLE} ATTACH PARTITION \"{name}\" FOR VALUES FROM ('{month}') TO ('{after}')")


# --- the night ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Kept:
    """What a night found to do: partitions made, months asked to be closed and dropped, days of a wrong clock."""

    made: tuple[str, ...]
    closing: tuple[date, ...]
    dropping: tuple[date, ...]
    n_strays: int


def keep_months(*, today: date) -> Kept:
    """Make months ahead and ask for those to be closed or dropped. May be repeated; to be called each night.

    Closing and dropping are jobs, one a month, so that neither the night nor its transaction waits for them. What failed
    in one night is asked for again in the next.
    """
    made = ensure_months(today=today)
    dropping = months_to_drop(today)
    closing = [month for month in months_to_close(today) if month not in dropping]
    for months, handler, word, title in (
        (closing, CLOSE, "close", gettext("Check-ins of the month of %(day)s packed")),
        (dropping, DROP, "drop", gettext("Check-ins of the month of %(day)s dropped, sums kept")),
    ):
        for month in months:
            jobs.enqueue(
                handler=handler, key=f"{_prefix(word, month)}{today.isoformat()}",
                title=title % {"day": day_said(month)}, args={"month": month.isoformat()},
            )  # fmt: skip
    strays = stray_days(today=today)
    if strays.n:
        logger.error(
            "%s days of check-ins are of a wrong clock, from %s to %s. Correct the clock of what sent them.",
            strays.n, strays.first, strays.last,
        )  # fmt: skip
    return Kept(tuple(made), tuple(closing), tuple(dropping), strays.n)


def _prefix(word: str, month: date) -> str:
    return f"checkins:{word}:{month.isoformat()}:"


def months_to_close(today: date) -> list[date]:
    """Months that are over for good and not packed yet, oldest first.

    SQLite has one table: its last closed month stands for all before it, and the finished job says that it was packed.
    """
    end = closed_until(today)
    if connection.vendor == "postgresql":
        return _with_days([one for one in partitions() if one.month < end and not one.is_closed])
    last = months_back(end, 1)
    was_done = Job.objects.filter(key__startswith=_prefix("close", last), state=Job.State.DONE).exists()
    begin = None if was_done else first_day_unparted()
    return [last] if begin is not None and begin < end else []


def _with_days(months: list[Partition]) -> list[date]:
    """Those that hold a day: a new firm has years of empty months, and there is nothing to pack in them."""
    if not months:
        return []
    asked = " UNION ALL ".join(
        f'SELECT {number}, EXISTS (SELECT 1 FROM "{one.name}")' for number, one in enumerate(months)
    )
    with connection.cursor() as cursor:
        cursor.execute(asked)
        return [months[number].month for number, has_days in cursor.fetchall() if has_days]


def months_to_drop(today: date) -> list[date]:
    """Months that the firm does not keep any longer and that are still there, oldest first."""
    firm = Firm.objects.filter(pk=1).first()
    if firm is None or not firm.checkin_months:
        return []
    end, begin = kept_from(today, firm.checkin_months), first_day_unparted()
    found = {one.month for one in partitions() if one.month < end}
    if begin is not None and begin < end:
        # Months between that have no day cost one look each.
        month = month_of(begin)
        while month < end:
            found.add(month)
            month = month_after(month)
    return sorted(found)
