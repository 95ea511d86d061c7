"""What is wrong with the set-up of one receiver, and what its radio tells, as far as records go; pure Python.

The checks stand by topic in `findings_slots`, `findings_receiver` and `findings_radio`; here is their list, their kinds and their order.
"""

from collections.abc import Iterable

from devices.rules import findings_radio as radio
from devices.rules import findings_receiver as receiver
from devices.rules import findings_slots as slots
from devices.rules.findings_facts import OWN_ASKS, Finding, Loan, ReceiverFacts, SupervisionAsk, WaitingPlan
from devices.rules.words import DUTY_ORDER

__all__ = [
    "CALL_LOST", "CHECKS", "KINDS", "OWN_ASKS", "Finding", "Loan", "ReceiverFacts", "SupervisionAsk", "WaitingPlan", "find",
    "group_by_code", "harm_of",
]  # fmt: skip

CALL_LOST, UNSEEN, UPKEEP, ROOM = range(4)
"""How bad a kind of finding is: a call may not come through today; a failure may go unseen; it will become one of these;
nobody is harmed. Own order."""

KINDS: dict[str, tuple[int, str]] = {
    "standing_fault": (CALL_LOST, "Fault not cleared"),
    "low_battery_ignored": (CALL_LOST, "Low battery ignored"),
    "silent": (CALL_LOST, "Silent"),
    "walk_test_not_heard": (CALL_LOST, "Walk test not heard"),
    "life_safety_unsupervised": (CALL_LOST, "Life safety without supervision"),
    "away_too_long": (CALL_LOST, "Away longer than agreed"),
    "fault_output_unwired": (CALL_LOST, "Fault output not wired"),
    "output_test_again": (CALL_LOST, "Output to test again after a swap"),
    "register_again": (CALL_LOST, "Set-up changed after registration"),
    "link_very_weak": (CALL_LOST, "Link very weak"),
    "latched_after_visit": (UNSEEN, "Still latched after a visit"),
    "link_weak": (UNSEEN, "Link weak"),
    "duty_unsupervised": (UNSEEN, "Not supervised"),
    "window_over_duty": (UNSEEN, "Window longer than the duty asks"),
    "nothing_answers": (UNSEEN, "Slot taken, nothing answers"),
    "registered_twice": (UNSEEN, "In two places, undeclared"),
    "fault_output_untested": (UNSEEN, "Fault output not tested"),
    "output_shared": (UNSEEN, "Output shared by different behaviours"),
    "momentary_on_held": (UNSEEN, "Short pulse on a held contact"),
    "latching_unnamed": (UNSEEN, "Stays on, nobody named to clear"),
    "never_walk_tested": (UNSEEN, "No walk test on record"),
    "not_tested_since_change": (UNSEEN, "Not walk-tested since a change"),
    "portable_supervised": (UPKEEP, "Leaves the site, supervised"),
    "window_under_two": (UPKEEP, "Window under two check-ins"),
    "nuisance_faults": (UPKEEP, "Window raises false faults"),
    "stranger_heard": (UPKEEP, "Unregistered transmitter heard"),
    "cells_past_shelf_life": (UPKEEP, "Cells past their shelf life"),
    "cells_unknown_age": (UPKEEP, "Cells of unknown age"),
    "mixed_lots": (UPKEEP, "Mixed lots in one set"),
    "plan_waiting": (UPKEEP, "Planned change waiting"),
    "loan_over": (UPKEEP, "Loan past its return"),
    "map_copy_old": (UPKEEP, "Customer's slot map out of date"),
    "no_spare_slot": (ROOM, "No spare slot"),
}
"""Every kind: how bad it is, and its name in lists. Codes never change; an own duty of supervision is "duty_unsupervised"."""

CHECKS = (
    receiver.standing_faults, slots.low_batteries_ignored, radio.silent, radio.weak_links, slots.walk_test_not_heard, slots.not_supervised_enough,
    slots.away_too_long, slots.register_again, receiver.output_to_test_again, slots.nothing_answers,
    slots.registered_twice, receiver.fault_output_untested, slots.portable_supervised, slots.window_under_two_check_ins,
    radio.nuisance_faults, radio.strangers_heard,
    receiver.output_shared, slots.momentary_on_held_contact, receiver.latching_unnamed, slots.not_walk_tested,
    slots.cells_past_shelf_life, slots.cells_of_unknown_age, slots.mixed_lots, slots.plans_waiting, receiver.loans_over,
    receiver.old_map_copy, receiver.no_spare_slot,
)  # fmt: skip
"""Every check; a further finding is one function, its name in this list and its kind in `KINDS`."""

_STEP_DUTY, _STEP_KIND = 3, 2


def harm_of(severity: int, duty: str) -> int:
    """Weigh how bad a kind is with whom it would harm: 0 is worst.

    Parameters
    ----------
    severity : int
        `CALL_LOST` … `ROOM`, a rank with no unit.
    duty : str
        Duty class concerned; empty = none is known, and it comes last.

    Notes
    -----
    One duty class weighs more than one step of severity, less than two. Own choice: a life-safety slot with cells of
    unknown age comes after a security slot that may fail today, and before one of which nobody knows whether it works.
    """
    return _STEP_DUTY * DUTY_ORDER.get(duty, len(DUTY_ORDER)) + _STEP_KIND * severity


def find(facts: ReceiverFacts) -> tuple[Finding, ...]:
    """Run every check over one receiver.

    Parameters
    ----------
    facts : ReceiverFacts
        The receiver on one day.

    Returns
    -------
    tuple of Finding
        By harm, then in the order of `CHECKS`, then by slot. Slots with the same finding stay separate; a page may
        group them by code.
    """
    found = [(place, finding) for place, check in enumerate(CHECKS) for finding in check(facts)]
    found.sort(
        key=lambda pair: (
            harm_of(KINDS[pair[1].code][0], pair[1].duty), pair[0], pair[1].slot or 0, pair[1].output or 0
        )
    )  # fmt: skip
    return tuple(finding for _place, finding in found)


def group_by_code(findings: Iterable[Finding]) -> dict[str, list[Finding]]:
    """Findings of one kind together, in the order in which the first of each kind came."""
    groups: dict[str, list[Finding]] = {}
    for finding in findings:
        groups.setdefault(finding.code, []).append(finding)
    return groups
