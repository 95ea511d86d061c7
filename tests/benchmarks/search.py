"""How long the search box takes at 100,000 transmitters: `python -m tests.benchmarks.search`.

    python -m tests.benchmarks.search             100,000 transmitters, both databases
    python -m tests.benchmarks.search --sqlite    only SQLite

Each search is the whole view, without the frame of the page; median of five. Goals: 100 ms on PostgreSQL, 300 ms on SQLite.
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
from datetime import UTC, datetime, timedelta

ROUNDS = 5
GOAL_MS = {"postgresql": 100, "sqlite": 300}
SEARCHES = (
    "SK-050123", "sk 050123", "50123", "0512", "sk", "7", "Room 117", "bed 12 b", "harbour house 17", "site 0123",
    "lantern lane", "01632 960", "nothing like it", "bathroom 77 site 4", "e",
)  # fmt: skip
PLACES = ("Bedroom", "Bathroom cord", "Corridor door", "Lounge window", "Laundry")
NAMES = ("Harbour", "Lantern", "Ropewalk", "Orchard", "Mill")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--transmitters", type=int, default=100_000)
    parser.add_argument("--sqlite", action="store_true")
    parser.add_argument("--postgresql", action="store_true")
    options = parser.parse_args()
    if not options.sqlite and not options.postgresql:
        # One process a database: settings are read once.
        for name in ("--sqlite", "--postgresql"):
            here = [sys.executable, "-m", "tests.benchmarks.search", name]
            subprocess.run([*here, "--transmitters", str(options.transmitters)], check=True)
        return
    with contextlib.ExitStack() as stack:
        folder = tempfile.mkdtemp(prefix="slotledger-search-")
        stack.callback(shutil.rmtree, folder, ignore_errors=True)
        os.environ |= {"SLOTLEDGER_TEST_DIR": folder, "REDIS_URL": "", "LOG_LEVEL": "WARNING"}
        os.environ["DATABASE_URL"] = f"sqlite:///{folder}/search.sqlite3"
        if options.postgresql:
            from tests.tools.services import services

            os.environ["DATABASE_URL"] = stack.enter_context(services("postgresql")).servers[0].url
        os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
        import django
        from django.core.management import call_command
        from django.db import connections

        django.setup()
        stack.callback(connections.close_all)
        call_command("migrate", verbosity=0)
        begun = time.perf_counter()
        fill(options.transmitters)
        print(f"filled in {time.perf_counter() - begun:.0f} s")
        measure()


def fill(n: int) -> None:
    """A firm of that many transmitters, 32 a receiver, and as many former registrations again."""
    from django.db import connection

    from company.models import Contact
    from devices.models import Receiver, Registration, Transmitter
    from sites.models import Site
    from tests import factories

    now = datetime.now(UTC)
    per_site, types = 96, factories.receiver_type()
    customers = [factories.make_customer(name=f"{NAMES[i % 5]} Trust {i}") for i in range(max(1, n // 2000))]
    Contact.objects.bulk_create(
        [
            Contact(customer=customers[i % len(customers)], name=f"Contact {i}", phone=f"01632 96{i:04}")
            for i in range(n // 100)
        ]
    )
    sites = Site.objects.bulk_create(
        [
            Site(
                customer=customers[i % len(customers)], code=f"S-{i:04}", name=f"{NAMES[i % 5]} House {i}",
                address=f"{i} {NAMES[i // 5 % 5]} Lane", town="Brinehaven", postcode=f"BR{i % 90} 4XY", phone=f"01632 95{i:04}",
            )
            for i in range(n // per_site + 1)
        ]
    )  # fmt: skip
    receivers = Receiver.objects.bulk_create(
        [
            Receiver(
                site=site,
                customer_id=site.customer_id,
                label=f"R{k}",
                n_slots=64,
                type=types,
                serial=f"RX{site.pk:05}{k}",
            )
            for site in sites
            for k in (1, 2, 3)
        ]
    )
    transmitter_type = factories.transmitter_type()
    units = Transmitter.objects.bulk_create(
        [
            Transmitter(customer_id=receivers[i // 32].customer_id, serial=f"SK-{i:06}", type=transmitter_type)
            for i in range(n)
        ],
        batch_size=5000,
    )  # fmt: skip
    rows = []
    for i, unit in enumerate(units):
        receiver = receivers[i // 32]
        fields = {
            "customer_id": receiver.customer_id, "site_id": receiver.site_id, "receiver": receiver, "slot": i % 32 + 1,
            "transmitter": unit, "duty": "life_safety", "area": f"Floor {i % 4}",
        }  # fmt: skip
        label = f"{PLACES[i % 5]} {i % 211}{'AB'[i % 2]}"
        rows.append(
            Registration(
                label=f"Old {label}",
                registered_at=now - timedelta(days=900),
                removed_at=now - timedelta(days=400),
                **fields,
            )
        )
        rows.append(Registration(label=label, registered_at=now - timedelta(days=400), **fields))
    Registration.objects.bulk_create(rows, batch_size=5000)
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")


def measure() -> None:
    """Print the median of each search and the worst of all."""
    from django.db import connection

    from maintenance.querysets.search import find
    from maintenance.views.home import KINDS, N_SHOWN
    from tests import factories

    user = factories.make_user("office")
    print(f"{connection.vendor}; milliseconds, median of {ROUNDS}; load {os.getloadavg()[0]:.1f}")
    medians = []
    for text in SEARCHES:
        spent = []
        for _ in range(ROUNDS):
            begun = time.perf_counter()
            found = find(user, text, n=N_SHOWN + 1, kinds=KINDS)
            spent.append((time.perf_counter() - begun) * 1000)
        medians.append(statistics.median(spent))
        hits = ", ".join(f"{len(rows)} {name.lower()}" for name, rows in found.groups()) or "nothing"
        print(f"  {text!r:22} {medians[-1]:6.0f}   {hits}")
    print(f"  slowest {max(medians):.0f} ms, goal {GOAL_MS[connection.vendor]} ms")


if __name__ == "__main__":
    main()
