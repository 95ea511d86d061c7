"""What a look for silence costs: seconds of the processor for the whole fleet, with news from everybody and with none.

python -m tests.benchmarks.silence                    64,000 transmitters on SQLite
python -m tests.benchmarks.silence --postgresql       the same on PostgreSQL (this process only, not the server)
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from tests.benchmarks.nightly import database

SILENT_EVERY = 200
"""One transmitter of so many has been silent since yesterday."""
DEAD_EVERY = 100
"""One receiver of so many hears nothing."""


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--transmitters", type=int, default=64_000)
    parser.add_argument("--postgresql", action="store_true")
    options = parser.parse_args()
    with database(not options.postgresql):
        run(options.transmitters)


def run(n: int) -> None:
    """Fill, then look: everything new, nothing new, an hour later, and a day closed."""
    from devices.actions.close_days import close_days
    from devices.actions.silence import judge_receivers
    from devices.models import Fault, Receiver
    from tests.benchmarks.nightly_fill import Fleet, fill

    # At noon: what is silent has been so since yesterday whenever the benchmark is run.
    now = datetime.now(UTC).replace(hour=12, minute=0, second=0, microsecond=0) - timedelta(days=1)
    fill(Fleet(n, 100, 0, now.date()))
    fill_days(n, now)
    Receiver.objects.update(heard_until=now, days_closed_until=now.date() - timedelta(days=1))
    n_receivers = Receiver.objects.count()
    print(f"{n:,} transmitters at {n_receivers:,} receivers")
    measured("first look, everybody has news", lambda: judge_receivers(at=now))
    print("  ", {kind: Fault.objects.open().filter(kind=kind).count() for kind in ("missing", "outage")})
    measured("again, nobody has news (what stands is looked at)", lambda: judge_receivers(at=now))
    later = now + timedelta(seconds=20)
    Receiver.objects.update(heard_until=later)
    measured("20 s later, everybody has news", lambda: judge_receivers(at=later))
    measured("a day closed for everybody", lambda: close_days(at=now))
    measured("nothing to close", lambda: close_days(at=now))


def fill_days(n: int, now: datetime) -> None:
    """Yesterday for everybody; today for all but the silent ones and those of dead receivers."""
    from django.db import connection

    from devices.fields import day_number

    today, yesterday = now.date(), now.date() - timedelta(days=1)
    day: Callable[[Any], Any] = day_number if connection.vendor == "sqlite" else lambda one: one
    columns = (
        "transmitter_id, day, customer_id, heard, expected, activations, loss_runs, flags, last_heard_s, acts_source"
    )
    silent = f"r.transmitter_id % {SILENT_EVERY} = 0 OR r.receiver_id % {DEAD_EVERY} = 0"
    with connection.cursor() as cursor:
        for which, last_s, where in ((yesterday, 86_000, "1 = 1"), (today, 42_000, f"NOT ({silent})")):
            cursor.execute(
                f"INSERT INTO devices_checkinday ({columns}) SELECT r.transmitter_id, %s, r.customer_id, 12, 12, 0, 0, 0, "
                f"{last_s}, 0 FROM devices_registration r WHERE r.removed_at IS NULL AND {where} ORDER BY r.transmitter_id",
                [day(which)],
            )


def measured(name: str, call: Callable[[], Any]) -> None:
    """Say how long it took; seconds of the processor do not count what others do on the machine."""
    wall, cpu = time.perf_counter(), time.process_time()
    found = call()
    cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
    print(f"{name}: {cpu:.2f} s of the processor, {wall:.2f} s by the clock; {str(found)[:60]}")


if __name__ == "__main__":
    main()
