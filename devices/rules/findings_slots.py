"""Checks of single slots: supervision, registration, walk tests, cells, absences, planned changes; pure Python."""

from collections.abc import Iterator
from datetime import timedelta

from devices.rules.findings_facts import (
    Finding,
    ReceiverFacts,
    at_slot,
    local_day,
    off_is_right,
    source_words,
    taken,
    window_over,
)
from devices.rules.legality import MIN_CHECK_INS_PER_WINDOW
from devices.rules.slot_map import SlotRow
from devices.rules.supervision import faults_of
from devices.rules.words import DUTY_WORDS, WINDOW_OFF, day_words, list_words, span_words

HELD_KINDS = frozenset({"door_contact", "contact"})
"""Kinds of transmitter whose contact may be held (a propped door), so that a short pulse hides what still stands."""

UNTESTED_KINDS = frozenset({"repeater"})
"""Kinds of transmitter that nobody sets off by hand."""

PLAN_WAIT_DAYS = 30
"""A planned change that waits longer has been forgotten. Decided for this product."""


def portable_supervised(facts: ReceiverFacts) -> Iterator[Finding]:
    """Portable with supervision on: whoever carries it out of the house raises a fault."""
    for row in taken(facts):
        if off_is_right(is_portable=row.is_portable) and row.window_s and not row.is_away:
            yield at_slot(
                facts, row, "portable_supervised",
                f"A transmitter that leaves the site is supervised ({span_words(row.window_s)})",
                "It raises a missing fault whenever it is carried out of range, and people learn to ignore faults.",
                "Agree how it is looked after, switch supervision of this slot off, or record when it is away.",
                local_day(row.registered_at),
            )  # fmt: skip


def not_supervised_enough(facts: ReceiverFacts) -> Iterator[Finding]:
    """Supervision missing, or a window longer than the duty class asks for."""
    asks = {ask.duty: ask for ask in facts.asks}
    for row in taken(facts):
        ask = asks.get(row.duty)
        if ask is None or off_is_right(is_portable=row.is_portable):
            continue
        duty = DUTY_WORDS.get(row.duty, row.duty)
        if ask.must_supervise and row.window_s == WINDOW_OFF:
            yield at_slot(
                facts, row, "life_safety_unsupervised" if row.duty == "life_safety" else "duty_unsupervised",
                f"A {duty} slot is not supervised",
                "If the transmitter dies or is taken away, nobody is told.",
                f"Set a supervision window, or agree in writing who checks it and how often{source_words(ask.source)}.",
                local_day(row.registered_at),
            )  # fmt: skip
        elif ask.longest_window_s and row.window_s and window_over(ask, window_s=row.window_s, is_portable=False):
            yield at_slot(
                facts, row, "window_over_duty",
                f"The window of {span_words(row.window_s)} is longer than {span_words(ask.longest_window_s)}, "
                f"which is asked for {duty}",
                "A dead transmitter stays unnoticed for longer than was decided.",
                f"Set a shorter window{source_words(ask.source)}.",
                local_day(row.registered_at),
            )  # fmt: skip


def window_under_two_check_ins(facts: ReceiverFacts) -> Iterator[Finding]:
    """Window shorter than two check-ins: one lost message is a fault."""
    for row in taken(facts):
        if row.window_s and row.interval_s and row.window_s < MIN_CHECK_INS_PER_WINDOW * row.interval_s:
            yield at_slot(
                facts, row, "window_under_two",
                f"The window of {span_words(row.window_s)} holds fewer than two check-ins of "
                f"{span_words(row.interval_s)}",
                "A single lost message raises a missing fault although the transmitter works.",
                "Set a longer window, or let the transmitter check in more often.",
                local_day(row.registered_at),
            )  # fmt: skip


