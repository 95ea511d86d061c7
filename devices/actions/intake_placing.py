"""Events of a batch put where they belong: days of transmitters, signals of faults, link tests, or set aside. Reads only."""

from __future__ import annotations

import functools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, NamedTuple

from django.utils.translation import get_language, ngettext
from django.utils.translation import gettext as _

from devices.actions import intake_sql as isql
from devices.actions.fault_events import Signal
from devices.actions.intake_memory import Memory
from devices.actions.rollup_sql import Key
from devices.models import CheckInDay, IntakeSource
from devices.rules.day_acts import MOST_SOURCE
from devices.rules.day_merge import DayRow
from devices.rules.events import CLEARS, HEARD, OF_RECEIVER, RAISES, Event, EventKind, RowProblem
from devices.rules.intake_places import (
    HEARD_BY_CHANCE,
    NO_RECEIVER,
    NO_SLOT,
    NOBODY,
    SEVERAL,
    SPARE,
    UNKNOWN,
    Place,
    Places,
    Station,
    Stations,
    Unit,
    begin_of,
    span_of,
)
from devices.rules.presence import N_BYTES, QUARTER_S
from devices.rules.set_aside_units import unit_key

FLAGS = {"low_battery": CheckInDay.LOW_BATTERY, "tamper": CheckInDay.TAMPER}
LINK_TEST, UNREGISTERED = EventKind.LINK_TEST.value, EventKind.UNREGISTERED.value
SIGNALS = frozenset(RAISES) | frozenset(CLEARS)
OF_ITSELF = frozenset({"low_battery", "battery_restored", "trouble", "trouble_restored"})
"""Signals about what a transmitter takes with it from place to place; tamper is about how it hangs."""
PLAIN = frozenset(HEARD) - SIGNALS - frozenset(OF_RECEIVER) - {UNREGISTERED}
_tuple = tuple.__new__
LEAST_MARGIN, MOST_MARGIN = -32768, 32767


class Sender(NamedTuple):
    """Whom a batch speaks for: the source, its customer and site (None: all), and the receiver and site of the batch."""

    source_id: int
    name: str
    kind: str
    customer_id: int | None
    own_site_id: int | None
    receiver_id: int | None
    site_id: int | None

    @property
    def scope(self) -> isql.Scope:
        """Which receivers it may name."""
        return isql.Scope(self.customer_id, self.own_site_id)

    @property
    def fed_scope(self) -> isql.Scope:
        """Of which receivers that it feeds the batch speaks, where it names none."""
        return isql.Scope(self.customer_id, self.site_id)

    @property
    def acts_source(self) -> int:
        """Its key where what it counts is told apart from what others count; 0 for files."""
        return self.source_id if self.kind != IntakeSource.Kind.FILE and self.source_id <= MOST_SOURCE else 0


class Aside(NamedTuple):
    """An event that could not be placed, the receiver it names (if known), and a sentence that says why."""

    event: Event
    receiver_id: int | None
    why: str

    @property
    def unit(self) -> str:
        """Under which it waits."""
        event = self.event
        return unit_key(
            serial=event.serial[:40], receiver_id=self.receiver_id, slot=event.slot, named=event.receiver
        )  # fmt: skip


class InNoSlot(NamedTuple):
    """What a transmitter on record said of itself while it stood nowhere, and the receiver that is named (if known)."""

    event: Event
    transmitter_id: int
    customer_id: int
    receiver_id: int | None


