"""Rows of a batch, as a sender wrote them, read into events; a bad row is told of and holds up no other. Pure Python.

Nothing here trusts a type: rows come from programs of others, and any value may be anything that JSON can hold.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from math import isfinite
from typing import Any

from devices.rules.events import OF_RECEIVER, Event, EventKind, ReadRows, RowProblem
from devices.rules.intake_json import Doubled, names_shown

MOST_ROWS = 5000
MOST_BYTES = 2 * 1024 * 1024
"""Of a batch: 5,000 rows with every field filled come to about 1.2 MB."""
SERIAL_CHARS, RECEIVER_CHARS, NOTE_CHARS = 40, 60, 120
TIME_CHARS = 40
SLOTS = 1024
MARGIN_DB = (-20.0, 120.0)
BATTERY_V = (0.0, 20.0)
FAST_CLOCK = timedelta(minutes=5)
"""A clock may be ahead by this much: it counts as now, and is no fault. Own choice: clocks set once a day keep within it."""
AHEAD_AT_MOST = timedelta(days=1)
"""Further ahead a clock is plainly wrong, and so is the day: the row is refused."""
BACK_AT_MOST = timedelta(days=60)
"""Older events come by a file that a person hands over."""
AHEAD = "This is more than a day ahead. Set the clock of the sender, then send the row again."
OLD = "This is older than 60 days. Let the office upload it as an event log."
OF_UNTIL = {
    AHEAD: "This is more than a day ahead. Set the clock of the sender, then send the batch again.",
    OLD: "This is older than 60 days. Give the time up to which everything is delivered, or leave it out.",
}
"""The same about the `until` of a batch, which is no row and no event."""
FIRST_DAY = datetime(2000, 1, 2, tzinfo=UTC)
"""Days are counted from 2000-01-01 of UTC in the tables; none lies before."""

FIELDS = frozenset({"serial", "time", "kind", "receiver", "slot", "margin_db", "battery_v", "note"})
"""What is read of a row. Anything else is left alone and told of: senders get new fields with every version, and a row
refused for one of them would make its transmitter look silent."""
MOST_IGNORED = 20
"""Names of such fields that an answer lists."""
OPTIONAL = frozenset({"slot", "margin_db", "battery_v", "note"})
"""A value of these that is no good costs the value, never the event: who was heard, when and with what still stands. A slot is
needed where there is no serial."""
MOST_LEFT_OUT = 1000
"""Such values that an answer lists: a sender that writes one wrongly does so in every row."""

# What `Event(…)` does, without a call of Python for each row.
_tuple = tuple.__new__
_TO_WORD = str.maketrans("", "", "-_ \t‐‑–")
KINDS = {code.value: code.value for code in EventKind}
_SQUASHED = {code.value.replace("_", ""): code.value for code in EventKind}


class BadRow(Exception):
    """A row that cannot be taken: the field, and what to do."""

    def __init__(self, field: str, why: str) -> None:
        super().__init__(field, why)
        self.field = field
        self.why = why


def kind_of(value: object) -> str:
    """Give the code of an event kind; capitals, blanks and hyphens are forgiven.

    Raises
    ------
    BadRow
        For anything that is no kind of event.
    """
    if type(value) is str and len(value) <= TIME_CHARS:
        code = KINDS.get(value) or _SQUASHED.get(value.strip().translate(_TO_WORD).lower())
        if code:
            return code
    raise BadRow("kind", "Give one of the kinds of event that the description lists, such as check_in or low_battery.")


def time_of(value: object, *, now: datetime, is_by_hand: bool = False) -> tuple[datetime, bool]:
    """Give an event's time in UTC, and whether it had to be cut.

    Parameters
    ----------
    value : object
        Text in ISO 8601 with an offset, such as 2026-03-01T08:15:00Z.
    now : datetime
        When the batch was received, aware.
    is_by_hand : bool
        A person handed the file over: it may be older than 60 days.

    Returns
    -------
    tuple
        The time, and True where a clock more than 5 minutes and at most 1 day ahead was cut to `now`.

    Raises
    ------
    BadRow
        No time, no offset, more than 1 day ahead, older than 60 days.
    """
    if type(value) is not str or len(value) > TIME_CHARS:
        raise BadRow("time", "Give the time as text, such as 2026-03-01T08:15:00Z.")
    try:
        at = datetime.fromisoformat(value)
    except ValueError:
        raise BadRow("time", "This is no time. Write it like 2026-03-01T08:15:00Z.") from None
    if at.tzinfo is None:
        raise BadRow("time", "Add the offset to the time: Z for UTC, or one such as +01:00.")
    return within(at, now=now, is_by_hand=is_by_hand)


def within(at: datetime, *, now: datetime, is_by_hand: bool = False) -> tuple[datetime, bool]:
    """Give an aware time in UTC within the span that is taken, and whether it was cut; see `time_of`.

    Raises
    ------
    BadRow
        More than 1 day ahead of `now`, older than 60 days; by hand: before 2000-01-02.
    """
    if at > now:
        if at > now + AHEAD_AT_MOST:
            raise BadRow("time", AHEAD)
        return now, at > now + FAST_CLOCK
    if at < (FIRST_DAY if is_by_hand else now - BACK_AT_MOST):
        if is_by_hand:
            raise BadRow("time", "This lies before the year 2000. Look at the clock of the sender.")
        raise BadRow("time", OLD)
    return (at if at.tzinfo is UTC else at.astimezone(UTC)), False


def until_of(value: object, *, now: datetime) -> datetime:
    """Give the time up to which a batch delivers everything, in UTC and at most `now`.

    Raises
    ------
    BadRow
        As `time_of`, in words of the batch and under the name `until`.
    """
    try:
        return time_of(value, now=now)[0]
    except BadRow as bad:
        raise BadRow("until", OF_UNTIL.get(bad.why, bad.why)) from None


def text_of(value: object, field: str, limit: int) -> str:
    """Give a name or serial without outer blanks; null and nothing are empty. `limit` is a count of characters.

    Raises
    ------
    BadRow
        No text, too long, or signs that cannot be printed.
    """
    if value is None:
        return ""
    if type(value) is not str:
        raise BadRow(field, f"Give the {field} as text, in quotes: a number loses its leading zeros.")
    text = value.strip()
    if len(text) > limit:
        raise BadRow(field, f"Give the {field} in at most {limit} characters.")
    if not text.isprintable():
        raise BadRow(field, f"Take the signs out of the {field} that cannot be printed.")
    return text


def note_of(value: object) -> str:
    """Give a word of the sender: cut at 120 characters, what cannot be printed made a blank. It never costs a row.

    Raises
    ------
    BadRow
        Where it is no text.
    """
    if value is None:
        return ""
    if type(value) is not str:
        raise BadRow("note", "Give the note as text, in quotes, or leave it out.")
    note = value[: 4 * NOTE_CHARS]
    if not note.isprintable():
        note = "".join(one if one.isprintable() else " " for one in note)
    return note.strip()[:NOTE_CHARS]


def number_of(value: object, field: str, span: tuple[float, float], unit: str) -> float | None:
    """Give a figure [unit as named] within its span; null is none.

    Raises
    ------
    BadRow
        No number, not finite, outside the span.
    """
    if value is None:
        return None
    # A bool is an int to Python, and a number as text hides a wrong decimal sign.
    if type(value) is not float and type(value) is not int:
        raise BadRow(field, f"Give {field} as a number [{unit}], without quotes, or leave it out.")
    low, high = span
    if not low <= value <= high or not isfinite(value):
        raise BadRow(field, f"Give {field} between {low:g} and {high:g} [{unit}], or leave it out.")
    return float(value)


def slot_of(value: object) -> int | None:
    """Give the slot [1 … 1024]; null is none.

    Raises
    ------
    BadRow
        No whole number, or outside.
    """
    if value is None:
        return None
    if type(value) is not int or not 1 <= value <= SLOTS:
        raise BadRow("slot", f"Give the slot as a whole number from 1 to {SLOTS}, without quotes, or leave it out.")
    return value


def read_row(
    row: object, number: int, *, now: datetime, has_receiver: bool = True, must_name: bool = False, is_by_hand: bool = False
) -> tuple[Event, bool]:  # fmt: skip
    """Read one row; gives the event and whether its time was cut.

    Parameters
    ----------
    row : object
        A mapping with serial (or receiver and slot), time, kind, and optional margin_db [dB], battery_v [V], note.
    number : int
        Its place in the batch, from 1.
    now : datetime
        When the batch was received, aware.
    has_receiver : bool
        The batch names a receiver, so that a slot alone says which one is meant.
    must_name : bool
        Neither the batch nor the source says which site is meant, so each row must name its receiver.
    is_by_hand : bool
        A person handed it over: it may be older than 60 days.

    Raises
    ------
    BadRow
        With the field and what to do.
    """
    get: Callable[[str], object] = (row if type(row) is dict else _fields_of(row)).get
    kind = kind_of(get("kind"))
    at, was_cut = time_of(get("time"), now=now, is_by_hand=is_by_hand)
    serial = text_of(get("serial"), "serial", SERIAL_CHARS)
    # Most rows say no more than this, and what is not there needs no look.
    margin_db = None if (db := get("margin_db")) is None else number_of(db, "margin_db", MARGIN_DB, "dB")
    if serial and len(row) == (3 if db is None else 4) and not must_name and kind not in OF_RECEIVER:  # type: ignore[arg-type]
        return _tuple(Event, (number, kind, at, serial, "", None, margin_db, None, "")), was_cut
    receiver = "" if (named := get("receiver")) is None else text_of(named, "receiver", RECEIVER_CHARS)
    slot = None if (number_there := get("slot")) is None else slot_of(number_there)
    if must_name and not receiver:
        raise BadRow("receiver", "Name the receiver, here or for the whole batch: the token speaks for several sites.")
    if kind in OF_RECEIVER:
        # The receiver speaks of itself: whatever else is named is none of these events' business.
        serial, slot = "", None
    elif not serial:
        if slot is None:
            raise BadRow("serial", "Give the transmitter’s serial, or the receiver and the slot.")
        if not receiver and not has_receiver:
            raise BadRow("receiver", "Name the receiver of this slot, here or for the whole batch.")
    battery_v = None if (volts := get("battery_v")) is None else number_of(volts, "battery_v", BATTERY_V, "V")
    note = "" if (words := get("note")) is None else note_of(words)
    return _tuple(Event, (number, kind, at, serial, receiver, slot, margin_db, battery_v, note)), was_cut


def _read_without(
    row: Mapping[str, object], number: int, bad: BadRow, **how: Any
) -> tuple[Event, bool, list[RowProblem]]:  # fmt: skip
    """Read a row once more, without the optional values that are no good; gives also what was left out.

    Raises
    ------
    BadRow
        The row cannot be taken without them either: a slot is no good, and no serial says which transmitter is meant.
    """
    left_out = []
    kept = dict(row)
    while bad.field in OPTIONAL:
        left_out.append(RowProblem(number, bad.field, bad.why))
        kept[bad.field] = None
        try:
            return *read_row(kept, number, **how), left_out
        except BadRow as further:
            if bad.field == "slot" and further.field == "serial":
                break
            bad = further
    raise bad


def _fields_of(row: object) -> Mapping[str, object]:
    """Give a row that is no plain dict as a mapping.

    Raises
    ------
    BadRow
        No object, or one in which a name stands twice.
    """
    if isinstance(row, Doubled):
        raise BadRow(
            row.twice, "This field stands twice in the row, and nobody can tell which one counts. Send it once."
        )
    if not isinstance(row, Mapping):
        raise BadRow("row", "Give each row as an object with serial, time and kind.")
    return row


def read_rows(
    rows: Sequence[object], *, now: datetime, has_receiver: bool = True, must_name: bool = False, is_by_hand: bool = False,
    first_row: int = 1,
) -> ReadRows:  # fmt: skip
    """Read the rows of a batch, the first of which bears the number `first_row`; see `read_row`.

    Returns
    -------
    ReadRows
        Events in the order sent, a problem for each row that cannot be taken, the number of rows and of cut times, the
        names of fields that are none of ours, and values that were no good of rows that are taken without them.
    """
    events: list[Event] = []
    problems: list[RowProblem] = []
    left_out: list[RowProblem] = []
    n_clamped = 0
    others: set[str] = set()
    take = events.append
    for number, row in enumerate(rows, first_row):
        if type(row) is dict and not FIELDS.issuperset(row):
            others.update(row)
        try:
            event, was_cut = read_row(
                row, number, now=now, has_receiver=has_receiver, must_name=must_name, is_by_hand=is_by_hand
            )
        except BadRow as bad:
            # Only here, so that rows without a fault cost nothing more.
            try:
                if type(row) is not dict:
                    raise
                event, was_cut, without = _read_without(
                    row, number, bad, now=now, has_receiver=has_receiver, must_name=must_name, is_by_hand=is_by_hand
                )
            except BadRow as why:
                problems.append(RowProblem(number, why.field, why.why))
                continue
            left_out += without
        take(event)
        if was_cut:
            n_clamped += 1
    ignored = names_shown(others - FIELDS, MOST_IGNORED)
    return ReadRows(tuple(events), tuple(problems), len(rows), n_clamped, ignored, tuple(left_out))
