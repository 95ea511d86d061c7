"""What grows on a list: each function makes n more rows of one kind for the small world of the tests."""

from __future__ import annotations

import uuid
from datetime import timedelta
from typing import Any

from allauth.usersessions.models import UserSession
from django.contrib.auth import HASH_SESSION_KEY, SESSION_KEY

from company.session_store import SessionStore, row_key
from devices.models import Away, Fault, IntakeSource, PanelStranger, PlannedChange
from maintenance.models import (
    BatteryFit,
    DueItem,
    Entry,
    FaultNotice,
    FindingRecord,
    IssuedReport,
    NoticedFault,
    NoticeRule,
    Request,
)
from sites.models import AccessNote
from tests import factories
from tests.conftest import World
from tests.devices.panels import make_account
from tests.maintenance import fits_made


def sites(world: World, n: int) -> None:
    for _ in range(n):
        receiver = factories.make_receiver(factories.make_site(world.own))
        thing(receiver, 1)


def customers(world: World, n: int) -> None:
    for _ in range(n):
        factories.make_site(factories.make_customer())


def receivers(world: World, n: int) -> None:
    for _ in range(n):
        thing(factories.make_receiver(world.own_site), 1)


def slots(world: World, n: int) -> None:
    taken = world.own_receiver.registrations.count()
    for slot in range(taken + 1, taken + n + 1):
        thing(world.own_receiver, slot)


def thing(receiver: Any, slot: int) -> DueItem:
    """A slot with an output, cells, a due date and a fault."""
    output = receiver.outputs.first() or factories.make_output(receiver, 1)
    row = factories.make_registration(receiver, slot, outputs=[(output, "latching", None)])
    fitting = factories.make_fitting(row.transmitter)
    Fault.objects.create(
        customer=row.customer, site=row.site, receiver=receiver, registration=row, transmitter=row.transmitter,
        kind="low_battery", raised_at=factories.NOW - timedelta(days=1), is_latched=True,
    )  # fmt: skip
    return DueItem.objects.create(
        customer=row.customer, site=row.site, kind="cells", fitting=fitting, receiver=receiver, registration=row,
        transmitter=row.transmitter, duty="life_safety", harm=0, due_on=factories.TODAY - timedelta(days=1),
        reason="calendar_cap", model_version="0", as_of=factories.TODAY,
        opinions=[{"due_on": factories.TODAY.isoformat(), "code": "calendar_cap", "why": "Four years in service."}],
    )  # fmt: skip


def planned_changes(world: World, n: int) -> None:
    first = world.own_receiver.planned_changes.count()
    for slot in range(first + 2, first + n + 2):
        row = factories.make_registration(world.own_receiver, slot)
        PlannedChange.objects.create(
            customer=row.customer, site=row.site, receiver=row.receiver, slot=slot, registration=row, kind="remove",
            wanted={"settings": None, "serial": "", "stood": None}, reason="Room is being rebuilt", planned_by=world.office,
        )  # fmt: skip


def loans(world: World, n: int) -> None:
    first = world.own_receiver.registrations.count()
    for slot in range(first + 1, first + n + 1):
        row = factories.make_registration(world.own_receiver, slot)
        row.transmitter.loan_until = factories.TODAY
        row.transmitter.save()


def absences(world: World, n: int) -> None:
    first = world.own_receiver.registrations.count()
    for slot in range(first + 1, first + n + 1):
        row = factories.make_registration(world.own_receiver, slot)
        Away.objects.create(
            customer=row.customer, site=row.site, registration=row, from_on=factories.TODAY, agreed_with="the family",
            reason="on holiday",
        )  # fmt: skip


def rounds(world: World, n: int) -> None:
    for _ in range(n):
        row = factories.make_round(world.technician)
        visit = factories.make_visit(factories.make_site(world.own), row)
        thing(factories.make_receiver(visit.site), 1)


def stops(world: World, n: int) -> None:
    row = world.technician.rounds.first() or factories.make_round(world.technician)
    for _ in range(n):
        visit = factories.make_visit(factories.make_site(world.own), row, position=row.visits.count() + 1)
        thing(factories.make_receiver(visit.site), 1)


def reports(world: World, n: int) -> None:
    for _ in range(n):
        visit = factories.make_visit(world.own_site, state="finished", finished_at=factories.NOW)
        IssuedReport.objects.create(
            customer=world.own, site=world.own_site, visit=visit, kind="service_report", number=f"SR-{factories.number()}",
            title="Service report", data={}, content=b"%PDF-", sha256="0" * 64, issued_by=world.office,
        )  # fmt: skip


