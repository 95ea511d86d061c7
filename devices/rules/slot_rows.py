"""Rows of the sheet "slots" of an imported workbook: which transmitter stands in which slot, set up how. Pure."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from company.cell_hints import for_set, mean
from company.cells import choice, code, day, read_span_s, say_span, span_s, text, whole, yes_no
from company.sheets import (
    UNKNOWN,
    Cell,
    Column,
    Problem,
    Read,
    Sheet,
    SheetPlan,
    WrongCell,
    nearest,
    plain,
    read_rows,
    shown,
)
from devices.rules.import_facts import Catalogue, OnRecord, Place, ReceiverTypeFacts, TransmitterTypeFacts
from devices.rules.legality import ReceiverLimits, SlotSetting, problems
from devices.rules.receiver_rows import check_receiver, known_type
from devices.rules.serial_remarks import read_as_known, remark_serials
from devices.rules.slot_kept import remark_kept
from devices.rules.slot_map import OutputUse
from devices.rules.slot_places import check_places, check_transmitters, left_out, say_slots_there
from devices.rules.words import BEHAVIOUR_WORDS, WINDOW_OFF
from sites.rules.site_rows import fold

SLOTS = "slots"
OFF = "off"
_LONGEST_S = 31 * 86_400
_BEHAVIOURS = {plain(words): code for code, words in BEHAVIOUR_WORDS.items()} | {code: code for code in BEHAVIOUR_WORDS}
_BEHAVIOURS |= {
    "follows": "follower",
    "follow": "follower",
    "latched": "latching",
    "pulse": "momentary",
    "unknown": "",
    "": "",
}
_DUTY = {"life safety": "life_safety", "security": "security", "convenience": "convenience"}
_CONTACT = {
    "NO": "no",
    "NC": "nc",
    "none": "none",
    "unknown": "unknown",
    "normally open": "no",
    "normally closed": "nc",
}


@dataclass(frozen=True, slots=True)
class DrivenOutput:
    """One output that a slot drives; `behaviour` is empty where nobody knows it, `seconds` only for momentary."""

    number: int
    behaviour: str = ""
    seconds: float | None = None


@dataclass(frozen=True, slots=True)
class SlotRow:
    """One row of the sheet "slots". None: blank; "unknown" stays "unknown"; `window` is seconds, "off" or "unknown"."""

    row: int
    site: str
    receiver: str
    slot: int
    serial: str
    type_code: str | None = None
    input_number: int | None = None
    label: str | None = None
    area: str | None = None
    duty: str | None = None
    is_portable: bool | None = None
    window: int | str | None = None
    interval: int | str | None = None
    outputs: tuple[DrivenOutput, ...] | None = None
    contact: str | None = None
    registered_on: date | str | None = None
    is_shared: bool | None = None

    @property
    def place(self) -> Place:
        return fold(self.site), self.receiver


def read_outputs(cell: Cell, today: date) -> tuple[DrivenOutput, ...]:
    """Read "1 follower; 2 momentary 5 s; 3 latching"; a bare number drives that output in an unknown way."""
    if isinstance(cell, float):
        raise WrongCell(f"{shown(cell)} is no output. Separate outputs by semicolons: 1 follower; 2 latching.")
    value: str = text(200)(cell, today)
    if plain(value) in ("none", "-"):
        return ()
    driven = []
    for part in re.split(r"[;\n]|,\s+(?=\d)", value):
        if not part.strip():
            continue
        match = re.fullmatch(
            r"(?:output\s*)?(\d{1,4})\s*(.*?)\s*(\d+(?:[.,]\d+)?\s*(?:s|sec|seconds?|min|minutes?))?",
            part.strip(),
            re.IGNORECASE,
        )
        if not match or plain(match[2]) not in _BEHAVIOURS:
            near = nearest(match[2], [word for word in _BEHAVIOURS if word]) if match else None
            hint = mean(f"{match[1]} {near}{f' {match[3]}' if match[3] else ''}") if match and near else ""
            raise WrongCell(
                f"“{shown(part.strip())}” is no output and behaviour. Write it like 1 follower; 2 momentary 5 s; 3 latching; 4 toggle.{hint}"
            )
        seconds = _seconds(match[3]) if match[3] else None
        driven.append(DrivenOutput(int(match[1]), _BEHAVIOURS[plain(match[2])], seconds))
    return tuple(driven)


def _seconds(words: str) -> float:
    """Read how long an output stays on; a part of a second counts here."""
    if match := re.fullmatch(r"(\d+(?:[.,]\d+)?)\s*s(?:ec(?:onds?)?)?", words, re.IGNORECASE):
        return float(match[1].replace(",", "."))
    return float(read_span_s(words))


SLOT_PLAN = SheetPlan(
    SLOTS,
    (
        Column("site", "site code", code(30), is_key=True, note="A code of the sheet sites.", example="EXAMPLE-1"),
        Column("receiver", "receiver", text(60), is_key=True, note="As in the sheet receivers.", example="Main receiver"),
        Column("slot", "slot", whole(1, 1024), is_key=True, note="Number of the slot.", example=1),
        Column(
            "serial", "transmitter serial", code(40, allow_unknown=True), is_key=True, also=("serial",), example="EXAMPLE-00001",
            note="Serial, or unknown where the slot is taken and nothing answers. Format the column as text.",
        ),
        Column(
            "type_code", "transmitter type code", code(60, allow_unknown=True), also=("transmitter type",),
            note="A code of the catalogue, or unknown.", example="pendant-long",
        ),
        Column("input_number", "input", whole(1, 16), note="Input of the transmitter. Blank: 1.", example=1),
        Column("label", "label", text(80), note="What it is, as people call it.", example="Pendant of room 4"),
        Column("area", "area", text(120), note="Building, floor, room.", example="First floor, room 4"),
        Column(
            "duty", "duty class", choice(_DUTY), also=("duty",), example="life safety",
            note="How bad a dead battery is: life safety, security, convenience. Blank: as its type.",
        ),
        Column("is_portable", "portable", yes_no(), note="yes if it leaves the site. Blank: as its type.", example="no"),
        Column(
            "window", "supervision window", span_s(1, _LONGEST_S, words={OFF: OFF, UNKNOWN: UNKNOWN}), also=("window",),
            note="After how long it is called missing: 4 h, 200 s, off, unknown. Blank: unknown.", example="4 h",
        ),
        Column(
            "interval", "check-in interval", span_s(1, _LONGEST_S, words={UNKNOWN: UNKNOWN}), also=("interval",),
            note="Time between two check-ins: 60 min, 90 s, unknown. Blank: as its type.", example="60 min",
        ),
        Column(
            "outputs", "outputs", read_outputs, example="1 follower; 2 latching",
            note="Output and behaviour (follower, momentary with its seconds, toggle, latching), separated by semicolons; or none.",
        ),
        Column("contact", "contact", choice(_CONTACT), note="NO, NC, none or unknown.", example="none"),
        Column("registered_on", "registered on", day(allow_unknown=True), note="Day, or unknown.", example=date(2023, 5, 3)),
        Column(
            "is_shared", "declared shared", yes_no(), also=("shared",), example="no",
            note="yes where the same transmitter and input stands in several slots on purpose.",
        ),
    ),
    note="One row for each slot that is taken.",
    also=("slot", "slot map"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Around:
    """What the sheet "slots" is checked against: all receivers with type and size, all sites with their customer."""

    catalogue: Catalogue
    on_record: OnRecord
    sites: Mapping[str, str]
    types: Mapping[Place, str]
    n_slots: Mapping[Place, int]
    fault_outputs: frozenset[tuple[Place, int]] = frozenset()


def check_slots(
    sheet: Sheet | None, today: date, around: Around
) -> tuple[list[SlotRow], frozenset[str], list[Problem]]:
    """Check the sheet "slots": each row by itself, then against each other and the records.

    Parameters
    ----------
    sheet : Sheet or None
    today : date
    around : Around

    Returns
    -------
    tuple
        The rows; serials of rows that are left out for a fault of their own, so that nothing else is said of them; and
        the problems.
    """
    if sheet is None:
        return [], frozenset(), []
    read = read_rows(sheet, SLOT_PLAN, today)
    read_as_known(read, around.on_record.transmitters, around.on_record.retired)
    _one_row_a_slot(read)
    rows = []
    sizes: dict[int, int | None] = {}
    for row, values in read.partial:
        types = around.catalogue.transmitter_types
        known_type(read, row, "type_code", values.get("type_code"), types, "transmitter type")
        if check_receiver(read, row, values, around.types, around.sites) and values.get("slot") is None:
            sizes[row] = around.n_slots.get((fold(values["site"]), values["receiver"]))
    say_slots_there(read, sizes)
    for row, values in read.rows:
        values["type_code"] = known_type(
            read, row, "type_code", values.get("type_code"), around.catalogue.transmitter_types, "transmitter type"
        )
        if check_receiver(read, row, values, around.types, around.sites):
            _check_row(read, row, values, around)
            remark_kept(read, row, values, around)
        rows.append(SlotRow(row, **values))
    check_transmitters(read, rows, around)
    check_places(read, rows, around)
    remark_serials(read, rows, around.on_record.transmitters)
    return rows, left_out(read), read.problems


def type_of(row: SlotRow | Mapping[str, Any], around: Around) -> TransmitterTypeFacts | None:
    """Find the facts of a row's transmitter type: as stated, else as on record."""
    stated = row["type_code"] if isinstance(row, Mapping) else row.type_code
    serial = row["serial"] if isinstance(row, Mapping) else row.serial
    if stated is None and serial in around.on_record.transmitters:
        stated = around.on_record.transmitters[serial].type_code
    return around.catalogue.transmitter_types.get(stated or "")