def momentary_on_held_contact(facts: ReceiverFacts) -> Iterator[Finding]:
    """A pulse for a contact that may stay open, where it matters that it stays visible."""
    for row in taken(facts):
        only_pulses = bool(row.outputs) and all(use.behaviour == "momentary" for use in row.outputs)
        if row.kind in HELD_KINDS and only_pulses and row.duty in ("life_safety", "security"):
            yield at_slot(
                facts, row, "momentary_on_held",
                "A contact that may be held open drives only a short pulse",
                "The output goes off while the door or contact still stands open, so nobody sees it.",
                "Let the output follow the contact, or stay on until cleared.",
                local_day(row.registered_at),
            )  # fmt: skip


def registered_twice(facts: ReceiverFacts) -> Iterator[Finding]:
    """The same transmitter and input in several slots without being declared so."""
    places: dict[tuple[str, int], list[SlotRow]] = {}
    for row in taken(facts):
        if row.serial and not row.is_declared_twice:
            places.setdefault((row.serial, row.input_number), []).append(row)
    for key, rows in places.items():
        if len(rows) < 2 and key not in facts.elsewhere:
            continue
        others = [f"slot {row.slot}" for row in rows[1:]]
        if key in facts.elsewhere:
            others.append("another receiver")
        yield at_slot(
            facts, rows[0], "registered_twice",
            f"Transmitter {key[0]} (input {key[1]}) also stands in {list_words(others)}, undeclared",
            "One of the records is wrong, or one press calls in two places.",
            "Find out on site, then remove the wrong registration or declare both.",
            local_day(max((row.registered_at for row in rows if row.registered_at), default=None)),
        )  # fmt: skip


def register_again(facts: ReceiverFacts) -> Iterator[Finding]:
    """Set-up changed after registration."""
    for row in taken(facts):
        if row.needs_registering:
            yield at_slot(
                facts, row, "register_again",
                "The contact or a setting on the transmitter was changed after it was registered",
                "The receiver may still act on the old set-up, or not at all.",
                "Register the transmitter again and walk-test it.",
                local_day(row.needs_registering_since or row.registered_at),
            )  # fmt: skip


def walk_test_not_heard(facts: ReceiverFacts) -> Iterator[Finding]:
    """The last walk test was not heard at the output."""
    for row in taken(facts):
        if row.nothing_answers or row.slot not in facts.not_heard:
            continue
        on = facts.not_heard[row.slot]
        yield at_slot(
            facts, row, "walk_test_not_heard",
            f"The walk test of {day_words(on, today=facts.today)} was not heard at the output",
            "A call from here did not come through when it was tried.",
            "Find out why on site, then walk-test it again. Until then tell whoever relies on it.",
            on,
        )  # fmt: skip


def not_walk_tested(facts: ReceiverFacts) -> Iterator[Finding]:
    """Never walk-tested, or not since the last change of the slot. What is away cannot be tried."""
    for row in taken(facts):
        if row.nothing_answers or row.is_away or row.kind in UNTESTED_KINDS or row.slot in facts.not_heard:
            continue
        if row.walk_tested_at is None:
            code, what = "never_walk_tested", "No walk test is on record"
        elif row.registered_at is not None and row.walk_tested_at < row.registered_at:
            code, what = "not_tested_since_change", "Not walk-tested since its last change"
        else:
            continue
        yield at_slot(
            facts, row, code, what,
            "Nobody has seen that a press or an opening here reaches the output.",
            "Walk-test it on the next visit.",
            local_day(row.registered_at),
        )  # fmt: skip


def nothing_answers(facts: ReceiverFacts) -> Iterator[Finding]:
    """A slot that is taken by nobody knows what."""
    for row in taken(facts):
        if row.nothing_answers:
            yield at_slot(
                facts, row, "nothing_answers",
                "The slot is taken, but nobody knows by which transmitter",
                "It may raise faults that nobody can place, and it blocks a slot.",
                "Find the transmitter on site, or delete the registration at the receiver.",
                local_day(row.registered_at),
            )  # fmt: skip