def entries(world: World, n: int) -> None:
    visit = world.own_site.visits.first() or factories.make_visit(world.own_site, state="open")
    for _ in range(n):
        Entry.objects.create(
            key=uuid.uuid4(), customer=world.own, visit=visit, receiver=world.own_receiver,
            registration=world.own_registration, kind="note", made_at=factories.NOW, by=world.technician,
            facts={"text": "Cover was loose."}, sha256="0" * 64,
        )  # fmt: skip


def requests(world: World, n: int) -> None:
    for _ in range(n):
        Request.objects.create(
            customer=world.own, site=world.own_site, by=world.own_user, title="Please look at the lamp"
        )


def people(world: World, n: int) -> None:
    for _ in range(n):
        factories.make_portal_user(world.own)


def contacts(world: World, n: int) -> None:
    for _ in range(n):
        world.own.contacts.create(name=f"Contact {factories.number()}")


def imports(world: World, n: int) -> None:
    from company.actions import keep_upload

    for _ in range(n):
        keep_upload(
            kind="workbook", name=f"book-{factories.number()}.xlsx", content=b"PK", by=world.office, at=factories.NOW
        )


def event_logs(world: World, n: int) -> None:
    from devices.actions.event_files import receive_file
    from devices.models import IntakeSource

    for _ in range(n):
        name = f"Centre {factories.number()}"
        source = IntakeSource.objects.create(name=name, kind=IntakeSource.Kind.FILE)
        receive_file(name=f"{name}.csv", content=b"Time", source=source, by=world.office, at=factories.NOW)


def hazards(world: World, n: int) -> None:
    for _ in range(n):
        world.own_site.hazards.create(
            customer=world.own, kind="height", text=f"Ladder {factories.number()}", noted_on=factories.TODAY
        )


def jobs(world: World, n: int) -> None:
    from company.jobs import enqueue

    for _ in range(n):
        enqueue(handler="tests.house.planting.nothing", key=str(uuid.uuid4()), title="Paper", by=world.office)


def findings(world: World, n: int) -> None:
    for _ in range(n):
        number = factories.number()
        FindingRecord.objects.create(
            customer=world.own, site=world.own_site, receiver=world.own_receiver, key=str(number), code=f"kind-{number}",
            slot=1, harm=3, what=f"Something {number}", where=f"Slot {number}", why="It matters", do="Mend it",
        )  # fmt: skip


def faults(world: World, n: int) -> None:
    """Faults that stand, each in a slot of its own."""
    for _ in range(n):
        number = factories.number()
        row = factories.make_registration(world.own_receiver, 2 + world.own_receiver.registrations.count())
        Fault.objects.create(
            customer=world.own, site=world.own_site, receiver=world.own_receiver, registration=row,
            transmitter=row.transmitter, kind="missing", raised_at=factories.NOW - timedelta(hours=1),
            recorded_at=factories.NOW - timedelta(minutes=number % 50), source=f"gateway {number}",
        )  # fmt: skip


def notices(world: World, n: int) -> None:
    """Mails about a fault each, of a rule each."""
    for _ in range(n):
        number = factories.number()
        rule = NoticeRule.objects.create(duty="life_safety", recipients=f"night{number}@example.org")
        notice = FaultNotice.objects.create(rule=rule, send_at=factories.NOW, subject=f"Missing {number}")
        faults(world, 1)
        fault = Fault.objects.order_by("-pk").first()
        NoticedFault.objects.create(notice=notice, rule=rule, fault=fault, customer=world.own)


def kinds(world: World, n: int) -> None:
    """Kinds of transmitter that a night has learnt of, each with half-years that were tested and a lot."""
    fit = BatteryFit.objects.filter(is_current=True).first() or fits_made.make_fit()
    for _ in range(n):
        label = f"Kind {factories.number()}"
        code = label.lower().replace(" ", "-")
        kind = fits_made.make_kind(
            fit, fit.strata.count(), transmitter_type=factories.transmitter_type(code, label=label),
            in_alarm=True, z=5.0,
        )  # fmt: skip
        fits_made.half_year(kind, factories.TODAY - timedelta(days=200), 5.0, 4)
        kind.lots.create(fit=fit, code=f"LOT-{kind.pk}", observed=6, expected=5.0)


def changes(world: World, n: int) -> None:
    from company.actions import record_change

    for _ in range(n):
        record_change(
            by=factories.make_user("office"), at=factories.NOW, verb="change_slot", subject=world.own_registration,
            customer=factories.make_customer(), before={"label": "old"}, after={"label": f"new {factories.number()}"},
            reason="because",
        )  # fmt: skip


