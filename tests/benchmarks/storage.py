"""What keeping check-in days costs against the bare database: `python -m tests.benchmarks.storage`, both databases.

    python -m tests.benchmarks.storage                     about three minutes
    python -m tests.benchmarks.storage --only a3 r1        some of a3, a5, r1, s1 (PostgreSQL) and lite (S1 on SQLite)

Both sides of every ratio take turns in five rounds; medians are printed. A3: a file of 100,000 device-days, each day new,
with its ledger row and the totals of its cells, against the same rows by COPY and one upsert of psycopg into the same table.
A5: bytes of the write-ahead log per device-day with totals, 100 device-days a transaction, first write of a day after a
CHECKPOINT against a later one of that day, over the days of a month. R1: 90 days of one site through the app's function against the same statement
by psycopg. S1: bytes per device-day of closed months, indexes and all, against a naive model of Django that holds the same
facts (a row key, two foreign keys, last heard as a moment); in brackets without the customer and with its seconds instead.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

from tests.benchmarks.nightly import cpu_s, database, say

ROUNDS, UNITS, DAYS = 5, 2_000, 50
FLEET, HISTORY = 12_000, 120
PARTS = ("a3", "a5", "r1", "s1", "lite")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--only", nargs="+", choices=PARTS, default=PARTS)
    only = parser.parse_args().only
    if only == ["lite"]:
        with database(sqlite=True):
            lite()
        return
    with database(sqlite=False):
        postgresql(only)
    if "lite" in only:
        subprocess.run([sys.executable, "-m", "tests.benchmarks.storage", "--only", "lite"], check=True, env=_own_env())


def _own_env() -> dict[str, str]:
    return {name: value for name, value in os.environ.items() if name not in ("DATABASE_URL", "DATA_DIR")}


def postgresql(only: list[str]) -> None:
    """Fill, then measure what was asked for."""
    from devices.actions.months import ensure_months
    from tests.benchmarks.nightly_fill import Fleet, fill

    today, begun = datetime.now(UTC).date(), time.perf_counter()
    ensure_months(today=today)
    fill(Fleet(FLEET, 100, HISTORY if {"r1", "a3", "a5"} & set(only) else 0, today))
    say(
        f"PostgreSQL, {FLEET:,} transmitters, {FLEET * HISTORY:,} days on record; filled in {time.perf_counter() - begun:.0f} s"
    )
    for name, part in (("a3", file_upload), ("a5", log_bytes), ("r1", site_read), ("s1", closed_months)):
        if name in only:
            part(today)


# --- A3 -----------------------------------------------------------------------------------------------------------------


def file_upload(today: date) -> None:
    """Take in a file of device-days by the app and by psycopg alone, other transmitters and the same days."""
    from devices.models import IntakeSource

    source = IntakeSource.objects.create(name="file", kind="file")
    ours: list[tuple[float, float]] = []
    bare: list[tuple[float, float]] = []
    again: list[tuple[float, float]] = []
    for n in range(ROUNDS):
        start = today - timedelta(days=200 + DAYS * (n + 1))
        # Sides change places as well as turns: keys at the end of an index are the cheaper ones.
        first = UNITS * (n // 2 % 2)
        rows = device_days(start, first)
        plain = [
            (row[0] + UNITS - 2 * first, row[1], 1, 80_000, 40, 24, 1, 2, 9, 0, row.presence, row.presence, 0)
            for row in rows
        ]
        sides = [
            (ours, lambda rows=rows, n=n: by_the_app(source, rows, f"file {n}")),
            (bare, lambda plain=plain: by_psycopg(plain)),
        ]
        for seconds, work in sides if n % 2 else sides[::-1]:
            seconds.append(timed_twice(work))
        again.append(timed_twice(lambda rows=rows, n=n: by_the_app(source, rows, f"file {n} again")))
    size = UNITS * DAYS
    for place, words in enumerate(("by the clock", "processor time, server included")):
        ratios = [b[place] / a[place] for a, b in zip(ours, bare, strict=True)]
        mine, plain, twice = (size / statistics.median(one[place] for one in side) for side in (ours, bare, again))
        say(f"A3 file upload / bare COPY + upsert, {words}: {statistics.median(ratios):.2f} ({min(ratios):.2f} … {max(ratios):.2f}), "
            f"wanted ≥ 0.5; {mine:,.0f} and {plain:,.0f} device-days/s; the same days a second time {twice:,.0f}")  # fmt: skip


def device_days(start: date, first: int, n_days: int = DAYS, units: int = UNITS) -> list[Any]:
    from devices.rules.day_merge import DayRow

    return [
        DayRow(
            unit, start + timedelta(days=d), presence=bytes([(unit * 7 + d * k) % 256 for k in range(12)]),
            acts=((unit % 96, 1),), interval_s=3600, to_s=86_400, last_heard_s=80_000, lowest_margin_db=9,
        )
        for unit in range(first + 1, first + units + 1)
        for d in range(n_days)
    ]  # fmt: skip


def by_the_app(source: Any, rows: list[Any], batch_id: str) -> None:
    from django.db import transaction
    from django.utils import timezone

    from devices.actions.bulk_days import record_many
    from devices.models import IntakeBatch

    with transaction.atomic():
        IntakeBatch.objects.create(
            source=source, batch_id=batch_id, sha256="0" * 64, received_at=timezone.now(), n_rows=len(rows), answer={}
        )
        record_many(rows)


def by_psycopg(rows: list[tuple[Any, ...]]) -> None:
    from django.db import connection, transaction

    from devices.actions.rollup_sql import DAY_COLUMNS

    names = ", ".join(name for name, _ in DAY_COLUMNS)
    sets = ", ".join(f"{name} = excluded.{name}" for name, _ in DAY_COLUMNS[3:])
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(f"CREATE TEMP TABLE t_in ON COMMIT DROP AS SELECT {names} FROM devices_checkinday LIMIT 0")
        with cursor.copy(f"COPY t_in ({names}) FROM STDIN (FORMAT BINARY)") as copy:
            copy.set_types(["int4", "date", "int4", "int4", *["int2"] * 6, "bytea", "bytea", "int2"])
            for row in rows:
                copy.write_row(row)
        cursor.execute(
            f"INSERT INTO devices_checkinday ({names}) SELECT {names} FROM t_in "
            f"ON CONFLICT (transmitter_id, day) DO UPDATE SET {sets}"
        )


def timed_twice(work: Callable[[], Any]) -> tuple[float, float]:
    """Seconds by the clock, and of the processor: a machine that does other work stretches the first."""
    spent, begun = cpu_s(), time.perf_counter()
    work()
    return time.perf_counter() - begun, cpu_s() - spent


def timed(work: Callable[[], Any]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


# --- A5 -----------------------------------------------------------------------------------------------------------------


def log_bytes(today: date) -> None:
    """Write next month day by day; each seventh day first after a checkpoint, then more of the same day.

    The later in a month, the more pages of its key 100 transmitters lie on, and each is logged whole at first.
    """
    from devices.actions.rollups import record_days
    from devices.rules.day_merge import DayRow
    from devices.rules.months import month_after, month_of

    def write(day: date, bit: int) -> float:
        start = log_place()
        for site in range(0, UNITS, 100):
            record_days([
                DayRow(unit, day, presence=bytes([bit, *[0] * 11]), acts=((bit % 5, 1),), source_id=1, interval_s=3600,
                       last_heard_s=900 * bit, lowest_margin_db=9)
                for unit in range(site + 1, site + 101)
            ])  # fmt: skip
        return (log_place() - start) / UNITS

    first, later = [], []
    for n in range(29):
        day = month_after(month_of(today)) + timedelta(days=n)
        if n % 7:
            write(day, 1)
            continue
        run("CHECKPOINT")
        first.append(write(day, 1))
        later += [write(day, 3), write(day, 7)]
    one, two = statistics.mean(first), statistics.mean(later)
    say(f"A5 log per device-day with totals, mean of a month: first write after a checkpoint {one:.0f} B ({first[0]:.0f} on its "
        f"1st, {first[-1]:.0f} on its 29th), later {two:.0f} B: {one / two:.2f} times, wanted ≤ 2 and ≤ 600 B (wal_compression "
        f"{run('SHOW wal_compression')})")  # fmt: skip


def run(statement: str) -> Any:
    from django.db import connection

    with connection.cursor() as cursor:
        cursor.execute(statement)
        return cursor.fetchone()[0] if cursor.description else None


def log_place() -> int:
    return int(run("SELECT pg_current_wal_insert_lsn() - '0/0'"))


# --- R1 -----------------------------------------------------------------------------------------------------------------


def site_read(today: date) -> None:
    """Read 90 days of a site by the app's function and by psycopg with the statement that it sends."""
    import psycopg
    from django.db import connection

    from devices.models import CheckInDay
    from devices.querysets.days_read import days_of

    run("ANALYZE devices_checkinday")
    span = {"since": today - timedelta(days=90), "until": today - timedelta(days=1)}

    def ours() -> int:
        return len(list(days_of(CheckInDay.objects.all(), site=7, **span)))

    text, values = days_of(CheckInDay.objects.all(), site=7, **span).query.sql_with_params()
    with psycopg.connect(os.environ["DATABASE_URL"], autocommit=True, options=_options(connection)) as bare:
        cursor = psycopg.ClientCursor(bare)

        def plain() -> int:
            return len(cursor.execute(text, values).fetchall())

        assert ours() == plain() > 0
        n_rows, ratios = ours(), []
        for _ in range(ROUNDS):
            a, b = [], []
            for _ in range(11):
                a.append(timed(ours))
                b.append(timed(plain))
            ratios.append(statistics.median(a) / statistics.median(b))
            slow, fast = statistics.median(a), statistics.median(b)
    say(f"R1 90 days of a site, {n_rows:,} rows, app / psycopg: {statistics.median(ratios):.2f} ({min(ratios):.2f} … {max(ratios):.2f}), "
        f"wanted ≤ 1.5; the last round {1000 * slow:.1f} and {1000 * fast:.1f} ms")  # fmt: skip


