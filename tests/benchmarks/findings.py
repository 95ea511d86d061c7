"""How long a look at every receiver takes: `python -m tests.benchmarks.findings` (1,500 transmitters on SQLite).

    python -m tests.benchmarks.findings --transmitters 100000 --postgresql

The fleet is as bad as can be: nobody has walk-tested anything, so every transmitter gives a finding of its own. Printed are
CPU seconds (processor time of this process and of the database server), the first look writing everything, the later ones
nothing, and the number of queries per look.
"""

from __future__ import annotations

import argparse
import statistics
from datetime import UTC, datetime

from tests.benchmarks.nightly import cpu_s, database

LOOKS = 5


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--transmitters", type=int, default=1500)
    parser.add_argument("--postgresql", action="store_true")
    options = parser.parse_args()
    with database(sqlite=not options.postgresql):
        run(options.transmitters)


def run(n: int) -> None:
    """Fill, look once, then look again and again."""
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    from company.actions import ensure_policies
    from devices.models import Receiver, Registration
    from maintenance.actions.findings import RECEIVERS_AT_ONCE, refresh_findings
    from maintenance.models import FindingRecord
    from tests.benchmarks.nightly_fill import Fleet, fill

    now = datetime.now(UTC)
    ensure_policies()
    fill(Fleet(n, 20, 0, now.date()))
    ids = list(Receiver.objects.open().values_list("pk", flat=True))
    print(f"{connection.vendor}: {Registration.objects.open().count():,} slots taken at {len(ids):,} receivers")
    begun = cpu_s()
    first = refresh_findings(receivers=ids, at=now)
    print(f"first look: {cpu_s() - begun:.2f} CPU s, {first.n_new:,} findings written")
    spent = []
    for _ in range(LOOKS):
        begun = cpu_s()
        again = refresh_findings(receivers=ids, at=now)
        spent.append(cpu_s() - begun)
        assert (again.n_new, again.n_changed, again.n_gone) == (0, 0, 0)
    print(f"later looks: median {statistics.median(spent):.2f} CPU s, nothing written")
    with CaptureQueriesContext(connection) as caught:
        refresh_findings(receivers=ids[:RECEIVERS_AT_ONCE], at=now)
    one = len(caught)
    with CaptureQueriesContext(connection) as caught:
        refresh_findings(receivers=ids[: RECEIVERS_AT_ONCE // 4], at=now)
    print(f"queries: {one} for {RECEIVERS_AT_ONCE} receivers, {len(caught)} for {RECEIVERS_AT_ONCE // 4}")
    print(f"open findings: {FindingRecord.objects.open().count():,}")


if __name__ == "__main__":
    main()