def slots_changed(world: World, n: int) -> None:
    """Slots filled this month, each logged by somebody of their own."""
    from company.actions import record_change

    taken = world.own_receiver.registrations.count()
    for slot in range(taken + 1, taken + n + 1):
        row = factories.make_registration(
            world.own_receiver, slot, registered_at=factories.NOW - timedelta(days=3),
            register_again_since=factories.NOW - timedelta(days=1),
        )  # fmt: skip
        record_change(
            by=factories.make_user("office"), at=row.registered_at, verb="register_transmitter", subject=row,
            customer=world.own, after={"receiver": row.receiver_id, "slot": slot, "version": slot}, reason="because",
        )  # fmt: skip


def stays(world: World, n: int) -> None:
    """Former registrations of one transmitter in one slot, each with its change, an absence and former cells."""
    from company.actions import record_change

    row = world.own_registration
    done = row.receiver.registrations.filter(slot=1).count()
    for step in range(done, done + n):
        begun = factories.NOW - timedelta(days=800 + 3 * step)
        old = factories.make_registration(
            row.receiver, 1, transmitter=row.transmitter, registered_at=begun, removed_at=begun + timedelta(days=2),
            removed_why=f"moved {step}",
        )  # fmt: skip
        old.away.create(customer=row.customer, site=row.site, from_on=begun.date(), ended_on=(begun + timedelta(days=1)).date(),
                        reason=f"away {step}", agreed_with="matron")  # fmt: skip
        factories.make_fitting(row.transmitter, fitted_at=begun, removed_at=begun + timedelta(days=1))
        record_change(
            by=factories.make_user("office"), at=begun, verb="change_slot", subject=old, customer=world.own,
            before={"label": "old"}, after={"label": "new", "receiver": row.receiver_id, "slot": 1}, reason="because",
        )  # fmt: skip


def showings(world: World, n: int) -> None:
    """Codes shown, each of a note and to a person of its own; some of the notes are gone since."""
    for step in range(n):
        note = AccessNote.objects.create(
            customer=world.own, site=factories.make_site(world.own), title=f"Key safe {factories.number()}",
            kind="key_safe", cipher=b"", removed_at=factories.NOW if step % 2 else None,
        )  # fmt: skip
        note.shown.create(to=factories.make_user("technician"), at=factories.NOW)


def sessions(world: World, n: int) -> None:
    """Places where the person of the office is signed in."""
    for _ in range(n):
        store = SessionStore()
        store[SESSION_KEY], store[HASH_SESSION_KEY] = str(world.office.pk), world.office.get_session_auth_hash()
        store.create()
        UserSession.objects.create(
            user=world.office, session_key=row_key(store.session_key), ip="192.0.2.7", user_agent="x"
        )


def types(world: World, n: int) -> None:
    """Types of the catalogue, each with cells of its own and in use."""
    for _ in range(n):
        code = f"type-{factories.number()}"
        kind = factories.transmitter_type(code, label=f"Kind {code}", battery_type=factories.battery_type(f"b-{code}"))
        factories.make_transmitter(world.own, type=kind)
        factories.receiver_type(f"r-{code}", label=f"Receiver {code}")


def sources(world: World, n: int) -> None:
    """Sources of customers of their own, each with a batch."""
    for _ in range(n):
        number, customer = factories.number(), factories.make_customer()
        source = IntakeSource.objects.create(name=f"Gateway {number}", customer=customer, late_after_s=3600)
        source.batches.create(batch_id=f"b-{number}", sha256="0" * 64, received_at=factories.NOW, n_taken=5)


def panels(world: World, n: int) -> None:
    """Panels, each at a receiver of its own, and numbers that nobody knows."""
    for _ in range(n):
        number, receiver = f"{factories.number():X}", factories.make_receiver(factories.make_site(world.own))
        make_account(receiver, number=f"A{number}")
        PanelStranger.objects.create(number=f"F{number}", first_at=factories.NOW, last_at=factories.NOW)


def batches(world: World, n: int) -> None:
    source, _ = IntakeSource.objects.get_or_create(name="Gateway", customer=world.own)
    for _ in range(n):
        source.batches.create(
            batch_id=f"b-{factories.number()}", sha256="0" * 64, received_at=factories.NOW, n_refused=1
        )


def set_aside(world: World, n: int) -> None:
    """Units that nobody knows, each by two sources, some like one on record."""
    batches(world, 1)
    batch = IntakeSource.objects.get(name="Gateway").batches.order_by("-pk")[0]
    for _ in range(n):
        number = factories.number()
        factories.make_transmitter(world.own, serial=f"ST-{number}-1")
        for kind in ("check_in", "low_battery"):
            batch.set_aside.create(
                customer=world.own, receiver=world.own_receiver, serial=f"ST-{number}-2", kind=kind, at=factories.NOW,
                event={}, why="This serial is not on record.",
            )  # fmt: skip
