"""What came in from outside: gateways with their batches, an uploaded event log, and what nobody could place.

All of it by the usual actions, so that its pages show what they would show of a real firm. Events of the log are words of
receivers only: days of check-ins are the gateways' alone.
"""

from __future__ import annotations

import hashlib
import time
from datetime import date, datetime, timedelta
from random import Random
from typing import Any

from django.utils import timezone

from company import jobs
from company.models import ChangeRow, Customer, Job, Upload, User
from devices.actions import event_files
from devices.actions.intake import OtherContent, take_batch
from devices.actions.set_aside import dismiss_set_aside
from devices.actions.sources import make_token
from devices.models import Fault, IntakeBatch, IntakeSource, Receiver, Registration, SetAside, Transmitter
from devices.rules.event_log import LogMap
from devices.rules.events import Event, RowProblem
from maintenance.management.demo.clock import at, share_of
from maintenance.management.demo.install import NEIGHBOUR_SERIAL, SPARE_PART_SERIAL, UNKNOWN_SERIAL
from maintenance.management.demo.world import DemoFirm, seeded_uuid

HOURS = (4, 5, 6)
STRANGER_DAYS = (6, 4, 3, 1, 0)
"""Days ago on which a transmitter was heard that stands in no slot."""
ROWS_A_BATCH = 12
LOG_SITE_KIND = "exceptions"


