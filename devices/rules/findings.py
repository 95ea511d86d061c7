"""What is wrong with the set-up of one receiver, as far as records alone can tell; no radio data, pure Python."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from devices.rules.legality import MIN_CHECK_INS_PER_WINDOW
from devices.rules.slot_map import OutputFacts, SlotRow
from devices.rules.supervision import StandingFault, faults_of
from devices.rules.words import (
    DUTY_WORDS,
    WINDOW_OFF,
    behaviour_words,
    count_words,
    list_words,
    span_words,
)

HELD_KINDS = frozenset({"door_contact", "contact"})
"""Kinds of transmitter whose contact may be held (a propped door), so that a short pulse hides what still stands."""

UNTESTED_AFTER_DAYS = 366
"""A fault output whose effect nobody has seen for over a year counts as untested. Common practice (yearly test), no
source."""


@dataclass(frozen=True, slots=True)
class SupervisionAsk:
    """What a duty class asks of supervision, as the company's policy has it.

    Attributes
    ----------
    duty : str
        Duty class.
    must_supervise : bool
        Whether a slot of this class may be left unsupervised.
    longest_window_s : int or None
        Longest window it may have [s]; None = no limit set.
    source : str
        Whose figure that is, shown with the finding ("own suggestion" until a manager sets it).
    """

    duty: str
    must_supervise: bool
    longest_window_s: int | None = None
    source: str = "own suggestion"


OWN_ASKS = (
    SupervisionAsk("life_safety", must_supervise=True),
    SupervisionAsk("security", must_supervise=False),
    SupervisionAsk("convenience", must_supervise=False),
)
"""Used until the company sets its policy: our own suggestion, no standard's figure."""


@dataclass(frozen=True, slots=True)
class ReceiverFacts:
    """One receiver as the findings see it.

    Attributes
    ----------
    where : str
        How to name the receiver in a sentence ("Lantern House, receiver 1").
    n_slots : int
        Slots of its type; 0 = type not known.
    rows : sequence of SlotRow
        Its slot map on the day, spare slots may be left out.
    outputs : sequence of OutputFacts
        Its outputs as recorded.
    elsewhere : frozenset of (str, int)
        Serial and input of transmitters that also hold a slot in another receiver without being declared there.
    asks : sequence of SupervisionAsk
        The company's policy.
    today : date
        Local day on which is judged.
    faults : sequence of StandingFault
        Open and latched faults.
    """

    where: str
    n_slots: int
    rows: Sequence[SlotRow]
    outputs: Sequence[OutputFacts]
    today: date
    elsewhere: frozenset[tuple[str, int]] = frozenset()
    asks: Sequence[SupervisionAsk] = OWN_ASKS
    faults: Sequence[StandingFault] = ()


@dataclass(frozen=True, slots=True)
class Finding:
    """Something in the records or the set-up that needs a person.

    Attributes
    ----------
    code : str
        Lower-case slug that never changes.
    what, where, why, do : str
        What is wrong, where, why it matters, what to do about it; plain sentences.
    since_on : date or None
        Since when; None = not known.
    slot, output : int or None
        Which slot or output it points at.
    duty : str
        Duty class of the slot, for sorting by harm.
    """

    code: str
    what: str
    where: str
    why: str
    do: str
    since_on: date | None = None
    slot: int | None = None
    output: int | None = None
    duty: str = ""


def _day(moment: datetime | None) -> date | None:
    return moment.date() if moment is not None else None


def _at_slot(
    facts: ReceiverFacts, row: SlotRow, code: str, what: str, why: str, do: str, since: date | None
) -> Finding:
    place = f" ({row.label})" if row.label else ""
    where = f"{facts.where}, slot {row.slot}{place}"
    return Finding(code, what, where, why, do, since, slot=row.slot, duty=row.duty)


def _at_output(
    facts: ReceiverFacts, number: int, code: str, what: str, why: str, do: str, since: date | None
) -> Finding:
    return Finding(code, what, f"{facts.where}, output {number}", why, do, since, output=number)


def _taken(facts: ReceiverFacts) -> Iterator[SlotRow]:
    return (row for row in facts.rows if row.is_taken)


def portable_supervised(facts: ReceiverFacts) -> Iterator[Finding]:
    """Portable with supervision on: whoever carries it out of the house raises a fault."""
    for row in _taken(facts):
        if row.is_portable and row.window_s and not row.is_away:
            yield _at_slot(
                facts, row, "portable_supervised",
                f"A transmitter that leaves the site is supervised ({span_words(row.window_s)})",
                "It raises a missing fault whenever it is carried out of range, and people learn to ignore faults.",
                "Agree how it is looked after, switch supervision of this slot off, or record when it is away.",
                _day(row.registered_at),
            )  # fmt: skip