@dataclass(slots=True)
class Placed:
    """Where the events of a batch belong."""

    acts_source: int
    places: Places
    found: isql.Found
    """What the places of all events were worked out from."""
    said: dict[Key, list[Any]] = field(default_factory=dict)
    """By transmitter and day: bits, least margin, flags, last second, activations by quarter hour."""
    signals: list[Signal] = field(default_factory=list)
    link_tests: dict[int, datetime] = field(default_factory=dict)
    receiver_ids: set[int] = field(default_factory=set)
    aside: list[Aside] = field(default_factory=list)
    problems: list[RowProblem] = field(default_factory=list)
    in_no_slot: list[InNoSlot] = field(default_factory=list)

    def keys(self) -> list[Key]:
        """Transmitters and days that were heard of, sorted."""
        return sorted(self.said)

    def stations(self) -> set[int]:
        """Every receiver at which the transmitters heard ever stood: what was expected of them hangs on its closed days."""
        places = self.places.of_unit
        return {place.receiver_id for unit, _ in self.said for place in places.get(unit, ())}

    def days(self, closed: Mapping[int, date | None]) -> dict[Key, list[DayRow]]:
        """Days as `rollups.merge_days` takes them, sorted; `closed` says of all `stations` before which day theirs are over."""
        places, source_id = self.places.of_unit, self.acts_source
        found: dict[Key, list[DayRow]] = {}
        for key in sorted(self.said):
            unit, day = key
            bits, margin, flags, last_s, acts = self.said[key]
            sums = tuple(sorted(acts.items())) if acts else ()
            span = span_of(places.get(unit, ()), day, closed)
            mask = bits.to_bytes(N_BYTES, "little")
            # What `DayRow(…)` does, without a call of Python for each of the days of a batch.
            row = _tuple(DayRow, (unit, day, 0, 0, 0, 0, margin, flags, last_s, mask, sums, source_id, *span))
            found[key] = [row]
        return found

    def aside_rows(self, sender: Sender) -> list[tuple[Any, ...]]:
        """Rows as `intake_sql.set_aside_asks` takes them, but for the batch."""
        return [
            (
                sender.customer_id, one.receiver_id, one.event.slot, one.event.serial[:40], one.unit, one.event.kind,
                one.event.at, one.event.row, as_json(one.event), one.why[:120],
            )
            for one in self.aside
        ]  # fmt: skip


def as_json(event: Event) -> dict[str, Any]:
    """An event as it is kept while set aside; `event_of` reads it."""
    return {
        "row": event.row, "kind": event.kind, "at": event.at.isoformat(), "serial": event.serial,
        "receiver": event.receiver, "slot": event.slot, "margin_db": event.margin_db, "battery_v": event.battery_v,
        "note": event.note,
    }  # fmt: skip


def event_of(kept: dict[str, Any]) -> Event:
    """An event that was set aside."""
    return Event(**{**kept, "at": datetime.fromisoformat(kept["at"])})


def _why(code: str, event: Event, n_slots: int = 0, *, is_panel: bool = False) -> str:
    if code == NO_SLOT and event.slot and n_slots:
        return ngettext(
            "The receiver has only %(n)s slot. Look from which number on the sender counts its slots.",
            "The receiver has only %(n)s slots. Look from which number on the sender counts its slots.", n_slots,
        ) % {"n": n_slots}  # fmt: skip
    if code == NO_RECEIVER and is_panel:
        return _("It is not said which receiver this panel reports for. Choose it on the panel’s page.")
    if code == SPARE:
        return _("Slot %(slot)s of this receiver is spare. Enter what stands there.") % {"slot": event.slot}
    if code == NOBODY:
        return _("The serial of the transmitter in slot %(slot)s is not on record. Enter it.") % {"slot": event.slot}
    return _words(get_language())[code]


@functools.cache
def _words(language: str | None) -> dict[str, str]:
    return {
        UNKNOWN: _("No transmitter of this serial is on record. Check the serial, or have the transmitter entered."),
        SEVERAL: _("Several transmitters have serials like this. Send it spelt as on record."),
        NO_RECEIVER: _("No receiver is known by this name, or several are. Name it by its code."),
        NO_SLOT: _("It names no slot of the receiver. Look from which number on the sender counts its slots."),
        HEARD_BY_CHANCE: _("The receiver hears this transmitter, but has no slot for it. Look where it belongs."),
    }


def place_events(sender: Sender, events: Sequence[Event], memory: Memory | None = None) -> Placed:
    """Find out where each event belongs: what the batch names is read in as few queries as can be, or remembered.

    Whoever hands over a memory checks under the locks that what was `found` there still holds.
    """
    return place_parts(sender, [events], memory)[0]


