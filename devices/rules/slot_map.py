"""What stands in each slot of one receiver, shaped for every door; pure Python."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

from devices.rules.words import (
    CONTACT_WORDS,
    DUTY_WORDS,
    UNKNOWN,
    behaviour_words,
    list_words,
    span_words,
    window_words,
)

SOON_DAYS = 28
"""Due within four weeks is "soon". Decided for this product."""

LATER_DAYS = 84
"""Due within twelve weeks, the planning horizon, is "later"; beyond it a slot is simply fine. Decided for this
product."""

TICKS = 12
"""Months left are drawn as at most this many ticks: an estimate of time, never a gauge of charge."""

FIRST_YEAR = 1990
"""No slot map reaches back further: an earlier year is a slip or a spreadsheet's zero. Decided for this product."""

_DAYS_PER_MONTH = 30.44


@dataclass(frozen=True, slots=True)
class OutputUse:
    """One output driven by one slot.

    Attributes
    ----------
    number : int
        Output of the receiver, 1 upwards.
    behaviour : str
        follower, momentary, toggle, latching, or empty for not known.
    pulse_s : float or None
        How long a momentary output stays on [s].
    """

    number: int
    behaviour: str = ""
    pulse_s: float | None = None

    @property
    def words(self) -> str:
        """The use in words: "1, stays on until cleared"."""
        return f"{self.number}, {behaviour_words(self.behaviour, self.pulse_s)}"


@dataclass(frozen=True, slots=True)
class SlotRow:
    """Everything one slot shows, as plain facts; a spare slot has only its number.

    Attributes
    ----------
    window_s : int or None
        Supervision window [s]; 0 = not supervised, None = not known.
    interval_s : int or None
        Expected time between check-ins [s].
    registered_at : datetime or None
        When the registration in force began; a change of settings begins a new one.
    due_on : date or None
        When the battery (or the whole unit) must be changed, as the due dates stand; None = no estimate.
    walk_tested_at, not_heard_at : datetime or None
        The newest walk test that was heard at the output; the newest one at all where that was not heard (read only by
        those who ask, `with_failed_tests`).
    n_lots : int
        Different lots among the cells of the set in use.
    away_until : date or None
        Until when it was agreed that the transmitter is away.
    """

    slot: int
    is_taken: bool = False
    registration_pk: int | None = None
    receiver_pk: int | None = None
    transmitter_pk: int | None = None
    label: str = ""
    area: str = ""
    serial: str = ""
    type_label: str = ""
    kind: str = ""
    input_number: int = 1
    duty: str = ""
    is_portable: bool = False
    window_s: int | None = None
    interval_s: int | None = None
    outputs: tuple[OutputUse, ...] = ()
    contact: str = ""
    is_declared_twice: bool = False
    registered_at: datetime | None = None
    needs_registering: bool = False
    needs_registering_since: datetime | None = None
    walk_tested_at: datetime | None = None
    not_heard_at: datetime | None = None
    battery_code: str = ""
    n_cells: int = 0
    fitted_on: date | None = None
    lot: str = ""
    n_lots: int = 0
    due_on: date | None = None
    due_code: str = ""
    heard_at: datetime | None = None
    is_away: bool = False
    away_until: date | None = None

    @property
    def is_spare(self) -> bool:
        """True where nothing is registered here."""
        return not self.is_taken

    @property
    def nothing_answers(self) -> bool:
        """True where the receiver holds something that nobody can name (a take-over without papers)."""
        return self.is_taken and not self.serial

    @property
    def has_cells(self) -> bool:
        """True where a battery stands behind this slot."""
        return bool(self.n_cells)

    @property
    def outputs_words(self) -> str:
        """Outputs by number: "1", "1 and 3", "none"."""
        return list_words([use.number for use in self.outputs]) or "none"

    @property
    def outputs_said(self) -> str:
        """Outputs with their noun: "output 1", "outputs 1 and 2", "no output"."""
        if not self.outputs:
            return "no output"
        return f"{'output' if len(self.outputs) == 1 else 'outputs'} {self.outputs_words}"

    @property
    def what_words(self) -> str:
        """What stands here: its type, or that nothing answers, or that it is spare."""
        if self.is_spare:
            return "spare"
        if self.nothing_answers:
            return "slot taken, nothing answers"
        return self.type_label or UNKNOWN

    def urgency(self, today: date) -> str:
        """late, soon, later, fine, none (no estimate) or an empty word where no battery is kept in date."""
        if self.is_spare or (self.serial and not self.has_cells):
            return ""
        return urgency(self.due_on, today)