def not_supervised_enough(facts: ReceiverFacts) -> Iterator[Finding]:
    """Supervision missing, or a window longer than the duty class asks for."""
    asks = {ask.duty: ask for ask in facts.asks}
    for row in _taken(facts):
        ask = asks.get(row.duty)
        if ask is None or row.is_portable:
            continue
        duty = DUTY_WORDS.get(row.duty, row.duty)
        if ask.must_supervise and row.window_s == WINDOW_OFF:
            yield _at_slot(
                facts, row, "life_safety_unsupervised" if row.duty == "life_safety" else "duty_unsupervised",
                f"A {duty} slot is not supervised",
                "If the transmitter dies or is taken away, nobody is told.",
                f"Set a supervision window, or agree in writing who checks it and how often (asked by: {ask.source}).",
                _day(row.registered_at),
            )  # fmt: skip
        elif ask.longest_window_s and row.window_s and row.window_s > ask.longest_window_s:
            yield _at_slot(
                facts, row, "window_over_duty",
                f"The window of {span_words(row.window_s)} is longer than {span_words(ask.longest_window_s)}, "
                f"which is asked for {duty}",
                "A dead transmitter stays unnoticed for longer than was decided.",
                f"Set a shorter window (asked by: {ask.source}).",
                _day(row.registered_at),
            )  # fmt: skip


def window_under_two_check_ins(facts: ReceiverFacts) -> Iterator[Finding]:
    """Window shorter than two check-ins: one lost message is a fault."""
    for row in _taken(facts):
        if row.window_s and row.interval_s and row.window_s < MIN_CHECK_INS_PER_WINDOW * row.interval_s:
            yield _at_slot(
                facts, row, "window_under_two",
                f"The window of {span_words(row.window_s)} holds fewer than two check-ins of "
                f"{span_words(row.interval_s)}",
                "A single lost message raises a missing fault although the transmitter works.",
                "Set a longer window, or let the transmitter check in more often.",
                _day(row.registered_at),
            )  # fmt: skip


def output_shared(facts: ReceiverFacts) -> Iterator[Finding]:
    """One output asked to behave in different ways."""
    by_output: dict[int, dict[str, list[SlotRow]]] = {}
    for row in _taken(facts):
        for use in row.outputs:
            if use.behaviour:
                words = behaviour_words(use.behaviour, use.pulse_s)
                by_output.setdefault(use.number, {}).setdefault(words, []).append(row)
    for number, by_words in sorted(by_output.items()):
        if len(by_words) < 2:
            continue
        parts = [f"{words} (slot {list_words([row.slot for row in rows])})" for words, rows in sorted(by_words.items())]
        moments = [row.registered_at for rows in by_words.values() for row in rows if row.registered_at]
        yield _at_output(
            facts, number, "output_shared",
            f"Slots ask different things of output {number}: {'; '.join(parts)}",
            "What people see depends on which transmitter came first: one may clear or hide the call of another.",
            "Give each behaviour an output of its own, or set the slots alike.",
            _day(max(moments)) if moments else None,
        )  # fmt: skip


def momentary_on_held_contact(facts: ReceiverFacts) -> Iterator[Finding]:
    """A pulse for a contact that may stay open, where it matters that it stays visible."""
    for row in _taken(facts):
        only_pulses = bool(row.outputs) and all(use.behaviour == "momentary" for use in row.outputs)
        if row.kind in HELD_KINDS and only_pulses and row.duty in ("life_safety", "security"):
            yield _at_slot(
                facts, row, "momentary_on_held",
                "A contact that may be held open drives only a short pulse",
                "The output goes off while the door or contact still stands open, so nobody sees it.",
                "Let the output follow the contact, or stay on until cleared.",
                _day(row.registered_at),
            )  # fmt: skip


def latching_unnamed(facts: ReceiverFacts) -> Iterator[Finding]:
    """An output that stays on until cleared, with nobody named to clear it."""
    named = {output.number for output in facts.outputs if output.cleared_by}
    slots: dict[int, list[int]] = {}
    for row in _taken(facts):
        for use in row.outputs:
            if use.behaviour == "latching" and use.number not in named:
                slots.setdefault(use.number, []).append(row.slot)
    for number, numbers in sorted(slots.items()):
        yield _at_output(
            facts, number, "latching_unnamed",
            f"Output {number} stays on until cleared (slot {list_words(numbers)}), and nobody is named to clear it",
            "A call that nobody clears hides the next one.",
            "Record who clears it and where.",
            None,
        )  # fmt: skip


