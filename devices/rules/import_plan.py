"""What an imported workbook would do to the records: every row's fate, and the writes that carry it out. Pure.

A blank cell leaves alone what is on record. "unknown" is kept as an answer, but never wipes out whose transmitter, which
type or which day is known already. Slots that the workbook does not name stay as they are.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import date
from typing import Any

from company.sheets import UNKNOWN, Tell, is_same, plain_text
from devices.rules.fitting_rows import FITTING_PLAN, PAST_PLAN, FittingRow, PastFittingRow
from devices.rules.import_compare import Comparing, known_or, nullable
from devices.rules.import_facts import Catalogue
from devices.rules.import_records import (
    FAULT,
    Change,
    Fate,
    FittingWrite,
    Known,
    Plan,
    SlotWrite,
    Snapshot,
    Write,
)
from devices.rules.import_words import new_slot, say, slot_changes
from devices.rules.receiver_rows import NONE, OUTPUT_PLAN, RECEIVER_PLAN, OutputRow, ReceiverRow
from devices.rules.slot_kept import kept_input
from devices.rules.slot_rows import OFF, SLOT_PLAN, DrivenOutput, SlotRow
from devices.rules.workbook_rows import PLANS, CheckedWorkbook, canonical
from sites.rules.site_rows import CONTACT_PLAN, CUSTOMER_PLAN, SITE_PLAN, ContactRow, CustomerRow, SiteRow, fold

# Words about a slot are corrected in place; everything else begins a new registration, so that its past stays readable.
WORDING = frozenset({"label", "area"})
# Set on the transmitter: after a change it must be registered again. Common practice, no source.
ON_TRANSMITTER = frozenset({"contact", "interval_s", "input_number"})


def plan_import(
    checked: CheckedWorkbook,
    snapshot: Snapshot,
    catalogue: Catalogue,
    on_rows: Tell | None = None,
) -> Plan:
    """Compare every row with the records.

    Parameters
    ----------
    checked : CheckedWorkbook
        Rows with a fault get the fate "fault" and no write; the plan may be carried out only if there is none.
    snapshot : Snapshot
    catalogue : Catalogue
    on_rows : callable
        Told now and then how many rows are done.
    """
    planner = _Planner(snapshot, catalogue, {(canonical(p.sheet), p.row) for p in checked.faults}, checked, on_rows)
    for customer in checked.customers:
        planner.customer(customer)
    for contact in checked.contacts:
        planner.contact(contact)
    for site in checked.sites:
        planner.site(site)
    for receiver in checked.receivers:
        planner.receiver(receiver)
    for output in checked.outputs:
        planner.output(output)
    for slot in checked.slots:
        planner.slot(slot)
    for past in checked.past_fittings:
        planner.past_fitting(past)
    for fitting in checked.fittings:
        planner.fitting(fitting)
    plan = planner.plan
    met = {(fate.sheet, fate.row) for fate in plan.fates}
    for sheet, row in sorted({(canonical(p.sheet), p.row) for p in checked.faults if p.row is not None} - met):
        plan.fates.append(Fate(sheet, row, "", FAULT))
    order = {sheet.name: place for place, sheet in enumerate(PLANS)}
    plan.fates.sort(key=lambda fate: (order.get(fate.sheet, len(order)), fate.sheet, fate.row))
    return plan


class _Planner(Comparing):
    """Goes through the rows; holds what earlier rows have settled for later ones."""

    def __init__(
        self,
        snapshot: Snapshot,
        catalogue: Catalogue,
        faulty: set[tuple[str, int | None]],
        checked: CheckedWorkbook,
        on_rows: Tell | None = None,
    ) -> None:
        super().__init__(catalogue, faulty, on_rows)
        self.records = snapshot
        self.types = {row.serial: row.type_code for row in checked.slots if row.type_code not in (None, UNKNOWN)}
        self.new_transmitters: set[str] = set()
        self.settled: set[str] = set()
        self.met: set[int] = set()
        self.leaving = self._leaving(checked.slots)
        self.cells: dict[str, list[Known]] = defaultdict(list, {k: list(v) for k, v in snapshot.fittings.items()})

    def _leaving(self, rows: Iterable[SlotRow]) -> set[str]:
        """Find the transmitters whose slot on record is given to another: where they go, they begin now."""
        gone = set()
        for row in rows:
            old = self.records.slots.get((row.place, row.slot))
            if old and old.facts["serial"] and row.serial not in (UNKNOWN, old.facts["serial"]):
                gone.add(old.facts["serial"])
        return gone

    def customer(self, row: CustomerRow) -> None:
        known = self.records.customers.get(fold(row.code))
        names = ("name", "language", "paper", "inspections_per_year", "response_hours")
        given = {name: (name, getattr(row, name)) for name in names}
        is_new, fields, before, changes = self._plain(CUSTOMER_PLAN, row.row, row.code, known, given)
        contact, contact_changes = self._contact(row)
        if not self._fate(CUSTOMER_PLAN, row.row, row.code, is_new=is_new, changes=changes + contact_changes):
            return
        if is_new or fields:
            self.plan.customers.append(
                Write(
                    fold(row.code), known.pk if known else None, fields | ({"code": row.code} if is_new else {}), before
                )
            )
        if contact:
            self.plan.contacts.append(contact)

    def _contact(self, row: CustomerRow | ContactRow) -> tuple[Write | None, list[Change]]:
        given = {"name": row.contact_name, "email": row.contact_email, "phone": row.contact_phone}
        fields = {name: value for name, value in given.items() if value is not None}
        if not fields:
            return None, []
        name = row.contact_name or row.contact_email or "contact"
        known = self._person(fold(row.code), fields, name)
        if known is None:
            return Write(fold(row.code), None, {**fields, "name": name}), [("contact", "", name)]
        different = {key: value for key, value in fields.items() if not is_same(known.facts[key], value)}
        before = {key: known.facts[key] for key in different}
        changes = [(f"contact {key}", say(before[key]), say(value)) for key, value in different.items()]
        return (Write(fold(row.code), known.pk, different, before) if different else None), changes

    def _person(self, customer: str, fields: Mapping[str, str], name: str) -> Known | None:
        """Find whom a row means: who has all of it, else the name, else the e-mail address."""
        people = [p for p in self.records.contacts.get(customer, []) if p.pk not in self.met]
        email = fields.get("email", "").casefold()
        ways = (
            lambda p: all(is_same(p.facts[key], value) for key, value in fields.items()),
            lambda p: plain_text(p.facts["name"]).casefold() == name.casefold(),
            lambda p: bool(email) and p.facts["email"].casefold() == email,
        )
        known = next((p for way in ways for p in people if way(p)), None)
        if known is not None:
            self.met.add(known.pk)
        return known

    def contact(self, row: ContactRow) -> None:
        what = f"{row.code}, {row.contact_name}"
        write, changes = self._contact(row)
        is_new = write is not None and write.pk is None
        if self._fate(CONTACT_PLAN, row.row, what, is_new=is_new, changes=changes) and write:
            self.plan.contacts.append(write)

    def site(self, row: SiteRow) -> None:
        known = self.records.sites.get(fold(row.code))
        names = (
            "name", "kind", "address", "postcode", "town", "latitude", "longitude", "time_zone", "person_to_meet", "phone",
        )  # fmt: skip
        given = {name: (name, getattr(row, name)) for name in names}
        is_new, fields, before, changes = self._plain(SITE_PLAN, row.row, row.code, known, given)
        if self._fate(SITE_PLAN, row.row, row.code, is_new=is_new, changes=changes):
            extra = {"code": row.code, "customer": fold(row.customer)} if is_new else {}
            self.plan.sites.append(Write(fold(row.code), known.pk if known else None, fields | extra, before))

    def receiver(self, row: ReceiverRow) -> None:
        known = self.records.receivers.get(row.place)
        facts = self.catalogue.receiver_types.get(row.type_code or "")
        n_slots = facts.n_slots if facts else row.n_slots
        has_none = row.standby_fitted_on == NONE
        given: dict[str, tuple[str, Any]] = {
            "type": ("type_code", row.type_code if facts else None),
            "n_slots": ("n_slots", n_slots),
            "area": ("area", row.area),
            "serial": ("serial", known_or(row.serial, "")),
            "evidence": ("evidence", row.evidence),
            "supply_v": ("supply_v", nullable(row.supply_v)),
            "fed_from": ("fed_from", row.fed_from),
            "cable_m": ("cable_m", nullable(row.cable_m)),
            "cable_gauge": ("cable_gauge", known_or(row.cable_gauge, "")),
            "measured_v": ("measured_v", nullable(row.measured_v)),
            "installed_on": ("installed_on", nullable(row.installed_on)),
            "standby_fitted_on": ("standby_fitted_on", nullable(UNKNOWN if has_none else row.standby_fitted_on)),
        }
        what = f"{row.site}, {row.label}"
        is_new, fields, before, changes = self._plain(RECEIVER_PLAN, row.row, what, known, given)
        title = RECEIVER_PLAN.title("standby_fitted_on")
        if has_none and is_new:
            changes.append((title, "", NONE))
        elif has_none:
            changes = [(name, old, NONE if name == title else new) for name, old, new in changes]
        if self._fate(RECEIVER_PLAN, row.row, what, is_new=is_new, changes=changes):
            fields |= {"label": row.label} if is_new else {}
            self.plan.receivers.append(Write(row.place, known.pk if known else None, fields, before))

    def output(self, row: OutputRow) -> None:
        known = self.records.outputs.get((row.place, row.number))
        names = ("kind", "drives", "terminals", "contact", "rest", "eol_part")
        given = {name: (name, getattr(row, name)) for name in names}
        what = f"{row.site}, {row.receiver}, output {row.number}"
        is_new, fields, before, changes = self._plain(OUTPUT_PLAN, row.row, what, known, given)
        if self._fate(OUTPUT_PLAN, row.row, what, is_new=is_new, changes=changes):
            self.plan.outputs.append(Write((row.place, row.number), known.pk if known else None, fields, before))

    def slot(self, row: SlotRow) -> None:
        old = self.records.slots.get((row.place, row.slot))
        serial = "" if row.serial == UNKNOWN else row.serial
        if old is not None and not serial:
            serial = old.facts["serial"]
        what = f"{row.site}, {row.receiver}, slot {row.slot}"
        changes = self._type_change(row)
        is_same = old is not None and old.facts["serial"] in ("", serial)
        fields, outputs = self._slot_fields(row, old, is_same)
        begins = self._begins(row, serial, old)
        settings = (
            new_slot(serial, fields, outputs, "" if changes else self._type_of(row), begins)
            if old is None
            else slot_changes(old, serial, fields, outputs)
        )
        is_due = self._fate(SLOT_PLAN, row.row, what, is_new=old is None, changes=changes + [c for _, c in settings])
        if not is_due:
            return
        self._transmitter(row)
        touched = {name for name, _ in settings}
        if old is not None and touched <= WORDING:
            if touched:
                words = {name: fields[name] for name in touched}
                before = {name: old.facts[name] for name in touched}
                self.plan.slot_words.append((row.place, Write(row.slot, old.pk, words, before)))
            return
        self.plan.slots.append(
            SlotWrite(
                row.place, row.slot, serial, fields, outputs, begins, old, is_same,
                bool(is_same and old and old.facts["serial"] and touched & ON_TRANSMITTER),
            )
        )  # fmt: skip

    def _begins(self, row: SlotRow, serial: str, old: Known | None) -> date | None:
        """Give the day on which the registration begins; None: at the moment of the import."""
        begins = row.registered_on if isinstance(row.registered_on, date) else None
        if serial in self.leaving or (old is not None and begins is not None and begins <= old.facts["registered_on"]):
            return None
        return begins

    def _type_of(self, row: SlotRow) -> str:
        """Give the type of what stands in the slot, by the workbook or the records; empty where nobody knows it."""
        code = row.type_code if row.type_code != UNKNOWN else None
        if row.serial != UNKNOWN:
            code = code or self.types.get(row.serial) or self._recorded_type(row.serial)
        return code or ""

    def _slot_fields(
        self, row: SlotRow, old: Known | None, is_same: bool
    ) -> tuple[dict[str, Any], tuple[DrivenOutput, ...]]:
        """Put together how the slot shall be: the row, else what is on record, else what the type has as default.

        That a transmitter is declared to be shared is said of that transmitter; all else stays where another one comes.
        """
        kind = self.catalogue.transmitter_types.get(self._type_of(row))
        fields: dict[str, Any] = {
            "input_number": 1,
            "is_shared": False,
            "label": (kind.label if kind else "not known"),
            "area": "",
            "duty": kind.default_duty if kind else "security",
            "is_portable": kind.is_portable if kind else False,
            "supervision": "unknown",
            "window_s": None,
            "interval_s": kind.default_interval_s if kind else None,
            "contact": "unknown",
        }
        if old is not None:
            fields |= {name: old.facts[name] for name in fields if is_same or name != "is_shared"}
            fields["input_number"] = kept_input(old.facts["input_number"], is_same, kind.n_inputs if kind else None)
        given = {
            "input_number": row.input_number, "is_shared": row.is_shared, "label": row.label, "area": row.area,
            "duty": row.duty, "is_portable": row.is_portable, "contact": row.contact,
        }  # fmt: skip
        fields |= {name: value for name, value in given.items() if value is not None}
        if row.interval is not None:
            fields["interval_s"] = known_or(row.interval, None)
        if row.window is not None:
            is_on = row.window not in (OFF, UNKNOWN)
            fields |= {"supervision": "on" if is_on else row.window, "window_s": row.window if is_on else None}
        outputs = row.outputs if row.outputs is not None else (old.facts["outputs"] if old else ())
        return fields, tuple(sorted(outputs, key=lambda driven: driven.number))

    def _recorded_type(self, serial: str) -> str:
        known = self.records.transmitters.get(serial)
        return known.facts["type"] if known else ""

    def _type_change(self, row: SlotRow) -> list[Change]:
        known = self.records.transmitters.get(row.serial)
        if known is None or row.type_code in (None, UNKNOWN, known.facts["type"]):
            return []
        return [("transmitter type code", known.facts["type"] or UNKNOWN, str(row.type_code))]

    def _transmitter(self, row: SlotRow) -> None:
        """Add the transmitter of a row, or correct its type, once however many slots it has."""
        if row.serial == UNKNOWN or row.serial in self.settled:
            return
        self.settled.add(row.serial)
        known = self.records.transmitters.get(row.serial)
        code = self.types.get(row.serial)
        if known is None:
            self.plan.transmitters.append(Write(row.serial, None, {"type": code or "", "site": fold(row.site)}))
        elif code and code != known.facts["type"]:
            self.plan.transmitters.append(Write(row.serial, known.pk, {"type": code}, {"type": known.facts["type"]}))

    def _cell_fields(self, row: FittingRow | PastFittingRow) -> dict[str, Any]:
        kind = self.catalogue.transmitter_types.get(self.types.get(row.serial) or self._recorded_type(row.serial))
        return {
            "battery": row.battery if row.battery != UNKNOWN else "",
            "n_cells": row.n_cells or (kind.n_cells if kind else 1),
            "lot": row.lot or "",
            "made_on": row.made_on if isinstance(row.made_on, date) else None,
        }

    def _cell_given(self, row: FittingRow | PastFittingRow) -> dict[str, tuple[str, Any]]:
        return {
            "battery": ("battery", "" if row.battery == UNKNOWN else row.battery),
            "n_cells": ("n_cells", row.n_cells),
            "lot": ("lot", row.lot),
            "made_on": ("made_on", nullable(row.made_on)),
        }

    def past_fitting(self, row: PastFittingRow) -> None:
        fitted = row.fitted_on if isinstance(row.fitted_on, date) else None
        cells = self.cells[row.serial]
        same = [
            c for c in cells if c.facts["fitted_on"] == fitted and (fitted or c.facts["removed_on"] == row.removed_on)
        ]
        what = f"{row.serial}, {say(row.fitted_on)} to {say(row.removed_on)}"
        ending = {
            "removed_on": ("removed_on", row.removed_on),
            "removed_why": ("why", row.why),
            "removed_v": ("removed_v", row.removed_v),
        }
        same.sort(key=lambda c: c.facts["removed_on"] != row.removed_on)
        known = same[0] if same else None
        is_new, fields, before, changes = self._plain(PAST_PLAN, row.row, what, known, self._cell_given(row) | ending)
        if not self._fate(PAST_PLAN, row.row, what, is_new=is_new, changes=changes):
            return
        if is_new:
            fields = (
                self._cell_fields(row) | {"fitted_on": fitted} | {k: v for k, (_, v) in ending.items() if v is not None}
            )
        self.plan.fittings.append(FittingWrite(row.serial, known.pk if known else None, fields, before))
        if known is not None:
            cells[cells.index(known)] = Known(known.pk, {**known.facts, **fields})

    def fitting(self, row: FittingRow) -> None:
        cells = self.cells[row.serial]
        now = next((c for c in cells if c.facts["removed_on"] is None), None)
        fitted = row.fitted_on if isinstance(row.fitted_on, date) else None
        what = f"{row.serial}, fitted {say(row.fitted_on)}"
        known, given = self._same_cells(cells, now, fitted), self._cell_given(row)
        if known is not None and fitted is not None and known.facts["fitted_on"] is None:
            given["fitted_on"] = ("fitted_on", fitted)
        is_new, fields, before, changes = self._plain(FITTING_PLAN, row.row, what, known, given)
        if is_new and now is not None:
            changes = [("fitted on", say(now.facts["fitted_on"]), say(fitted)), *changes]
        if not self._fate(FITTING_PLAN, row.row, what, is_new=is_new and now is None, changes=changes):
            return
        if is_new:
            fields = self._cell_fields(row) | {"fitted_on": fitted}
        self.plan.fittings.append(
            FittingWrite(row.serial, known.pk if known else None, fields, before, now if is_new else None)
        )

    def _same_cells(self, cells: list[Known], now: Known | None, fitted: date | None) -> Known | None:
        """Find the cells on record that a row of "fittings" means; None: they are new.

        A row with an unknown day means whatever is in. A row with a day, where cells of unknown age are on record, gives
        them their age, unless they were known to be in before that day: then these are new ones.
        """
        if fitted is None:
            return now
        # Cells fitted and taken out again on that very day may be on record beside those that are in.
        same = sorted((c for c in cells if c.facts["fitted_on"] == fitted), key=lambda c: c is not now)[:1]
        if same:
            return same[0]
        if now is not None and now.facts["fitted_on"] is None and fitted <= now.facts["entered_on"]:
            return now
        return None
