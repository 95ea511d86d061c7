"""Write receivers, transmitters, registrations, cells, faults and days of check-ins. Rows come back by identity of the record."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date, timedelta
from random import Random
from typing import Any

from django.db import connection

from company.models import Customer
from devices.actions.rollups import rebuild_totals
from devices.fields import day_number
from devices.models import (
    Away,
    BatteryType,
    Fault,
    Fitting,
    FittingTotals,
    Output,
    Receiver,
    ReceiverType,
    Registration,
    RegistrationOutput,
    Transmitter,
    TransmitterType,
)
from maintenance.management.demo import checkins
from maintenance.management.demo.clock import at
from maintenance.management.demo.faults import quiet_until
from maintenance.management.demo.people import ACCOUNTS, TECHNICIANS
from maintenance.management.demo.world import DemoFirm, DemoReceiver, DemoSlot, DemoVisit
from sites.models import Site

BATCH = 2000
COLUMNS = (
    "transmitter_id", "day", "customer_id", "last_heard_s", "heard", "expected", "activations", "loss_runs",
    "lowest_margin_db", "flags", "presence", "acted",
)  # fmt: skip
EVERY_DAY_UP_TO = 6000
"""Transmitters up to which every day of check-ins is written; larger firms get the sums only."""

NAMES = {account.email: account.name for account in ACCOUNTS}

Ids = dict[int, Any]


class DeviceLoader:
    """Keeps what was written, so that later rows can point at it."""

    def __init__(self, rng: Random, firm: DemoFirm, customers: dict[str, Customer], sites: dict[str, Site]) -> None:
        self.rng, self.firm, self.customers, self.sites = rng, firm, customers, sites
        self.receivers: Ids = {}
        self.outputs: dict[tuple[int, int], Output] = {}
        self.transmitters: Ids = {}
        self.registrations: Ids = {}
        self.fittings: Ids = {}
        self.battery_types = {row.code: row for row in BatteryType.objects.all()}
        self.visits = sorted(
            (v for v in [v for done in firm.rounds for v in done.visits] + firm.call_outs if v.state == "finished"),
            key=lambda v: (v.day, v.site.code),
        )

    def load(self) -> None:
        """Write everything."""
        self._receivers()
        self._transmitters()
        self._registrations()
        self._fittings()
        self._faults()
        self._days()

    def _receivers(self) -> None:
        types = {row.code: row for row in ReceiverType.objects.all()}
        rows = [self._receiver(receiver, types) for receiver in self.firm.receivers]
        made = Receiver.objects.bulk_create(rows, batch_size=BATCH)
        self.receivers = {id(r): row for r, row in zip(self.firm.receivers, made, strict=True)}
        outputs = [(r, facts, self._output(r, facts)) for r in self.firm.receivers for facts in r.outputs]
        Output.objects.bulk_create([row for _, _, row in outputs], batch_size=BATCH)
        self.outputs = {(id(r), facts["number"]): row for r, facts, row in outputs}

    def _receiver(self, receiver: DemoReceiver, types: dict[str, ReceiverType]) -> Receiver:
        facts, today = receiver.facts, self.firm.today
        kind = types[receiver.type["code"]] if receiver.type else None
        standby = None
        if kind and kind.has_standby_battery:
            # Four years at most, as the catalogue says; one in sixty was forgotten.
            age = self.rng.randint(1465, 1500) if self.rng.random() < 0.017 else self.rng.randint(20, 1430)
            standby = max(receiver.installed_on, today - timedelta(days=age))
        site = self.sites[receiver.site.code]
        return Receiver(
            customer_id=site.customer_id, site=site, code=receiver.code, type=kind, n_slots=receiver.n_slots,
            label=receiver.label, area=receiver.area, serial=receiver.serial, evidence=receiver.evidence,
            supply_v=facts["supply_v"], fed_from=facts["fed_from"], cable_m=facts["cable_m"],
            cable_gauge=facts["cable_gauge"], measured_v=facts["measured_v"],
            measured_on=facts.get("measured_on", today - timedelta(days=380)) if facts["measured_v"] else None,
            standby_fitted_on=standby, installed_on=receiver.installed_on,
            link_tested_at=at(today, 6) if receiver.evidence == "exceptions" else None,
            heard_until=quiet_until(receiver, today) if receiver.evidence == "every" else None,
            days_closed_until=today if receiver.evidence == "every" else None,
            version=1 + self.rng.randint(0, 20), created_at=at(today - timedelta(days=1095), 10),
        )  # fmt: skip

    def _output(self, receiver: DemoReceiver, facts: dict[str, Any]) -> Output:
        row, seen = self.receivers[id(receiver)], {}
        if facts["seen_days_ago"] is not None and (visit := self._visit_about(receiver, facts["seen_days_ago"])):
            seen = {
                "end_effect_seen_on": visit.day,
                "end_effect_seen_by": NAMES[TECHNICIANS[visit.technician].email],
            }
        return Output(
            customer_id=row.customer_id, receiver=row, number=facts["number"], kind=facts["kind"], drives=facts["drives"],
            terminals=facts["terminals"], contact=facts["contact"], rest=facts["rest"], load=facts["load"],
            eol_part=facts["eol"], clears=facts["clears"], **seen,
        )  # fmt: skip

    def _visit_about(self, receiver: DemoReceiver, days_ago: int) -> DemoVisit | None:
        """The finished visit to a receiver's site nearest to so many days ago; None where none is on record."""
        wanted = self.firm.today - timedelta(days=days_ago)
        here = [visit for visit in self.visits if visit.site is receiver.site]
        return min(here, key=lambda visit: abs((visit.day - wanted).days), default=None)

    def _transmitters(self) -> None:
        types = {row.code: row for row in TransmitterType.objects.all()}
        rows = [
            Transmitter(
                customer_id=self.sites[unit.site.code].customer_id, type=types[unit.type["code"]] if unit.type else None,
                serial=unit.serial, made_on=unit.made_on, unit_since=unit.since, note=unit.note,
                created_at=at(max(unit.since, self.firm.today - timedelta(days=1095)), 10),
                retired_at=at(unit.retired_on, 8) if unit.retired_on else None,
            )
            for unit in self.firm.transmitters
        ]  # fmt: skip
        made = Transmitter.objects.bulk_create(rows, batch_size=BATCH)
        self.transmitters = {id(unit): row for unit, row in zip(self.firm.transmitters, made, strict=True)}

    def _registrations(self) -> None:
        """Rows that are replaced come first: the newer row points at them."""
        past = [slot for slot in self.firm.slots if slot.replaces is None]
        for part in (past, [slot for slot in self.firm.slots if slot.replaces is not None]):
            rows = Registration.objects.bulk_create([self._registration(slot) for slot in part], batch_size=BATCH)
            self.registrations |= {id(slot): row for slot, row in zip(part, rows, strict=True)}
        RegistrationOutput.objects.bulk_create(
            [
                RegistrationOutput(
                    customer_id=self.registrations[id(slot)].customer_id, registration=self.registrations[id(slot)],
                    output=self.outputs[id(slot.receiver), number], behaviour=behaviour, seconds=seconds,
                )
                for slot in self.firm.slots
                for number, behaviour, seconds in slot.outputs
            ],
            batch_size=BATCH,
        )  # fmt: skip
        for slot in self.firm.slots:
            if slot.away and slot.removed_at is None:
                row = self.registrations[id(slot)]
                Away.objects.create(customer_id=row.customer_id, site_id=row.site_id, registration=row, **slot.away)

    def _registration(self, slot: DemoSlot) -> Registration:
        receiver = self.receivers[id(slot.receiver)]
        return Registration(
            customer_id=receiver.customer_id, site_id=receiver.site_id, receiver=receiver, slot=slot.slot,
            transmitter=self.transmitters[id(slot.transmitter)] if slot.transmitter else None,
            input_number=slot.input_number, is_shared=slot.is_shared, label=slot.label, area=slot.area, duty=slot.duty,
            is_portable=slot.is_portable, supervision=slot.supervision, window_s=slot.window_s,
            interval_s=slot.interval_s, contact=slot.contact, note=slot.note, registered_at=slot.registered_at,
            removed_at=slot.removed_at, removed_why=slot.removed_why, register_again_since=slot.register_again_since,
            replaces=self.registrations[id(slot.replaces)] if slot.replaces else None,
        )  # fmt: skip

    def _fittings(self) -> None:
        facts = self.firm.fittings
        rows = []
        for fitting in facts:
            kind = fitting.transmitter.type
            assert kind is not None
            rows.append(
                Fitting(
                    customer_id=self.sites[fitting.transmitter.site.code].customer_id,
                    transmitter=self.transmitters[id(fitting.transmitter)],
                    battery_type=self.battery_types[fitting.battery], n_cells=kind["cells_series"] * kind["cells_parallel"],
                    fitted_at=fitting.fitted_at, entered_at=fitting.entered_at, removed_at=fitting.removed_at,
                    removed_why=fitting.why, removed_v=fitting.volts, removed_v_under_load=fitting.is_under_load,
                    lot=fitting.lot, made_on=fitting.made_on,
                    first_low_at=fitting.first_low_at, last_alive_at=fitting.last_alive_at, note=fitting.note,
                )
            )  # fmt: skip
        made = Fitting.objects.bulk_create(rows, batch_size=BATCH)
        self.fittings = {id(fitting): row for fitting, row in zip(facts, made, strict=True)}

    def _faults(self) -> None:
        Fault.objects.bulk_create(
            [
                Fault(
                    customer_id=self.receivers[id(fault.receiver)].customer_id,
                    site_id=self.receivers[id(fault.receiver)].site_id, receiver=self.receivers[id(fault.receiver)],
                    registration=self.registrations[id(fault.slot)] if fault.slot else None,
                    transmitter=self.transmitters[id(fault.slot.transmitter)] if fault.slot and fault.slot.transmitter else None,
                    kind=fault.kind, raised_at=fault.raised_at, cleared_at=fault.cleared_at, is_latched=fault.is_latched,
                    latch_cleared_at=fault.latch_cleared_at, cause=fault.cause, source=fault.source,
                    recorded_at=fault.raised_at,
                    # Where every check-in reaches us nobody reports a silence: we see it.
                    found_by="watch" if fault.kind == "missing" and fault.receiver.evidence == "every" else "signal",
                )
                for fault in self.firm.faults
            ],
            batch_size=BATCH,
        )  # fmt: skip

    def _days(self) -> None:
        """Days of check-ins with the totals that follow from them; of large firms only sums as they come out on average."""
        if self.firm.n_wanted <= EVERY_DAY_UP_TO:
            insert_days(self._drawn())
            rebuild_totals(transmitter_ids=[row.pk for row in self.transmitters.values()])
            return
        FittingTotals.objects.bulk_create(self._expected(), batch_size=BATCH)

    def _drawn(self) -> Iterator[tuple[Any, ...]]:
        day_at = _whole_day if connection.vendor == "sqlite" else _date
        for row in checkins.reported(self.firm):
            unit = self.transmitters[id(row.transmitter)]
            yield from checkins.as_rows(checkins.days_of(self.firm, row), unit.pk, unit.customer_id, day_at)

    def _expected(self) -> Iterator[FittingTotals]:
        for row in checkins.reported(self.firm):
            assert row.transmitter is not None
            for fitting in row.transmitter.fittings[-1:]:
                sums = checkins.expected_totals(self.firm, row, fitting)
                if sums and fitting.removed_at is None:
                    target = self.fittings[id(fitting)]
                    yield FittingTotals(customer_id=target.customer_id, fitting=target, **sums)


def _whole_day(first: date, index: int) -> int:
    return day_number(first) + index


def _date(first: date, index: int) -> date:
    return first + timedelta(days=index)


def insert_days(rows: Iterable[tuple[Any, ...]]) -> None:
    """Write days of check-ins past the ORM: COPY on PostgreSQL, one prepared statement on SQLite."""
    names = ", ".join(COLUMNS)
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with cursor.copy(f"COPY devices_checkinday ({names}) FROM STDIN") as copy:
                for row in rows:
                    copy.write_row(row)
            return
        marks = ", ".join(["%s"] * len(COLUMNS))
        # A generator: half a million rows need not stand in memory at once.
        cursor.executemany(f"INSERT INTO devices_checkinday ({names}) VALUES ({marks})", rows)  # type: ignore[arg-type]
