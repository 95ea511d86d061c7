"""How two slot maps of one receiver differ, slot by slot and line by line; pure Python."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from devices.rules.slot_map import COLUMNS, SlotRow, cells


@dataclass(frozen=True, slots=True)
class FieldChange:
    """One line of a slot before and after."""

    what: str
    old: str
    new: str


@dataclass(frozen=True, slots=True)
class SlotChange:
    """How one slot differs between two slot maps: filled, emptied, swapped or changed."""

    slot: int
    kind: str
    lines: tuple[FieldChange, ...] = ()


_COMPARED = ("Place", "Area", "What", "Serial", "Input", "Duty", "Leaves the site", "Supervision", "Check-in every",
             "Outputs", "Contact", "Cells", "Cells fitted")  # fmt: skip


def compare_rows(old: SlotRow, new: SlotRow) -> SlotChange | None:
    """How a slot changed, or None where nothing that was planned or fitted changed (due dates and check-ins do not
    count).
    """
    before: Mapping[str, str] = dict(zip(COLUMNS, cells(old), strict=True))
    after: Mapping[str, str] = dict(zip(COLUMNS, cells(new), strict=True))
    lines = tuple(FieldChange(name, before[name], after[name]) for name in _COMPARED if before[name] != after[name])
    if not lines:
        return None
    if old.is_spare:
        kind = "filled"
    elif new.is_spare:
        kind = "emptied"
    else:
        kind = "swapped" if old.serial != new.serial else "changed"
    return SlotChange(new.slot, kind, lines)


def diff_slot_maps(old: Iterable[SlotRow], new: Iterable[SlotRow]) -> tuple[SlotChange, ...]:
    """Compare two slot maps of one receiver slot by slot; a slot that only one of them has counts as spare in the
    other.
    """
    before = {row.slot: row for row in old}
    after = {row.slot: row for row in new}
    changes = (
        compare_rows(before.get(slot) or SlotRow(slot), after.get(slot) or SlotRow(slot))
        for slot in sorted(before.keys() | after.keys())
    )
    return tuple(change for change in changes if change is not None)


@dataclass(frozen=True, slots=True)
class Moved:
    """A transmitter that stands in another slot than before; an empty place means outside of what is compared."""

    serial: str
    from_slot: int
    to_slot: int


def moves(old: Iterable[SlotRow], new: Iterable[SlotRow]) -> tuple[Moved, ...]:
    """Transmitters that stood in one slot before and stand in another one after; those in several slots are left out."""
    before, after = _places(old), _places(new)
    return tuple(
        Moved(serial, before[serial], after[serial])
        for serial in sorted(before.keys() & after.keys())
        if before[serial] != after[serial]
    )


def _places(rows: Iterable[SlotRow]) -> dict[str, int]:
    found: dict[str, list[int]] = {}
    for row in rows:
        if row.serial:
            found.setdefault(row.serial, []).append(row.slot)
    return {serial: slots[0] for serial, slots in found.items() if len(slots) == 1}


def tally(changes: Iterable[SlotChange]) -> dict[str, int]:
    """Number of slots by what happened to them: filled, emptied, swapped, changed."""
    counts = {"filled": 0, "emptied": 0, "swapped": 0, "changed": 0}
    for one in changes:
        counts[one.kind] += 1
    return counts


DIFF_COLUMNS = ("Receiver", "Slot", "What happened", "Line", "Before", "After", "By", "When", "Why")
"""Headings of the differences as a table (CSV)."""