def cells_of_unknown_age(facts: ReceiverFacts) -> Iterator[Finding]:
    """A battery of which nobody knows when it was fitted."""
    for row in taken(facts):
        if row.has_cells and row.fitted_on is None and not row.nothing_answers:
            yield at_slot(
                facts, row, "cells_unknown_age",
                "Nobody knows when the cells were fitted",
                "No honest due date can be given: they may be new or nearly empty.",
                "Change them on the next visit and record it.",
                local_day(row.registered_at),
            )  # fmt: skip


def cells_past_shelf_life(facts: ReceiverFacts) -> Iterator[Finding]:
    """Cells in use that are older than cells of their type are good for."""
    for row in taken(facts):
        ends_on = facts.shelf_ends.get(row.slot)
        if ends_on is not None and ends_on < facts.today and row.has_cells:
            yield at_slot(
                facts, row, "cells_past_shelf_life",
                f"The cells passed their shelf life on {day_words(ends_on, today=facts.today)}",
                "Even unused they may leak or fail without a signal.",
                "Change them on the next visit.",
                ends_on,
            )  # fmt: skip


def low_batteries_ignored(facts: ReceiverFacts) -> Iterator[Finding]:
    """A low battery was signalled longer ago than the days of grace, and the cells are still in."""
    for row in taken(facts):
        allowed = facts.grace_days.get(row.duty)
        if allowed is None or row.nothing_answers:
            continue
        grace = min(allowed, facts.learnt_grace.get(row.slot, allowed))
        within = f"{grace} {'day' if grace == 1 else 'days'}"
        days = [
            fault.since_on
            for fault in faults_of(row, facts.faults)
            if fault.kind == "low battery" and not fault.is_over
        ]
        days += [facts.low_since[row.slot]] if row.slot in facts.low_since else []
        # Cells fitted after the signal have answered it; the receiver may only not have been cleared.
        days = [day for day in days if row.fitted_on is None or day >= row.fitted_on]
        if not days or min(days) + timedelta(days=grace) >= facts.today:
            continue
        yield at_slot(
            facts, row, "low_battery_ignored",
            f"Low battery signalled on {day_words(min(days), today=facts.today)}, and the cells are still in",
            f"The firm's rule is to change them within {within}: they may fail at any time."
            if grace == allowed
            else f"About one in ten of such cells has been dead within {within} of the signal: they may fail at any time.",
            "Change the cells, or record that they have been changed; then walk-test it.",
            min(days),
        )  # fmt: skip


def away_too_long(facts: ReceiverFacts) -> Iterator[Finding]:
    """Away or out of use for longer than was agreed."""
    for row in taken(facts):
        if row.is_away and row.away_until is not None and row.away_until < facts.today:
            yield at_slot(
                facts, row, "away_too_long",
                f"Away for longer than agreed: until {day_words(row.away_until, today=facts.today)}",
                "While it counts as away nobody asks after it, and nobody is helped by it.",
                "Ask the customer: record that it is back, or agree a new day and what stands in for it.",
                row.away_until,
            )  # fmt: skip


def plans_waiting(facts: ReceiverFacts) -> Iterator[Finding]:
    """A planned change that nobody has made for a long time."""
    rows = {row.slot: row for row in taken(facts)}
    for plan in facts.plans:
        if (facts.today - plan.planned_on).days <= PLAN_WAIT_DAYS:
            continue
        yield at_slot(
            facts, rows.get(plan.slot) or SlotRow(plan.slot), "plan_waiting",
            f"A planned change waits since {day_words(plan.planned_on, today=facts.today)}: {plan.what}",
            "What was decided is not what hangs there, and the next person may rely on it.",
            "Put the site in a round, or drop the plan.",
            plan.planned_on,
        )  # fmt: skip


def mixed_lots(facts: ReceiverFacts) -> Iterator[Finding]:
    """Cells of different lots in one set."""
    for row in taken(facts):
        if row.n_lots > 1:
            yield at_slot(
                facts, row, "mixed_lots",
                f"The set holds cells of {row.n_lots} lots",
                "The weakest cell decides and is driven into the ground by the others.",
                "Change the whole set to cells of one lot.",
                row.fitted_on,
            )  # fmt: skip
