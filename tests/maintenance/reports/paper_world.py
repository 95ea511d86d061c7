"""A finished visit with everything on it, for tests of papers."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from company.jobs import run
from company.models import Contact, Job
from devices.models import Fault, Fitting, Receiver, Registration
from maintenance.models import Entry, IssuedReport, Visit, WalkTest
from tests import factories

ARRIVED = datetime(2026, 11, 24, 9, 5, tzinfo=UTC)


@dataclass
class PaperWorld:
    visit: Visit
    receiver: Receiver
    rows: list[Registration]
    by: Any


def record(visit: Visit, kind: str, minute: int, registration: Registration | None = None, **facts: Any) -> Entry:
    """Write an entry as the visit's own action leaves it; receiver and slot as given."""
    receiver = facts.pop("receiver", None) or (registration.receiver if registration else None)
    entry = Entry.objects.create(
        key=uuid.uuid4(), customer=visit.customer, visit=visit, receiver=receiver, registration=registration, kind=kind,
        made_at=ARRIVED + timedelta(minutes=minute), by=visit.crew.get().user, facts=facts, sha256="0" * 64,
    )  # fmt: skip
    if kind == "walk_test":
        WalkTest.objects.create(
            customer=visit.customer, entry=entry, visit=visit, registration=registration, at=entry.made_at,
            heard=facts["heard"], margin_db=facts.get("margin_db"),
        )  # fmt: skip
    return entry


def change_cells(visit: Visit, registration: Registration, minute: int, lot: str = "L-26-11") -> Entry:
    """Swap the cells of a slot on the visit."""
    at = ARRIVED + timedelta(minutes=minute)
    old = Fitting.objects.get(transmitter=registration.transmitter, removed_at=None)
    old.removed_at, old.removed_why, old.removed_v = at, "low_battery", 2.41
    old.save()
    new = factories.make_fitting(registration.transmitter, fitted_at=at, lot=lot)
    return record(visit, "battery", minute, registration, cells="cr2450", lot=lot, fitting=new.pk, cells_label="CR2450")


def make_paper_world(site: Any = None, *, n_slots: int = 4, **visit_over: Any) -> PaperWorld:
    """A site with one receiver of 16 slots, and a visit that changed, tested, cleared, was signed and is finished."""
    site = site or factories.make_site(
        name="Lantern House",
        address="3 Net Lane",
        town="Brinehaven",
        person_to_meet="Morag Teal",
        phone="01632 960 001",
    )
    kind = factories.receiver_type("test-16", label="receiver, 16 slots", n_slots=16)
    receiver = factories.make_receiver(
        site, type=kind, label="R1", area="Meter cupboard", fed_from="alarm panel", supply_v=12
    )
    output = factories.make_output(receiver, 1, drives="call lamp", end_effect_seen_by="Morag Teal")
    rows = [
        factories.make_registration(receiver, slot, label=f"Room {slot}", outputs=[(output, "latching", None)])
        for slot in range(1, n_slots + 1)
    ]
    for row in rows:
        factories.make_fitting(row.transmitter)
    technician = factories.make_user("technician", name="Ines Okoro")
    round_ = factories.make_round(technician)
    fields: dict[str, Any] = {
        "state": "finished", "arrived_at": ARRIVED, "finished_at": ARRIVED + timedelta(minutes=70),
        "finished_by": technician, "told_before": "Morag Teal", "told_after": "Morag Teal and the day nurse",
        "on_test_at": ARRIVED + timedelta(minutes=3), "off_test_at": ARRIVED + timedelta(minutes=66),
        "signed_name": "Morag Teal", "signature_path": "M10 40 L20 12 L30 44 M40 40 L60 30",
        "remark": "The lid of the meter cupboard sticks.",
    }  # fmt: skip
    visit = factories.make_visit(site, round_, **(fields | visit_over))
    change_cells(visit, rows[0], 10)
    record(visit, "walk_test", 12, rows[0], heard=True, margin_db=23)
    record(visit, "walk_test", 14, rows[1], heard=False)
    record(visit, "not_done", 16, rows[2], reason="Resident asleep, agreed with the nurse.")
    fault = Fault.objects.create(
        customer=site.customer, site=site, receiver=receiver, registration=rows[0], transmitter=rows[0].transmitter,
        kind="low_battery", raised_at=ARRIVED - timedelta(days=9), cleared_at=ARRIVED + timedelta(minutes=10),
        is_latched=True, latch_cleared_at=ARRIVED + timedelta(minutes=60), cause="cells at their end",
    )  # fmt: skip
    record(visit, "volts", 50, receiver=receiver, volts=12.1)
    record(visit, "covers", 55, receiver=receiver)
    record(visit, "cleared", 60, receiver=receiver, cause="cells at their end", faults=[fault.pk])
    Contact.objects.create(customer=site.customer, name="Estates desk", gets_reports=True)
    return PaperWorld(visit, receiver, rows, factories.make_user("office", name="Ada Brook"))


def do(job: Job | IssuedReport) -> IssuedReport:
    """Run the job and give the paper it made."""
    if isinstance(job, IssuedReport):
        return job
    run(job.pk)
    job.refresh_from_db()
    assert job.state == "done", job.error
    return IssuedReport.objects.get(pk=job.result["report"])
