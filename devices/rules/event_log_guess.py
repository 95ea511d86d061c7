"""What an event log is likely to hold: where its headings stand, which column is what, in which form its times are. Pure.

Headings say most; where they are missing or strange the cells are looked at. Everything here is a proposal that a person
sees and changes; day-first or month-first is never proposed where the cells do not tell. Shares and limits are our own
choice, headings those that exports are known to have, from memory.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from company.sheets import Cell, Row, shown
from devices.rules.event_log import FIELDS
from devices.rules.event_log_times import NotATime, Tally, wall_or_moment
from devices.rules.event_words import guess_kind, take_apart

LOOKED_AT = 200
"""Rows from which columns are guessed; times and words are counted over the whole file."""
SHOWN_ROWS = 8
MOST_WORDS = 300
MOST_COLUMNS = 60
_HEAD_ROWS = 30
_BARE = re.compile(r"[^a-z0-9]+")

HEADS: dict[str, tuple[str, ...]] = {
    "time": (
        "time", "date time", "datetime", "timestamp", "date and time", "event time", "event date", "date", "time received",
        "received", "received at", "occurred", "occurred at", "event date time", "signal date", "signal time", "when", "at",
        "local time", "utc time", "time utc", "day", "log time", "created", "epoch", "unix time", "event timestamp",
    ),
    "clock": ("time", "time of day", "hour", "clock", "event time", "signal time", "local time"),
    "event": (
        "event code", "code", "event", "signal", "event type", "cid", "cid code", "type", "alarm code", "signal code",
        "description", "event description", "signal type", "kind", "message", "what", "alarm", "alarm type", "event name",
    ),
    "state": (
        "state", "status", "qualifier", "q", "restore", "new restore", "er", "e r", "new or restored", "set reset", "action",
        "event qualifier", "alarm restore",
    ),
    "serial": (
        "serial", "serial no", "serial number", "transmitter", "transmitter serial", "transmitter id", "device id",
        "device serial", "sensor id", "sensor serial", "tx id", "tx", "txid", "uid", "unit", "unit id", "transmitter no", "sn",
        "s n", "device", "sensor", "radio id",
    ),
    "slot": (
        "zone", "slot", "zone no", "zone number", "zone user", "zone id", "point", "point id", "point number", "ccc", "loop",
        "input", "channel", "slot no", "slot number", "sensor no", "device no", "position",
    ),
    "place": (
        "account", "account no", "account number", "acct", "acct no", "account id", "site", "site code", "site id", "cs no",
        "customer no", "panel", "panel id", "premises", "system no", "system number", "location code", "subscriber",
        "client no", "csid", "cs number", "account code", "system", "station",
    ),
    "receiver": ("receiver", "receiver label", "receiver code", "receiver id", "receiver serial", "gateway", "gateway id", "hub"),
    "margin": (
        "margin", "signal margin", "margin db", "signal margin db", "signal db", "db", "signal strength", "strength", "snr", "level",
        "signal level", "link margin",
    ),
    "volts": ("volts", "voltage", "battery voltage", "battery v", "battery volts", "vbat", "batt v", "cell voltage", "v"),
    "note": ("note", "notes", "comment", "comments", "remark", "remarks", "text", "details", "zone name", "zone description", "label"),
}  # fmt: skip


_NUMBER = re.compile(r"[+\-−]?[0-9]+(?:[.,][0-9]+)?")
_NAMES_CODES = frozenset({"event", "code", "cid", "type", "kind"})
"""Words of headings under which numbers may be codes of the sender's own; under others they are figures, such as a signal."""


def plain_head(head: str) -> str:
    """Give a heading as it is compared: small letters and digits with single blanks."""
    return _BARE.sub(" ", re.sub(r"(?<=[a-z])(?=[A-Z])", " ", head).casefold()).strip()


_KNOWN = {name for names in HEADS.values() for name in names}