def registered_twice(facts: ReceiverFacts) -> Iterator[Finding]:
    """The same transmitter and input in several slots without being declared so."""
    places: dict[tuple[str, int], list[SlotRow]] = {}
    for row in _taken(facts):
        if row.serial and not row.is_declared_twice:
            places.setdefault((row.serial, row.input_number), []).append(row)
    for key, rows in places.items():
        if len(rows) < 2 and key not in facts.elsewhere:
            continue
        others = [f"slot {row.slot}" for row in rows[1:]]
        if key in facts.elsewhere:
            others.append("another receiver")
        yield _at_slot(
            facts, rows[0], "registered_twice",
            f"Transmitter {key[0]} (input {key[1]}) also stands in {list_words(others)}, undeclared",
            "One of the records is wrong, or one press calls in two places.",
            "Find out on site, then remove the wrong registration or declare both.",
            _day(max((row.registered_at for row in rows if row.registered_at), default=None)),
        )  # fmt: skip


def register_again(facts: ReceiverFacts) -> Iterator[Finding]:
    """Set-up changed after registration."""
    for row in _taken(facts):
        if row.needs_registering:
            yield _at_slot(
                facts, row, "register_again",
                "The contact or a setting on the transmitter was changed after it was registered",
                "The receiver may still act on the old set-up, or not at all.",
                "Register the transmitter again and walk-test it.",
                _day(row.needs_registering_since or row.registered_at),
            )  # fmt: skip


def not_walk_tested(facts: ReceiverFacts) -> Iterator[Finding]:
    """Never walk-tested, or not since the last change of the slot."""
    for row in _taken(facts):
        if row.nothing_answers:
            continue
        if row.walk_tested_at is None:
            code, what = "never_walk_tested", "Never walk-tested"
        elif row.registered_at is not None and row.walk_tested_at < row.registered_at:
            code, what = "not_tested_since_change", "Not walk-tested since its last change"
        else:
            continue
        yield _at_slot(
            facts, row, code, what,
            "Nobody has seen that a press or an opening here reaches the output.",
            "Walk-test it on the next visit.",
            _day(row.registered_at),
        )  # fmt: skip


def nothing_answers(facts: ReceiverFacts) -> Iterator[Finding]:
    """A slot that is taken by nobody knows what."""
    for row in _taken(facts):
        if row.nothing_answers:
            yield _at_slot(
                facts, row, "nothing_answers",
                "The slot is taken, but nobody knows by which transmitter",
                "It may raise faults that nobody can place, and it blocks a slot.",
                "Find the transmitter on site, or delete the registration at the receiver.",
                _day(row.registered_at),
            )  # fmt: skip


def cells_of_unknown_age(facts: ReceiverFacts) -> Iterator[Finding]:
    """A battery of which nobody knows when it was fitted."""
    for row in _taken(facts):
        if row.has_cells and row.fitted_on is None and not row.nothing_answers:
            yield _at_slot(
                facts, row, "cells_unknown_age",
                "Nobody knows when the cells were fitted",
                "No honest due date can be given: they may be new or nearly empty.",
                "Change them on the next visit and record it.",
                _day(row.registered_at),
            )  # fmt: skip


def mixed_lots(facts: ReceiverFacts) -> Iterator[Finding]:
    """Cells of different lots in one set."""
    for row in _taken(facts):
        if row.n_lots > 1:
            yield _at_slot(
                facts, row, "mixed_lots",
                f"The set holds cells of {row.n_lots} lots",
                "The weakest cell decides and is driven into the ground by the others.",
                "Change the whole set to cells of one lot.",
                row.fitted_on,
            )  # fmt: skip


def no_spare_slot(facts: ReceiverFacts) -> Iterator[Finding]:
    """Every slot taken."""
    taken = list(_taken(facts))
    if facts.n_slots and len(taken) >= facts.n_slots:
        yield Finding(
            "no_spare_slot",
            f"All {count_words(facts.n_slots, 'slot')} are taken",
            facts.where,
            "A further transmitter, or a replacement beside the old one, finds no place.",
            "Free a slot or plan a further receiver.",
            _day(max((row.registered_at for row in taken if row.registered_at), default=None)),
        )


