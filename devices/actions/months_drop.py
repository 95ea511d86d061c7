"""Old days of check-ins dropped where the firm keeps them for so many months only; their sums stay with the cells.

Reports of faults that are older than the days kept go with them.

Before a day goes, what it contributed to each row of totals is added to that row's `dropped_*`, in the transaction that
deletes it. So at any moment

    days_measured = dropped_days        + number of the days still kept, within the row's setting-period, with heard > 0
    checkins      = dropped_checkins    + sum of their `heard`
    activations   = dropped_activations + sum of their `activations`

and rebuilding (`devices.actions.rollups`) works with exactly that. Nobody may add to a day before `Firm.checkins_from`: it
would count twice.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, time
from typing import Any

from django.db import connection, transaction
from django.utils import timezone
from django.utils.translation import gettext

from company.actions.log import facts_of, record_change
from company.jobs import Handle
from company.models import Firm
from devices.actions import rollup_sql as sql
from devices.actions import rollups
from devices.actions.months import STRAYS, TABLE, partition_name, partitions, short_lock_wait
from devices.actions.months_close import UNITS_A_WRITE
from devices.fields import day_number
from devices.models import Fault, FaultReport, FittingTotals
from devices.rules.months import kept_from, month_after

Fence = Callable[[int], None]
Sums = tuple[int, int, int]
"""Days measured, check-ins, activations."""
REPORTS_A_WRITE = 5000
_ADDED = (
    "dropped_days = dropped_days + {}, dropped_checkins = dropped_checkins + {}, "
    "dropped_activations = dropped_activations + {}"
)


def drop_month(handle: Handle, *, month: str, **unknown: Any) -> None:
    """Job handler: drop one month that the firm does not keep any longer. A second run finds nothing to do.

    Somebody may have chosen to keep more since the job was asked for: then nothing is dropped.
    """
    first = date.fromisoformat(month)
    firm = Firm.objects.filter(pk=1).first()
    if firm is None or not firm.checkin_months or first >= kept_from(timezone.now().date(), firm.checkin_months):
        handle.finish({"dropped": 0})
        return

    def fence(n: int) -> None:
        handle.progress(n, 0, gettext("%(n)s days dropped") % {"n": n})

    handle.finish({"dropped": drop_days(month=first, fence=fence)})


def drop_days(*, month: date, fence: Fence | None = None) -> int:
    """Drop every day of a month, some transmitters a transaction, and its partition at last; gives the number of days.

    The border (`Firm.checkins_from`) moves first, with a row in the change log, so that nobody adds to days that are
    going. Reports of faults from before it go too: the faults themselves stay. Killed anywhere, the next call goes on.
    """
    _move_border(month)
    n, last = 0, 0
    while ids := _units_with_days(month, last):
        with transaction.atomic():
            if fence:
                fence(n)
            sql.lock_transmitters(ids)
            _keep_sums(ids, month)
            n += _delete(ids, month)
        last = ids[-1]
    _drop_reports(datetime.combine(month_after(month), time(), tzinfo=UTC), fence, n)
    _drop_partition(month)
    return n


def _drop_reports(border: datetime, fence: Fence | None, n: int) -> None:
    """Drop reports that no event can come among any more. Low-battery signals stay: cells are judged by them for good."""
    old = FaultReport.objects.filter(at__lt=border).exclude(kind=Fault.Kind.LOW_BATTERY, is_raised=True)
    while keys := list(old.order_by("pk").values_list("pk", flat=True)[:REPORTS_A_WRITE]):
        with transaction.atomic():
            if fence:
                fence(n)
            FaultReport.objects.filter(pk__in=keys).delete()


@transaction.atomic
def _move_border(month: date) -> None:
    firm = Firm.objects.select_for_update().get(pk=1)
    after = month_after(month)
    if firm.checkins_from is not None and firm.checkins_from >= after:
        return
    before = facts_of(firm, "checkins_from")
    firm.checkins_from = after
    firm.save(update_fields=["checkins_from"])
    record_change(
        by=None, at=timezone.now(), verb="drop_checkin_days", subject=firm, before=before,
        after=facts_of(firm, "checkins_from"), reason=gettext("Kept for %(n)s months.") % {"n": firm.checkin_months or 0},
    )  # fmt: skip


def _span(month: date) -> list[Any]:
    days = [month, month_after(month)]
    return list(days) if sql.is_postgresql() else [day_number(day) for day in days]


def _units_with_days(month: date, last: int) -> list[int]:
    """Some transmitters that have days of a month, next after a key."""
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT DISTINCT transmitter_id FROM {TABLE} WHERE transmitter_id > %s AND day >= %s AND day < %s "
            f"ORDER BY transmitter_id LIMIT {UNITS_A_WRITE[connection.vendor]}",
            [last, *_span(month)],
        )
        return [pk for (pk,) in cursor.fetchall()]


def _delete(ids: Sequence[int], month: date) -> int:
    within = "= ANY(%s)" if sql.is_postgresql() else "IN (SELECT value FROM json_each(%s))"
    with connection.cursor() as cursor:
        cursor.execute(
            f"DELETE FROM {TABLE} WHERE transmitter_id {within} AND day >= %s AND day < %s",
            [list(ids) if sql.is_postgresql() else json.dumps(list(ids)), *_span(month)],
        )
        return int(cursor.rowcount)


def _keep_sums(ids: Sequence[int], month: date) -> None:
    """Add what the days of a month contributed to the totals of their setting-periods to what those carry as dropped."""
    sums = contributed(ids, month, month_after(month))
    if not sums:
        return
    there = FittingTotals.objects.filter(fitting_id__in={fitting_id for fitting_id, _ in sums})
    if sums.keys() - set(there.values_list("fitting_id", "from_on")):
        # Totals that were never made are made while the days to make them of are still there.
        rollups.rebuild_totals(transmitter_ids=ids)
    rows = [(*sums[key], *key) for key in sorted(sums)]
    with connection.cursor() as cursor:
        if sql.is_postgresql():
            cursor.execute(
                f"UPDATE devices_fittingtotals t SET {_ADDED.format('v.d', 'v.c', 'v.a')} "
                "FROM unnest(%s::int[], %s::int[], %s::int[], %s::bigint[], %s::date[]) AS v(d, c, a, f, b) "
                "WHERE t.fitting_id = v.f AND t.from_on = v.b",
                [list(column) for column in zip(*rows, strict=True)],
            )
        else:
            cursor.executemany(
                f"UPDATE devices_fittingtotals SET {_ADDED.format('%s', '%s', '%s')} "
                "WHERE fitting_id = %s AND from_on = %s",
                [(*row[:4], row[4].isoformat()) for row in rows],
            )


def contributed(ids: Sequence[int], begin: date, end: date) -> dict[tuple[int, date], Sums]:
    """What days from `begin` until before `end` count in each setting-period: (fitting, first day) → sums, none of nothing."""
    periods, _ = rollups._periods(*sql.ask(sql.stays_ask(ids, None), sql.settings_ask(ids)))
    keys, stretches = [], []
    for pk in sorted(periods):
        for one in periods[pk]:
            first, last = max(one.from_on, begin), min(one.to_on or end, end)
            if first < last:
                keys.append((one.fitting_id, one.from_on))
                stretches.append((pk, first, last))
    found: dict[tuple[int, date], Sums] = {}
    for number, (_, days, heard, activations) in sql.sum_stretches(stretches).items():
        if days or heard or activations:
            found[keys[number]] = (days, heard, activations)
    return found


def _drop_partition(month: date) -> None:
    """Drop a month's table once it is empty. Its parent is locked for a moment, and only if that can be had soon."""
    if not any(one.month == month for one in partitions()):
        return
    name = partition_name(month)
    with short_lock_wait(), connection.cursor() as cursor:
        cursor.execute(f"LOCK TABLE ONLY {TABLE}, ONLY {STRAYS} IN ACCESS EXCLUSIVE MODE")
        cursor.execute(f'SELECT EXISTS (SELECT 1 FROM "{name}")')
        if not cursor.fetchone()[0]:
            cursor.execute(f'DROP TABLE "{name}"')