def load_intake(rng: Random, firm: DemoFirm, manager: User, office: User) -> None:
    """Gateways of all customers whose every check-in reaches us, and what they heard that nobody could place."""
    codes = sorted({r.site.customer for r in firm.receivers if r.evidence == "every"})
    customers = {customer.code: customer for customer in Customer.objects.filter(code__in=codes)}
    gateways = [_gateway(rng, customers[code], firm.today, manager) for code in codes]
    _stranger(gateways[0], firm.today)
    _neighbour(gateways[0], firm.today, office)
    _mistyped(gateways[len(gateways) // 2], firm.today)
    _put_up(gateways[-1], firm.today)
    _trouble(gateways[-1], firm.today)


WAIT_TURNS = 600
"""Tenths of a second for which a job is waited for."""


def load_event_log(office: User, today: date) -> None:
    """A monitoring centre's export of three weeks ago: looked at, its columns chosen and remembered, and taken in."""
    receiver = Receiver.objects.open().filter(evidence=LOG_SITE_KIND).order_by("site__code", "pk").first()
    if receiver is None or share_of(today) < 1.0:
        # The jobs write by the machine's clock, which a pressed morning must not run ahead of.
        return
    day = today - timedelta(days=21)
    source = IntakeSource.objects.create(
        name="Causeway Signal Desk, export", kind=IntakeSource.Kind.FILE, created_at=at(day, 10),
        column_map={"zone": "Europe/London"}, note="Asked for by mail, comes once a month",
    )  # fmt: skip
    content = _log(receiver, day)
    when = at(day, 10, 20)
    upload = event_files.receive_file(
        name=f"events-{day:%Y-%m}.csv", content=content, source=source, by=office, at=when
    )
    look = _done(event_files.look_prefix(upload))
    words = {key: guess for key, _text, _n, guess in look["words"] if guess}
    chosen = LogMap(
        columns=look["columns"], head_row=look["head_row"], time_format=look["time_format"], zone="Europe/London", words=words
    )  # fmt: skip
    event_files.choose_map(upload=upload, source=source, chosen=chosen, heads=look["heads"], by=office, at=when)
    _done(event_files.check_prefix(upload))
    check = Job.objects.get(key__startswith=event_files.check_prefix(upload))
    event_files.ask_to_take(upload=upload, check=check, by=office, at=when + timedelta(minutes=4))
    begun = timezone.now()
    _done(event_files.take_prefix(upload))
    _put_back(upload, begun, when + timedelta(minutes=5))


def _put_back(upload: Upload, begun: datetime, when: datetime) -> None:
    """The jobs write by the machine's clock; they tell of a morning three weeks ago."""
    batches = event_files.batches_of(upload.sha256)
    batches.update(received_at=when)
    Fault.objects.filter(recorded_at__gte=begun, receiver__in=_spoken_of(upload)).update(recorded_at=when)
    Job.objects.filter(key__contains=str(upload.uuid)).update(created_at=when, started_at=when, finished_at=when)
    Upload.objects.filter(name=str(upload.uuid)).update(at=when)
    ChangeRow.objects.filter(verb="take_event_log", at__gte=begun).update(at=when)


def _spoken_of(upload: Upload) -> Any:
    """Receivers that the log names: one."""
    code = bytes(upload.content).decode().splitlines()[1].split(",")[1]
    return Receiver.objects.filter(code=code)


def _done(prefix: str) -> dict[str, Any]:
    """Result of the one job whose key begins so, run now; a worker beside us may have been quicker and is waited for."""
    job = Job.objects.get(key__startswith=prefix)
    for _ in range(WAIT_TURNS):
        jobs.run(job.pk)
        job.refresh_from_db()
        if job.state not in (Job.State.WAITING, Job.State.RUNNING):
            break
        time.sleep(0.1)
    return job.result or {}


def spare_slot(receiver: Receiver, nth: int = 0) -> int | None:
    """A slot of a receiver in which nothing stands, from its end; None where all are taken."""
    taken = set(Registration.objects.open().filter(receiver=receiver).values_list("slot", flat=True))
    spare = [slot for slot in range(receiver.n_slots, 0, -1) if slot not in taken]
    return spare[nth % len(spare)] if spare else None


def _log(receiver: Receiver, day: date) -> bytes:
    """A few lines as a receiver at a monitored site tells them; one says what nobody has a word for, one names a spare slot."""
    code, spare = receiver.code, spare_slot(receiver)
    rows = (
        (12, "02:14:09", "", "interference"), (12, "02:31:40", "", "interference over"),
        (9, "13:02:00", "", "link test"), (8, "13:02:03", "", "link test"), (7, "13:02:01", "", "link test"),
        (5, "10:47:12", "", "receiver tamper"), (5, "11:20:55", "", "receiver tamper restored"),
        (3, "16:08:31", "", "engineer on site"), (2, "09:11:00", str(spare or ""), "missing"),
    )  # fmt: skip
    lines = ["Time,Receiver,Zone,Event"]
    lines += [f"{day - timedelta(days=ago):%Y-%m-%d} {clock},{code},{zone},{event}" for ago, clock, zone, event in rows]
    return ("\r\n".join(lines) + "\r\n").encode()


# --- gateways -----------------------------------------------------------------------------------------------------------


def _gateway(rng: Random, customer: Customer, today: date, manager: User) -> IntakeSource:
    """One source with this morning's batches, which feeds all receivers of its customer that report every check-in.

    Its token was shown to nobody: nothing can be handed over with it.
    """
    source = IntakeSource.objects.create(
        uuid=seeded_uuid(rng), name=f"{customer.name} gateway", customer=customer, watermark_at=at(today, 6),
        last_used_at=at(today, 6, 1), created_at=at(today - timedelta(days=1095), 10),
    )  # fmt: skip
    make_token(source=source, by=manager, at=at(today - timedelta(days=1095), 10, 4))
    fed = Receiver.objects.open().filter(customer=customer, evidence="every")
    fed.update(fed_by=source)
    n = Registration.objects.open().filter(receiver__in=fed, transmitter__isnull=False).count()
    IntakeBatch.objects.bulk_create(
        [
            IntakeBatch(
                source=source, batch_id=f"{today:%Y%m%d}-{hour:02}00", sha256=f"{rng.getrandbits(256):064x}",
                received_at=at(today, hour, 1), from_at=at(today, hour - 1), until_at=at(today, hour), n_rows=n, n_taken=n,
            )
            for hour in HOURS
        ]
    )  # fmt: skip
    return source


def _receiver_of(source: IntakeSource) -> Receiver:
    return Receiver.objects.open().filter(fed_by=source).order_by("site__code", "pk")[0]


def _batch(
    source: IntakeSource, name: str, events: list[Event], when: datetime, problems: tuple[RowProblem, ...] = ()
) -> str:
    """Hand over a batch of a source's first receiver; gives its digest."""
    digest = hashlib.sha256(f"{source.name}:{name}".encode()).hexdigest()
    take_batch(
        source=source, batch_id=name, sha256=digest, events=events, problems=problems, receiver=_receiver_of(source), at=when
    )  # fmt: skip
    return digest


def _stranger(source: IntakeSource, today: date) -> None:
    """A transmitter on no record, heard on several days beside those that are."""
    for ago in STRANGER_DAYS:
        day = today - timedelta(days=ago)
        heard = at(day, 5, 47)
        _batch(
            source, f"{day:%Y%m%d}-0550",
            [Event(1, "check_in", heard, serial=UNKNOWN_SERIAL, margin_db=11.0)], heard + timedelta(minutes=3),
        )  # fmt: skip


def _neighbour(source: IntakeSource, today: date, office: User) -> None:
    """A unit of the system next door: heard once, dismissed with the reason."""
    heard = at(today - timedelta(days=40), 11, 22)
    events = [Event(1, "check_in", heard, serial=NEIGHBOUR_SERIAL, margin_db=3.0)]
    _batch(source, f"{heard:%Y%m%d}-1125", events, heard + timedelta(minutes=3))
    event = SetAside.objects.filter(serial=NEIGHBOUR_SERIAL).order_by("-pk").first()
    if event is not None:
        why = "Belongs to the system next door, asked there"
        dismiss_set_aside(event=event, newest_pk=event.pk, by=office, at=heard + timedelta(hours=4), reason=why)


def _mistyped(source: IntakeSource, today: date) -> None:
    """A gateway that was taught a serial with two digits changed round: the unit on record stands beside it."""
    known = (
        Registration.objects.open().filter(receiver=_receiver_of(source), transmitter__isnull=False).order_by("slot")
    )
    on_record = set(Transmitter.objects.values_list("serial", flat=True))
    for serial in known.values_list("transmitter__serial", flat=True):
        slip = serial[:-2] + serial[:-3:-1]
        if slip not in on_record:
            break
    else:
        return
    for ago, kind in ((2, "check_in"), (1, "check_in"), (1, "activation")):
        heard = at(today - timedelta(days=ago), 15, 31 if kind == "check_in" else 36)
        event = Event(1, kind, heard, serial=slip, margin_db=17.0 if kind == "check_in" else None)
        _batch(source, f"{heard:%Y%m%d-%H%M}", [event], heard + timedelta(minutes=2))


def _put_up(source: IntakeSource, today: date) -> None:
    """A unit that somebody put up yesterday and told nobody of; it wants new cells already."""
    for name, kind, minute in (("1015", "check_in", 12), ("1030", "low_battery", 27)):
        heard = at(today - timedelta(days=1), 10, minute)
        events = [Event(1, kind, heard, serial=SPARE_PART_SERIAL, margin_db=9.0)]
        _batch(source, f"{heard:%Y%m%d}-{name}", events, heard + timedelta(minutes=3))


def _trouble(source: IntakeSource, today: date) -> None:
    """A gateway that sent rows which cannot be read, and then other rows under an id that it had used."""
    day = today - timedelta(days=1)
    when = at(day, 16, 45)
    problems = (
        RowProblem(2, "time", "“24/11/26 4pm” is no time. Send it as 2026-11-24T16:00:00Z."),
        RowProblem(5, "serial", "A check-in needs the serial of its transmitter, or its slot."),
    )  # fmt: skip
    name = f"{day:%Y%m%d}-1645"
    _batch(source, name, [], when, problems)
    try:
        take_batch(
            source=source, batch_id=name, sha256=hashlib.sha256(b"other rows").hexdigest(), events=[],
            receiver=_receiver_of(source), at=when + timedelta(minutes=15),
        )  # fmt: skip
    except OtherContent:
        # The refusal is the point: the page of the batch shows it.
        return