def day_asked(text: str, today: date) -> date:
    """Read the day of a slot map as asked for in an address; today for none, nonsense or a day that has not come.

    Parameters
    ----------
    text : str
        ISO day, not before `FIRST_YEAR`.
    today : date
        Local day at the site.
    """
    try:
        asked = date.fromisoformat(text)
    except ValueError:
        return today
    return min(asked, today) if asked.year >= FIRST_YEAR else today


def day_refused(text: str, today: date) -> str:
    """Say why an asked day is not shown; empty where it is, or where none was asked for.

    Parameters
    ----------
    text : str
        Day as asked for in an address.
    today : date
        Local day at the site.
    """
    if not text or day_asked(text, today).isoformat() == text:
        return ""
    return f"“{text[:20]}” is no day from {FIRST_YEAR} until today. Give it as {today.isoformat()}."


def urgency(due_on: date | None, today: date) -> str:
    """Sort a due date into late, soon, later, fine or none.

    Parameters
    ----------
    due_on : date or None
        The due date; None = no estimate. A battery is late from the day after it.
    today : date
        Local day on which is judged.

    Notes
    -----
    soon = within `SOON_DAYS` [d], later = within `LATER_DAYS` [d]. Decided for this product.
    """
    if due_on is None:
        return "none"
    left_days = (due_on - today).days
    if left_days < 0:
        return "late"
    if left_days <= SOON_DAYS:
        return "soon"
    return "later" if left_days <= LATER_DAYS else "fine"


def due_words(due_on: date | None, today: date) -> str:
    """Say a due date as on every screen: "late 12 d", "due 9 Mar", "due Oct 2028", "no estimate"."""
    sort = urgency(due_on, today)
    if due_on is None:
        return "no estimate"
    if sort == "late":
        return f"late {(today - due_on).days} d"
    return f"due {due_on:%b %Y}" if sort == "fine" else f"due {due_on.day} {due_on:%b}"


def ticks_left(due_on: date | None, today: date) -> int:
    """Whole months left until the due date, 0 … `TICKS`; 0 where there is no estimate."""
    if due_on is None or due_on <= today:
        return 0
    return min(TICKS, int((due_on - today).days / _DAYS_PER_MONTH) + 1)


def fill_slots(n_slots: int, taken: Iterable[SlotRow]) -> tuple[SlotRow, ...]:
    """Put the taken slots in order and a spare row in every other slot.

    Parameters
    ----------
    n_slots : int
        Slots of the receiver type, at least 0 (0 = type not known: only what is taken shows).
    taken : iterable of SlotRow
        Rows of open registrations. A row outside 1 … n_slots is kept and comes last: it must be seen to be put right.

    Raises
    ------
    ValueError
        If two rows claim one slot, or `n_slots` is negative.
    """
    if n_slots < 0:
        raise ValueError("a receiver cannot have fewer than 0 slots")
    by_slot: dict[int, SlotRow] = {}
    for row in taken:
        if row.slot in by_slot:
            raise ValueError(f"two rows claim slot {row.slot}")
        by_slot[row.slot] = row
    numbers = sorted(set(range(1, n_slots + 1)) | set(by_slot))
    return tuple(by_slot.get(number) or SlotRow(number) for number in numbers)


COLUMNS = (
    "Slot", "Place", "Area", "What", "Serial", "Input", "Duty", "Leaves the site", "Supervision", "Check-in every",
    "Outputs", "Contact", "In force since", "Register again", "Walk-tested", "Cells", "Cells fitted", "Lot",
    "Change by",
)  # fmt: skip
"""Headings of the slot map as a table (CSV, spreadsheet, list in the PDF)."""


def _day(moment: datetime | date | None) -> str:
    if moment is None:
        return ""
    return (moment.date() if isinstance(moment, datetime) else moment).isoformat()


