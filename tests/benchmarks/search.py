"""How long the search box takes at 100,000 transmitters: `python -m tests.benchmarks.search`.

    python -m tests.benchmarks.search --sqlite     only SQLite
    python -m tests.benchmarks.search --postgres   only PostgreSQL, on a server of its own

Without an option both. Each search is the whole reading for the page; median of five. The bar is the worst median:
100 ms on PostgreSQL, 300 ms on SQLite. On a busy machine read the
processor columns: milliseconds of this process (median) and of the server's process (mean, in steps of 2).
"""

from __future__ import annotations

import argparse
import contextlib
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from django.db import connection, models
from django.db.models import F

ROUNDS = 5
GOAL_MS = {"postgresql": 100, "sqlite": 300}
SEARCHES = (
    ("exact serial", "SK-050123"), ("exact serial", "sk 050123"), ("part of a serial", "50123"), ("part of a serial", "0512"),
    ("two letters", "sk"), ("two letters", "ba"), ("one character", "7"), ("one character", "e"),
    ("label word", "laundry"), ("label word", "old"), ("label word", "corridor 117"), ("site name", "harbour house 17"),
    ("site name", "orchard"), ("address", "lantern lane"), ("telephone", "01632 960"), ("customer", "ropewalk trust 1"),
    ("nothing found", "nothing like it"), ("nothing found", "zqx"), ("several words", "bathroom 77 site 4"),
    ("several words", "harbour 17 lounge"), ("several words", "bed 12 b"), ("several words", "b 12"),
    ("several words", "laundry zz"),
)  # fmt: skip
NOW = datetime.now(UTC)
FIRST = 1000
PLACES = ("Bedroom", "Bathroom cord", "Corridor door", "Lounge window", "Laundry")
NAMES = ("Harbour", "Lantern", "Ropewalk", "Orchard", "Mill")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--transmitters", type=int, default=100_000)
    parser.add_argument("--sqlite", action="store_true")
    parser.add_argument("--postgres", action="store_true")
    options = parser.parse_args()
    if not options.sqlite and not options.postgres:
        # One process a database: settings are read once.
        for name in ("--sqlite", "--postgres"):
            here = [sys.executable, "-m", "tests.benchmarks.search", name]
            subprocess.run([*here, "--transmitters", str(options.transmitters)], check=True)
        return
    with contextlib.ExitStack() as stack:
        folder = tempfile.mkdtemp(prefix="slotledger-search-")
        stack.callback(shutil.rmtree, folder, ignore_errors=True)
        os.environ |= {"SLOTLEDGER_TEST_DIR": folder, "REDIS_URL": "", "LOG_LEVEL": "WARNING"}
        os.environ["DATABASE_URL"] = f"sqlite:///{folder}/search.sqlite3"
        if options.postgres:
            from tests.tools.services import services

            os.environ["DATABASE_URL"] = stack.enter_context(services("postgresql")).servers[0].url
        os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
        import django
        from django.core.management import call_command
        from django.db import connections

        django.setup()
        stack.callback(connections.close_all)
        call_command("migrate", verbosity=0)
        begun, cpu = time.perf_counter(), time.process_time()
        with _quick_to_fill():
            fill(options.transmitters)
        print(f"filled in {time.perf_counter() - begun:.0f} s, {time.process_time() - cpu:.0f} s of own processor time")
        measure()


