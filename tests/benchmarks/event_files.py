"""How long an event log of many rows takes from the upload to the days, and how much memory: `python -m tests.benchmarks.event_files`.

Makes a database of its own under DATA_DIR (SQLite, not waiting for the disk) or takes DATABASE_URL's test database; prints CPU seconds and the peak of
the process above what it needed before.
"""

from __future__ import annotations

import argparse
import os
import resource
import time
from datetime import UTC, datetime, timedelta

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "company.settings")
os.environ.setdefault("SQLITE_SYNC", "normal")


def log_of(serials: list[str], n_rows: int, until: datetime) -> bytes:
    """A centre's export: every transmitter checks in every two hours, newest row last."""
    lines = ["Date/Time,Account,Event code,Zone,Serial,Margin,Text"]
    step = timedelta(hours=2)
    rounds = n_rows // len(serials)
    for turn in range(rounds):
        at = until - step * (rounds - turn)
        for number, serial in enumerate(serials):
            when = at + timedelta(seconds=number % 3600)
            lines.append(f"{when:%d/%m/%Y %H:%M:%S},4711,check-in,,{serial},{number % 30},room {number}")
    return "\n".join(lines).encode()


def measure(n_rows: int, n_units: int) -> None:
    """Upload, look, check and take one log; prints a line for each step."""
    from company import jobs
    from company.models import Job
    from devices.actions import event_files as actions
    from devices.models import CheckInDay, IntakeBatch
    from tests import factories
    from tests.devices.event_log_files import chosen_of, job_of, make_source

    site = factories.make_site()
    serials = []
    for start in range(0, n_units, 60):
        receiver = factories.make_receiver(site)
        for slot in range(1, min(60, n_units - start) + 1):
            row = factories.make_registration(
                receiver, slot, registered_at=datetime(2024, 1, 1, tzinfo=UTC)
            )  # fmt: skip
            assert row.transmitter is not None
            factories.make_fitting(row.transmitter)
            serials.append(row.transmitter.serial)
    now = datetime.now(UTC)
    body = log_of(serials, n_rows, now)
    source = make_source(name=f"Benchmark {time.time()}", column_map={"zone": "UTC", "time_format": "dmy"})
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(f"{n_rows} rows of {n_units} transmitters, {len(body) / 1e6:.1f} MB; memory before {before / 1024:.0f} MB")

    def timed(what: str, work: object) -> None:
        wall, cpu = time.perf_counter(), time.process_time()
        work()  # type: ignore[operator]
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        print(
            f"{what}: {time.process_time() - cpu:.1f} s of CPU, {time.perf_counter() - wall:.1f} s in all, peak "
            f"{(peak - before) / 1024:+.0f} MB"
        )

    upload = actions.receive_file(name="log.csv", content=body, source=source, by=None, at=now)
    timed("look", lambda: jobs.run(job_of(actions.look_prefix(upload)).pk))
    look = job_of(actions.look_prefix(upload))
    chosen = chosen_of(upload, source, time_format="dmy")
    check = actions.choose_map(
        upload=upload, source=source, chosen=chosen, heads=(look.result or {})["heads"], by=None, at=now
    )  # fmt: skip
    timed("check", lambda: jobs.run(check.pk))
    check.refresh_from_db()
    take = actions.ask_to_take(upload=upload, check=check, by=None, at=now)
    timed("take", lambda: jobs.run(take.pk))
    take.refresh_from_db()
    assert take.state == Job.State.DONE, take.error
    print(take.result, CheckInDay.objects.count(), "days", IntakeBatch.objects.count(), "batches")


def main() -> None:
    """Set up a database and measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=100_000)
    parser.add_argument("--units", type=int, default=500)
    options = parser.parse_args()
    import django

    django.setup()
    from django.test.utils import setup_databases, teardown_databases

    made = setup_databases(verbosity=0, interactive=False)
    try:
        measure(options.rows, options.units)
    finally:
        teardown_databases(made, verbosity=0)


if __name__ == "__main__":
    main()