def cells(row: SlotRow) -> tuple[str, ...]:
    """One slot as the text of one table line, in the order of `COLUMNS`; days are ISO, times are the site's own."""
    if row.is_spare:
        return (str(row.slot), "", "", "spare", *[""] * (len(COLUMNS) - 4))
    return (
        str(row.slot),
        row.label,
        row.area,
        row.what_words,
        row.serial,
        str(row.input_number),
        DUTY_WORDS.get(row.duty, UNKNOWN),
        "yes" if row.is_portable else "no",
        window_words(row.window_s),
        span_words(row.interval_s) if row.interval_s else UNKNOWN,
        "; ".join(use.words.replace(",", ":", 1) for use in row.outputs),
        CONTACT_WORDS.get(row.contact, UNKNOWN),
        _day(row.registered_at),
        "yes" if row.needs_registering else "no",
        _day(row.walk_tested_at) or "never",
        f"{row.n_cells} × {row.battery_code}" if row.has_cells and row.battery_code else "",
        _day(row.fitted_on) or (UNKNOWN if row.has_cells else ""),
        row.lot,
        _day(row.due_on),
    )


def as_table(rows: Iterable[SlotRow]) -> list[tuple[str, ...]]:
    """Headings and one line per slot, for CSV and spreadsheets (the writer guards against formulas)."""
    return [COLUMNS, *(cells(row) for row in rows)]


def as_json(row: SlotRow) -> dict[str, object]:
    """One slot as the API gives it: plain values, None where not known, window 0 where not supervised."""
    if row.is_spare:
        return {"slot": row.slot, "state": "spare"}
    return {
        "slot": row.slot,
        "state": "nothing_answers" if row.nothing_answers else "taken",
        "label": row.label,
        "area": row.area,
        "transmitter": row.serial or None,
        "kind": row.kind or None,
        "input": row.input_number,
        "duty": row.duty or None,
        "portable": row.is_portable,
        "window_s": row.window_s,
        "interval_s": row.interval_s,
        "outputs": [
            {"output": use.number, "behaviour": use.behaviour or None, "pulse_s": use.pulse_s} for use in row.outputs
        ],
        "contact": row.contact or None,
        "registered_at": row.registered_at.isoformat() if row.registered_at else None,
        "needs_registering": row.needs_registering,
        "battery": row.battery_code or None,
        "cells": row.n_cells,
        "fitted_on": row.fitted_on.isoformat() if row.fitted_on else None,
        "due_on": row.due_on.isoformat() if row.due_on else None,
    }


def lots_of(text: str) -> tuple[str, ...]:
    """Split what was noted as lot or date code into single lots; "A12; B7" and "A12 + B7" are two.

    Notes
    -----
    A stroke is no divider: "03/2025" is one date code.
    """
    parts = (part.strip() for part in text.replace("+", ";").replace(",", ";").split(";"))
    return tuple(dict.fromkeys(part for part in parts if part))


@dataclass(frozen=True, slots=True)
class OutputFacts:
    """One output of a receiver as plain facts.

    Attributes
    ----------
    kind : str
        "signal" (carries calls) or "fault" (carries the receiver's own faults).
    is_wired : bool or None
        Whether anything hangs on it; None = not known.
    effect_seen_on : date or None
        When somebody last saw what it drives do its work.
    cleared_by : str
        Who clears it where it stays on.
    """

    number: int
    kind: str = "signal"
    drives: str = ""
    terminals: str = ""
    is_wired: bool | None = None
    effect_seen_on: date | None = None
    effect_seen_by: str = ""
    cleared_by: str = ""


@dataclass(frozen=True, slots=True)
class OutputSummary:
    """One output with everything the slots ask of it, in words, most used behaviour first."""

    number: int
    kind: str
    drives: str
    behaviours: tuple[str, ...]
    n_slots: int
    facts: OutputFacts


def sum_up_outputs(outputs: Iterable[OutputFacts], rows: Iterable[SlotRow]) -> tuple[OutputSummary, ...]:
    """Head a slot map with its outputs in words; an output that a slot uses but nobody has recorded shows as not
    known.
    """
    uses: dict[int, dict[str, int]] = {}
    for row in rows:
        for use in row.outputs:
            words = behaviour_words(use.behaviour, use.pulse_s)
            uses.setdefault(use.number, {}).setdefault(words, 0)
            uses[use.number][words] += 1
    known = {output.number: output for output in outputs}
    found = []
    for number in sorted(known.keys() | uses.keys()):
        facts = known.get(number) or OutputFacts(number)
        counted = uses.get(number, {})
        behaviours = tuple(sorted(counted, key=lambda words: (-counted[words], words)))
        found.append(OutputSummary(number, facts.kind, facts.drives, behaviours, sum(counted.values()), facts))
    return tuple(found)
