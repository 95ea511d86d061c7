"""Write past rounds, visits, entries and walk tests, the slots' change log and requests."""

from __future__ import annotations

from datetime import timedelta
from random import Random
from typing import Any

from company.models import ChangeRow, User
from maintenance.actions.entries import Saying
from maintenance.actions.entry_effects import last_known_words
from maintenance.management.demo.clock import at
from maintenance.management.demo.load_devices import BATCH, DeviceLoader
from maintenance.management.demo.load_ends import load_ends
from maintenance.management.demo.people import ACCOUNTS, TECHNICIANS
from maintenance.management.demo.world import DemoEntry, DemoFirm, DemoVisit, seeded_uuid
from maintenance.models import Entry, Request, RequestMessage, Round, Visit, VisitCrew, WalkTest
from sites.models import Site

OFFICE = ACCOUNTS[1].email
VERBS = {"unit broken": "change_slot", "supervision": "change_slot", "moved": "move_transmitter", "room": "change_slot"}


class WorkLoader:
    """Writes what people did."""

    def __init__(
        self, rng: Random, firm: DemoFirm, sites: dict[str, Site], users: dict[str, User], devices: DeviceLoader
    ) -> None:
        self.rng, self.firm, self.sites, self.users, self.devices = rng, firm, sites, users, devices
        self.technicians = [users[facts.email] for facts in TECHNICIANS]

    def load(self) -> None:
        """Write everything."""
        visits = self._visits()
        made = Visit.objects.bulk_create([row for _, row in visits], batch_size=BATCH)
        VisitCrew.objects.bulk_create(
            [
                VisitCrew(visit=row, user=self.technicians[v.technician])
                for (v, _), row in zip(visits, made, strict=True)
            ],
            batch_size=BATCH,
        )
        self._entries([(visit, row) for (visit, _), row in zip(visits, made, strict=True)])
        load_ends(self.firm, self.devices.fittings, self.users[OFFICE], self.technicians)
        self._changes()
        self._requests()

    def _visits(self) -> list[tuple[DemoVisit, Visit]]:
        rounds = Round.objects.bulk_create(
            [
                Round(
                    number=number, name=done.name, day=done.day, technician=self.technicians[done.technician], state="done",
                    made_by=self.users[OFFICE], made_at=at(done.day - timedelta(days=12), 10),
                    published_at=at(done.day - timedelta(days=9), 15), note=done.note,
                )
                for number, done in enumerate(self.firm.rounds, start=1)
            ],
            batch_size=BATCH,
        )  # fmt: skip
        found = [
            (visit, self._visit(visit, row))
            for done, row in zip(self.firm.rounds, rounds, strict=True)
            for visit in done.visits
        ]
        return found + [(visit, self._visit(visit, None)) for visit in self.firm.call_outs]

    def _visit(self, visit: DemoVisit, row: Round | None) -> Visit:
        site = self.sites[visit.site.code]
        code = "call" if row is None else "due"
        return Visit(
            uuid=visit.uuid, customer_id=site.customer_id, site=site, round=row, position=visit.position, kind=visit.kind,
            state=visit.state, planned_on=visit.day, planned_minutes=visit.minutes,
            planned_at=visit.arrived_at.time() if visit.arrived_at and row else None,
            why=[{"code": code, "text": text} for text in visit.why], arrived_at=visit.arrived_at,
            finished_at=visit.finished_at,
            finished_by=self.technicians[visit.technician] if visit.finished_at else None,
            told_before=visit.told_before[:120], told_after=visit.told_after[:120], on_test_at=visit.on_test_at,
            off_test_at=visit.off_test_at, signed_name=visit.signed, refused_why=visit.refused_why, remark=visit.remark,
        )  # fmt: skip

    def _entries(self, visits: list[tuple[DemoVisit, Visit]]) -> None:
        entries, tests = [], []
        for visit, row in visits:
            for entry in visit.entries:
                made = self._entry(visit, row, entry)
                entries.append(made)
                if entry.kind == "walk_test":
                    tests.append(
                        WalkTest(
                            customer_id=row.customer_id, entry=made, visit=row, registration=made.registration,
                            at=entry.at, heard=entry.facts["heard"], margin_db=entry.facts.get("margin_db"),
                        )
                    )  # fmt: skip
        Entry.objects.bulk_create(entries, batch_size=BATCH)
        WalkTest.objects.bulk_create(tests, batch_size=BATCH)

    def _entry(self, visit: DemoVisit, row: Visit, entry: DemoEntry) -> Entry:
        """As the recording action would have written it: what was sent, its digest, and what the effect remembers."""
        facts: dict[str, Any] = {key: value for key, value in entry.facts.items() if not key.startswith("_")}
        registration = self.devices.registrations[id(entry.slot)] if entry.slot else None
        receiver = self.devices.receivers[id(entry.receiver)] if entry.receiver else None
        saying = Saying(entry.kind, dict(facts), None if registration else receiver, registration)
        if "_fitting" in entry.facts:
            fitting = self.devices.fittings[id(entry.facts["_fitting"])]
            facts |= {"fitting": fitting.pk, "cells_label": fitting.battery_type.iec_code} | last_known_words(facts)
        return Entry(
            key=entry.key, customer_id=row.customer_id, visit=row, receiver=receiver, registration=registration,
            kind=entry.kind, made_at=entry.at, recorded_at=entry.at + timedelta(seconds=20),
            by=self.technicians[visit.technician], facts=facts, sha256=saying.digest(row, None),
        )  # fmt: skip

    def _changes(self) -> None:
        """The change log of slots that were changed, as far as the records reach."""
        rows = []
        for slot in self.firm.slots:
            if slot.replaces is None:
                continue
            new, old = self.devices.registrations[id(slot)], self.devices.registrations[id(slot.replaces)]
            why = slot.replaces.removed_why
            verb = next(verb for word, verb in VERBS.items() if why.startswith(word))
            rows.append(
                ChangeRow(
                    at=slot.registered_at, by=self.technicians[0], customer_id=new.customer_id, verb=verb,
                    subject_kind="registration", subject_id=new.pk, subject_text=f"slot {new.slot}: {new.label}"[:200],
                    before={"slot": old.slot, "label": old.label, "window_s": old.window_s, "serial": _serial(slot.replaces)},
                    after={"slot": new.slot, "label": new.label, "window_s": new.window_s, "serial": _serial(slot)},
                    reason=why,
                )
            )  # fmt: skip
        ChangeRow.objects.bulk_create(rows, batch_size=BATCH)

    def _requests(self) -> None:
        today, office = self.firm.today, self.users[OFFICE]
        for code, email, ago, state, title, messages in (
            (
                "FVC-01", "matron@fellview.example", 3, "open", "Pendant of room 9 does not light the lamp",
                ("She pressed it twice this morning, nothing came. We put a bell there for now.",),
            ),
            (
                "SHT-01", "wharf@harbour-trust.example", 16, "planned", "Door of the chart room is being replaced",
                (
                    "The joiner comes next week. Please move the contact to the new frame.",
                    "Thank you. We do it on the next round; until then that door is recorded as out of use.",
                ),
            ),
            (
                "SSB-03", "hostel@skarrow-schools.example", 90, "done", "Copy of the slot map for the insurer",
                ("Can we have the map as of 1 September?", "It is in your documents now."),
            ),
        ):  # fmt: skip
            site = self.sites[code]
            asked = Request.objects.create(
                uuid=seeded_uuid(self.rng), customer_id=site.customer_id, site=site, by=self.users[email],
                at=at(today - timedelta(days=ago), 9, 12), title=title, state=state,
            )  # fmt: skip
            for number, text in enumerate(messages):
                RequestMessage.objects.create(
                    request=asked, customer_id=site.customer_id, by=office if number else self.users[email], text=text,
                    at=asked.at + timedelta(hours=5 * number),
                )  # fmt: skip


def _serial(slot: Any) -> str | None:
    return slot.transmitter.serial if slot.transmitter else None