def place_parts(
    sender: Sender, parts: Sequence[Sequence[Event]], memory: Memory | None = None
) -> list[Placed]:  # fmt: skip
    """The same for several batches of one sender, each by itself; it takes no more queries than for one."""
    events = parts[0] if len(parts) == 1 else [event for part in parts for event in part]
    found = isql.units_and_places({event.serial for event in events if event.serial}, sender.scope, memory)
    stations = Stations(_stations(sender, events))
    placer = _Placer(sender, found, stations)
    slots = {
        (station, event.slot)
        for event in events
        if not event.serial and event.slot and (station := placer.station_id(event)) is not None
    }
    read = found.places
    if slots:
        known = {place.id for place in read}
        read = [*read, *(place for place in isql.places_in(slots) if place.id not in known)]
    places = Places(read, {one.id: one.places for one in found.kept})
    return [placer.place(part, places) for part in parts]


def _stations(sender: Sender, events: Iterable[Event]) -> list[Station]:
    """Receivers that the events name, and the one that is meant where they name none."""
    words = {event.receiver for event in events if event.receiver}
    found = isql.stations_named(words, isql.Scope(sender.customer_id, sender.site_id)) if words else []
    nameless = any(not event.receiver and not event.serial for event in events)
    if nameless and (sender.site_id is not None or sender.receiver_id is not None):
        assert sender.site_id is not None  # A receiver comes with its site.
        found += [row for row in isql.stations_at(sender.site_id, sender.receiver_id) if row not in found]
    return found


