"""Processor seconds of each paper, median of five: `python -m tests.benchmarks.pdf`.

    python -m tests.benchmarks.pdf              slot maps of 64 and 16 slots, lid labels, a service report
    python -m tests.benchmarks.pdf --keep DIR   and the files, to be looked at

Processor time, because the time on the clock hangs on what else the machine does. The goal is one second for a slot map
of 64 slots.
"""

from __future__ import annotations

import argparse
import os
import statistics
import tempfile
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

ROUNDS = 5
GOAL_S = {"slot map, 64 slots": 1.0}
PLACES = ("Bedroom, bed side", "Bathroom cord by the basin", "Corridor fire door", "Lounge window seat", "Laundry")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--keep", type=Path, help="folder for the files")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="slotledger-pdf-") as folder:
        os.environ |= {"SLOTLEDGER_TEST_DIR": folder, "REDIS_URL": "", "LOG_LEVEL": "ERROR"}
        os.environ["DATABASE_URL"] = f"sqlite:///{folder}/pdf.sqlite3"
        os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
        import django
        from django.core.management import call_command

        django.setup()
        call_command("migrate", verbosity=0)
        print(f"processor seconds, median of {ROUNDS}; load {os.getloadavg()[0]:.1f}")
        for name, paper in papers().items():
            show(name, paper, options.keep)


def show(name: str, paper: Callable[[], Any], keep: Path | None) -> None:
    """Print a paper a few times and say what it took."""
    printed = paper()
    spent = []
    for _ in range(ROUNDS):
        begun = time.process_time()
        paper()
        spent.append(time.process_time() - begun)
    goal = f", goal {GOAL_S[name]:g}" if name in GOAL_S else ""
    pages = f"{printed.n_pages} page{'' if printed.n_pages == 1 else 's'}"
    print(f"{name:28} {statistics.median(spent):5.2f} s{goal}   {pages}, {len(printed.content) / 1024:.0f} kB")
    if keep:
        keep.mkdir(parents=True, exist_ok=True)
        (keep / f"{name.replace(', ', '-').replace(' ', '-')}.pdf").write_bytes(printed.content)


def receiver_of(n_slots: int, *, is_wordy: bool = False) -> Any:
    """A receiver whose slots are all in use, with names as long as people write them.

    On a wordy one the slots of an output behave differently, so that each has to say how: two pages instead of one.
    """
    from devices.models import Receiver
    from tests import factories

    kind = factories.receiver_type(f"full-{n_slots}-{is_wordy}", label=f"receiver, {n_slots} slots", n_slots=n_slots)
    site = factories.make_site(name="Lantern House", address="3 Net Lane", town="Brinehaven")
    receiver = factories.make_receiver(site, type=kind, label="Receiver 1", area="Meter cupboard", supply_v=12)
    outputs = [
        factories.make_output(receiver, n, drives=drives, clears="duty nurse")
        for n, drives in enumerate(("Nurse call panel", "Door buzzer", "Corridor lamps", "Faults to the panel"), 1)
    ]
    for slot in range(1, n_slots + 1):
        row = factories.make_registration(
            receiver, slot, label=f"Room {100 + slot} {PLACES[slot % len(PLACES)]}", area="First floor, east",
            duty=("life_safety", "life_safety", "security", "convenience")[slot % 4],
            outputs=[(outputs[slot % 4], "momentary", 5) if is_wordy and slot % 3 else (outputs[slot % 4], "latching", None)],
        )  # fmt: skip
        factories.make_fitting(row.transmitter, fitted_at=factories.NOW - timedelta(days=10 * slot))
    return Receiver.objects.select_related("site", "customer", "type").get(pk=receiver.pk)


def papers() -> dict[str, Callable[[], Any]]:
    """Every paper by name; each call prints it anew from facts that were gathered before."""
    from maintenance.reports import lid_label, service_report, slot_map
    from maintenance.reports.base import make, paper_facts
    from tests import factories
    from tests.maintenance.reports.paper_world import make_paper_world

    def ready(module: Any, content: Any) -> Callable[[], Any]:
        facts = paper_facts(number="SM-ABCDE23456", revision=1, issued_on=factories.TODAY, issued_by="Ada Brook")
        return lambda: make(module.REPORT, {"paper": facts, "content": content}, issued_at=factories.NOW)

    large, wordy, small = receiver_of(64), receiver_of(64, is_wordy=True), receiver_of(16)
    visit = make_paper_world(n_slots=16).visit
    return {
        "slot map, 64 slots": ready(slot_map, slot_map.gather(large, at=factories.NOW)),
        "slot map, 64 wordy slots": ready(slot_map, slot_map.gather(wordy, at=factories.NOW)),
        "slot map, 16 slots": ready(slot_map, slot_map.gather(small, at=factories.NOW)),
        "lid label, 64 slots": ready(lid_label, lid_label.gather(large, at=factories.NOW)),
        "lid label, 16 slots": ready(lid_label, lid_label.gather(small, at=factories.NOW)),
        "service report, 16 slots": ready(service_report, service_report.gather(service_report.load(visit.pk))),
    }


if __name__ == "__main__":
    main()
