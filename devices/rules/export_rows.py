"""Everything on record as the sheets of a workbook, in the very shape that an import reads. Pure.

Each cell is read back by its own column before it is written: what an import would refuse is left out and said in a note,
so that a workbook that was exported can always be imported.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from company.cells import say_span
from company.sheets import EXAMPLE_MARK, UNKNOWN, Cell, SheetPlan, Tell, WrongCell, plain_text, shown
from devices.rules.fitting_rows import FITTING_PLAN, PAST_PLAN, battery_names, squeeze, words_of
from devices.rules.import_facts import Catalogue, Place
from devices.rules.import_records import Known, Snapshot
from devices.rules.import_words import say_outputs
from devices.rules.receiver_rows import NONE, OUTPUT_PLAN, RECEIVER_PLAN
from devices.rules.slot_rows import OFF, SLOT_PLAN
from devices.rules.workbook_rows import PLANS
from sites.rules.site_rows import CONTACT_PLAN, CUSTOMER_PLAN, SITE_PLAN

_PAPER = {"a4": "A4", "letter": "Letter"}
_CONTACT = {"no": "NO", "nc": "NC"}
_REST = {"released": "de-energised"}


@dataclass(frozen=True, slots=True)
class LeftOut:
    """What could not be written so that an import would take it again."""

    sheet: str
    what: str
    column: str
    value: str
    why: str


@dataclass(slots=True)
class Tables:
    """Rows by sheet, cells in the order of the columns, and what was left out."""

    rows: dict[str, list[tuple[Cell, ...]]] = field(default_factory=dict)
    left_out: list[LeftOut] = field(default_factory=list)

    @property
    def n_rows(self) -> int:
        return sum(len(rows) for rows in self.rows.values())


def export_tables(
    snapshot: Snapshot,
    catalogue: Catalogue,
    *,
    closed: frozenset[tuple[str, str]],
    today: date,
    on_rows: Tell | None = None,
) -> Tables:
    """Write all records as tables.

    Parameters
    ----------
    snapshot : Snapshot
    catalogue : Catalogue
    closed : set of (kind, code)
        Customers and sites no longer looked after: left out with everything in them, since an import refuses them.
    today : date
    on_rows : callable
        Told now and then how many rows are done.
    """
    made = _Export(snapshot, catalogue, closed)
    tables = Tables({plan.name: [] for plan in PLANS})
    for n_done, (plan, what, cells) in enumerate(made.all_rows(), start=1):
        row = _checked(plan, what, cells, today, tables.left_out)
        if row is not None:
            tables.rows[plan.name].append(row)
        if on_rows and n_done % 1000 == 0:
            on_rows(n_done)
    tables.left_out.extend(made.left_out)
    return tables


def _checked(
    plan: SheetPlan, what: str, cells: Mapping[str, Cell], today: date, left_out: list[LeftOut]
) -> tuple[Cell, ...] | None:
    """Give the cells of a row in order, each proved to be readable; None where the row cannot be read at all."""
    row: list[Cell] = []
    first = cells.get(plan.columns[0].key)
    if isinstance(first, str) and first.casefold().startswith(EXAMPLE_MARK):
        why = "rows that begin with EXAMPLE are the template's own, so an import leaves this row out"
        left_out.append(LeftOut(plan.name, what, plan.columns[0].title, first, why))
    for column in plan.columns:
        cell = cells.get(column.key)
        if isinstance(cell, str):
            cell = plain_text(cell) or None
        if cell is None:
            row.append(None)
            continue
        why = ""
        try:
            read = column.read(cell, today)
            if column.is_key and isinstance(cell, str) and read != cell:
                why = f"an import would read it as {read}"
        except WrongCell as wrong:
            why = str(wrong)
        if why:
            left_out.append(LeftOut(plan.name, what, column.title, shown(cell), why))
            if column.is_key or column.is_required:
                return None
            cell = None
        row.append(cell)
    return tuple(row)


class _Export:
    """Turns facts of records into cells, one sheet after the other."""

    def __init__(self, snapshot: Snapshot, catalogue: Catalogue, closed: frozenset[tuple[str, str]]) -> None:
        self.records, self.catalogue = snapshot, catalogue
        self.left_out: list[LeftOut] = []
        self.customers = {code: k for code, k in snapshot.customers.items() if ("customer", code) not in closed}
        self.sites = {
            code: known
            for code, known in snapshot.sites.items()
            if ("site", code) not in closed and known.facts["customer"] in self.customers
        }
        self.names = battery_names(catalogue.battery_types)
        self.slots: dict[Place, list[tuple[int, Known]]] = defaultdict(list)
        for (place, slot), known in snapshot.slots.items():
            self.slots[place].append((slot, known))
        self.standing: dict[str, None] = {}

    def all_rows(self) -> Iterator[tuple[SheetPlan, str, Mapping[str, Cell]]]:
        yield from self._customers()
        for code, site in self.sites.items():
            owner = self.customers[site.facts["customer"]].facts["code"]
            yield SITE_PLAN, code, {**site.facts, "customer": owner}
        places = [place for place in self.records.receivers if place[0] in self.sites]
        for place in places:
            yield RECEIVER_PLAN, self._name(place), self._receiver(place)
        for (place, number), output in self.records.outputs.items():
            # An output of which nothing is known is made by an import of its own accord.
            if place[0] in self.sites and any(value not in ("", UNKNOWN) for value in output.facts.values()):
                yield OUTPUT_PLAN, f"{self._name(place)}, output {number}", self._output(place, number, output.facts)
        for place in places:
            for slot, known in sorted(self.slots[place], key=lambda pair: pair[0]):
                yield SLOT_PLAN, f"{self._name(place)}, slot {slot}", self._slot(place, slot, known.facts)
        for serial in self.standing:
            yield from self._fittings(serial)

    def _name(self, place: Place) -> str:
        return f"{self.sites[place[0]].facts['code']}, {self.records.receivers[place].facts['label']}"

    def _place(self, place: Place) -> dict[str, Cell]:
        return {
            "site": self.sites[place[0]].facts["code"], "receiver": self.records.receivers[place].facts["label"],
        }  # fmt: skip

    def _customers(self) -> Iterator[tuple[SheetPlan, str, Mapping[str, Cell]]]:
        further = []
        for code, customer in self.customers.items():
            people = self.records.contacts.get(code, [])
            first = people[0].facts if people else {}
            cells = {**customer.facts, "paper": _PAPER.get(customer.facts["paper"], customer.facts["paper"])}
            yield CUSTOMER_PLAN, code, cells | {f"contact_{key}": first.get(key) for key in ("name", "email", "phone")}
            further += [(customer.facts["code"], person.facts) for person in people[1:]]
        for owner, facts in further:
            person = {f"contact_{key}": facts[key] for key in ("name", "email", "phone")}
            yield CONTACT_PLAN, f"{owner}, {facts['name']}", {"code": owner, **person}

    def _receiver(self, place: Place) -> dict[str, Cell]:
        facts = self.records.receivers[place].facts
        kind = facts["type"]
        known = self.catalogue.receiver_types.get(kind or "")
        standby = facts["standby_fitted_on"] or (NONE if known and not known.has_standby else None)
        return {
            **facts, "standby_fitted_on": standby, "site": self.sites[place[0]].facts["code"], "type_code": kind or UNKNOWN,
            "n_slots": None if kind else facts["n_slots"],
        }  # fmt: skip

    def _output(self, place: Place, number: int, facts: Mapping[str, Any]) -> dict[str, Cell]:
        words = {
            "contact": _CONTACT.get(facts["contact"], facts["contact"]),
            "rest": _REST.get(facts["rest"], facts["rest"]),
        }
        return {**self._place(place), **facts, "number": number, **words}

    def _slot(self, place: Place, slot: int, facts: Mapping[str, Any]) -> dict[str, Cell]:
        serial = facts["serial"]
        kind: Cell = None
        if serial:
            self.standing[serial] = None
            kind = self.records.transmitters[serial].facts["type"] or UNKNOWN
        window = say_span(facts["window_s"]) if facts["window_s"] else facts["supervision"]
        return {
            **self._place(place), **{name: facts[name] for name in ("input_number", "label", "area", "registered_on")},
            "slot": slot, "serial": serial or UNKNOWN, "type_code": kind, "duty": facts["duty"].replace("_", " "),
            "is_portable": shown(facts["is_portable"]), "is_shared": shown(facts["is_shared"]),
            "window": OFF if window == "off" else window,
            "interval": say_span(facts["interval_s"]) if facts["interval_s"] else UNKNOWN,
            "outputs": say_outputs(facts["outputs"]), "contact": _CONTACT.get(facts["contact"], facts["contact"]),
        }  # fmt: skip

    def _fittings(self, serial: str) -> Iterator[tuple[SheetPlan, str, Mapping[str, Cell]]]:
        for known in self.records.fittings.get(serial, ()):
            facts = known.facts
            cells: dict[str, Cell] = {
                "serial": serial, "battery": self._battery(facts["battery"]), "n_cells": facts["n_cells"],
                "fitted_on": facts["fitted_on"] or UNKNOWN, "lot": facts["lot"], "made_on": facts["made_on"],
            }  # fmt: skip
            if facts["removed_on"] is None:
                yield FITTING_PLAN, serial, cells
            elif facts["fitted_on"] == facts["removed_on"]:
                why = "fitted and taken out on one day; the sheet needs two days"
                day = facts["removed_on"].isoformat()
                self.left_out.append(LeftOut(PAST_PLAN.name, serial, PAST_PLAN.title("removed_on"), day, why))
            else:
                ending = {"removed_on": facts["removed_on"], "why": words_of(facts["removed_why"])}
                yield PAST_PLAN, serial, {**cells, **ending, "removed_v": facts["removed_v"]}

    def _battery(self, code: str) -> str:
        """Give the IEC code where it leads back to this very battery, else our own code."""
        facts = self.catalogue.battery_types.get(code)
        if facts is None:
            return UNKNOWN
        return facts.iec_code if facts.iec_code and self.names.get(squeeze(facts.iec_code)) == code else code