def _options(connection: Any) -> str:
    return str(connection.settings_dict.get("OPTIONS", {}).get("options", ""))


# --- S1 -----------------------------------------------------------------------------------------------------------------

FACTS = (
    "heard", "expected", "activations", "loss_runs", "lowest_margin_db", "flags", "last_heard_s", "acts_source",
)  # fmt: skip


def closed_months(today: date) -> None:
    """Fill a month day by day as it comes in, close it, and weigh it."""
    from devices.actions.months import partition_name
    from devices.actions.months_close import rewrite, seal
    from devices.rules.months import month_after, months_back

    month = months_back(today, 10)
    name, days = partition_name(month), (month_after(month) - month).days
    run(f'TRUNCATE "{name}"')
    mask = "decode('" + "11" * 12 + "', 'hex')"
    for n in range(days):
        day = month + timedelta(days=n)
        run(
            "INSERT INTO devices_checkinday (transmitter_id, day, customer_id, last_heard_s, heard, expected, activations, "
            "loss_runs, lowest_margin_db, flags, presence, acted, acts_source) SELECT i, DATE "
            f"'{day}', 1 + i % 10, 70000 + i % 9999, 24, 24, (i + {n}) % 4, 0, CASE WHEN i % 2 = 0 THEN i % 30 END, 0, {mask}, "
            f"{mask}, (i + {n}) % 4 FROM generate_series(1, {FLEET}) AS g(i)"
        )
    live = weight_postgresql(name) / (FLEET * days)
    spent = timed(lambda: (seal(month=month), rewrite(month=month)))
    weigh("PostgreSQL", weight_postgresql(name), naive_weights(name, month, days), FLEET * days, 0.6, live, spent)