def fill(n: int) -> None:
    """A firm of that many transmitters, 32 a receiver, 3 receivers a site, and as many former registrations again."""
    from company.models import Contact, Customer
    from devices.models import Receiver, Registration, Transmitter
    from sites.models import Site
    from tests import factories

    n_sites = n // 96 + 1
    # One row of each kind by the usual way, all others as copies of it with these columns changed; i counts from 0.
    customer = factories.make_customer(name="Trust")
    contact = Contact.objects.create(customer=customer, name="Contact")
    site = factories.make_site(customer)
    receiver = factories.make_receiver(site)
    past = factories.make_registration(receiver, 1)
    past.registered_at, past.removed_at = NOW - timedelta(days=900), NOW - timedelta(days=400)
    past.save()
    present = factories.make_registration(receiver, 1)
    unit = present.transmitter

    name, lane, place = (_one_of(*names) for names in ((NAMES, "i"), (NAMES, "i / 5"), (PLACES, "i")))
    house, of_house = f"{FIRST} + i / 96", f"{FIRST} + i % {n_sites}"
    customer_of = f"{FIRST} + {{}} % {max(1, n // 2000)}"
    _copy(customer, max(1, n // 2000), name=f"{name} || ' Trust ' || i", code=f"'C-' || ({FIRST} + i)")
    _copy(
        contact,
        n // 100,
        customer_id=customer_of.format("i"),
        name="'Contact ' || i",
        phone=f"'01632 96' || {_digits(4)}",
    )
    _copy(
        site, n_sites, customer_id=customer_of.format("i"), code=f"'S-' || {_digits(4)}", name=f"{name} || ' House ' || i",
        address=f"i || ' ' || {lane} || ' Lane'", town="'Brinehaven'", postcode="'BR' || (i % 90) || ' 4XY'",
        phone=f"'01632 95' || {_digits(4)}",
    )  # fmt: skip
    of_receiver = customer_of.format(f"(i % {n_sites})")
    _copy(
        receiver, 3 * n_sites, customer_id=of_receiver, site_id=of_house, label=f"'R' || (i / {n_sites} + 1)",
        code=f"'Q' || {_digits(6)}", serial=f"'RX' || {_digits(6)}",
    )  # fmt: skip
    of_slot = customer_of.format("(i / 96)")
    _copy(unit, n, customer_id=of_slot, serial=f"'SK-' || {_digits(6)}")
    label = f"{place} || ' ' || (i % 211) || CASE i % 2 WHEN 0 THEN 'A' ELSE 'B' END"
    fields = {
        "customer_id": of_slot, "site_id": house, "receiver_id": f"{FIRST} + i / 96 + {n_sites} * (i / 32 % 3)",
        "slot": "i % 32 + 1", "transmitter_id": f"{FIRST} + i", "area": "'Floor ' || (i % 4)",
    }  # fmt: skip
    _copy(past, n, label=f"'Old ' || {label}", **fields)
    _copy(present, n, first=FIRST + n, label=label, **fields)
    assert Registration.objects.filter(site__customer_id=F("customer_id")).count() >= 2 * n
    assert (Transmitter.objects.count(), Receiver.objects.count()) >= (n, 3 * n_sites)
    assert Site.objects.count() > n_sites < Customer.objects.count() * n
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")


@contextlib.contextmanager
def _quick_to_fill() -> Iterator[None]:
    """PostgreSQL: keys unchecked and trigrams sorted in once at the end. SQLite is quick as it is, triggers and all."""
    if connection.vendor != "postgresql":
        yield
        return
    with connection.cursor() as cursor:
        cursor.execute("SELECT indexname, indexdef FROM pg_indexes WHERE indexname LIKE '%\\_part'")
        indexes = cursor.fetchall()
        for name, _ in indexes:
            cursor.execute(f"DROP INDEX {name}")
        cursor.execute("SET session_replication_role = replica")
        yield
        cursor.execute("SET session_replication_role = DEFAULT")
        for _, statement in indexes:
            cursor.execute(statement)
        cursor.execute("VACUUM ANALYZE")


def _one_of(texts: Sequence[str], number: str) -> str:
    cases = " ".join(f"WHEN {i} THEN '{text}'" for i, text in enumerate(texts))
    return f"CASE {number} % {len(texts)} {cases} END"


def _digits(n: int) -> str:
    return f"substr(CAST({10**n} + i AS TEXT), 2)"


def _copy(row: models.Model, n: int, *, first: int = FIRST, **columns: str) -> None:
    """Copies of a row in its table, numbered from `first` on, by one statement: rows made one by one take minutes."""
    columns["id"] = f"{first} + i"
    columns["uuid"] = f"'0000000000004000800' || {_digits(13)}"
    if connection.vendor == "postgresql":
        columns["uuid"] = f"CAST({columns['uuid']} AS uuid)"
    names = [field.column for field in row._meta.concrete_fields]
    values = ", ".join(columns.get(name, f'model."{name}"') for name in names)
    table = row._meta.db_table
    with connection.cursor() as cursor:
        cursor.execute(
            f"WITH RECURSIVE k(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM k WHERE i < {n - 1}) "
            f'INSERT INTO "{table}" ({", ".join(f"{chr(34)}{name}{chr(34)}" for name in names)}) '
            f'SELECT {values} FROM k, "{table}" AS model WHERE model.id = {row.pk}'
        )


def measure() -> None:
    """Print the median of each search and the worst of all."""
    from maintenance.querysets.search import find
    from maintenance.views.home import KINDS, N_SHOWN
    from tests import factories

    user = factories.make_user("office")
    find(user, "warm", n=1, kinds=KINDS)
    print(f"{connection.vendor}; milliseconds, medians of {ROUNDS}; load {os.getloadavg()[0]:.1f}")
    print(f"  {'':34} {'wall':>6} {'own':>6} {'server':>7}")
    worst = [0.0, 0.0, 0.0]
    for kind, text in SEARCHES:
        walls, processor, server = [], [], _server_s()
        for _ in range(ROUNDS):
            begun, cpu = time.perf_counter(), time.process_time()
            found = find(user, text, n=N_SHOWN + 1, kinds=KINDS)
            processor.append((time.process_time() - cpu) * 1000)
            walls.append((time.perf_counter() - begun) * 1000)
        server = (_server_s() - server) * 1000 / ROUNDS
        figures = [statistics.median(walls), statistics.median(processor), server]
        worst = [max(pair) for pair in zip(worst, figures, strict=True)]
        hits = ", ".join(f"{len(rows)} {name.lower()}" for name, rows in found.groups()) or "nothing"
        print(f"  {kind:18}{text!r:17}{figures[0]:6.0f} {figures[1]:6.0f} {figures[2]:7.0f}   {hits}")
    print(
        f"  worst median {worst[0]:.0f} ms wall; processor {worst[1]:.0f} ms own, {worst[2]:.0f} ms server; goal {GOAL_MS[connection.vendor]} ms"
    )


def _server_s() -> float:
    """Processor seconds of PostgreSQL's process for this connection, where the system tells them; 0 for SQLite."""
    if connection.vendor != "postgresql":
        return 0.0
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_backend_pid()")
        fields = Path(f"/proc/{cursor.fetchone()[0]}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


if __name__ == "__main__":
    main()
