"""What came in from outside: gateways with their batches, panels, an uploaded event log, and what nobody could place.

All of it by the usual actions, so that its pages show what they would show of a real firm. Events of the panels and of the log
are words of receivers only: days of check-ins are the gateways' alone.
"""

from __future__ import annotations

import hashlib
from datetime import date, datetime, timedelta
from random import Random
from typing import Any

from company import jobs
from company.models import Customer, Job, User
from devices.actions import event_files
from devices.actions.intake import OtherContent, take_batch
from devices.actions.panel_strangers import note_stranger
from devices.actions.panels import connect_panel
from devices.models import IntakeBatch, IntakeSource, PanelAccount, Receiver, Registration
from devices.rules.event_log import LogMap
from devices.rules.events import Event, RowProblem
from maintenance.management.demo.clock import at, share_of
from maintenance.management.demo.install import UNKNOWN_SERIAL
from maintenance.management.demo.world import DemoFirm, seeded_uuid

HOURS = (4, 5, 6)
STRANGER_DAYS = (6, 4, 3, 1, 0)
"""Days ago on which a transmitter was heard that stands in no slot."""
ROWS_A_BATCH = 12
DAILY_S = 25 * 3600
"""A panel that reports daily is late after so long."""
PEER, STRANGER_PEER = "192.0.2.17", "192.0.2.86"
STRANGER_NUMBER = "4718"
LOG_SITE_KIND = "exceptions"


def load_intake(rng: Random, firm: DemoFirm, office: User) -> None:
    """Gateways of all customers whose every check-in reaches us, and the panels of a site that reports by them."""
    codes = sorted({r.site.customer for r in firm.receivers if r.evidence == "every"})
    customers = {customer.code: customer for customer in Customer.objects.filter(code__in=codes)}
    gateways = [_gateway(rng, customers[code], firm.today) for code in codes]
    _stranger(gateways[0], firm.today)
    _trouble(gateways[-1], firm.today)
    _panels(firm.today, office)


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
    content = _log(receiver.code, day)
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
    _done(event_files.take_prefix(upload))


def _done(prefix: str) -> dict[str, Any]:
    """Result of the one job whose key begins so, run now."""
    job = Job.objects.get(key__startswith=prefix)
    jobs.run(job.pk)
    job.refresh_from_db()
    return job.result or {}


def _log(code: str, day: date) -> bytes:
    """A few lines as a receiver at a monitored site tells them; one says what nobody has a word for, one names no slot of ours."""
    rows = (
        (12, "02:14:09", "", "interference"), (12, "02:31:40", "", "interference over"),
        (9, "13:02:00", "", "link test"), (8, "13:02:03", "", "link test"), (7, "13:02:01", "", "link test"),
        (5, "10:47:12", "", "receiver tamper"), (5, "11:20:55", "", "receiver tamper restored"),
        (3, "16:08:31", "", "engineer on site"), (2, "09:11:00", "999", "missing"),
    )  # fmt: skip
    lines = ["Time,Receiver,Zone,Event"]
    lines += [f"{day - timedelta(days=ago):%Y-%m-%d} {clock},{code},{zone},{event}" for ago, clock, zone, event in rows]
    return ("\r\n".join(lines) + "\r\n").encode()


# --- gateways -----------------------------------------------------------------------------------------------------------


def _gateway(rng: Random, customer: Customer, today: date) -> IntakeSource:
    """One source with this morning's batches, which feeds all receivers of its customer that report every check-in."""
    source = IntakeSource.objects.create(
        uuid=seeded_uuid(rng), name=f"{customer.name} gateway", customer=customer, watermark_at=at(today, 6),
        last_used_at=at(today, 6, 1), created_at=at(today - timedelta(days=1095), 10),
    )  # fmt: skip
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


# --- panels -------------------------------------------------------------------------------------------------------------


def _panels(today: date, office: User) -> None:
    """Panels of the first site that reports exceptions only, one call a night of each; and a number that nobody knows."""
    receivers = (
        Receiver.objects.open().filter(evidence="exceptions").select_related("site").order_by("site__code", "pk")
    )
    first = receivers.first()
    here = list(receivers.filter(site=first.site_id)[:2]) if first else []
    for number, receiver in enumerate(here, start=1):
        account = PanelAccount(
            site=receiver.site, receiver=receiver, number=f"20{number}7", supervised_s=DAILY_S,
            note="panel in the electrical cupboard",
        )  # fmt: skip
        connect_panel(account=account, key=None, by=office, at=at(today - timedelta(days=420), 10, 5))
        PanelAccount.objects.filter(pk=account.pk).update(
            last_message_at=at(today, 6),
            last_peer=PEER,
            n_frames=431 + 17 * number,
            n_warned=number - 1,
            n_refused=2 * (number - 1),
        )
        if number == 1:
            _said(account, receiver, today)
    note_stranger(
        number=STRANGER_NUMBER, n_frames=38, peer=STRANGER_PEER, example=f'"SIA-DCS"0041L0#{STRANGER_NUMBER}[#{STRANGER_NUMBER}|NRP00]',
        at=at(today, 5, 30),
    )  # fmt: skip


def _said(account: PanelAccount, receiver: Receiver, today: date) -> None:
    """One supervised slot was missed for an hour and a half, as the panel tells it."""
    slots = Registration.objects.open().filter(receiver=receiver, supervision="on", transmitter__isnull=False)
    row = slots.order_by("slot").first()
    if row is None:
        return
    day = today - timedelta(days=8)
    for number, (kind, when) in enumerate(
        (("missing", at(day, 21, 12)), ("missing_restored", at(day, 22, 40))), start=1
    ):
        take_batch(
            source=account.source, batch_id=f"{account.number}-00{40 + number}-{when:%Y%m%dT%H%M%S}",
            sha256=hashlib.sha256(f"{account.number}:{kind}".encode()).hexdigest(),
            events=[Event(1, kind, when, slot=row.slot)], receiver=receiver, site=account.site, at=when + timedelta(seconds=4),
        )  # fmt: skip
