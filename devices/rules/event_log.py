"""Rows of an event log, as a monitoring centre or a gateway exports them, read into events by what a person chose. Pure.

Row numbers are those that a spreadsheet program shows. A row that cannot be taken comes back with its reason and holds up
no other; a row whose words are to be left out is counted.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from typing import Any, Protocol

from company.sheets import Cell, Row, shown
from devices.rules import intake_rows as limits
from devices.rules.event_log_times import NotATime, WallClock, add_clock, wall_or_moment
from devices.rules.event_words import IGNORE, take_apart
from devices.rules.events import OF_RECEIVER, Event, EventKind, RowProblem

FIELDS = ("time", "clock", "event", "state", "serial", "slot", "place", "receiver", "margin", "volts", "note")
PART_ROWS = 5_000
"""Rows of a file that go into one batch."""
_NOTHING = frozenset({"", "-", "--", "–", "—", "n/a", "na", "none", "null", "nil", "?", "unknown"})
_SLOT = re.compile(
    r"(?:zone|slot|point|sensor|device|loop|no\.?|nr\.?|z|c|u)?[ #:.\-]*0*(?P<number>[0-9]{1,4})(?:\.0+)?",
    re.IGNORECASE,
)
_FIGURE = re.compile(r"(?P<figure>[+\-−]?[0-9]{1,6}(?:[.,][0-9]{1,6})?)\s*(?:dbm?|v|volts?)?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class LogMap:
    """What a person chose for a file.

    Attributes
    ----------
    columns : mapping
        Field of `FIELDS` → column, counted from 0.
    head_row : int
        Row of the headings; 0 where there are none and the first row is an event.
    sheet : str
        Of a workbook; empty = the first.
    time_format : str
        One of `event_log_times.FORMATS`.
    zone : str
        Name of the time zone whose clock the file shows, for times that do not say theirs.
    is_falling : bool
        The newest row stands first.
    words : mapping
        Word of the event column (`Word.key`) → kind of event, or `IGNORE`.
    others : str
        What becomes of words that nobody chose for: "refuse" (the row comes back) or `IGNORE`.
    every_row : str
        Kind of every row, where no column says what happened.
    slot_offset : int
        Number of the zone that is slot 1, less 1; accounts on record have their own.
    receiver_code : str
        Code of the receiver that is meant where the row names none.
    """

    columns: Mapping[str, int]
    head_row: int = 1
    sheet: str = ""
    time_format: str = "iso"
    zone: str = "UTC"
    is_falling: bool = False
    words: Mapping[str, str] = field(default_factory=dict)
    others: str = "refuse"
    every_row: str = ""
    slot_offset: int = 0
    receiver_code: str = ""

    def as_json(self) -> dict[str, Any]:
        """For a job or a source; the same choices give the same object."""
        return {
            "columns": {name: self.columns[name] for name in FIELDS if name in self.columns}, "head_row": self.head_row,
            "sheet": self.sheet, "time_format": self.time_format, "zone": self.zone, "is_falling": self.is_falling,
            "words": dict(sorted(self.words.items())), "others": self.others, "every_row": self.every_row,
            "slot_offset": self.slot_offset, "receiver_code": self.receiver_code,
        }  # fmt: skip

    @classmethod
    def of_json(cls, given: Mapping[str, Any]) -> LogMap:
        """Read what `as_json` wrote; unknown names are left out."""
        return cls(**{name: given[name] for name in cls.__dataclass_fields__ if name in given})


@dataclass(frozen=True, slots=True)
class Place:
    """Whom a name in the file means: code of the receiver, its offset of zones, and why not where it could be several.

    A name that nobody knows stays as it is: the event is then set aside under it instead of being lost.
    """

    receiver: str = ""
    slot_offset: int | None = None
    why: str = ""
    is_unknown: bool = False


class Places(Protocol):
    """Finds receivers by account, site, label or code."""

    def find(self, place: str, receiver: str) -> Place: ...


@dataclass(slots=True)
class Part:
    """Rows of one batch, read.

    Attributes
    ----------
    number : int
        From 1.
    n_rows, n_ignored, n_clamped : int
        Filled rows of the file; those left out by their words; times that were cut to now.
    left : Counter of str
        The words by which rows were left out.
    unread : list of RowProblem
        Values that are no good (a figure, or a zone beside a serial) of rows that are events without them.
    """

    number: int
    events: list[Event] = field(default_factory=list)
    problems: list[RowProblem] = field(default_factory=list)
    n_rows: int = 0
    n_ignored: int = 0
    n_clamped: int = 0
    last_row: int = 0
    left: Counter[str] = field(default_factory=Counter)
    unread: list[RowProblem] = field(default_factory=list)


class _Left(Exception):
    """The row is left out by its words."""


class LogReader:
    """Reads rows one by one; holds nothing but the state of the clock.

    Parameters
    ----------
    chosen : LogMap
        What a person chose.
    zone : tzinfo
        The one that `chosen.zone` names.
    places : Places
        Finds receivers.
    has_receiver : bool
        A slot alone says which receiver is meant, because the source speaks for one only.
    now : datetime
        Aware.
    """

    def __init__(
        self, chosen: LogMap, *, zone: tzinfo, places: Places, now: datetime, has_receiver: bool = False
    ) -> None:
        self._map = chosen
        self._places = places
        self._now = now
        self._has_receiver = has_receiver
        self._clock = WallClock(zone, is_falling=chosen.is_falling)
        self._unread: list[RowProblem] = []

    def parts(self, rows: Iterable[Row]) -> Iterator[Part]:
        """Read rows in parts of `PART_ROWS` rows; the last may be shorter. A file without rows has no part."""
        part = Part(1)
        for row in rows:
            if row.number <= self._map.head_row:
                continue
            if part.n_rows == PART_ROWS:
                yield part
                part = Part(part.number + 1)
            self.read_into(part, row)
        if part.n_rows:
            yield part

    def read_into(self, part: Part, row: Row) -> None:
        """Read one row: an event, a problem, or left out."""
        part.n_rows += 1
        part.last_row = row.number
        self._unread = []
        try:
            event, was_cut = self._event(row)
        except _Left as left:
            part.n_ignored += 1
            part.left[str(left)] += 1
        except limits.BadRow as bad:
            part.problems.append(RowProblem(row.number, bad.field, bad.why))
        else:
            part.events.append(event)
            part.n_clamped += was_cut
            part.unread += self._unread

    def _cell(self, row: Row, name: str) -> Cell:
        column = self._map.columns.get(name)
        return row.cells[column] if column is not None and column < len(row.cells) else None

    def _text(self, row: Row, name: str) -> str:
        cell = self._cell(row, name)
        return "" if cell is None else cell if isinstance(cell, str) else shown(cell)

    def _event(self, row: Row) -> tuple[Event, bool]:
        # The time comes first even where the row is left out: the clock needs every row to know the hour that comes twice.
        at = self._time(row)
        kind, zone = self._kind(row)
        at, was_cut = self._within(at)
        serial = self._name(row, "serial", limits.SERIAL_CHARS)
        place = self._place(row)
        slot = None if kind in OF_RECEIVER else self._slot(row, zone, place, is_needed=not serial)
        receiver = place.receiver or (self._map.receiver_code if not place.why else "")
        if serial and place.is_unknown:
            # The serial says whose it is; a name that nobody knows must not stand against it.
            receiver = ""
        self._must_name(kind, serial, slot, receiver, place)
        event = Event(
            row.number, kind, at, serial, receiver, slot, self._figure(row, "margin", "margin_db", limits.MARGIN_DB, "dB"),
            self._figure(row, "volts", "battery_v", limits.BATTERY_V, "V"), limits.note_of(self._text(row, "note")),
        )  # fmt: skip
        return event, was_cut

    def _must_name(self, kind: str, serial: str, slot: int | None, receiver: str, place: Place) -> None:
        """Refuse a row from which nobody can tell which transmitter or receiver is meant."""
        if kind in OF_RECEIVER:
            if not receiver and not self._has_receiver:
                raise limits.BadRow(
                    "receiver", place.why or "The row does not say which receiver or account it is about."
                )
            return
        if serial:
            return
        if slot is None:
            raise limits.BadRow("serial", "The row names neither a serial nor a zone. Which transmitter was it?")
        if not receiver and not self._has_receiver:
            raise limits.BadRow(
                "receiver", place.why or "The row does not say at which receiver or account this zone is."
            )

    def _time(self, row: Row) -> datetime:
        cell = self._cell(row, "time")
        try:
            if cell is None:
                raise NotATime("The time is missing.")
            when, is_aware = wall_or_moment(cell, self._map.time_format)
            if "clock" in self._map.columns and not is_aware:
                when, is_aware = add_clock(when, self._cell(row, "clock"))
            return when if is_aware else self._clock.moment(when)
        except (NotATime, OverflowError) as wrong:
            raise limits.BadRow("time", str(wrong)) from None

    def _within(self, at: datetime) -> tuple[datetime, bool]:
        """The time within what is taken; nobody can send a row of a file again, so the words are of the file."""
        if at > self._now + limits.AHEAD_AT_MOST:
            raise limits.BadRow(
                "time",
                "This is more than a day ahead. Look whether day and month, and the time zone, were chosen rightly.",
            )
        return limits.within(at, now=self._now, is_by_hand=True)

    def _kind(self, row: Row) -> tuple[str, int | None]:
        chosen = self._map
        if "event" not in chosen.columns:
            return chosen.every_row, None
        word = take_apart(self._text(row, "event"), self._text(row, "state"))
        kind = chosen.words.get(word.key) or (IGNORE if chosen.others == IGNORE else "")
        if kind == IGNORE:
            raise _Left(word.shown)
        if not kind:
            if not word.key:
                raise limits.BadRow("kind", "The row does not say what happened.")
            raise limits.BadRow("kind", f"Nobody chose yet what “{word.shown[:60]}” means.")
        return EventKind(kind).value, word.zone

    def _name(self, row: Row, name: str, limit: int) -> str:
        text = " ".join(self._text(row, name).split())
        return "" if text.casefold() in _NOTHING else limits.text_of(text, name, limit)

    def _place(self, row: Row) -> Place:
        place, receiver = self._name(row, "place", 120), self._name(row, "receiver", 120)
        return self._places.find(place, receiver) if place or receiver else Place()

    def _slot(self, row: Row, zone: int | None, place: Place, *, is_needed: bool) -> int | None:
        """The slot; beside a serial one that is no good is left out."""
        try:
            return self._slot_said(row, zone, place)
        except limits.BadRow as bad:
            if is_needed:
                raise
            self._unread.append(RowProblem(row.number, bad.field, bad.why))
            return None

    def _slot_said(self, row: Row, zone: int | None, place: Place) -> int | None:
        text = self._text(row, "slot")
        if text.casefold() in _NOTHING:
            number = zone
        elif match := _SLOT.fullmatch(text):
            number = int(match["number"])
        else:
            raise limits.BadRow("slot", f"“{text[:40]}” is no zone number. Expected is a whole number.")
        if number is None:
            return None
        slot = number - (self._map.slot_offset if place.slot_offset is None else place.slot_offset)
        if not 1 <= slot <= limits.SLOTS:
            raise limits.BadRow("slot", f"Zone {number} would be slot {slot}. Slots go from 1 to {limits.SLOTS}.")
        return slot

    def _figure(self, row: Row, name: str, told: str, span: tuple[float, float], unit: str) -> float | None:
        """A figure; one that is no good is left out, and costs no event."""
        try:
            return self._figure_said(row, name, told, span, unit)
        except limits.BadRow as bad:
            self._unread.append(RowProblem(row.number, bad.field, bad.why))
            return None

    def _figure_said(self, row: Row, name: str, told: str, span: tuple[float, float], unit: str) -> float | None:
        cell = self._cell(row, name)
        if isinstance(cell, str):
            if cell.casefold() in _NOTHING:
                return None
            match = _FIGURE.fullmatch(cell)
            if match is None:
                raise limits.BadRow(told, f"“{cell[:40]}” is no figure [{unit}].")
            cell = float(match["figure"].replace(",", ".").replace("−", "-"))
        return limits.number_of(cell, told, span, unit)
