"""Rows of the sheets "receivers" and "outputs" of an imported workbook, checked. Pure."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from company.cell_hints import for_gauge
from company.cells import choice, code, day, length_m, number, text, whole
from company.sheets import (
    UNKNOWN,
    Cell,
    Column,
    Problem,
    Read,
    Sheet,
    SheetPlan,
    WrongCell,
    did_you_mean,
    read_rows,
    report_doubles,
)
from devices.rules.import_facts import Catalogue, OnRecord, Place, ReceiverOnRecord
from devices.rules.receiver_serials import check_receiver_serials
from sites.rules.site_rows import fold, report_closed

RECEIVERS = "receivers"
OUTPUTS = "outputs"


@dataclass(frozen=True, slots=True)
class ReceiverRow:
    """One row of the sheet "receivers". None: blank, leave as it is; "unknown" stays "unknown"."""

    row: int
    site: str
    label: str
    type_code: str | None = None
    n_slots: int | None = None
    area: str | None = None
    serial: str | None = None
    evidence: str | None = None
    supply_v: float | str | None = None
    fed_from: str | None = None
    cable_m: float | str | None = None
    cable_gauge: str | None = None
    measured_v: float | str | None = None
    installed_on: date | str | None = None
    standby_fitted_on: date | str | None = None

    @property
    def place(self) -> Place:
        return fold(self.site), self.label


@dataclass(frozen=True, slots=True)
class OutputRow:
    """One row of the sheet "outputs". None: blank, leave as it is."""

    row: int
    site: str
    receiver: str
    number: int
    kind: str | None = None
    drives: str | None = None
    terminals: str | None = None
    contact: str | None = None
    rest: str | None = None
    eol_part: str | None = None

    @property
    def place(self) -> Place:
        return fold(self.site), self.receiver


_EVIDENCE = {
    "every": "every", "exceptions": "exceptions", "visits": "visits",
    "every check-in": "every", "exceptions only": "exceptions", "visits only": "visits",
}  # fmt: skip
_CONTACT = {
    "NO": "no", "NC": "nc", "changeover": "changeover", "unknown": "unknown",
    "normally open": "no", "normally closed": "nc", "CO": "changeover", "change over": "changeover",
}  # fmt: skip
_REST = {"energised": "energised", "de-energised": "released", "unknown": "unknown"}
_REST |= {"energized": "energised", "de-energized": "released", "not energised": "released", "released": "released"}


def _gauge(cell: Cell, today: date) -> str:
    """Read a cable gauge as mm² or AWG; the figure alone could be either."""
    value: str = text(20, allow_unknown=True)(cell, today)
    if value == UNKNOWN:
        return value
    if match := re.fullmatch(r"(?:(\d{1,2})\s*AWG|AWG\s*(\d{1,2}))", value, re.IGNORECASE):
        return f"AWG {match[1] or match[2]}"
    if match := re.fullmatch(r"(\d{1,2}(?:[.,]\d+)?)\s*(?:mm2|mm²|mm\^2|sq\.? ?mm)", value, re.IGNORECASE):
        return f"{match[1].replace(',', '.')} mm²"
    raise WrongCell(f"“{value}” is no cable gauge. Write it like AWG 18 or 1.5 mm².{for_gauge(value)}")


NONE = "none"
"""Answer for a standby battery that is not there; on record it is a day that is not known, as of a type without one."""

_SITE = Column("site", "site code", code(30), is_key=True, note="A code of the sheet sites.", example="EXAMPLE-1")

RECEIVER_PLAN = SheetPlan(
    RECEIVERS,
    (
        _SITE,
        Column("label", "receiver", text(60), is_key=True, note="Its name; once in a site.", example="Main receiver", also=("label",)),
        Column(
            "type_code", "receiver type code", code(60, allow_unknown=True), is_required=True, also=("receiver type",),
            note="A code of the catalogue, or unknown.", example="receiver-16",
        ),
        Column("n_slots", "slots", whole(1, 1024), note="How many slots; only where the type is unknown.", also=("number of slots",)),
        Column("area", "area", text(120), note="Building, floor, room.", example="Ground floor, plant room"),
        Column("serial", "serial", code(40, allow_unknown=True), note="Serial of the receiver.", example="RX-0001"),
        Column(
            "evidence", "evidence", choice(_EVIDENCE), example="exceptions",
            note="What reaches you: every (check-in), exceptions (only), visits (only). Blank: visits.",
        ),
        Column("supply_v", "supply volts", number(1, 60, "V", allow_unknown=True), note="Nominal, or unknown.", example=12),
        Column("fed_from", "fed from", text(120), note="Which supply feeds it.", example="Supply 2 in the plant room"),
        Column("cable_m", "cable metres", length_m(0, 2000, allow_unknown=True), note="One way. Feet with their unit, such as 60 ft.", example=18),
        Column("cable_gauge", "cable gauge", _gauge, note="Like AWG 18 or 1.5 mm², or unknown.", example="1.5 mm²"),
        Column("measured_v", "measured volts", number(0, 60, "V", allow_unknown=True), note="Last measured.", example=12.4),
        Column("installed_on", "installed on", day(allow_unknown=True), note="Day, or unknown.", example=date(2023, 5, 3)),
        Column(
            "standby_fitted_on", "standby battery fitted on", day(allow_unknown=True, words={NONE: NONE}),
            note="Day, none or unknown.", example=date(2023, 5, 3),
        ),
    ),
    note="One row for each receiver.",
    also=("receiver",),
)  # fmt: skip

OUTPUT_PLAN = SheetPlan(
    OUTPUTS,
    (
        _SITE,
        Column("receiver", "receiver", text(60), is_key=True, note="As in the sheet receivers.", example="Main receiver"),
        Column("number", "output number", whole(1, 1024), is_key=True, also=("output",), example=1),
        Column(
            "kind", "kind", choice({"signal": "signal", "fault": "fault", "unknown": "unknown"}), is_required=True,
            note="signal, fault or unknown.", example="signal",
        ),
        Column("drives", "drives", text(120), note="What happens when it switches.", example="Sounder at the desk"),
        Column("terminals", "terminals", text(40), example="5, 6"),
        Column("contact", "contact", choice(_CONTACT), note="NO, NC, changeover or unknown.", example="NO"),
        Column("rest", "rest", choice(_REST), note="energised, de-energised or unknown, when nothing is on.", example="de-energised"),
        Column("eol_part", "end of line part", text(40), also=("end-of-line part",), example="4.7 kΩ"),
    ),
    note="One row for each output that is wired.",
    also=("output",),
)  # fmt: skip


def known_type(read: Read, row: int, key: str, value: str | None, types: Mapping[str, Any], words: str) -> str | None:
    """Find a catalogue code whatever its capital letters; report an unknown one. "unknown" is an answer."""
    if value is None or value == UNKNOWN:
        return value
    found = value if value in types else next((known for known in types if known.casefold() == value.casefold()), None)
    if found is None:
        read.problems.append(
            read.problem(row, key, f"The catalogue has no {words} “{value}”.{did_you_mean(value, types)}")
        )
    return found


def check_receivers(
    sheet: Sheet | None, today: date, *, catalogue: Catalogue, on_record: OnRecord, sites: Mapping[str, str]
) -> tuple[list[ReceiverRow], list[Problem]]:
    """Check the sheet "receivers": a known site and type, each label once in its site.

    Parameters
    ----------
    sites : mapping
        Folded code → folded customer code of all sites, of the workbook and on record.
    """
    if sheet is None:
        return [], []
    read = read_rows(sheet, RECEIVER_PLAN, today)
    report_doubles(read, lambda values: (fold(values["site"]), values["label"]), "label", "This receiver of this site")
    rows = []
    for row, values in read.partial:
        if values.get("site"):
            check_site(read, row, values["site"], sites)
        known_type(read, row, "type_code", values.get("type_code"), catalogue.receiver_types, "receiver type")
    for row, values in read.rows:
        check_site(read, row, values["site"], sites)
        report_closed(read, row, "site", ("site", values["site"]), on_record.closed)
        values["type_code"] = known_type(
            read, row, "type_code", values.get("type_code"), catalogue.receiver_types, "receiver type"
        )
        known = on_record.receivers.get((fold(values["site"]), values["label"]))
        if values["type_code"] is None and known is None:
            sentence = (
                "What its slots and outputs are set to is checked once its type can be read; more faults may show then."
            )
            read.problems.append(read.problem(row, "type_code", sentence, is_fault=False))
        facts = catalogue.receiver_types.get(values["type_code"] or "")
        if values.get("standby_fitted_on") == NONE and facts is not None and facts.has_standby:
            sentence = f"The type {facts.code} has a standby battery. “none” is kept as a day that is not known."
            read.problems.append(read.problem(row, "standby_fitted_on", sentence, is_fault=False))
        _check_size(read, row, values, catalogue, known)
        rows.append(ReceiverRow(row, **values))
    check_receiver_serials(read, rows, on_record)
    return rows, read.problems


def check_site(read: Read, row: int, site: str, sites: Mapping[str, str]) -> None:
    """Report a site code that stands neither in the workbook nor on record."""
    if fold(site) not in sites:
        sentence = f"There is no site “{site}”, neither in the workbook nor on record.{did_you_mean(site, sites)}"
        read.problems.append(read.problem(row, "site", sentence))


def _check_size(
    read: Read, row: int, values: dict[str, Any], catalogue: Catalogue, known: ReceiverOnRecord | None
) -> None:
    facts = catalogue.receiver_types.get(values["type_code"] or "")
    stated = values.get("n_slots")
    if facts is not None and stated is not None and stated != facts.n_slots:
        sentence = f"The type {facts.code} has {facts.n_slots} slots, not {stated}. Correct one of the two."
        read.problems.append(read.problem(row, "n_slots", sentence))
    if values["type_code"] == UNKNOWN and stated is None and known is None:
        sentence = "The receiver type is unknown, so say in the column “slots” how many slots it has."
        read.problems.append(read.problem(row, "type_code", sentence))
    n_slots = facts.n_slots if facts else stated
    beyond = max(known.slots, default=0) if known else 0
    if n_slots and beyond > n_slots:
        sentence = f"On record slot {beyond} of this receiver is taken; it cannot shrink to {n_slots} slots."
        read.problems.append(read.problem(row, "type_code", sentence))


def check_outputs(
    sheet: Sheet | None, today: date, *, catalogue: Catalogue, types: Mapping[Place, str], sites: Mapping[str, str]
) -> tuple[list[OutputRow], list[Problem]]:
    """Check the sheet "outputs": a known receiver that has this output, each number once.

    Parameters
    ----------
    types : mapping
        Receiver → type code (empty or "unknown": not known) of all receivers, of the workbook and on record.
    """
    if sheet is None:
        return [], []
    read = read_rows(sheet, OUTPUT_PLAN, today)
    report_doubles(
        read, lambda v: (fold(v["site"]), v["receiver"], v["number"]), "number", "This output of this receiver"
    )
    for row, values in read.partial:
        check_receiver(read, row, values, types, sites)
    for row, values in read.rows:
        place = (fold(values["site"]), values["receiver"])
        if not check_receiver(read, row, values, types, sites):
            continue
        facts = catalogue.receiver_types.get(types[place])
        if facts is not None and values["number"] > facts.n_outputs:
            sentence = f"A receiver of type {facts.code} has outputs 1 to {facts.n_outputs}; there is no output {values['number']}."
            read.problems.append(read.problem(row, "number", sentence))
    return [OutputRow(row, **values) for row, values in read.rows], read.problems


def check_receiver(
    read: Read, row: int, values: Mapping[str, Any], types: Mapping[Place, str], sites: Mapping[str, str]
) -> bool:
    """Report a receiver that stands neither in the workbook nor on record; True if it is known."""
    if not values.get("site"):
        return False
    if fold(values["site"]) not in sites:
        check_site(read, row, values["site"], sites)
        return False
    if not values.get("receiver"):
        return False
    place = (fold(values["site"]), values["receiver"])
    if place in types:
        return True
    labels = [label for site, label in types if site == place[0]]
    hint = did_you_mean(values["receiver"], labels)
    if not hint and labels:
        hint = f" It has {', '.join(f'“{label}”' for label in labels[:5])}."
    sentence = f"Site “{values['site']}” has no receiver “{values['receiver']}”.{hint}"
    read.problems.append(read.problem(row, "receiver", sentence))
    return False