class _Placer:
    """Puts events one by one where they belong."""

    def __init__(self, sender: Sender, found: isql.Found, stations: Stations) -> None:
        self._sender = sender
        self._found = found
        self._units = found.units
        self._stations = stations
        self._border = begin_of(found.border) if found.border is not None else None
        at_site = [row for row in stations.by_id.values() if row.site_id == sender.site_id and row.is_open]
        self._only = sender.receiver_id or (at_site[0].id if len(at_site) == 1 else None)

    def station_id(self, event: Event) -> int | None:
        """The receiver that an event speaks of, or that speaks: as it names it, or that of the batch."""
        if not event.receiver:
            return self._only
        station = self._stations.meant(event.receiver)
        return station.id if station else None

    def place(self, events: Sequence[Event], places: Places) -> Placed:
        """Put all of them where they belong."""
        placed = Placed(self._sender.acts_source, places, self._found)
        border = self._border
        for event in self._all_but_plain(events, placed):
            if border is not None and event.at < border:
                placed.problems.append(_too_old(event))
            elif event.kind in OF_RECEIVER:
                self._of_receiver(event, placed)
            else:
                self._of_unit(event, placed)
        return placed

    def _all_but_plain(self, events: Sequence[Event], placed: Placed) -> Sequence[Event]:
        """Put events where they belong that are as nearly all are, as `_of_unit` would, only faster; gives the others.

        They were heard, raise and end nothing, name no receiver, and their serial is on record just so for a transmitter
        that ever stood in one place only, of its own customer.
        """
        if self._sender.own_site_id is not None:
            return events
        unit_of, places_of, border = self._units.exact.get, placed.places.of_unit.get, self._border
        said, hear = placed.said, placed.receiver_ids.add
        others: list[Event] = []
        for event in events:
            _, kind, at, serial, receiver, _, margin_db, _, _ = event
            unit = unit_of(serial)
            if unit is None or receiver or kind not in PLAIN or (border is not None and at < border):
                others.append(event)
                continue
            unit_id, unit_customer_id, _, _ = unit
            rows = places_of(unit_id)
            if rows is None or len(rows) != 1:
                others.append(event)
                continue
            _, _, receiver_id, _, customer_id, _, from_at, to_at, _ = rows[0]
            if customer_id != unit_customer_id or from_at > at or (to_at is not None and at >= to_at):
                others.append(event)
                continue
            hear(receiver_id)
            _say(said, unit_id, kind, at, margin_db)
        return others

    def _of_receiver(self, event: Event, placed: Placed) -> None:
        station = self.station_id(event)
        if station is None:
            placed.aside.append(Aside(event, None, self._told(NO_RECEIVER, event, None)))
            return
        placed.receiver_ids.add(station)
        if event.kind == LINK_TEST:
            placed.link_tests[station] = max(event.at, placed.link_tests.get(station, event.at))
            return
        row = self._stations.by_id[station]
        placed.signals.append(Signal(event.kind, event.at, row.customer_id, row.site_id, row.id, note=event.note))

    def _of_unit(self, event: Event, placed: Placed) -> None:
        found = self._who(event, placed.places)
        if isinstance(found, str):
            receiver_id = self._sender.receiver_id if not event.receiver else self.station_id(event)
            placed.aside.append(Aside(event, receiver_id, self._told(found, event, receiver_id)))
            return
        transmitter_id, place = found
        if place is not None:
            placed.receiver_ids.add(place.receiver_id)
            if event.kind in SIGNALS:
                placed.signals.append(
                    Signal(
                        event.kind, event.at, place.customer_id, place.site_id, place.receiver_id, place.id, transmitter_id,
                        event.note,
                    )
                )  # fmt: skip
        elif event.kind in OF_ITSELF and isinstance(unit := self._units.meant(event.serial), Unit):
            receiver_id = self._sender.receiver_id if not event.receiver else self.station_id(event)
            placed.in_no_slot.append(InNoSlot(event, unit.id, unit.customer_id, receiver_id))
        if transmitter_id is not None and event.kind in HEARD:
            _say(placed.said, transmitter_id, event.kind, event.at, event.margin_db)

    def _told(self, code: str, event: Event, receiver_id: int | None) -> str:
        return _why(code, event, self._n_slots(receiver_id), is_panel=self._sender.kind == IntakeSource.Kind.PANEL)

    def _n_slots(self, receiver_id: int | None) -> int:
        station = self._stations.by_id.get(receiver_id or 0)
        return station.n_slots if station else 0

    def _who(self, event: Event, places: Places) -> tuple[int | None, Place | None] | str:
        """Transmitter and where it stood, or why nobody can tell."""
        if event.kind == UNREGISTERED:
            return HEARD_BY_CHANCE
        if event.serial:
            unit = self._units.meant(event.serial)
            if isinstance(unit, str):
                return unit
            return self._stood(event, unit, places)
        station = self.station_id(event)
        if station is None:
            return NO_RECEIVER
        if event.slot is None:
            return NO_SLOT
        place = places.in_slot(station, event.slot, event.at)
        if place is None:
            return NO_SLOT if event.slot > (self._n_slots(station) or event.slot) else SPARE
        if place.transmitter_id is None and event.kind not in SIGNALS:
            return NOBODY
        return place.transmitter_id, place

    def _stood(self, event: Event, unit: Unit, places: Places) -> tuple[int, Place | None] | str:
        receiver_id = self.station_id(event) if event.receiver else self._sender.receiver_id
        place = places.in_force(unit.id, event.at, receiver_id)
        if place is not None:
            own, customer = self._sender.own_site_id, self._sender.customer_id
            # What stands at another site is none of this source's business, and it is not told so.
            if (own is not None and place.site_id != own) or (customer is not None and place.customer_id != customer):
                return UNKNOWN
        return unit.id, place


def _say(said: dict[Key, list[Any]], transmitter_id: int, kind: str, at: datetime, margin_db: float | None) -> None:
    key = (transmitter_id, at.date())
    day = said.get(key)
    if day is None:
        # Quarter hours heard (bits), least margin, flags, last second, activations by quarter hour.
        day = said[key] = [0, None, 0, 0, None]
    second = at.hour * 3600 + at.minute * 60 + at.second
    quarter = second // QUARTER_S
    day[0] |= 1 << quarter
    if second > day[3]:
        day[3] = second
    if margin_db is not None:
        margin = round(margin_db)
        if not LEAST_MARGIN <= margin <= MOST_MARGIN:
            margin = LEAST_MARGIN if margin < 0 else MOST_MARGIN
        if day[1] is None or margin < day[1]:
            day[1] = margin
    if kind == "activation":
        if day[4] is None:
            day[4] = {}
        day[4][quarter] = day[4].get(quarter, 0) + 1
    elif kind in FLAGS:
        day[2] |= FLAGS[kind]


def _too_old(event: Event) -> RowProblem:
    return RowProblem(event.row, "time", _("The days before this are no longer kept. Leave the row out."))