def weigh(
    where: str, ours: float, naive: list[float], n: int, wanted: float, live: float, spent: float
) -> None:  # fmt: skip
    """Say bytes per device-day."""
    whole, lean = naive
    say(f"S1 {where}: closed {ours / n:.1f} B a device-day (live {live:.1f}), naive {whole / n:.1f} ({lean / n:.1f}): "
        f"{ours / whole:.2f} ({ours / lean:.2f}), wanted ≤ {wanted}; {n:,} days closed in {spent:.1f} s")  # fmt: skip


def weight_postgresql(name: str) -> int:
    run(f'VACUUM "{name}"')
    return int(run(f"SELECT pg_total_relation_size('\"{name}\"')"))


def naive_weights(source: str, month: date, days: int) -> list[float]:
    """Make the naive tables by Django from its models, fill them day by day from ours, and weigh them with their indexes."""
    from django.db import connection

    found = []
    for model in naive_models():
        with connection.schema_editor() as editor:
            editor.create_model(model)
        table, is_whole = model._meta.db_table, "customer_id" in {field.column for field in model._meta.fields}
        moment = MOMENT[connection.vendor] if is_whole else "last_heard_s"
        names = [name for name in FACTS if name != "last_heard_s"]
        columns = ["transmitter_id", "day", *names, "last_heard_at" if is_whole else "last_heard_s"]
        values = ["transmitter_id", DAY[connection.vendor], *names, moment]
        if is_whole:
            columns.append("customer_id")
            values.append("customer_id")
        for n in range(days):
            day = month + timedelta(days=n)
            run(f'INSERT INTO {table} ({", ".join(columns)}) SELECT {", ".join(values)} FROM "{source}" '
                f"WHERE day = {day_value(connection.vendor, day)} ORDER BY transmitter_id")  # fmt: skip
        found.append(float(weight_postgresql(table) if connection.vendor == "postgresql" else weight_sqlite(table)))
    return found


