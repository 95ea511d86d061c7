"""Checks of a receiver as a whole: its outputs, its faults, its room, its papers; pure Python."""

from collections import Counter
from collections.abc import Iterator

from devices.rules.findings_facts import Finding, ReceiverFacts, at_output, at_slot, gravest, local_day, taken
from devices.rules.findings_slots import low_batteries_ignored
from devices.rules.slot_map import SlotRow
from devices.rules.supervision import faults_of
from devices.rules.ways_in import DO, MEANS
from devices.rules.words import behaviour_words, count_words, day_words, slots_words

UNTESTED_AFTER_DAYS = 366
"""A fault output whose effect nobody has seen for over a year counts as untested. Common practice (yearly test), no
source."""


def output_shared(facts: ReceiverFacts) -> Iterator[Finding]:
    """One output asked to behave in different ways."""
    by_output: dict[int, dict[str, list[SlotRow]]] = {}
    for row in taken(facts):
        for use in row.outputs:
            if use.behaviour:
                words = behaviour_words(use.behaviour, use.pulse_s)
                by_output.setdefault(use.number, {}).setdefault(words, []).append(row)
    for number, by_words in sorted(by_output.items()):
        if len(by_words) < 2:
            continue
        parts = [f"{words} ({slots_words([row.slot for row in rows])})" for words, rows in sorted(by_words.items())]
        moments = [row.registered_at for rows in by_words.values() for row in rows if row.registered_at]
        yield at_output(
            facts, number, "output_shared",
            f"Slots ask different things of output {number}: {'; '.join(parts)}",
            "What people see depends on which transmitter came first: one may clear or hide the call of another.",
            "Give each behaviour an output of its own, or set the slots alike.",
            local_day(max(moments)) if moments else None,
        )  # fmt: skip


def latching_unnamed(facts: ReceiverFacts) -> Iterator[Finding]:
    """An output that stays on until cleared, with nobody named to clear it."""
    named = {output.number for output in facts.outputs if output.cleared_by}
    slots: dict[int, list[int]] = {}
    for row in taken(facts):
        for use in row.outputs:
            if use.behaviour == "latching" and use.number not in named:
                slots.setdefault(use.number, []).append(row.slot)
    for number, numbers in sorted(slots.items()):
        yield at_output(
            facts, number, "latching_unnamed",
            f"Output {number} stays on until cleared ({slots_words(numbers)}), and nobody is named to clear it",
            "A call that nobody clears hides the next one.",
            "Record who clears it and where.",
            None,
        )  # fmt: skip


def no_spare_slot(facts: ReceiverFacts) -> Iterator[Finding]:
    """Every slot taken."""
    used = list(taken(facts))
    if facts.n_slots and len(used) >= facts.n_slots:
        yield Finding(
            "no_spare_slot",
            f"All {count_words(facts.n_slots, 'slot')} are taken",
            facts.where,
            "A further transmitter, or a replacement beside the old one, finds no place.",
            "Free a slot or plan a further receiver.",
            local_day(max((row.registered_at for row in used if row.registered_at), default=None)),
        )


def fault_output_untested(facts: ReceiverFacts) -> Iterator[Finding]:
    """A fault output that drives nothing, or whose effect nobody has seen."""
    for output in facts.outputs:
        if output.kind != "fault" or output.number in facts.test_again:
            continue
        if output.is_wired is False:
            yield at_output(
                facts, output.number, "fault_output_unwired",
                f"Fault output {output.number} is not wired",
                "Low batteries and missing transmitters are only seen by whoever opens the receiver.",
                "Wire it to something that people notice.",
                None,
                of_all=True,
            )  # fmt: skip
        elif output.effect_seen_on is None or (facts.today - output.effect_seen_on).days > UNTESTED_AFTER_DAYS:
            seen = "Nobody has seen" if output.effect_seen_on is None else "For over a year nobody has seen"
            yield at_output(
                facts, output.number, "fault_output_untested",
                f"{seen} fault output {output.number} do its work",
                "A fault may reach nobody.",
                "Raise a fault on the next visit and follow it to its end.",
                output.effect_seen_on,
                of_all=True,
            )  # fmt: skip


def output_to_test_again(facts: ReceiverFacts) -> Iterator[Finding]:
    """An output whose end effect nobody has seen since the receiver was swapped."""
    kinds = {output.number: output.kind for output in facts.outputs}
    for number, since_on in sorted(facts.test_again.items()):
        yield at_output(
            facts, number, "output_test_again",
            f"Output {number} has not been tested since the receiver was swapped",
            "A wire may be on the wrong terminal: what the transmitters report may move nothing, or the wrong thing.",
            "Set off one transmitter of this output, follow it to its end, and record who saw it.",
            since_on,
            of_all=kinds.get(number) == "fault",
        )  # fmt: skip


