"""What this process remembers of transmitters from one batch to the next: who they are, where they stood, their cells.

A gateway speaks of the same transmitters every quarter hour, and hardly anything of them changes. So the answer is kept
with the stamp that the transmitter bore, and a batch that uses it asks, under the lock of the transmitter, whether it still
bears that one: `devices.unit_stamps` says why a stamp that is the same means that all is the same. Where it differs, the
batch begins anew with what is on record.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any, NamedTuple

from devices.rules.intake_places import Place, Unit

MOST = 50_000
"""Transmitters remembered by one process, some 1 kB each; our own choice. Beyond that it begins to remember anew."""
MOST_EVENTS = 500
"""Batches of more events are files of the past: they read what is on record. Our own choice."""


class Kept(NamedTuple):
    """A transmitter, all its registrations, its cells as `rollup_sql.stays_ask` reads them, and the stamp that goes with it."""

    id: int
    unit: Unit
    places: list[Place]
    stays: list[tuple[Any, ...]]
    stamp: int


class Memory:
    """Transmitters by their serials, exactly as they are on record; and the first day that is still kept."""

    def __init__(self) -> None:
        self._by_serial: dict[str, Kept] = {}
        self.border: date | None = None
        self.knows_border = False
        self.schema: int | None = None
        """Of SQLite, when what is remembered was read: see `intake_sql.schema_asks`."""
        self.may_keep = True

    def of(self, serials: Iterable[str], customer_id: int | None) -> list[Kept]:
        """What is remembered of some serials, of that customer if there is one."""
        known = self._by_serial.get
        found = [kept for serial in serials if (kept := known(serial)) is not None]
        return [kept for kept in found if kept[1][1] == customer_id] if customer_id is not None else found

    def keep(self, kept: Iterable[Kept]) -> None:
        """Remember some."""
        if not self.may_keep:
            return
        if len(self._by_serial) > MOST:
            self._by_serial.clear()
        for one in kept:
            self._by_serial[one.unit.serial] = one

    def forget(self, kept: Iterable[Kept]) -> None:
        """Do not remember these any more."""
        for one in kept:
            self._by_serial.pop(one.unit.serial, None)

    def keep_border(self, border: date | None) -> None:
        """Remember the first day that is kept."""
        self.border, self.knows_border = border, True

    def clear(self) -> None:
        """Remember nothing."""
        self._by_serial.clear()
        self.knows_border = False


memory = Memory()
