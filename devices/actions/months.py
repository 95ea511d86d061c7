"""Room for check-in days to come: on PostgreSQL the table is cut by month, and each month must be made beforehand."""

from __future__ import annotations

from datetime import date, timedelta

from django.db import connection

MONTHS_AHEAD = 2


def month_after(day: date) -> date:
    """First day of the next month."""
    return (day.replace(day=1) + timedelta(days=32)).replace(day=1)


def ensure_months(*, today: date, ahead: int = MONTHS_AHEAD) -> list[str]:
    """Make this month's partition and those of the months ahead that are not there; nothing to do on SQLite.

    A month that already has rows in the default partition cannot be cut out under way; PostgreSQL refuses it. Such rows
    are strays of a wrong clock and stay where they are, so the month is left alone.

    Returns
    -------
    list of str
        Names of the partitions made.
    """
    if connection.vendor != "postgresql":
        return []
    made: list[str] = []
    month = today.replace(day=1)
    with connection.cursor() as cursor:
        for _ in range(ahead + 1):
            after, name = month_after(month), f"devices_checkinday_{month:%Y%m}"
            cursor.execute("SELECT to_regclass(%s)", [name])
            is_there = cursor.fetchone()[0]
            cursor.execute(
                "SELECT EXISTS (SELECT 1 FROM devices_checkinday_other WHERE day >= %s AND day < %s)", [month, after]
            )
            has_strays = cursor.fetchone()[0]
            if not is_there and not has_strays:
                cursor.execute(
                    f'CREATE TABLE "{name}" PARTITION OF devices_checkinday '
                    f"FOR VALUES FROM ('{month}') TO ('{after}') WITH (fillfactor=50)"
                )
                made.append(name)
            month = after
    return made