def find_heads(rows: Sequence[Row]) -> int:
    """Give the number of the row of headings: the first with two headings that are known; else 1; 0 where row 1 is an event."""
    for row in rows[:_HEAD_ROWS]:
        texts = [cell for cell in row.cells if isinstance(cell, str)]
        if sum(plain_head(text) in _KNOWN for text in texts) >= 2:
            return row.number
    for row in rows[:_HEAD_ROWS]:
        filled = [cell for cell in row.cells if cell is not None]
        if len(filled) < 2:
            continue
        return 0 if any(_is_day(cell) for cell in filled) else row.number
    return rows[0].number if rows else 0


def _is_day(cell: Cell) -> bool:
    tally = Tally()
    tally.add(cell)
    return tally.n_days > 0


@dataclass(slots=True)
class Looks:
    """What the first rows of a file look like.

    Attributes
    ----------
    head_row : int
        See `find_heads`.
    heads : list of str
        Headings, or "column A" and so on where there are none.
    first : list of Row
        Rows under the headings.
    columns : dict
        Field → column, counted from 0: the proposal.
    """

    head_row: int
    heads: list[str]
    first: list[Row]
    columns: dict[str, int] = field(default_factory=dict)


def look(rows: Sequence[Row], *, head_row: int | None = None) -> Looks:
    """Look at the first rows of a file and propose what its columns are.

    Parameters
    ----------
    rows : sequence of Row
        The first of the file, at least `LOOKED_AT` where it has so many.
    head_row : int or None
        Number of the row of headings, where a person said so; 0 = there are none.
    """
    head_row = find_heads(rows) if head_row is None else head_row
    heading = next((row for row in rows if row.number == head_row), None)
    body = [row for row in rows if row.number > head_row]
    width = min(max([len(row.cells) for row in (*body, *([heading] if heading else []))], default=0), MOST_COLUMNS)
    given = heading.cells if heading else ()
    heads = [shown(given[at])[:60] if at < len(given) and given[at] is not None else "" for at in range(width)]
    found = Looks(head_row, heads, body)
    found.columns = _by_heads(heads, body[:LOOKED_AT], _tallies(body[:LOOKED_AT], width))
    _by_cells(found, width)
    return found


def _column(rows: Iterable[Row], at: int) -> list[Cell]:
    return [row.cells[at] for row in rows if at < len(row.cells) and row.cells[at] is not None]


def _tallies(rows: Sequence[Row], width: int) -> list[Tally]:
    tallies = [Tally() for _ in range(width)]
    for at, tally in enumerate(tallies):
        for cell in _column(rows, at):
            tally.add(cell)
    return tallies


def _by_heads(heads: Sequence[str], rows: Sequence[Row], tallies: Sequence[Tally]) -> dict[str, int]:
    """Assign columns by their headings, filled ones and best known first; a time must look like one, and figures are no event."""
    names = [plain_head(head) for head in heads]
    columns: dict[str, int] = {}
    wishes = sorted(
        (tallies[at].n == 0, HEADS[name].index(head), FIELDS.index(name), name, at)
        for at, head in enumerate(names)
        for name in FIELDS
        if head in HEADS[name]
    )
    for *_rank, name, at in wishes:
        if name in columns or at in columns.values():
            continue
        if (name == "time" and tallies[at].n and not tallies[at].n_days) or (
            name == "clock" and not tallies[at].is_clock
        ):
            continue
        if name == "event" and not _NAMES_CODES & set(names[at].split()) and _is_figures(rows, at):
            continue
        columns[name] = at
    return columns


def _is_figures(rows: Sequence[Row], at: int) -> bool:
    """A column of nothing but numbers, none of which is a code that is known."""
    cells = _column(rows, at)
    return bool(cells) and all(_is_number(cell) for cell in cells) and not any(map(_means_something, cells))


def _is_number(cell: Cell) -> bool:
    return _NUMBER.fullmatch(shown(cell).strip()) is not None


