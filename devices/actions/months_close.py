"""Closed months of check-ins packed: quarter hours emptied, then the month's table rewritten in the order of its key.

Nobody needs the quarter hours once late check-ins are no longer taken: the counts that came of them stay. A day whose
quarter hours are empty while it was heard is *sealed*: later additions may raise its counts, never shrink them.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from typing import Any

from django.db import connection, transaction
from django.utils.translation import gettext

from company.jobs import Handle
from devices.actions import rollup_sql as sql
from devices.actions.months import CLOSED_FILL, TABLE, partition_name, partitions, short_lock_wait
from devices.fields import day_number
from devices.rules.months import month_after

UNITS_A_WRITE = {"postgresql": 500, "sqlite": 10}
"""Transmitters per transaction: on SQLite everybody else waits for it."""
BESIDE_DAYS = 90
"""SQLite shares pages between a month and those before it: so many days are packed anew with it."""
Fence = Callable[[int], None]


def close_month(handle: Handle, *, month: str, **unknown: Any) -> None:
    """Job handler: pack one closed month (on SQLite every month until then). A second run finds nothing to do.

    May be killed anywhere: what was sealed stays so, and the month is closed once its table has been rewritten.
    """
    first = date.fromisoformat(month)

    def fence(n: int) -> None:
        handle.progress(n, 0, gettext("%(n)s days sealed") % {"n": n})

    n_sealed = seal(month=first, fence=fence)
    if any(one.month == first and not one.is_closed for one in partitions()):
        handle.progress(n_sealed, 0, gettext("putting the month in order"))
        rewrite(month=first)
    handle.finish({"sealed": n_sealed})


def seal(*, month: date, fence: Fence | None = None) -> int:
    """Empty the quarter hours of a month's days (SQLite: and of all days before it), some transmitters at a time.

    Gives the number of days sealed. On PostgreSQL missing masks become empty ones too: a row in which any column is NULL
    is 8 bytes longer.
    """
    if sql.is_postgresql() and not any(one.month == month for one in partitions()):
        return 0
    n, last = 0, 0
    while ids := _unsealed_after(month, last):
        with transaction.atomic():
            if fence:
                fence(n)
            # As whoever adds days does, so that neither waits crosswise for the other.
            sql.lock_transmitters(ids)
            n += _empty(month, ids)
        last = ids[-1]
    return n


def _where(month: date) -> tuple[str, str, list[Any]]:
    """Table, condition of a day that is not sealed, values."""
    if sql.is_postgresql():
        return f'"{partition_name(month)}"', "(presence IS DISTINCT FROM '' OR acted IS DISTINCT FROM '')", []
    return TABLE, "day < %s AND (length(presence) > 0 OR length(acted) > 0)", [day_number(month_after(month))]


def _unsealed_after(month: date, last: int) -> list[int]:
    table, condition, values = _where(month)
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT DISTINCT transmitter_id FROM {table} WHERE transmitter_id > %s AND {condition} "
            f"ORDER BY transmitter_id LIMIT {UNITS_A_WRITE[connection.vendor]}",
            [last, *values],
        )
        return [pk for (pk,) in cursor.fetchall()]


def _empty(month: date, ids: list[int]) -> int:
    table, condition, values = _where(month)
    if not sql.is_postgresql():
        return _pack(month, ids, condition, values)
    with connection.cursor() as cursor:
        cursor.execute(
            f"UPDATE {table} SET presence = '', acted = '' WHERE transmitter_id = ANY(%s) AND {condition}", [ids]
        )
        return int(cursor.rowcount)


def _pack(month: date, ids: list[int], condition: str, values: list[Any]) -> int:
    """Take days off and put them back without quarter hours, in the order of their key: changed in place, pages stay half empty."""
    units, end = "transmitter_id IN (SELECT value FROM json_each(%s))", day_number(month_after(month))
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT count(*), min(day) FROM {TABLE} WHERE {units} AND {condition}", [json.dumps(ids), *values]
        )
        n, first = cursor.fetchone()
        span = [json.dumps(ids), min(first, end - BESIDE_DAYS), end]
        cursor.execute(
            f"CREATE TEMP TABLE packed AS SELECT * FROM {TABLE} WHERE {units} AND day >= %s AND day < %s", span
        )
        cursor.execute("UPDATE packed SET presence = x'', acted = x''")
        cursor.execute(f"DELETE FROM {TABLE} WHERE {units} AND day >= %s AND day < %s", span)
        cursor.execute(f"INSERT INTO {TABLE} SELECT * FROM packed ORDER BY transmitter_id, day")
        cursor.execute("DROP TABLE packed")
    return int(n)


def rewrite(*, month: date) -> None:
    """Rewrite a month's table in the order of its key, full pages, and mark it closed, both or neither. PostgreSQL only.

    Locks that month's table alone, for seconds; refused (OperationalError) where it is in use for longer than we wait.
    """
    name = partition_name(month)
    with short_lock_wait(), connection.cursor() as cursor:
        cursor.execute(
            "SELECT c.relname FROM pg_index i JOIN pg_class c ON c.oid = i.indexrelid "
            "WHERE i.indrelid = %s::regclass AND i.indisprimary",
            [name],
        )
        key = cursor.fetchone()[0]
        cursor.execute(f'ALTER TABLE "{name}" SET (fillfactor={CLOSED_FILL})')
        cursor.execute(f'ALTER INDEX "{key}" SET (fillfactor={CLOSED_FILL})')
        cursor.execute(f'CLUSTER "{name}" USING "{key}"')
