"""How fast batches are taken in against what the database can do at best, and against the obvious way, all in one run.

    python -m tests.benchmarks.intake                         A1 and A2 on PostgreSQL: 100,000 transmitters, 60 days
    python -m tests.benchmarks.intake --sqlite --keep FILE    A7 and A2 on SQLite: 25,000 transmitters, 400 days, in a file
                                                              of about 1.3 GB that later runs use again

A batch is 100 device-days of one site, as JSON: token, digest, reading and checking of rows, ledger, merge, totals,
watermarks, and in every fourth an unknown serial that is set aside. The other sides get their rows ready made, and every
side has sites of its own: nobody finds a page warm or a day counted because another was there. All sides take turns batch
by batch, because absolute times hang on what else the machine does; a ratio is the median of five rounds. PostgreSQL waits
for the disk at every commit, as a firm's own does; SQLite does not (`SQLITE_SYNC=full` before the command lets it).
"""

from __future__ import annotations

import argparse
import contextlib
import gc
import hashlib
import json
import os
import statistics
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

from tests.benchmarks.intake_tables import carry_over, fill_days, obvious_model, renew_today, token_of
from tests.benchmarks.nightly import database

A_BATCH = 100
ROUNDS = 5


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--transmitters", type=int, help="100,000; on SQLite 25,000")
    parser.add_argument("--days", type=int, help="60; on SQLite 400")
    parser.add_argument("--batches", type=int, default=60, help="batches a side and round")
    parser.add_argument("--unknown-every", type=int, default=4, help="batches from one unknown serial to the next")
    parser.add_argument("--sqlite", action="store_true")
    parser.add_argument("--profile", action="store_true", help="show where the time of the product goes, and end")
    parser.add_argument("--keep", metavar="FILE", help="with --sqlite: fill this file once, and use it again later")
    options = parser.parse_args()
    if options.keep and not options.sqlite:
        parser.error("--keep needs --sqlite")
    options.transmitters = options.transmitters or (25_000 if options.sqlite else 100_000)
    options.days = options.days or (400 if options.sqlite else 60)
    with kept(os.path.abspath(options.keep)) if options.keep else database(options.sqlite):
        run(options)


@contextlib.contextmanager
def kept(file: str) -> Iterator[None]:
    """A SQLite file that stays, migrated."""
    os.environ |= {"DATABASE_URL": f"sqlite:///{file}", "SECRET_KEY": "only-for-tests", "DEMO": "yes", "REDIS_URL": "",
                   "LOG_LEVEL": "ERROR"}  # fmt: skip
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "company.settings")
    import django
    from django.core.management import call_command
    from django.db import connections

    django.setup()
    call_command("migrate", verbosity=0)
    try:
        yield
    finally:
        connections.close_all()


def run(options: argparse.Namespace) -> None:
    """Fill, then let the sides take turns."""
    from company.actions import ensure_policies
    from devices.models import Transmitter
    from tests.benchmarks.nightly_fill import Fleet, fill

    now = datetime.now(UTC).replace(microsecond=0)
    begun = time.perf_counter()
    if not Transmitter.objects.exists():
        ensure_policies()
        fill(Fleet(options.transmitters, 100, 0, now.date()))
        fill_days(options.transmitters, options.days, now)
    bench = Bench(options, now)
    say(f"{bench.scale()}; filled in {time.perf_counter() - begun:.0f} s; load {os.getloadavg()[0]:.1f}")
    if options.profile:
        bench.profile()
        return
    sides: dict[str, Callable[[int], float]] = {
        "product": bench.product, "bare": bench.bare, "rows": bench.per_row, "rows at once": bench.per_row_at_once
    }  # fmt: skip
    if options.sqlite:
        sides["rows, same table"] = bench.per_row_of_product
    bench.warm_up(sides)
    rounds = [bench.round(sides) for _ in range(ROUNDS)]
    report(rounds, options)


