"""Where an event belongs: which transmitter it names, and in which slot that stood when it happened. Pure.

A source finds only what its customer has: whatever else a serial may name is to it as unknown as a serial of nobody.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from itertools import chain
from typing import NamedTuple

from devices.rules.presence import DAY_S, second_of
from devices.rules.serials import Serials, serial_key

UNKNOWN, SEVERAL, SPARE, NOBODY, NO_RECEIVER, NO_SLOT, HEARD_BY_CHANCE = (
    "unknown",
    "several",
    "spare",
    "nobody",
    "receiver",
    "slot",
    "chance",
)
"""Why an event is set aside: serial not known; serial could mean several; slot spare; slot taken by a transmitter whose
serial nobody knows; receiver not known, or several alike; the receiver has no such slot, or none is named; the receiver itself says that it has no slot for it."""


class Unit(NamedTuple):
    """A transmitter on record."""

    id: int
    customer_id: int
    serial: str
    is_retired: bool


class Place(NamedTuple):
    """A registration: what stood in a slot from a moment on, until another (exclusive; None: still there)."""

    id: int
    transmitter_id: int | None
    receiver_id: int
    site_id: int
    customer_id: int
    slot: int
    from_at: datetime
    to_at: datetime | None
    interval_s: int | None

    def holds(self, at: datetime) -> bool:
        """Whether it was in force at a moment."""
        return self.from_at <= at and (self.to_at is None or at < self.to_at)


class Station(NamedTuple):
    """A receiver as events may name it."""

    id: int
    customer_id: int
    site_id: int
    code: str
    label: str
    serial: str
    is_open: bool
    n_slots: int = 0


class Span(NamedTuple):
    """What was expected of a transmitter on a day: interval [s], from and to [s since midnight UTC], see `DayRow`."""

    interval_s: int | None = None
    from_s: int = 0
    to_s: int | None = None


class Units:
    """Transmitters on record, found by the serials that events bear.

    Parameters
    ----------
    units : iterable of Unit
        Those that the sender may know of, at least all whose serial it gave.
    alike : iterable of Unit
        All that are spelt like one of its serials which is not on record as it stands.
    """

    def __init__(self, units: Iterable[Unit], alike: Iterable[Unit] = ()) -> None:
        self._alike = {unit.serial: unit for unit in alike}
        self.exact = {unit.serial: unit for unit in units} | self._alike
        """Those whose serial stands on record just so."""
        self._found: dict[str, Unit | str] = {}
        self._spelt: Serials | None = None

    def meant(self, serial: str) -> Unit | str:
        """Give the transmitter that a serial means, or why there is none (`UNKNOWN`, `SEVERAL`)."""
        if serial in self.exact:
            return self.exact[serial]
        found = self._found.get(serial)
        if found is None:
            found = self._found[serial] = self._look(serial)
        return found

    def _look(self, serial: str) -> Unit | str:
        if self._spelt is None:
            self._spelt = Serials(self._alike, {unit.serial for unit in self._alike.values() if unit.is_retired})
        name = self._spelt.meant(serial)
        if name is not None:
            return self.exact[name]
        live = [one for one in self._spelt.alike(serial) if not self.exact[one].is_retired]
        return SEVERAL if len(live) > 1 else UNKNOWN


class Stations:
    """Receivers that the sender may know of, found by code, serial or label, in this order; open ones first."""

    def __init__(self, rows: Iterable[Station]) -> None:
        self._by: dict[str, dict[str, list[Station]]] = {"code": {}, "serial": {}, "label": {}}
        self.by_id: dict[int, Station] = {}
        for row in rows:
            self.by_id[row.id] = row
            for name, key in (("code", row.code.casefold()), ("serial", serial_key(row.serial) if row.serial else ""),
                              ("label", row.label.casefold())):  # fmt: skip
                if key:
                    self._by[name].setdefault(key, []).append(row)

    def meant(self, word: str) -> Station | None:
        """Give the receiver that a word means; None where there is none, or several are alike."""
        for name, key in (("code", word.casefold()), ("serial", serial_key(word)), ("label", word.casefold())):
            rows = self._by[name].get(key, [])
            some = [row for row in rows if row.is_open] or rows
            if len(some) == 1:
                return some[0]
            if some:
                return None
        return None


class Places:
    """Registrations, by transmitter and by slot."""

    def __init__(self, rows: Iterable[Place], of_unit: Mapping[int, list[Place]] | None = None) -> None:
        self.of_unit: dict[int, list[Place]] = dict(of_unit or {})
        """All places of a transmitter; those handed over so already are not looked through again."""
        self._rows = list(rows)
        self._of_slot: dict[tuple[int, int], list[Place]] | None = None
        for row in self._rows:
            unit = row.transmitter_id
            if unit is None or (of_unit and unit in of_unit):
                continue
            if unit in self.of_unit:
                self.of_unit[unit].append(row)
            else:
                self.of_unit[unit] = [row]

    def in_force(self, transmitter_id: int, at: datetime, receiver_id: int | None = None) -> Place | None:
        """Give where a transmitter stood at a moment: at the receiver asked for, or else the first place by receiver and slot."""
        rows = self.of_unit.get(transmitter_id, ())
        if len(rows) == 1:
            # As `holds`; nearly all are the only one.
            only = rows[0]
            return only if only.from_at <= at and (only.to_at is None or at < only.to_at) else None
        here = [row for row in rows if row.holds(at)]
        return min(here, key=lambda row: (row.receiver_id != receiver_id, row.receiver_id, row.slot), default=None)

    def in_slot(self, receiver_id: int, slot: int, at: datetime) -> Place | None:
        """Give what stood in a slot at a moment; None: it was spare."""
        if self._of_slot is None:
            self._of_slot = defaultdict(list)
            loose = (row for row in self._rows if row.transmitter_id is None)
            for row in chain(loose, chain.from_iterable(self.of_unit.values())):
                self._of_slot[row.receiver_id, row.slot].append(row)
        return next((row for row in self._of_slot.get((receiver_id, slot), ()) if row.holds(at)), None)


@lru_cache(maxsize=128)
def begin_of(day: date) -> datetime:
    """Give the midnight of UTC with which a day begins."""
    return datetime.combine(day, time(), UTC)


def span_of(places: Sequence[Place], day: date, closed: Mapping[int, date | None]) -> Span:
    """Give what was expected of a transmitter on a day of UTC.

    Parameters
    ----------
    places : sequence of Place
        All places of the transmitter.
    day : date
        Day of UTC.
    closed : mapping of int to date or None
        By receiver: days before it are over there, and every transmitter has a row of them.

    Returns
    -------
    Span
        The interval of the end of the day, the shortest of several places (the day of a change belongs to what came new);
        from the moment of the first registration, where that lies in the day; to its end, or to where the last one ended,
        once the receiver's day is closed, None before. Without a place nothing is expected.
    """
    begin = begin_of(day)
    if len(places) == 1:
        _, _, receiver_id, _, _, _, from_at, to_at, interval_s = places[0]
        if to_at is None and from_at <= begin:
            over = closed[receiver_id]
            to_s = DAY_S if over is not None and day < over else None
            return tuple.__new__(Span, (interval_s or None, 0, to_s))
    end = begin + timedelta(days=1)
    here = [row for row in places if row.from_at < end and (row.to_at is None or row.to_at > begin)]
    if not here:
        return Span()
    last = max((row.to_at or end) for row in here)
    intervals = [row.interval_s for row in here if row.interval_s and (row.to_at or end) >= min(last, end)]
    first = min(row.from_at for row in here)
    to_s = None
    if any((over := closed[row.receiver_id]) is not None and day < over for row in here):
        to_s = second_of(last) if last < end else DAY_S
    return Span(min(intervals, default=None), second_of(first) if first > begin else 0, to_s)
