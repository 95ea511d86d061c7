"""The rows of the sheet "slots" against each other and the records: one serial is one transmitter, in one place. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from company.sheets import UNKNOWN, Read, shown
from devices.rules.slot_kept import input_of, n_inputs_of
from sites.rules.site_rows import fold, report_closed

if TYPE_CHECKING:
    from devices.rules.slot_rows import Around, SlotRow


def check_transmitters(read: Read, rows: Sequence[SlotRow], around: Around) -> None:
    """Check that one serial means one transmitter: one type, one customer."""
    first_type: dict[str, tuple[str, int]] = {}
    first_customer: dict[str, tuple[str, int]] = {}
    for row in rows:
        if row.serial == UNKNOWN:
            continue
        report_closed(read, row.row, "site", ("site", row.site), around.on_record.closed)
        if row.serial in around.on_record.retired:
            sentence = f"Transmitter {row.serial} was taken out of use on record."
            read.problems.append(read.problem(row.row, "serial", sentence))
        known = around.on_record.transmitters.get(row.serial)
        customer = around.sites.get(fold(row.site))
        if known is not None and customer is not None and known.customer != customer:
            sentence = f"On record transmitter {row.serial} belongs to customer “{known.customer}”. It does not change hands by import."
            read.problems.append(read.problem(row.row, "serial", sentence))
        elif customer is not None:
            other, at = first_customer.setdefault(row.serial, (customer, row.row))
            if other != customer:
                sentence = f"Transmitter {row.serial} stands at another customer’s site in row {at}."
                read.problems.append(read.problem(row.row, "serial", sentence))
        if row.type_code not in (None, UNKNOWN):
            kind, at = first_type.setdefault(row.serial, (str(row.type_code), row.row))
            if kind != row.type_code:
                sentence = f"Row {at} says that transmitter {row.serial} is of type {kind}."
                read.problems.append(read.problem(row.row, "type_code", sentence))


def check_places(read: Read, rows: Sequence[SlotRow], around: Around) -> None:
    """Check that each input of a transmitter stands in one slot, in the picture after the import."""
    on_record = around.on_record
    in_file = {(*row.place, row.slot) for row in rows}
    places: dict[tuple[str, int], list[tuple[str, bool]]] = defaultdict(list)
    for (site, label), receiver in on_record.receivers.items():
        for slot, taken in receiver.slots.items():
            if taken.serial and (site, label, slot) not in in_file:
                places[taken.serial, taken.input_number].append(
                    (f"on record in slot {slot} of {label} at {site}", taken.is_shared)
                )
    for row in rows:
        if row.serial == UNKNOWN:
            continue
        known = on_record.receivers.get(row.place)
        before = known.slots.get(row.slot) if known else None
        input_number = input_of(row.serial, row.input_number, before, n_inputs_of(row.serial, row.type_code, around))
        others = places[row.serial, input_number]
        is_shared = (
            row.is_shared
            if row.is_shared is not None
            else bool(before and before.serial == row.serial and before.is_shared)
        )
        undeclared = next((where for where, is_declared in others if not (is_declared and is_shared)), None)
        if undeclared:
            sentence = (
                f"Transmitter {row.serial}, input {input_number}, also stands {undeclared}. One of the two is wrong; "
                "where it is meant, write yes under “declared shared” in each of these rows."
            )
            read.problems.append(read.problem(row.row, "serial", sentence))
        others.append((f"in row {row.row}", is_shared))


def left_out(read: Read) -> frozenset[str]:
    """Give the serials of rows that cannot be used, also those that cannot be read: of these nothing more is said."""
    serials = set()
    for row, values in read.partial:
        serial = values.get("serial")
        place, cells = read.places.get("serial"), read.raw[row].cells
        if serial is None and place is not None and place < len(cells):
            # Without what no screen shows, it may well be the serial that other sheets name.
            serial = "".join(char for char in shown(cells[place]) if char.isprintable()).strip()
        if serial and serial != UNKNOWN:
            serials.add(serial)
    return frozenset(serials)


def say_slots_there(read: Read, sizes: Mapping[int, int | None]) -> None:
    """Say of a number outside every receiver which slots the row's receiver has; `sizes` are those, by row."""
    title = read.plan.title("slot")
    for place, problem in enumerate(read.problems if sizes else ()):
        n_slots = sizes.get(problem.row or 0)
        if n_slots and problem.column == title and " is outside 1 to " in problem.sentence:
            sentence = f"{problem.value} is outside 1 to {n_slots}, the slots of this receiver."
            read.problems[place] = replace(problem, sentence=sentence)