def _by_cells(found: Looks, width: int) -> None:
    """Fill in, by the cells alone, the columns without which nothing can be read: time, event, and whom it is about."""
    columns, rows = found.columns, found.first[:LOOKED_AT]
    free = [at for at in range(width) if at not in columns.values()]
    tallies = dict(enumerate(_tallies(rows, width)))
    if "time" not in columns:
        _take(columns, free, "time", (at for at in free if tallies[at].is_time))
    if "time" in columns and not tallies[columns["time"]].has_clock and "clock" not in columns:
        _take(columns, free, "clock", (at for at in free if tallies[at].is_clock))
    if "time" in columns and tallies[columns["time"]].has_clock:
        columns.pop("clock", None)
    if "event" not in columns:
        _take(columns, free, "event", (at for at in free if _may_be_event(found.heads[at], rows, at)))
    if not columns.keys() & {"serial", "slot"}:
        _take(columns, free, "serial", (at for at in free if _share(rows, at, _like_serial) > 0.8))


def _take(columns: dict[str, int], free: list[int], name: str, fitting: Iterable[int]) -> None:
    at = next(iter(fitting), None)
    if at is not None:
        columns[name] = at
        free.remove(at)


def _share(rows: Sequence[Row], at: int, fits: Any) -> float:
    cells = _column(rows, at)
    return sum(bool(fits(cell)) for cell in cells) / len(cells) if cells else 0.0


def _means_something(cell: Cell) -> bool:
    return isinstance(cell, (str, int)) and guess_kind(shown(cell)) is not None


def _may_be_event(head: str, rows: Sequence[Row], at: int) -> bool:
    """Most cells mean something; numbers under a heading that nobody knows are rooms or figures, however like codes."""
    cells = _column(rows, at)
    if head and sum(map(_is_number, cells)) * 2 > len(cells):
        return False
    return _share(rows, at, _means_something) > 0.5


def _like_serial(cell: Cell) -> bool:
    text = shown(cell)
    return 4 <= len(text) <= 40 and any(char.isdigit() for char in text) and " " not in text and not _is_day(cell)


@dataclass(slots=True)
class Counted:
    """Counts over a whole file: rows, forms of the time column, words of the event column, first and last time."""

    tally: Tally = field(default_factory=Tally)
    words: Counter[tuple[str, str]] = field(default_factory=Counter)
    n_rows: int = 0
    n_rising: int = 0
    n_falling: int = 0
    _last: datetime | None = None

    def add(self, row: Row, columns: Mapping[str, int]) -> None:
        """Count one row."""
        self.n_rows += 1
        time = _at(row, columns.get("time"))
        self.tally.add(time)
        self._order(time)
        if "event" in columns:
            event, state = (_at(row, columns.get(name)) for name in ("event", "state"))
            word = take_apart(*("" if cell is None else shown(cell) for cell in (event, state)))
            if word.key and (len(self.words) < 20 * MOST_WORDS or (word.key, word.shown) in self.words):
                self.words[word.key, word.shown] += 1

    def _order(self, cell: Cell) -> None:
        """See whether times rise or fall; the form does not matter for most steps, so the first that reads is taken."""
        for form in (self.tally.format or "dmy", "mdy"):
            try:
                when, is_aware = wall_or_moment(cell, form)
            except NotATime:
                continue
            when = when.replace(tzinfo=None) if is_aware else when
            if self._last is not None:
                self.n_rising += when > self._last
                self.n_falling += when < self._last
            self._last = when
            return

    @property
    def is_falling(self) -> bool:
        """Whether the newest row stands first."""
        return self.n_falling > self.n_rising

    @property
    def n_words(self) -> int:
        """Different words, however many are listed."""
        return len({key for key, _ in self.words})

    def listed_words(self) -> list[list[Any]]:
        """Words with their counts and the guess, the commonest spelling of each, most frequent first; at most 300."""
        by_key: dict[str, Counter[str]] = {}
        for (key, text), n in self.words.items():
            by_key.setdefault(key, Counter())[text] += n
        rows = sorted((-texts.total(), key, texts.most_common(1)[0][0]) for key, texts in by_key.items())
        return [[key, text, -n, _guess_of(text)] for n, key, text in rows[:MOST_WORDS]]


def _guess_of(text: str) -> str:
    event, _, state = text.partition(" · ")
    return guess_kind(event, state) or ""


def _at(row: Row, column: int | None) -> Cell:
    return row.cells[column] if column is not None and column < len(row.cells) else None
