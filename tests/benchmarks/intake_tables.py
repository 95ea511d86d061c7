"""Tables for the benchmarks of intake: days on the product's table and on the one that nobody thought about."""

from __future__ import annotations

import time
from datetime import date, datetime, timedelta
from typing import Any


def fill_days(n: int, n_days: int, now: datetime) -> None:
    """Days with masks, on the product's table and on the obvious one; today's are two check-ins old."""
    from django.db import connection

    from devices.fields import day_number
    from devices.rules.presence import mask_of_quarters

    whole, begun = mask_of_quarters(range(0, 96, 4)), mask_of_quarters(range(0, 8, 4))
    obvious_model()
    first, last = (now - timedelta(days=n_days - 1)).date(), now.date()
    is_pg = connection.vendor == "postgresql"
    if is_pg:
        days = f"generate_series(0, {n_days - 1}) AS d (k)"
        number, text, half = "%s::date + k", "%s::date + k", f"k = {n_days - 1}"
    else:
        days = f"(WITH RECURSIVE d (k) AS (SELECT 0 UNION ALL SELECT k + 1 FROM d WHERE k < {n_days - 1}) SELECT k FROM d) AS d"
        number, text, half = "%s + k", "date(%s, '+' || k || ' days')", f"k = {n_days - 1}"
    with connection.cursor() as cursor:
        # In the order of the key and some transmitters at a time: memory stays small, and so does the log of SQLite.
        for start in range(1, n + 1, 2500):
            stop = min(start + 2500, n + 1)
            units = f"generate_series({start}, {stop - 1}) AS t (i)" if is_pg else (
                f"(WITH RECURSIVE n (i) AS (SELECT {start} UNION ALL SELECT i + 1 FROM n WHERE i < {stop - 1}) SELECT i FROM n) AS t"
            )  # fmt: skip
            heard = f"CASE WHEN {half} THEN 2 ELSE 24 END"
            cursor.execute(
                "INSERT INTO devices_checkinday (transmitter_id, day, customer_id, last_heard_s, heard, expected, activations, "
                f"loss_runs, lowest_margin_db, flags, presence, acted, acts_source) SELECT i, {number}, 1 + i %% 10, "
                f"CASE WHEN {half} THEN 3600 ELSE 83000 END, {heard}, {heard}, 0, 0, 14, 0, CASE WHEN {half} THEN %s ELSE %s END, "
                f"NULL, 0 FROM {units} CROSS JOIN {days} ORDER BY i, k",
                [first if is_pg else day_number(first), begun, whole],
            )
            cursor.execute(
                "INSERT INTO benchmark_obvious (transmitter_id, day, heard, expected, activations, low_battery, tamper, "
                f"lowest_margin_db, last_heard_at) SELECT i, {text}, {heard}, {heard}, 0, {'false' if is_pg else 0}, "
                f"{'false' if is_pg else 0}, 14, NULL FROM {units} CROSS JOIN {days} ORDER BY i, k",
                [first if is_pg else first.isoformat()],
            )
        cursor.execute("ANALYZE")
        if is_pg:
            cursor.execute("VACUUM")
            cursor.execute("CHECKPOINT")
    assert last == first + timedelta(days=n_days - 1)


def renew_today(day: date) -> None:
    """Set the last day of a kept file back to two check-ins, so that every run begins alike."""
    from django.db import connection

    from devices.fields import day_number
    from devices.rules.presence import mask_of_quarters

    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE devices_checkinday SET heard = 2, expected = 2, last_heard_s = 3600, presence = %s WHERE day = %s",
            [mask_of_quarters(range(0, 8, 4)), day_number(day)],
        )
        cursor.execute(
            "UPDATE benchmark_obvious SET heard = 2, expected = 2, last_heard_at = NULL WHERE day = %s", [day]
        )


OBVIOUS: list[Any] = []


def obvious_model() -> Any:
    """The table that Django makes where nobody thinks: key of its own, key of the transmitter, both together unique."""
    from django.db import connection, models

    if not OBVIOUS:

        class ObviousDay(models.Model):
            transmitter = models.ForeignKey("devices.Transmitter", on_delete=models.CASCADE, related_name="+")
            day = models.DateField()
            heard = models.IntegerField(default=0)
            expected = models.IntegerField(default=0)
            activations = models.IntegerField(default=0)
            low_battery = models.BooleanField(default=False)
            tamper = models.BooleanField(default=False)
            lowest_margin_db = models.IntegerField(null=True)
            last_heard_at = models.DateTimeField(null=True)

            class Meta:
                app_label = "devices"
                db_table = "benchmark_obvious"
                unique_together = (("transmitter", "day"),)

            def __str__(self) -> str:
                return f"{self.transmitter_id} {self.day}"

        if ObviousDay._meta.db_table not in connection.introspection.table_names():
            with connection.schema_editor() as editor:
                editor.create_model(ObviousDay)
        OBVIOUS.append(ObviousDay)
    return OBVIOUS[0]


def token_of(customer: int) -> str:
    """A token of the right form for a customer's gateway."""
    return f"slin_{customer:043d}"


def carry_over() -> float:
    """Carry what stands in the log of SQLite over into its file; gives how long that took.

    Every thousandth page of the log makes a commit do so for all pages, also for those of others.
    """
    from django.db import connection

    begun = time.perf_counter()
    with connection.cursor() as cursor:
        cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return time.perf_counter() - begun