MOMENT = {
    "postgresql": "day + last_heard_s * interval '1 second'",
    "sqlite": "datetime('2000-01-01', '+' || day || ' days', '+' || last_heard_s || ' seconds')",
}
DAY = {"postgresql": "day", "sqlite": "date('2000-01-01', '+' || day || ' days')"}


def day_value(vendor: str, day: date) -> str:
    from devices.fields import day_number

    return f"'{day}'" if vendor == "postgresql" else str(day_number(day))


def naive_models() -> list[Any]:
    """A model as anybody would write it first, and a leaner one: no customer, seconds instead of a moment."""
    from django.db import models

    def made(name: str, more: dict[str, Any]) -> Any:
        small = {
            fact: models.SmallIntegerField(null=fact == "lowest_margin_db") for fact in FACTS if fact != "last_heard_s"
        }
        meta = type("Meta", (), {"app_label": "devices", "constraints": [
            models.UniqueConstraint(fields=["transmitter", "day"], name=f"{name.lower()}_once")
        ]})  # fmt: skip
        return type(name, (models.Model,), {
            "__module__": __name__, "Meta": meta, "day": models.DateField(),
            "transmitter": models.ForeignKey("devices.Transmitter", models.CASCADE, related_name="+"), **small, **more,
        })  # fmt: skip

    return [
        made("NaiveDay", {
            "customer": models.ForeignKey("company.Customer", models.CASCADE, related_name="+"),
            "last_heard_at": models.DateTimeField(null=True),
        }),
        made("LeanDay", {"last_heard_s": models.IntegerField(null=True)}),
    ]  # fmt: skip


def lite() -> None:
    """The same on SQLite: some months, day by day, closed as the nights close them."""
    from django.db import connection

    from devices.actions.months_close import seal
    from devices.fields import day_number
    from devices.rules.months import month_after
    from tests.benchmarks.nightly_fill import Fleet, fill

    units, months = 3_000, (date(2026, 1, 1), date(2026, 2, 1), date(2026, 3, 1), date(2026, 4, 1))
    fill(Fleet(units, 100, 0, date(2026, 5, 1)))
    days, spent = (month_after(months[-1]) - months[0]).days, 0.0
    for n in range(days):
        day = months[0] + timedelta(days=n)
        with connection.cursor() as cursor:
            cursor.execute(
                "INSERT INTO devices_checkinday (transmitter_id, day, customer_id, last_heard_s, heard, expected, activations, "
                "loss_runs, lowest_margin_db, flags, presence, acted, acts_source) SELECT id, %s, customer_id, 70000 + id %% 9999, "
                "24, 24, (id + %s) %% 4, 0, CASE WHEN id %% 2 = 0 THEN id %% 30 END, 0, %s, %s, (id + %s) %% 4 "
                "FROM devices_transmitter",
                [day_number(day), n, bytes([17] * 12), bytes([17] * 12), n],
            )
    live = weight_sqlite("devices_checkinday") / (units * days)
    for month in months:
        spent += timed(lambda month=month: seal(month=month))
    ours = weight_sqlite("devices_checkinday")
    weigh("SQLite", ours, naive_weights("devices_checkinday", months[0], days), units * days, 0.35, live, spent)


def weight_sqlite(table: str) -> int:
    return int(run(
        f"SELECT sum(pgsize) FROM dbstat WHERE name = '{table}' OR name IN "
        f"(SELECT name FROM sqlite_master WHERE type = 'index' AND tbl_name = '{table}')"
    ))  # fmt: skip


if __name__ == "__main__":
    main()
