"""What a slot keeps of its settings where another transmitter comes into it and its row leaves cells blank. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from company.sheets import UNKNOWN, Read
from devices.rules.import_facts import Taken
from sites.rules.site_rows import fold

if TYPE_CHECKING:
    from devices.rules.slot_rows import Around

KEPT = ("label", "area", "duty", "is_portable", "window", "interval", "outputs", "contact")
"""Columns of the sheet "slots" that say how a slot is set, whatever stands in it; blank, they stay as they are."""


def input_of(serial: str, stated: int | None, before: Taken | None, n_inputs: int | None) -> int:
    """Give the input [1] that a row means: as stated, else as on record, unless the new transmitter has no such input."""
    if stated is not None:
        return stated
    return kept_input(before.input_number, before.serial in ("", serial), n_inputs) if before else 1


def kept_input(on_record: int, is_same: bool, n_inputs: int | None) -> int:
    """Give the input [1] that stays where the row names none; 1 where another transmitter has fewer than that."""
    return on_record if is_same or n_inputs is None or on_record <= n_inputs else 1


def type_code_of(serial: str, stated: str | None, around: Around) -> str:
    """Give the type of a transmitter, as stated or as on record; empty where nobody knows it."""
    if stated not in (None, UNKNOWN):
        return str(stated)
    known = around.on_record.transmitters.get(serial)
    return known.type_code if known else ""


def n_inputs_of(serial: str, stated: str | None, around: Around) -> int | None:
    """Give how many inputs a transmitter has, None where its type is not known."""
    kind = around.catalogue.transmitter_types.get(type_code_of(serial, stated, around))
    return kind.n_inputs if kind else None


def remark_kept(read: Read, row: int, values: Mapping[str, Any], around: Around) -> None:
    """Say loudly what stays as it was where a transmitter of another kind comes into a slot."""
    known = around.on_record.receivers.get((fold(values["site"]), values["receiver"]))
    before = known.slots.get(values["slot"]) if known else None
    if before is None or not before.serial or values["serial"] in (UNKNOWN, before.serial):
        return
    stated = values.get("input_number")
    n_inputs = n_inputs_of(values["serial"], values["type_code"], around)
    number = input_of(values["serial"], stated, before, n_inputs)
    if stated is None and number != before.input_number:
        sentence = (
            f"The slot listens to input {before.input_number}, which {values['serial']} does not have; input {number} is "
            "written. Is that where it is wired?"
        )
        read.problems.append(read.problem(row, "input_number", sentence, is_fault=False))
    old = type_code_of(before.serial, None, around)
    new = type_code_of(values["serial"], values["type_code"], around)
    blank = [read.plan.title(key) for key in KEPT if values.get(key) is None]
    if old and new and old != new and blank:
        sentence = (
            f"{before.serial} of type {old} stands here; this is of type {new}. What the row leaves blank stays as it was: "
            f"{', '.join(blank)}. Fill in what does not hold for the new one."
        )
        read.problems.append(read.problem(row, "serial", sentence, is_fault=False))