def fault_output_untested(facts: ReceiverFacts) -> Iterator[Finding]:
    """A fault output that drives nothing, or whose effect nobody has seen."""
    for output in facts.outputs:
        if output.kind != "fault":
            continue
        if output.is_wired is False:
            yield _at_output(
                facts, output.number, "fault_output_unwired",
                f"Fault output {output.number} is not wired",
                "Low batteries and missing transmitters are only seen by whoever opens the receiver.",
                "Wire it to something that people notice.",
                None,
            )  # fmt: skip
        elif output.effect_seen_on is None or (facts.today - output.effect_seen_on).days > UNTESTED_AFTER_DAYS:
            seen = "Nobody has seen" if output.effect_seen_on is None else "For over a year nobody has seen"
            yield _at_output(
                facts, output.number, "fault_output_untested",
                f"{seen} fault output {output.number} do its work",
                "A fault may reach nobody.",
                "Raise a fault on the next visit and follow it to its end.",
                output.effect_seen_on,
            )  # fmt: skip


FAULT_ADVICE = {
    "missing": (
        "Nothing has reached the receiver from it for longer than its window: a call from there may not come through.",
        "Go and see: cells, place and distance; then walk-test it.",
    ),
    "low battery": (
        "The cells may fail at any time, and a call from there with them.",
        "Change the cells, then walk-test it.",
    ),
    "tamper": (
        "It was opened or taken off its place, and may not see what it is there for.",
        "Go and see, put it back and close it, then walk-test it.",
    ),
    "interference": (
        "Radio messages of every slot may be lost while it lasts.",
        "Find out on site what sends nearby, and look at the radio findings.",
    ),
    "receiver power": (
        "Without its supply the receiver stops, and every slot with it.",
        "Measure the supply at the receiver's terminals and look at its standby battery.",
    ),
}
"""Why a fault of a kind matters, and what to do. Common practice, no source."""
_LATCHED_ADVICE = "Find out the cause, clear the receiver on site and record it."


def standing_faults(facts: ReceiverFacts) -> Iterator[Finding]:
    """A fault that the receiver shows, or that nobody has cleared there."""
    places = {id(fault): row for row in _taken(facts) for fault in faults_of(row, facts.faults)}
    for fault in facts.faults:
        why, do = FAULT_ADVICE.get(
            fault.kind, ("The receiver reports something that may keep a call from coming through.", "Go and see.")
        )
        if fault.is_over:
            why, do = (
                "The condition is over, but it hides the next fault until the receiver is cleared.",
                _LATCHED_ADVICE,
            )
        what = f"Fault: {fault.kind}" + (", not yet cleared at the receiver" if fault.is_over else "")
        row = places.get(id(fault))
        if row is not None:
            yield _at_slot(facts, row, "standing_fault", what, why, do, fault.since_on)
        else:
            place = f"{facts.where}, {fault.place}" if fault.place else facts.where
            yield Finding("standing_fault", what, place, why, do, fault.since_on, duty=fault.duty)


CHECKS = (
    standing_faults, not_supervised_enough, nothing_answers, registered_twice, register_again, fault_output_untested,
    portable_supervised, window_under_two_check_ins, output_shared, momentary_on_held_contact, latching_unnamed,
    not_walk_tested, cells_of_unknown_age, mixed_lots, no_spare_slot,
)  # fmt: skip
"""Every check, worst first; a further finding is one function here and its name in this list."""

_DUTY_ORDER = {duty: place for place, duty in enumerate(DUTY_WORDS)}


def find(facts: ReceiverFacts) -> tuple[Finding, ...]:
    """Run every check over one receiver.

    Parameters
    ----------
    facts : ReceiverFacts
        The receiver on one day.

    Returns
    -------
    tuple of Finding
        Life safety first, then in the order of `CHECKS`, then by slot. Slots with the same finding stay separate; a
        page may
        group them by code.
    """
    found = [(place, finding) for place, check in enumerate(CHECKS) for finding in check(facts)]
    found.sort(
        key=lambda pair: (
            _DUTY_ORDER.get(pair[1].duty, len(_DUTY_ORDER)),
            pair[0],
            pair[1].slot or 0,
            pair[1].output or 0,
        )
    )
    return tuple(finding for _place, finding in found)


def group_by_code(findings: Iterable[Finding]) -> dict[str, list[Finding]]:
    """Findings of one kind together, in the order in which the first of each kind came."""
    groups: dict[str, list[Finding]] = {}
    for finding in findings:
        groups.setdefault(finding.code, []).append(finding)
    return groups