class Bench:
    """Batches of every side; each batch of a side speaks of 100 transmitters and moves a quarter hour on."""

    def __init__(self, options: argparse.Namespace, now: datetime) -> None:
        from devices.models import CheckInDay, IntakeSource, Receiver, Registration
        from sites.models import Site

        self.options, self.now = options, now
        # Today begins at midnight of UTC: whatever the hour, the rows of that day are there already.
        newest = CheckInDay.objects.order_by("transmitter_id", "-day").first()
        self.day = newest.day
        if getattr(options, "keep", None):
            renew_today(self.day)
        # Batches of an earlier run on the same file had other ids.
        self.prefix = f"{int(time.time()):x}-"
        rows = Registration.objects.order_by("site_id", "transmitter_id").values_list(
            "site_id", "transmitter_id", "transmitter__serial", "customer_id"
        )
        by_site: dict[int, list[tuple[int, str, int]]] = {}
        for site, pk, serial, customer in rows:
            by_site.setdefault(site, []).append((pk, serial, customer))
        self.groups = [
            (site, units[start : start + A_BATCH])
            for site, units in sorted(by_site.items())
            for start in range(0, len(units) - A_BATCH + 1, A_BATCH)
        ]
        self.shares, self.share = 1, 0
        self.sites = Site.objects.in_bulk()
        self.sources = {}
        for customer in {units[0][2] for _, units in self.groups}:
            token = hashlib.sha256(token_of(customer).encode()).hexdigest()
            self.sources[customer], _ = IntakeSource.objects.get_or_create(
                name=f"Gateway {customer}", kind="api", customer_id=customer, token_sha256=token
            )
        Receiver.objects.update(heard_until=now - timedelta(days=1))
        self.turn = 0
        self.connection: Any = None
        self.spent = 0.0

    def scale(self) -> str:
        """What was filled, in words."""
        from django.db import connection

        from devices.models import CheckInDay, Transmitter

        n, a_unit = Transmitter.objects.count(), CheckInDay.objects.filter(transmitter_id=1).count()
        return (
            f"{connection.vendor}: {n:,} transmitters x {a_unit} days = {n * a_unit:,} rows, batches of {A_BATCH} of the last "
            f"day, every {self.options.unknown_every}. with an unknown serial"
        )

    @property
    def own(self) -> list[tuple[int, list[tuple[int, str, int]]]]:
        """The groups of the side whose turn it is."""
        return self.groups[self.share :: self.shares]

    def group(self, n: int) -> tuple[int, list[tuple[int, str, int]]]:
        return self.own[n * 7919 % len(self.own)]

    def moment(self, n: int) -> datetime:
        """Event time of a batch: another quarter hour for each time that a group comes round."""
        quarter = 9 + n // len(self.own)
        return datetime(self.day.year, self.day.month, self.day.day, tzinfo=UTC) + timedelta(
            minutes=15 * quarter + n % 15
        )

    # --- the product ---

    def body(self, n: int) -> bytes:
        site, units = self.group(n)
        at = self.moment(n).isoformat().replace("+00:00", "Z")
        rows = [{"serial": serial, "time": at, "kind": "check_in", "margin_db": 12.5} for _, serial, _ in units]
        if n % self.options.unknown_every == 0:
            rows.append({"serial": f"NEIGHBOUR-{n % 50}", "time": at, "kind": "check_in"})
        return json.dumps({"batch": f"{self.prefix}{n}", "site": self.sites[site].code, "rows": rows}).encode()

    def product(self, n: int) -> float:
        """From the bytes of the request to the commit, as the intake address goes about it."""
        body, customer = self.body(n), self.group(n)[1][0][2]
        begun = time.perf_counter()
        self.hand_over(body, token_of(customer), self.sites[self.group(n)[0]])
        return time.perf_counter() - begun

    def hand_over(self, body: bytes, token: str, site: Any) -> None:
        from devices.actions.intake import take_batch
        from devices.actions.sources import may_speak, source_of
        from devices.rules.intake_rows import read_rows

        now = max(self.now, datetime.now(UTC)) + timedelta(days=1)
        source = source_of(token, now)
        assert source is not None
        assert may_speak(source)
        data = json.loads(body)
        read = read_rows(data["rows"], now=now, has_receiver=False)
        taken = take_batch(
            source=source, batch_id=data["batch"], sha256=hashlib.sha256(body).hexdigest(), events=read.events,
            problems=read.problems, n_clamped=read.n_clamped, site=site, at=now,
        )  # fmt: skip
        json.dumps(taken.answer)

    # --- the best that the database can do ---

    def bare(self, n: int) -> float:
        """One upsert a transaction, without ledger, totals or anything else, its values ready made, on the same table."""
        from django.db import connection

        from devices.rules.presence import mask_of_quarters

        _, units = self.group(n)
        at = self.moment(n)
        second, mask = (
            at.hour * 3600 + at.minute * 60,
            mask_of_quarters([second // 900 for second in (at.hour * 3600 + at.minute * 60,)]),
        )
        rows = sorted((pk, self.day, customer, second, 1, 1, 0, 0, 12, 0, mask, None, 0) for pk, _, customer in units)
        return (self.bare_postgresql if connection.vendor == "postgresql" else self.bare_sqlite)(rows)

    def bare_postgresql(self, rows: list[tuple[Any, ...]]) -> float:
        import psycopg

        from devices.actions.rollup_sql import DAY_COLUMNS

        if self.connection is None:
            self.connection = psycopg.connect(os.environ["DATABASE_URL"])
        names = ", ".join(name for name, _ in DAY_COLUMNS)
        arrays = ", ".join(f"%s::{kind}[]" for _, kind in DAY_COLUMNS)
        statement = (
            f"INSERT INTO devices_checkinday AS d ({names}) SELECT * FROM unnest({arrays}) "
            "ON CONFLICT (transmitter_id, day) DO UPDATE SET heard = LEAST(d.heard::int + excluded.heard, 32767), "
            "expected = LEAST(d.expected::int + excluded.expected, 32767), "
            "activations = LEAST(d.activations::int + excluded.activations, 32767), "
            "last_heard_s = GREATEST(d.last_heard_s, excluded.last_heard_s), flags = d.flags | excluded.flags, "
            "lowest_margin_db = LEAST(d.lowest_margin_db, excluded.lowest_margin_db), presence = excluded.presence"
        )
        columns = [list(column) for column in zip(*rows, strict=True)]
        begun = time.perf_counter()
        with self.connection.cursor() as cursor:
            cursor.execute(statement, columns)
        self.connection.commit()
        return time.perf_counter() - begun

    def bare_sqlite(self, rows: list[tuple[Any, ...]]) -> float:
        from django.db import connection

        from devices.actions.rollup_sql import DAY_COLUMNS
        from devices.fields import day_number

        if self.connection is None:
            # The connection of the product, bare: with one of its own each side would throw the other's pages away.
            connection.ensure_connection()
            self.connection = connection.connection
        names = ", ".join(name for name, _ in DAY_COLUMNS)
        statement = (
            f"INSERT INTO devices_checkinday AS d ({names}) VALUES ({', '.join('?' * len(DAY_COLUMNS))}) "
            "ON CONFLICT (transmitter_id, day) DO UPDATE SET heard = min(d.heard + excluded.heard, 32767), "
            "expected = min(d.expected + excluded.expected, 32767), "
            "activations = min(d.activations + excluded.activations, 32767), "
            "last_heard_s = max(d.last_heard_s, excluded.last_heard_s), flags = d.flags | excluded.flags, "
            "lowest_margin_db = min(d.lowest_margin_db, excluded.lowest_margin_db), presence = excluded.presence"
        )
        values = [(row[0], day_number(row[1]), *row[2:]) for row in rows]
        begun = time.perf_counter()
        self.connection.execute("BEGIN IMMEDIATE")
        self.connection.executemany(statement, values)
        self.connection.execute("COMMIT")
        return time.perf_counter() - begun

    # --- the obvious way ---

    def per_row(self, n: int) -> float:
        """`get_or_create` and `save()` of each row, each for itself, as Django does it."""
        begun = time.perf_counter()
        self.save_each(n)
        return time.perf_counter() - begun

    def per_row_at_once(self, n: int) -> float:
        """The same in one transaction a batch."""
        from django.db import transaction

        begun = time.perf_counter()
        with transaction.atomic():
            self.save_each(n)
        return time.perf_counter() - begun

    def per_row_of_product(self, n: int) -> float:
        """As `per_row`, on the very table that the product and the bare side write to."""
        from devices.models import CheckInDay

        begun = time.perf_counter()
        at = self.moment(n)
        for pk, _, customer in self.group(n)[1]:
            row, _ = CheckInDay.objects.get_or_create(
                transmitter_id=pk, day=self.day, defaults={"customer_id": customer}
            )
            row.heard += 1
            row.expected += 1
            row.lowest_margin_db = min(row.lowest_margin_db or 99, 12)
            row.last_heard_s = max(row.last_heard_s or 0, at.hour * 3600 + at.minute * 60)
            row.save()
        return time.perf_counter() - begun

    def save_each(self, n: int) -> None:
        at, model = self.moment(n), obvious_model()
        for pk, _, _ in self.group(n)[1]:
            row, _ = model.objects.get_or_create(transmitter_id=pk, day=self.day)
            row.heard += 1
            row.expected += 1
            row.lowest_margin_db = min(row.lowest_margin_db or 99, 12)
            row.last_heard_at = max(row.last_heard_at or at, at)
            row.save()

    # --- taking turns ---

    def warm_up(self, sides: dict[str, Callable[[int], float]]) -> None:
        self.shares = len(sides)
        for self.share, (name, side) in enumerate(sides.items()):
            # A process serves for days: each site has sent before, to the product and to the bare side.
            for n in range(3 if name.startswith("rows") else len(self.own)):
                side(n)
        self.turn = max(len(self.groups[share :: self.shares]) for share in range(self.shares))
        # As `company.wsgi` does before it serves.
        gc.collect()
        gc.freeze()

    def round(self, sides: dict[str, Callable[[int], float]]) -> dict[str, float]:
        """Device-days a second of each side; the slow ones get fewer batches."""
        spent = dict.fromkeys(sides, 0.0)
        count = dict.fromkeys(sides, 0)
        if self.options.sqlite:
            # Some ten batches fill the log, so that a commit carries it over by itself.
            for first in range(0, self.options.batches, 10):
                for self.share, (name, side) in enumerate(sides.items()):
                    carry_over()
                    for n in range(first, first + 10, 5 if name.startswith("rows") else 1):
                        spent[name] += side(self.turn + n)
                        count[name] += 1
                    spent[name] += carry_over()
            self.turn += self.options.batches
            return {name: A_BATCH * count[name] / spent[name] for name in sides}
        for n in range(self.options.batches):
            for self.share, (name, side) in enumerate(sides.items()):
                if name.startswith("rows") and n % 12:
                    continue
                spent[name] += side(self.turn)
                count[name] += 1
            self.turn += 1
        return {name: A_BATCH * count[name] / spent[name] for name in sides}

    def profile(self) -> None:
        import cProfile
        import pstats

        for _ in range(10):
            self.turn += 1
            self.product(self.turn)
        told = cProfile.Profile()
        spent = 0.0
        for _ in range(self.options.batches):
            self.turn += 1
            spent += self.product(self.turn)
        say(f"without the profiler: {1000 * spent / self.options.batches:.2f} ms a batch")
        for _ in range(self.options.batches):
            self.turn += 1
            told.runcall(self.product, self.turn)
        pstats.Stats(told).sort_stats("tottime").print_stats(28)
        pstats.Stats(told).sort_stats("cumulative").print_stats(45)


def report(rounds: list[dict[str, float]], options: argparse.Namespace) -> None:
    """Print rates and ratios of every round, and their medians with the bars."""
    for one in rounds:
        say("  ".join(f"{name} {rate:,.0f}/s" for name, rate in one.items()) + f"  load {os.getloadavg()[0]:.1f}")
    bars: list[tuple[str, str, float | None]] = [
        ("A7" if options.sqlite else "A1", "bare", 0.3 if options.sqlite else 0.4),
        ("A2, each row for itself, obvious table", "rows", 12), ("in one transaction, obvious table", "rows at once", None),
    ]  # fmt: skip
    if options.sqlite:
        bars.append(("A7, each row for itself, same table", "rows, same table", 20))
    for name, other, bar in bars:
        ratios = sorted(one["product"] / one[other] for one in rounds)
        wanted = f", wanted at least {bar}" if bar else ""
        say(f"{name}: {statistics.median(ratios):.2f} ({ratios[0]:.2f} to {ratios[-1]:.2f}) times {other}{wanted}")
    if options.sqlite:
        most = statistics.median(one["bare"] / one["rows, same table"] for one in rounds)
        say(f"for comparison: the bare side, which nothing can beat, {most:.2f} times rows, same table")


def say(line: str) -> None:
    print(line, flush=True)


if __name__ == "__main__":
    main()