def loans_over(facts: ReceiverFacts) -> Iterator[Finding]:
    """A unit on loan that should have gone back."""
    rows = {row.slot: row for row in taken(facts)}
    why = "It is missing where it belongs, and the place here still waits for its own unit."
    do = "Fit the unit that belongs here, or agree another day of return and record it."
    for loan in facts.loans:
        if loan.until_on >= facts.today:
            continue
        row = rows.get(loan.slot) if loan.slot is not None else None
        until = day_words(loan.until_on, today=facts.today)
        if row is not None:
            what = f"Transmitter {loan.serial} is on loan and was to go back by {until}"
            yield at_slot(facts, row, "loan_over", what, why, do, loan.until_on)
        elif loan.slot is None:
            what = f"The receiver is on loan and was to go back by {until}"
            yield Finding("loan_over", what, facts.where, why, do, loan.until_on)


def old_map_copy(facts: ReceiverFacts) -> Iterator[Finding]:
    """The customer's copy of the slot map is older than the slots."""
    issued, changed = facts.map_issued_on, facts.slots_changed_on
    if issued is None or changed is None:
        return
    yield Finding(
        "map_copy_old",
        f"The customer's slot map of {day_words(issued, today=facts.today)} is older than the slots",
        facts.where,
        "Whoever looks at it on site goes to the wrong place, or looks for a transmitter that is gone.",
        "Issue the slot map and the lid label again.",
        changed,
    )


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
        "Find out on site what sends nearby, and record the cause.",
    ),
    "receiver power": (
        "Without its supply the receiver stops, and every slot with it.",
        "Measure the supply at the receiver's terminals and look at its standby battery.",
    ),
    "receiver standby battery": (
        "Should the mains fail, the receiver stops at once or soon, and every slot with it.",
        "Measure the standby battery under load, change it, and see that it is reported good again.",
    ),
    "sensor trouble": (
        "It reports that it cannot sense as it should: what it watches may go unseen.",
        "Go and see, clean or replace it, then walk-test it.",
    ),
    "receiver tamper": (
        "The receiver was opened or taken off its place.",
        "Go and see, close it, and ask who was at it.",
    ),
    "receiver fault": (
        "The receiver reports a fault of its own: no slot of it can be relied on.",
        "Go and see, and tell whoever relies on it until it is mended.",
    ),
    "receiver hears little or nothing": (
        "More than half of its transmitters fell silent at one time: a call from there may not come through.",
        "Look at its supply and its aerial; until it hears again, tell whoever relies on it.",
    ),
    "link lost": (
        "Nothing has come from there for too long: what happens there reaches nobody here.",
        "Ring the site, look at the gateway and its line; until then go by telephone.",
    ),
}
"""Why a fault of a kind matters, and what to do. Common practice, no source."""
_LATCHED_ADVICE = "Find out the cause, clear the receiver on site and record it."


def standing_faults(facts: ReceiverFacts) -> Iterator[Finding]:
    """A fault that the receiver shows, or that nobody has cleared there.

    A low battery past its days of grace is said by `low_batteries_ignored`, once. Of several of one kind, day and place
    each is a finding of its own, what stands first: what is over must not hide it.
    """
    places = {id(fault): row for row in taken(facts) for fault in faults_of(row, facts.faults)}
    ignored = {finding.slot for finding in low_batteries_ignored(facts)}
    marks: Counter[str] = Counter()
    for fault in sorted(facts.faults, key=lambda fault: fault.is_over):
        row = places.get(id(fault))
        if row is not None and row.slot in ignored and fault.kind == "low battery" and not fault.is_over:
            continue
        why, do = FAULT_ADVICE.get(
            fault.kind, ("The receiver reports something that may keep a call from coming through.", "Go and see.")
        )
        if fault.still_by:
            why, do = (words.format(lost=fault.lost_way, still=fault.still_by) for words in (MEANS, DO))
        code, what = "standing_fault", f"Fault: {fault.kind}"
        if fault.is_over:
            what += ", not yet cleared at the receiver"
            why, do = (
                "The condition is over, but it hides the next fault until the receiver is cleared.",
                _LATCHED_ADVICE,
            )
            # A visit while the condition was still there, or on its last day, could not clear it.
            if facts.visited_on is not None and facts.visited_on > (fault.over_on or fault.since_on):
                code = "latched_after_visit"
                what += f", although we were there on {day_words(facts.visited_on, today=facts.today)}"
        mark = f"{fault.kind}:{fault.since_on.isoformat()}:{fault.slot or ''}:{fault.transmitter_pk or ''}"
        marks[mark] += 1
        if marks[mark] > 1:
            mark += f":{marks[mark]}"
        if row is not None:
            yield at_slot(facts, row, code, what, why, do, fault.since_on, mark)
        else:
            place = f"{facts.where}, {fault.place}" if fault.place else facts.where
            # A fault of the receiver itself concerns every slot that hangs on it.
            duty = fault.duty or ("" if fault.place else gravest(list(taken(facts))))
            yield Finding(code, what, place, why, do, fault.since_on, duty=duty, mark=mark)
