"""How long the night's run takes against its alternatives, all in one run: `python -m tests.benchmarks.nightly`.

    python -m tests.benchmarks.nightly                                        100,000 batteries, 400 days, PostgreSQL
    python -m tests.benchmarks.nightly --batteries 1000000 --strata 500 --days 0
    python -m tests.benchmarks.nightly --sqlite --batteries 10000

Both sides of every ratio take turns, because absolute times hang on what else the machine does. Needs about 8 GB of disk
in the temporary folder for the first; everything is removed afterwards.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import resource
import shutil
import statistics
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any
from unittest import mock

ROUNDS = 3
SAMPLE = 300


@dataclass
class Clock:
    """Seconds spent in the database, by what for."""

    spent: dict[str, float] = field(default_factory=dict)
    _depth: int = 0

    def wrap(self, owner: Any, name: str, label: str) -> None:
        """Time every call of a function from now on; what it calls itself is not counted twice."""
        plain = getattr(owner, name)

        def timed(*args: Any, **kwargs: Any) -> Any:
            begun = time.perf_counter()
            self._depth += 1
            try:
                return plain(*args, **kwargs)
            finally:
                self._depth -= 1
                if not self._depth:
                    self.spent[label] = self.spent.get(label, 0.0) + time.perf_counter() - begun

        setattr(owner, name, timed)


class OtherWriter(threading.Thread):
    """Somebody else who changes single records all the time, and how long it ever had to wait."""

    def __init__(self, n_batteries: int) -> None:
        super().__init__(daemon=True)
        self.n, self.longest_s, self.count, self.stopped = n_batteries, 0.0, 0, threading.Event()

    def run(self) -> None:
        from django.db import connection

        receivers = max(self.n // 32, 1)
        statements = (
            ("UPDATE devices_receiver SET note = note WHERE id = %s", receivers),
            ("UPDATE devices_fitting SET note = note WHERE id = %s", self.n),
            ("UPDATE devices_fittingtotals SET checkins = checkins + 1 WHERE id = %s", self.n),
            ("UPDATE maintenance_dueitem SET harm = harm WHERE id = %s", self.n),
        )
        with connection.cursor() as cursor:
            while not self.stopped.is_set():
                statement, top = statements[self.count % len(statements)]
                begun = time.perf_counter()
                cursor.execute(statement, [1 + self.count * 7919 % top])
                self.longest_s = max(self.longest_s, time.perf_counter() - begun)
                self.count += 1
                time.sleep(0.002)
        connection.close()

    def stop(self) -> None:
        self.stopped.set()
        self.join()


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--batteries", type=int, default=100_000)
    parser.add_argument("--strata", type=int, default=100)
    parser.add_argument("--days", type=int, default=400)
    parser.add_argument("--changed", type=float, default=0.03)
    parser.add_argument("--sqlite", action="store_true")
    options = parser.parse_args()
    with database(options.sqlite):
        run(options)


POSTMASTER: list[int] = []


def cpu_s() -> float:
    """Processor time of this process and of the database server so far: says more than the clock on a busy machine."""
    spent = time.process_time()
    if POSTMASTER:
        tick = os.sysconf("SC_CLK_TCK")
        for folder in os.listdir("/proc"):
            with contextlib.suppress(OSError, ValueError):
                with open(f"/proc/{int(folder)}/stat") as file:
                    fields = file.read().rsplit(")", 1)[1].split()
                if int(folder) == POSTMASTER[0]:
                    spent += sum(int(n) for n in fields[11:15]) / tick
                elif int(fields[1]) == POSTMASTER[0]:
                    spent += sum(int(n) for n in fields[11:13]) / tick
    return spent


@contextlib.contextmanager
def database(sqlite: bool) -> Iterator[None]:
    """An empty database of our own, migrated; removed afterwards."""
    from tests.tools.services import services

    folder = tempfile.mkdtemp(prefix="slotledger-nightly-")
    os.environ |= {
        "DATA_DIR": folder,
        "SECRET_KEY": "only-for-tests",
        "DEMO": "yes",
        "REDIS_URL": "",
        "LOG_LEVEL": "ERROR",
    }
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "company.settings")
    with contextlib.ExitStack() as stack:
        stack.callback(shutil.rmtree, folder, ignore_errors=True)
        if sqlite:
            os.environ["DATABASE_URL"] = f"sqlite:///{folder}/nightly.sqlite3"
        else:
            server = stack.enter_context(services("postgresql", is_durable=True)).servers[0]
            os.environ["DATABASE_URL"] = server.url
            POSTMASTER.append(server.process.pid)
        import django
        from django.core.management import call_command
        from django.db import connections

        django.setup()
        stack.callback(connections.close_all)
        call_command("migrate", verbosity=0)
        yield


def run(options: argparse.Namespace) -> None:
    """Fill, publish once, then let both sides take turns."""
    from django.db import connection

    from company.actions import ensure_policies
    from tests.benchmarks.nightly_fill import Fleet, fill

    now = datetime.now(UTC)
    begun = time.perf_counter()
    ensure_policies()
    fill(Fleet(options.batteries, options.strata, 0 if options.sqlite else options.days, now.date()))
    say(f"{connection.vendor}: {options.batteries:,} batteries, {options.strata} strata, {options.days} days; "
        f"filled in {time.perf_counter() - begun:.0f} s; load {os.getloadavg()[0]:.1f}")  # fmt: skip
    clock = clocked()
    first_s, written = night(now - timedelta(days=ROUNDS + 1), now)
    say(f"first night, every date new: {first_s:.1f} s, {written['written']:,} rows written "
        f"({', '.join(f'{label} {s:.1f} s' for label, s in clock.spent.items())})")  # fmt: skip
    rounds = []
    for n in range(ROUNDS):
        rounds.append(one_round(options, n, now, clock))
    report(rounds, options)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    say(f"peak memory of the process: {peak:.0f} MB")


def clocked() -> Clock:
    """Time what goes to the database."""
    from maintenance.actions import due, due_items, fits
    from maintenance.querysets import fits as fit_reads

    clock = Clock()
    for owner, name, label in (
        (due, "read_whole", "read"), (due, "read_open", "read"), (due_items, "read_fleet", "read"),
        (due_items, "read_published", "read"), (due_items, "read_closed", "read"), (fits, "read_history", "read"),
        (fit_reads, "_load", "read"), (due, "_enqueue_chunks", "write"), (due, "_close_if_done", "write"),
        (due, "_write_if_unchanged", "write"), (fits, "put_in_use", "write the fit"),
    ):  # fmt: skip
        clock.wrap(owner, name, label)
    for model in (fits.BatteryFit, fits.StratumFit, fits.LotFit):
        for name in ("create", "bulk_create"):
            clock.wrap(model.objects, name, "write the fit")
    return clock


def night(day: datetime, now: datetime) -> tuple[float, dict[str, Any]]:
    """Run the night of a day here, and give its time and what its chunks did."""
    from company import jobs
    from company.models import Job
    from maintenance.actions import due

    begun = time.perf_counter()
    # What follows the dates has a benchmark of its own: tests/benchmarks/findings.py.
    with mock.patch.object(due.findings, "ask_for_night"):
        run = due.start_nightly(day=day.date(), at=now)
        jobs.run_ready()
    spent = time.perf_counter() - begun
    run.refresh_from_db()
    assert run.state == "closed", list(Job.objects.exclude(error="").values_list("error", flat=True))
    chunks = Job.objects.filter(key__startswith=f"due:{day.date().isoformat()}:", handler__endswith="refresh_chunk")
    results = [result or {} for result in chunks.values_list("result", flat=True)]
    return spent, {
        name: sum(result.get(name, 0) for result in results) for name in ("items", "moved", "written", "ranked")
    }


def one_round(options: argparse.Namespace, n: int, now: datetime, clock: Clock) -> dict[str, float]:
    """Let each side work once: aggregate, loop, night."""
    from maintenance.actions import due

    found: dict[str, float] = {}
    other = OtherWriter(options.batteries)
    if options.days and not options.sqlite:
        found["aggregate"], found["aggregate cpu"] = timed(aggregate)
        other.start()
        found["loop"] = timed(loop)[0] / SAMPLE * options.batteries
        other.stop()
        found["wait alone"] = other.longest_s
    change(options, n)
    clock.spent.clear()
    day = now - timedelta(days=ROUNDS - n)
    other = OtherWriter(options.batteries)
    if not options.sqlite:
        other.start()
    did: dict[str, Any] = {}
    found["night"], found["night cpu"] = timed(lambda: did.update(night(day, now)[1]))
    if not options.sqlite:
        other.stop()
    found["database"] = sum(clock.spent.values())
    found["wait"], found["written"], found["ranked"] = other.longest_s, did["written"], did["ranked"]
    found |= {f"… {label}": s for label, s in clock.spent.items()}
    run = due.RefreshRun.objects.latest("business_day")
    again = due._refresh(due.Scope(), due.basis(), today=day.date(), at=now, run=run)
    found["again"] = again.n_written + again.n_ranked
    say(f"round {n + 1}: " + ", ".join(f"{name} {value:,.3g}" for name, value in found.items()))
    return found


def change(options: argparse.Namespace, n: int) -> None:
    """Let some cells report low battery, others each time."""
    from django.db import connection

    every = round(1 / options.changed)
    then = "now() - interval '2 hours'" if connection.vendor == "postgresql" else "datetime('now', '-2 hours')"
    with connection.cursor() as cursor:
        cursor.execute(
            f"UPDATE devices_fitting SET first_low_at = {then} WHERE removed_at IS NULL AND id % {every} = {n}"
        )


def aggregate() -> None:
    """Sum up the days of every set of cells in one statement, into numpy."""
    from maintenance.querysets import fleet_sql as sql

    sql.select(
        [sql.key("pk"), sql.key("days"), sql.key("heard"), sql.key("activations"), sql.key("lost")],
        "(SELECT f.id AS pk, count(*) AS days, sum(c.heard) AS heard, sum(c.activations) AS activations, "
        "sum(c.expected - c.heard) AS lost FROM devices_fitting f "
        "JOIN devices_checkinday c ON c.transmitter_id = f.transmitter_id AND c.day >= CAST(f.fitted_at AS date) "
        "WHERE f.removed_at IS NULL GROUP BY f.id) AS sums",
    )


def loop() -> None:
    """Do it set by set through the ORM, for a sample."""
    from django.db.models import Count, Sum

    from devices.models import CheckInDay, Fitting
    from maintenance.models import DueItem
    from maintenance.rules.due import due_date
    from maintenance.rules.due_facts import facts_table

    step = max(Fitting.objects.filter(removed_at=None).count() // SAMPLE, 1)
    pks = list(Fitting.objects.filter(removed_at=None).order_by("pk").values_list("pk", flat=True)[::step][:SAMPLE])
    for pk in pks:
        fitting = Fitting.objects.select_related("transmitter__type", "battery_type").get(pk=pk)
        days = CheckInDay.objects.filter(transmitter_id=fitting.transmitter_id, day__gte=fitting.fitted_at.date())
        sums = days.aggregate(n=Count("day"), activations=Sum("activations"), heard=Sum("heard"))
        kind = fitting.transmitter.type
        due = due_date(
            facts_table(
                fitted_day=9000, capacity_mah=1500, usable_share=kind.usable_share, sleep_ua=kind.sleep_ua,
                checkin_uas=kind.checkin_uas, interval_s=3600, activation_uah=kind.activation_uah, u_limit=0.5,
                measured_days=sums["n"], measured_activations=sums["activations"] or 0,
            ),
            datetime.now(UTC).date(),
        )  # fmt: skip
        item = DueItem.objects.get(fitting_id=pk)
        item.exposure = due.u
        item.save()


def timed(work: Callable[[], Any]) -> tuple[float, float]:
    """Seconds by the clock and of the processor."""
    begun, spent = time.perf_counter(), cpu_s()
    work()
    return time.perf_counter() - begun, cpu_s() - spent


def report(rounds: list[dict[str, float]], options: argparse.Namespace) -> None:
    """Say what was wanted and what was reached, medians of the rounds."""

    def middle(name: str) -> float:
        return statistics.median(found[name] for found in rounds)

    say(f"whole night {middle('night'):.2f} s, database part {middle('database'):.2f} s; "
        f"{middle('written'):,.0f} rows written, again {max(found['again'] for found in rounds):.0f}; "
        f"longest wait of another writer {1000 * max(found['wait'] for found in rounds):.0f} ms (wanted ≤ 300)")  # fmt: skip
    if "aggregate" in rounds[0]:
        ratios = {
            "aggregate / database part (wanted ≥ 10)": [f["aggregate"] / f["database"] for f in rounds],
            "ORM loop / database part (wanted ≥ 300)": [f["loop"] / f["database"] for f in rounds],
            "aggregate / whole night (wanted ≥ 3)": [f["aggregate"] / f["night"] for f in rounds],
            "ORM loop / whole night": [f["loop"] / f["night"] for f in rounds],
        }
        ratios["aggregate / whole night, processor time"] = [f["aggregate cpu"] / f["night cpu"] for f in rounds]
        say(
            f"longest wait of another writer while nothing runs beside it: {1000 * max(f['wait alone'] for f in rounds):.0f} ms"
        )
        for name, found in ratios.items():
            say(f"{name}: {statistics.median(found):.1f} ({min(found):.1f} … {max(found):.1f})")


def say(text: str) -> None:
    print(text, flush=True)


if __name__ == "__main__":
    main()
