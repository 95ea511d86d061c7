"""What an import compares with (the records by natural key) and what it comes to (fates and writes). Pure."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from devices.rules.import_facts import Place
from devices.rules.slot_rows import DrivenOutput

NEW, CHANGED, UNCHANGED, FAULT = "new", "changed", "unchanged", "fault"
Change = tuple[str, str, str]
"""Heading, before, after."""


@dataclass(frozen=True, slots=True)
class Known:
    """One row on record: its key and its facts by field name."""

    pk: int
    facts: Mapping[str, Any]


@dataclass(slots=True)
class Snapshot:
    """The records as they are, by the natural keys of the workbook."""

    customers: dict[str, Known] = field(default_factory=dict)
    contacts: dict[str, list[Known]] = field(default_factory=dict)
    sites: dict[str, Known] = field(default_factory=dict)
    receivers: dict[Place, Known] = field(default_factory=dict)
    outputs: dict[tuple[Place, int], Known] = field(default_factory=dict)
    slots: dict[tuple[Place, int], Known] = field(default_factory=dict)
    transmitters: dict[str, Known] = field(default_factory=dict)
    fittings: dict[str, list[Known]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Fate:
    """What becomes of one row: its place in the file, what it is about, and what changes."""

    sheet: str
    row: int
    what: str
    fate: str
    changes: tuple[Change, ...] = ()


@dataclass(frozen=True, slots=True)
class Write:
    """One row to write: `pk` None makes a new one. `before` holds the changed fields as they were."""

    key: Any
    pk: int | None
    fields: Mapping[str, Any]
    before: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class SlotWrite:
    """A registration that begins, and the one that it ends (`old`), if any.

    `begins_on` None: at the moment of the import. `is_same` keeps the thread between the two: the same transmitter set
    differently, or found where nothing answered.
    """

    place: Place
    slot: int
    serial: str
    fields: Mapping[str, Any]
    outputs: tuple[DrivenOutput, ...]
    begins_on: date | None = None
    old: Known | None = None
    is_same: bool = False
    must_register_again: bool = False


@dataclass(frozen=True, slots=True)
class FittingWrite:
    """Cells to add, or to correct (`pk`), and those on record (`ends`) that they took the place of."""

    serial: str
    pk: int | None
    fields: Mapping[str, Any]
    before: Mapping[str, Any] = field(default_factory=dict)
    ends: Known | None = None


@dataclass(slots=True)
class Plan:
    """Fates of all rows, and the writes in the order in which one builds on the other."""

    fates: list[Fate] = field(default_factory=list)
    customers: list[Write] = field(default_factory=list)
    contacts: list[Write] = field(default_factory=list)
    sites: list[Write] = field(default_factory=list)
    receivers: list[Write] = field(default_factory=list)
    outputs: list[Write] = field(default_factory=list)
    transmitters: list[Write] = field(default_factory=list)
    slot_words: list[tuple[Place, Write]] = field(default_factory=list)
    slots: list[SlotWrite] = field(default_factory=list)
    fittings: list[FittingWrite] = field(default_factory=list)

    @property
    def is_empty(self) -> bool:
        return not any(
            (
                self.customers, self.contacts, self.sites, self.receivers, self.outputs, self.transmitters,
                self.slot_words, self.slots, self.fittings,
            )
        )  # fmt: skip
