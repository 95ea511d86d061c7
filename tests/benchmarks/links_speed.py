"""What judging the links costs a night: `python -m tests.benchmarks.links_speed` (100,000 transmitters, PostgreSQL).

    python -m tests.benchmarks.links_speed --transmitters 25000 --sqlite

A fleet with so many days of check-ins (`--days`, one in fifty lost at random) is judged night by night. Printed are CPU
seconds a night (processor time of this process and of the database server): the first, which begins every state, the median of
the others, and a run with nothing left to do.
"""

from __future__ import annotations

import argparse
import statistics
from datetime import UTC, datetime, timedelta

from tests.benchmarks.nightly import cpu_s, database


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--transmitters", type=int, default=100_000)
    parser.add_argument("--days", type=int, default=31)
    parser.add_argument("--nights", type=int, default=5)
    parser.add_argument("--sqlite", action="store_true")
    options = parser.parse_args()
    with database(sqlite=options.sqlite):
        run(options.transmitters, options.days, options.nights)


def run(n: int, n_days: int, n_nights: int) -> None:
    """Fill, catch up, then judge night by night."""
    from django.db import connection

    from devices.actions.link_watch import judge_links
    from devices.models import LinkWatch, Receiver
    from tests.benchmarks.nightly_fill import Fleet, fill

    now = datetime.now(UTC)
    today = now.date()
    fill(Fleet(n, 20, 0, today))
    first = today - timedelta(days=n_days)
    _days(n, first, n_days)
    Receiver.objects.update(days_closed_until=today, heard_until=now)
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")
    spent = []
    for night in range(n_nights + 1):
        begun = cpu_s()
        done = judge_links(at=now, until=today - timedelta(days=n_nights - night))
        spent.append(cpu_s() - begun)
        if night == 0:
            print(f"{connection.vendor}: {n:,} transmitters, {done.n_days} days at first: {spent[0]:.2f} CPU s")
        else:
            assert (done.n_days, done.n_judged) == (1, n), done
    begun = cpu_s()
    assert judge_links(at=now, until=today).n_days == 0
    print(f"a night: median {statistics.median(spent[1:]):.2f} CPU s ({', '.join(f'{s:.2f}' for s in spent[1:])})")
    print(
        f"nothing to do: {cpu_s() - begun:.2f} CPU s; weak: {LinkWatch.objects.filter(amber_since__isnull=False).count()}"
    )


def _days(n: int, first: object, n_days: int) -> None:
    """Days of check-ins, each losing none to two of 24 by a rule without chance."""
    from django.db import connection

    from devices.fields import day_number

    heard = "24 - CASE WHEN (i * 7919 + d * 104729) % 100 < 40 THEN 1 + (i + d) % 2 ELSE 0 END"
    columns = "(transmitter_id, day, customer_id, heard, expected, activations, loss_runs, flags, acts_source)"
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                f"INSERT INTO devices_checkinday {columns} SELECT i, DATE '{first}' + d, 1, {heard}, 24, 0, 1, 0, 0 "
                f"FROM generate_series(1, {n}) AS t (i), generate_series(0, {n_days - 1}) AS g (d)"
            )
            return
        cursor.execute(
            f"WITH RECURSIVE t (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM t WHERE i < {n}), "
            f"g (d) AS (SELECT 0 UNION ALL SELECT d + 1 FROM g WHERE d < {n_days - 1}) "
            f"INSERT INTO devices_checkinday {columns} SELECT i, {day_number(first)} + d, 1, {heard}, 24, 0, 1, 0, 0 FROM t, g"  # type: ignore[arg-type]
        )


if __name__ == "__main__":
    main()
