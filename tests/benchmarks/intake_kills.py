"""Batches handed over by four processes, cut off, late, shuffled and repeated, and every one counted once.

    python -m tests.benchmarks.intake_kills               on PostgreSQL of our own
    python -m tests.benchmarks.intake_kills --sqlite

Each of the four writers is a process that takes batches in. On at least a fifth of the deliveries it kills itself (SIGKILL)
within the transaction, after everything is written and before the commit; a new one goes on with the
same batch. Many batches come twice besides. All the while an office changes cells and settings of the same transmitters, so
that nothing a writer remembers stays true for long. At the end the days are exactly what was sent, and `reconcile` finds
nothing. Prints what it did; ends with 1 if anything is wrong.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import random
import signal
import sys
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any

from tests.benchmarks.nightly import database

WRITERS = 4
KILLED_SHARE = 0.3
DAYS = 4
N_UNITS = 40


@dataclass
class Plan:
    """What is sent: batches of rows, and deliveries (batch, whether it is cut off) in the order of each writer."""

    batches: list[list[tuple[int, str, str]]]
    deliveries: list[list[tuple[int, bool]]]
    acts: dict[tuple[int, str], int] = field(default_factory=dict)
    quarters: dict[tuple[int, str], set[int]] = field(default_factory=dict)


def make_plan(n_batches: int, n_deliveries: int, seed: int, today: datetime) -> Plan:
    """Draw batches of events, and deliveries of them: each at least once whole, the rest repeats and cuts, shuffled."""
    rng = random.Random(seed)
    plan = Plan([], [[] for _ in range(WRITERS)])
    for _ in range(n_batches):
        rows = []
        for _ in range(rng.randint(20, 60)):
            unit = rng.randrange(N_UNITS)
            at = today - timedelta(seconds=rng.randrange(DAYS * 86_400))
            kind = "activation" if rng.random() < 0.3 else "check_in"
            rows.append((unit, at.isoformat(), kind))
            key = (unit, at.date().isoformat())
            plan.quarters.setdefault(key, set()).add(at.hour * 4 + at.minute // 15)
            plan.acts[key] = plan.acts.get(key, 0) + (kind == "activation")
        plan.batches.append(rows)
    sent = [(n, False) for n in range(n_batches)]
    while len(sent) < n_deliveries:
        sent.append((rng.randrange(n_batches), len(sent) < n_batches + n_deliveries * KILLED_SHARE))
    rng.shuffle(sent)
    for place, delivery in enumerate(sent):
        plan.deliveries[place % WRITERS].append(delivery)
    return plan


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--batches", type=int, default=220)
    parser.add_argument("--deliveries", type=int, default=620)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--sqlite", action="store_true")
    options = parser.parse_args()
    with database(options.sqlite):
        wrong = run(options.batches, options.deliveries, options.seed)
    for line in wrong:
        print(f"WRONG: {line}")
    sys.exit(bool(wrong))


def run(n_batches: int, n_deliveries: int, seed: int) -> list[str]:
    """Deliver everything on the database that is set up; gives what is wrong."""
    begun = time.monotonic()
    today = datetime.now(UTC).replace(microsecond=0)
    plan = make_plan(n_batches, n_deliveries, seed, today)
    n_sent, n_killed, n_changed, failed = deliver(plan, make_ledger())
    wrong = failed + check(plan, n_batches)
    print(
        f"{n_sent} deliveries of {n_batches} batches by {WRITERS} processes in {time.monotonic() - begun:.0f} s, "
        f"{n_killed} killed before their commit ({100 * n_killed / n_sent:.0f} %), {n_changed} changes by the "
        f"office meanwhile, {len(wrong)} things wrong"
    )
    return wrong


def make_ledger() -> list[str]:
    """A site with two receivers, transmitters with cells, a gateway."""
    from devices.models import IntakeSource
    from tests import factories

    factories.number_from(1)
    first = factories.make_receiver()
    receivers = [first, factories.make_receiver(first.site)]
    serials = []
    for n in range(N_UNITS):
        unit = factories.make_registration(receivers[n % 2], n // 2 + 1).transmitter
        factories.make_fitting(unit)
        serials.append(unit.serial)
    IntakeSource.objects.create(name="Gateway", kind="api", customer=first.customer)
    return serials


def deliver(plan: Plan, serials: list[str]) -> tuple[int, int, int, list[str]]:
    """Run the writers, each forked anew after it was killed, and the office; gives deliveries, kills, changes by the office,
    and what failed otherwise.
    """
    from django.db import connections

    # No connection may stand open across a fork.
    connections.close_all()
    places = multiprocessing.Array("i", WRITERS, lock=False)
    is_again = multiprocessing.Array("b", WRITERS, lock=False)
    running = {_forked(write, plan, serials, n, places, is_again): n for n in range(WRITERS)}
    n_changed, is_open = multiprocessing.Value("i", 0, lock=False), multiprocessing.Value("b", 1, lock=False)
    office = _forked(keep_office, n_changed, is_open)
    n_killed, failed = 0, []
    while running or office:
        pid, status = os.wait()
        if pid == office:
            office = 0
            failed += [f"the office ended with {status}"] if status else []
            continue
        n = running.pop(pid)
        if os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL:
            n_killed += 1
            running[_forked(write, plan, serials, n, places, is_again)] = n
        elif status:
            failed.append(f"writer {n} ended with {status}")
        is_open.value = bool(running)
    return sum(map(len, plan.deliveries)) + n_killed, n_killed, n_changed.value, failed


def _forked(work: Callable[..., None], *args: Any) -> int:
    pid = os.fork()
    if pid:
        return pid
    try:
        work(*args)
    except BaseException:
        traceback.print_exc()
        os._exit(1)
    os._exit(0)


def write(plan: Plan, serials: list[str], number: int, places: Any, is_again: Any) -> None:
    """One writer: goes on where it was killed. What was cut off comes again at once and whole, as a gateway does it."""
    from devices.actions import intake
    from devices.models import IntakeSource, Receiver
    from devices.rules.events import Event

    source, site = IntakeSource.objects.get(), Receiver.objects.order_by("pk")[0].site
    tell, came_before = intake._tell, intake._came_before

    def die_after(work: Any) -> Any:
        def dies(*args: Any) -> None:
            work(*args)
            os.kill(os.getpid(), signal.SIGKILL)

        return dies

    mine = plan.deliveries[number]
    while places[number] < len(mine):
        n, is_cut = mine[places[number]]
        if is_cut and not is_again[number]:
            is_again[number] = 1
            # A repeat never comes as far as the faults, the last step: it is cut off where its count is written.
            intake._tell, intake._came_before = die_after(tell), die_after(came_before)
        events = [
            Event(row, kind, datetime.fromisoformat(at), serials[unit])
            for row, (unit, at, kind) in enumerate(plan.batches[n], 1)
        ]
        intake.take_batch(
            source=source, batch_id=f"b{n}", sha256="0" * 64, events=events, site=site, at=datetime.now(UTC)
        )
        is_again[number] = 0
        places[number] += 1


def keep_office(n_changed: Any, is_open: Any) -> None:
    """Give transmitters fresh cells, or another check-in interval, one after another, until all batches are in."""
    from devices.actions.batteries import fit_battery
    from devices.actions.slot_settings import settings_of
    from devices.actions.slots import change_slot
    from devices.models import Registration
    from tests import factories

    by, rng = factories.make_user(), random.Random(7)
    while is_open.value:
        row = rng.choice(Registration.objects.filter(removed_at=None).select_related("transmitter", "receiver__site"))
        now = datetime.now(UTC)
        if rng.random() < 0.5:
            fit_battery(transmitter=row.transmitter, battery_type=None, by=by, at=now)
        else:
            settings = replace(
                settings_of(row), interval_s=rng.choice([n for n in (900, 1800, 3600) if n != row.interval_s])
            )
            change_slot(registration=row, settings=settings, by=by, at=now, reason="Measured.")
        n_changed.value += 1


def check(plan: Plan, n_batches: int) -> list[str]:
    """Compare days, totals and ledger with what was sent."""
    from django.core.management import CommandError, call_command
    from django.db import connection

    from devices.models import CheckInDay, IntakeBatch, Transmitter
    from devices.rules.presence import quarters_in

    units = list(Transmitter.objects.order_by("pk").values_list("pk", flat=True))
    days = {(units.index(row.transmitter_id), row.day.isoformat()): row for row in CheckInDay.objects.all()}
    wrong = [f"day {key} was not sent" for key in days.keys() - plan.quarters.keys()]
    for key, quarters in plan.quarters.items():
        row = days.get(key)
        if row is None:
            wrong.append(f"day {key} is missing")
        elif set(quarters_in(bytes(row.presence))) != quarters or row.heard != len(quarters):
            wrong.append(f"day {key}: other quarter hours than were sent")
        elif row.activations != plan.acts[key]:
            wrong.append(f"day {key}: {row.activations} activations, {plan.acts[key]} were sent")
    if (n := IntakeBatch.objects.count()) != n_batches:
        wrong.append(f"{n} batches in the ledger")
    if n := IntakeBatch.objects.exclude(n_conflicts=0).count():
        wrong.append(f"{n} conflicts")
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT deadlocks FROM pg_stat_database WHERE datname = current_database()")
            if n := cursor.fetchone()[0]:
                wrong.append(f"{n} deadlocks")
    try:
        call_command("reconcile", stdout=open(os.devnull, "w"))  # noqa: SIM115
    except CommandError as error:
        wrong.append(f"reconcile: {error}")
    return wrong


if __name__ == "__main__":
    main()