def limits_of(facts: ReceiverTypeFacts | None, n_slots: int | None) -> ReceiverLimits:
    """Give what a receiver can be set to, for the rules of a single slot."""
    if facts is None:
        return ReceiverLimits(n_slots=n_slots)
    return ReceiverLimits(
        n_slots=facts.n_slots,
        n_outputs=facts.n_outputs,
        windows_s=frozenset(facts.windows_s),
        can_switch_off=facts.can_switch_supervision_off,
        behaviours=facts.behaviours,
    )


def _one_row_a_slot(read: Read) -> None:
    first: dict[tuple[str, str, int], tuple[int, str]] = {}
    kept = []
    for row, values in read.rows:
        slot = (fold(values["site"]), values["receiver"], values["slot"])
        if slot in first:
            other, serial = first[slot]
            sentence = (
                f"This slot already stands in row {other} with the same transmitter. Keep one of the two rows."
                if serial == values["serial"]
                else f"Two transmitters are given for one slot: {serial} in row {other}, {values['serial']} here. Only one can be registered."
            )
            read.problems.append(read.problem(row, "slot", sentence))
            read.partial.append((row, values))
            continue
        first[slot] = (row, values["serial"])
        kept.append((row, values))
    read.rows = kept


def _check_row(read: Read, row: int, values: Mapping[str, Any], around: Around) -> None:
    """Check one slot by the same rules as a change by hand, then what only a file can get wrong."""
    place = (fold(values["site"]), values["receiver"])
    facts = around.catalogue.receiver_types.get(around.types[place])
    kind = type_of(values, around)
    interval = values.get("interval")
    window = values.get("window")
    wanted = SlotSetting(
        slot=values["slot"],
        serial="" if values["serial"] == UNKNOWN else values["serial"],
        input_number=values.get("input_number") or 1,
        window_s=WINDOW_OFF if window == OFF else (window if isinstance(window, int) else None),
        interval_s=interval
        if isinstance(interval, int)
        else (kind.default_interval_s if kind and interval is None else None),
        outputs=tuple(OutputUse(o.number, o.behaviour, o.seconds) for o in values.get("outputs") or ()),
        n_inputs=kind.n_inputs if kind else None,
    )
    columns = {"window_s": "window", "interval_s": "interval"}
    for found in problems(wanted, limits_of(facts, around.n_slots.get(place))):
        key = columns.get(found.field, found.field)
        hint = for_set(window, facts.windows_s, say_span) if facts and key == "window" and not found.is_warning else ""
        read.problems.append(read.problem(row, key, f"{found.text}{hint}", is_fault=not found.is_warning))
    for driven in values.get("outputs") or ():
        if (
            facts
            and driven.seconds
            and facts.momentary_max_s
            and not facts.momentary_min_s <= driven.seconds <= facts.momentary_max_s
        ):
            sentence = f"This receiver type can be on for {facts.momentary_min_s:g} to {facts.momentary_max_s:g} s, not {driven.seconds:g} s."
            read.problems.append(read.problem(row, "outputs", sentence))
        if (place, driven.number) in around.fault_outputs:
            sentence = f"Output {driven.number} is a fault output; a slot that drives it hides real faults."
            read.problems.append(read.problem(row, "outputs", sentence, is_fault=False))
    _check_defaults(read, row, values, kind, around)


def _check_defaults(
    read: Read, row: int, values: Mapping[str, Any], kind: TransmitterTypeFacts | None, around: Around
) -> None:
    """Ask for what neither the row nor the catalogue nor the records can tell."""
    serial = values["serial"]
    if serial != UNKNOWN and values["type_code"] is None and serial not in around.on_record.transmitters:
        if "type_code" not in read.places or not _has_value(read, row, "type_code"):
            sentence = f"Transmitter {serial} is new, so its type is needed: a code of the catalogue, or unknown."
            read.problems.append(read.problem(row, "type_code", sentence))
        return
    if values.get("duty") is None and kind is None and not _has_value(read, row, "duty"):
        known = around.on_record.receivers.get((fold(values["site"]), values["receiver"]))
        if known is None or values["slot"] not in known.slots:
            sentence = "The transmitter type is unknown, so say the duty class: life safety, security or convenience."
            read.problems.append(read.problem(row, "duty", sentence))


def _has_value(read: Read, row: int, key: str) -> bool:
    """Tell whether the cell was filled in (a wrong value has been reported already)."""
    place = read.places.get(key)
    cells = read.raw[row].cells
    return place is not None and place < len(cells) and cells[place] is not None
