"""Rows of the sheets "fittings" and "past fittings" of an imported workbook: cells in transmitters, from–to. Pure."""

import re
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import Any

from company.cells import choice, code, day, number, whole
from company.sheets import (
    UNKNOWN,
    Column,
    Problem,
    Read,
    Sheet,
    SheetPlan,
    did_you_mean,
    plain,
    read_rows,
    report_doubles,
)
from devices.rules.import_facts import BatteryTypeFacts, Catalogue, OnRecord, TransmitterTypeFacts
from devices.rules.serials import Serials

FITTINGS = "fittings"
PAST_FITTINGS = "past fittings"

_WHY = {
    "preventive": "preventive", "low_battery": "low_battery", "dead": "dead", "leaked": "leaked", "defect": "defect",
    "wrong type": "wrong_type", "retired": "retired", "unknown": "unknown", "planned change": "preventive",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class FittingRow:
    """Cells that are in a transmitter now. `battery` and `fitted_on` may be "unknown"."""

    row: int
    serial: str
    battery: str | None = None
    n_cells: int | None = None
    fitted_on: date | str | None = None
    lot: str | None = None
    made_on: date | str | None = None


@dataclass(frozen=True, slots=True)
class PastFittingRow:
    """Cells that came out again."""

    row: int
    serial: str
    battery: str | None = None
    n_cells: int | None = None
    fitted_on: date | str | None = None
    removed_on: date | None = None
    why: str | None = None
    removed_v: float | None = None
    lot: str | None = None
    made_on: date | str | None = None


_SERIAL = Column(
    "serial",
    "transmitter serial",
    code(40),
    is_key=True,
    also=("serial",),
    note="As in the sheet slots.",
    example="EXAMPLE-00001",
)
_BATTERY = Column(
    "battery", "battery code", code(30, allow_unknown=True), is_required=True, also=("battery", "cell code"),
    note="IEC code such as CR2450, another code of the catalogue for it, or unknown.", example="CR2450",
)  # fmt: skip
_CELLS = Column("n_cells", "cells", whole(1, 12), note="How many. Blank: as the type takes.", example=1)
_LOT = Column("lot", "lot or date code", code(40), also=("lot",), note="As printed on the cell.", example="2304")
_MADE = Column("made_on", "cell made on", day(allow_unknown=True), note="Day, or blank.", example=date(2023, 4, 1))

FITTING_PLAN = SheetPlan(
    FITTINGS,
    (
        _SERIAL,
        _BATTERY,
        _CELLS,
        Column(
            "fitted_on",
            "fitted on",
            day(allow_unknown=True),
            is_required=True,
            note="Day, or unknown.",
            example=date(2023, 5, 3),
        ),
        _LOT,
        _MADE,
    ),
    note="One row for each transmitter: the cells that are in it now.",
    also=("fitting", "batteries", "cells"),
)

PAST_PLAN = SheetPlan(
    PAST_FITTINGS,
    (
        _SERIAL,
        _BATTERY,
        _CELLS,
        Column("fitted_on", "fitted on", day(allow_unknown=True), is_required=True, note="Day, or unknown.", example=date(2021, 2, 1)),
        Column("removed_on", "removed on", day(), is_required=True, note="Day they came out.", example=date(2023, 5, 3)),
        Column(
            "why", "why it came out", choice(_WHY), is_required=True, also=("why",), example="preventive",
            note="preventive, low_battery, dead, leaked, defect, wrong type, retired or unknown.",
        ),
        Column("removed_v", "measured volts", number(0, 20, "V"), note="When taken out.", example=2.8),
        Column("lot", "lot or date code", code(40), also=("lot",), note="As printed on the cell.", example="2011"),
        Column("made_on", "cell made on", day(allow_unknown=True), note="Day, or blank.", example=date(2020, 11, 1)),
    ),
    note="One row for each set of cells that came out; from these the software learns how long cells last.",
    also=("past fitting", "old fittings"),
)  # fmt: skip


def battery_names(types: Mapping[str, BatteryTypeFacts]) -> dict[str, str]:
    """Give every name of every battery type, squeezed, with the code it stands for."""
    names: dict[str, str] = {}
    for facts in types.values():
        for name in (facts.code, facts.iec_code, facts.ansi_code, *facts.aliases):
            if name:
                names.setdefault(squeeze(name), facts.code)
    return names


def squeeze(name: str) -> str:
    """Give the form in which two names of a battery are compared."""
    return re.sub(r"[\s\-_./]", "", name).casefold()


@dataclass(frozen=True, slots=True)
class FittingsAround:
    """What fittings are checked against; `types` is the type code of every transmitter, of the workbook and on record."""

    catalogue: Catalogue
    on_record: OnRecord
    types: Mapping[str, str]


def check_fittings(
    now: Sheet | None, past: Sheet | None, today: date, around: FittingsAround
) -> tuple[list[FittingRow], list[PastFittingRow], list[Problem]]:
    """Check both sheets of fittings: known cells, known transmitters, nothing fitted twice at a time."""
    names = battery_names(around.catalogue.battery_types)
    found: list[Problem] = []
    rows: list[FittingRow] = []
    past_rows: list[PastFittingRow] = []
    reads: dict[str, Read] = {}
    if now is not None:
        read = reads[FITTINGS] = read_rows(now, FITTING_PLAN, today)
        _read_as_known(read, around)
        report_doubles(
            read, lambda values: values["serial"], "serial", "A set of cells that is in this transmitter now"
        )
        for row, values in [*read.partial, *read.rows]:
            _check_cells(read, row, values, names, around)
        rows = [FittingRow(row, **values) for row, values in read.rows]
    if past is not None:
        read = reads[PAST_FITTINGS] = read_rows(past, PAST_PLAN, today)
        _read_as_known(read, around)
        report_doubles(read, _past_key, "fitted_on", "A set of cells fitted in this transmitter on this day")
        for row, values in [*read.partial, *read.rows]:
            _check_cells(read, row, values, names, around)
            _check_end(read, row, values)
        past_rows = [PastFittingRow(row, **values) for row, values in read.rows]
    _check_overlaps(reads, rows, past_rows, around.on_record)
    for read in reads.values():
        found.extend(read.problems)
    return rows, past_rows, found


def _read_as_known(read: Read, around: FittingsAround) -> None:
    """Read a serial as the known one that differs only in capitals, blanks or hyphens."""
    serials: Serials | None = None
    for row, values in [*read.rows, *read.partial]:
        if values["serial"] is None or values["serial"] in around.types:
            continue
        serials = serials or Serials(around.types, around.on_record.retired)
        if (meant := serials.meant(values["serial"])) is not None:
            values["serial"] = meant
            sentence = f"Read as {meant}: only capital letters, spaces or hyphens differ."
            read.problems.append(read.problem(row, "serial", sentence, is_fault=False))


def _past_key(values: Mapping[str, Any]) -> tuple[Any, ...]:
    fitted = values.get("fitted_on")
    return values["serial"], fitted, values.get("removed_on") if not isinstance(fitted, date) else None


def _check_cells(
    read: Read, row: int, values: dict[str, Any], names: Mapping[str, str], around: FittingsAround
) -> None:
    serial, battery = values["serial"], values.get("battery")
    if serial is not None and serial not in around.types:
        zeros = (
            next((known for known in around.types if known.lstrip("0") == serial), None) if serial.isdigit() else None
        )
        hint = f" Did you mean “{zeros}”?" if zeros else did_you_mean(serial, around.types)
        sentence = f"There is no transmitter {serial}, neither in the sheet slots nor on record.{hint}"
        read.problems.append(read.problem(row, "serial", sentence))
    if battery is not None and battery != UNKNOWN:
        values["battery"] = names.get(squeeze(battery))
        if values["battery"] is None:
            codes = [facts.iec_code for facts in around.catalogue.battery_types.values()]
            sentence = f"The catalogue has no battery “{battery}”.{did_you_mean(battery, codes)}"
            read.problems.append(read.problem(row, "battery", sentence))
    made, fitted = values.get("made_on"), values.get("fitted_on")
    if isinstance(made, date) and isinstance(fitted, date) and made > fitted:
        sentence = f"The cell was made on {made.isoformat()}, after it was fitted on {fitted.isoformat()}."
        read.problems.append(read.problem(row, "made_on", sentence))
    kind = around.catalogue.transmitter_types.get(around.types.get(serial, ""))
    if kind is not None:
        _remark_cells(read, row, values, kind, around)


def _remark_cells(
    read: Read, row: int, values: Mapping[str, Any], kind: TransmitterTypeFacts, around: FittingsAround
) -> None:
    """Say where the cells are not those of the type: it may well be so on the wall, and then it matters."""
    battery, n_cells = values.get("battery"), values.get("n_cells")
    if not kind.battery_type:
        sentence = f"The type {kind.code} is fed from the mains; are there really cells in it?"
        read.problems.append(read.problem(row, "battery", sentence, is_fault=False))
    elif battery not in (None, UNKNOWN, kind.battery_type):
        right = around.catalogue.battery_types[kind.battery_type].iec_code
        sentence = f"The type {kind.code} takes {right}."
        read.problems.append(read.problem(row, "battery", sentence, is_fault=False))
    elif n_cells is not None and n_cells != kind.n_cells:
        sentence = f"The type {kind.code} takes {kind.n_cells}."
        read.problems.append(read.problem(row, "n_cells", sentence, is_fault=False))


def _check_end(read: Read, row: int, values: Mapping[str, Any]) -> None:
    fitted, removed = values.get("fitted_on"), values.get("removed_on")
    if isinstance(fitted, date) and isinstance(removed, date) and removed <= fitted:
        words = "the day it was fitted" if removed == fitted else f"before it was fitted on {fitted.isoformat()}"
        read.problems.append(
            read.problem(row, "removed_on", f"It came out on {removed.isoformat()}, {words}. Check both days.")
        )


@dataclass(frozen=True, slots=True)
class _Stretch:
    """One set of cells on the time line of a transmitter; `sheet` is empty for one on record."""

    fitted: date
    removed: date | None
    sheet: str
    row: int


def _check_overlaps(
    reads: Mapping[str, Read], rows: list[FittingRow], past_rows: list[PastFittingRow], on_record: OnRecord
) -> None:
    """Check the time line of each transmitter as it would be after the import: one set of cells at a time."""
    lines: dict[str, dict[date, _Stretch]] = defaultdict(dict)
    for serial in {row.serial for row in rows} | {row.serial for row in past_rows}:
        known = on_record.transmitters.get(serial)
        for fitted, removed in known.fittings if known else ():
            if fitted is not None:
                lines[serial][fitted] = _Stretch(fitted, removed, "", 0)
    for past in past_rows:
        if isinstance(past.fitted_on, date) and past.removed_on is not None and past.removed_on > past.fitted_on:
            lines[past.serial][past.fitted_on] = _Stretch(past.fitted_on, past.removed_on, PAST_FITTINGS, past.row)
    for row in rows:
        if isinstance(row.fitted_on, date):
            line = lines[row.serial]
            same = line.get(row.fitted_on)
            if same is not None and same.sheet:
                sentence = f"The sheet “{PAST_FITTINGS}” says in row {same.row} that these cells came out."
                reads[FITTINGS].problems.append(reads[FITTINGS].problem(row.row, "fitted_on", sentence))
            elif same is None or same.removed is None:
                line[row.fitted_on] = _Stretch(row.fitted_on, None, FITTINGS, row.row)
    for line in lines.values():
        _check_line(reads, [line[fitted] for fitted in sorted(line)])


def _check_line(reads: Mapping[str, Read], line: list[_Stretch]) -> None:
    for index, (one, other) in enumerate(pairwise(line)):
        is_newest = index == len(line) - 2
        if one.removed is not None and one.removed <= other.fitted:
            continue
        # Cells on record that are still in end by themselves where newer ones are given as being in.
        if one.removed is None and not one.sheet and is_newest and other.sheet == FITTINGS:
            continue
        at, against = (other, one) if other.sheet else (one, other)
        if not at.sheet:
            continue
        end = f"until {against.removed.isoformat()}" if against.removed else "and still in"
        whence = f"row {against.row} of “{against.sheet}”" if against.sheet else "the records"
        sentence = f"This overlaps the cells fitted on {against.fitted.isoformat()} {end}, as {whence} say{'s' if against.sheet else ''}."
        read = reads[at.sheet]
        read.problems.append(read.problem(at.row, "fitted_on", sentence))


def words_of(why: str) -> str:
    """Give the wording of a reason for coming out, as the sheet takes it."""
    return next((word for word, value in _WHY.items() if value == why), plain(why))
