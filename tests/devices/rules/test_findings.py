"""Findings from records alone: each check fires on its cause and on nothing else."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from devices.rules.findings import (
    CHECKS,
    KINDS,
    Loan,
    ReceiverFacts,
    SupervisionAsk,
    WaitingPlan,
    find,
    group_by_code,
    harm_of,
)
from devices.rules.findings_facts import is_wired
from devices.rules.slot_map import OutputFacts, OutputUse, SlotRow
from devices.rules.supervision import StandingFault

TODAY = date(2027, 3, 4)
SET_AT = datetime(2026, 2, 14, 10, 0, tzinfo=UTC)
SOUND = SlotRow(
    slot=1,
    is_taken=True,
    label="Room 1",
    serial="SK-04127",
    type_label="pull cord",
    kind="pull_cord",
    duty="life_safety",
    window_s=14400,
    interval_s=3600,
    outputs=(OutputUse(1, "latching"),),
    registered_at=SET_AT,
    walk_tested_at=SET_AT + timedelta(minutes=5),
    battery_code="CR2450",
    n_cells=2,
    n_lots=1,
    fitted_on=date(2026, 2, 14),
)
OUTPUTS = (
    OutputFacts(1, "signal", "call lamp", cleared_by="night staff"),
    OutputFacts(2, "fault", "buzzer", is_wired=True, effect_seen_on=date(2026, 9, 1)),
)


def receiver(*rows, outputs=OUTPUTS, **over):
    given = {"where": "Lantern House, receiver 1", "n_slots": 4, "rows": rows, "outputs": outputs, "today": TODAY}
    return ReceiverFacts(**(given | over))


def test_a_sound_receiver_has_no_findings():
    assert find(receiver(SOUND, SlotRow(2))) == ()


@pytest.mark.parametrize(
    ("over", "code"),
    [
        ({"is_portable": True}, "portable_supervised"),
        ({"window_s": 0}, "life_safety_unsupervised"),
        ({"window_s": 7199}, "window_under_two"),
        ({"needs_registering": True}, "register_again"),
        ({"walk_tested_at": None}, "never_walk_tested"),
        ({"walk_tested_at": SET_AT - timedelta(days=1)}, "not_tested_since_change"),
        ({"fitted_on": None}, "cells_unknown_age"),
        ({"n_lots": 2}, "mixed_lots"),
        ({"kind": "door_contact", "outputs": (OutputUse(1, "momentary", 5),)}, "momentary_on_held"),
        ({"outputs": (OutputUse(3, "latching"),)}, "latching_unnamed"),
    ],
)
def test_each_fault_in_a_slot_gives_its_own_finding(over, code):
    (found,) = find(receiver(replace(SOUND, **over)))
    assert found.code == code
    assert found.where.startswith("Lantern House, receiver 1")
    for text in (found.what, found.why, found.do):
        assert len(text) > 10
    if found.slot:
        assert found.slot == 1
        assert "slot 1 (Room 1)" in found.where


@pytest.mark.parametrize(
    "over",
    [
        {"is_portable": True, "window_s": 0},
        {"is_portable": True, "is_away": True},
        {"duty": "convenience", "window_s": 0},
        {"window_s": 7200},
        {"window_s": None},
        {"interval_s": None, "window_s": 60},
        {"kind": "door_contact", "outputs": (OutputUse(1, "follower"),)},
        {"kind": "door_contact", "outputs": (OutputUse(1, "momentary", 5),), "duty": "convenience"},
        {"n_cells": 0, "fitted_on": None},
    ],
)
def test_what_is_meant_so_or_not_known_gives_no_finding(over):
    assert find(receiver(replace(SOUND, **over))) == ()


def test_the_window_is_held_against_the_policy_of_the_company():
    ask = SupervisionAsk("life_safety", must_supervise=True, longest_window_s=3600, source="manager, 1 May 2026")
    (found,) = find(receiver(SOUND, asks=(ask,)))
    assert found.code == "window_over_duty"
    assert "manager, 1 May 2026" in found.do
    assert find(receiver(replace(SOUND, window_s=3600, interval_s=900), asks=(ask,))) == ()


def test_an_output_shared_by_different_behaviours_names_the_slots():
    other = replace(SOUND, slot=2, serial="SK-2", outputs=(OutputUse(1, "follower"),))
    (found,) = find(receiver(SOUND, other))
    assert (found.code, found.output) == ("output_shared", 1)
    assert "(slot 1)" in found.what
    assert "(slot 2)" in found.what
    assert found.since_on == SET_AT.date()


def test_several_slots_of_one_behaviour_are_named_as_several():
    others = [replace(SOUND, slot=n, serial=f"SK-{n}", outputs=(OutputUse(1, "follower"),)) for n in (2, 3)]
    (found,) = find(receiver(SOUND, *others))
    assert "follows the contact (slots 2 and 3)" in found.what


def test_two_pulse_lengths_on_one_output_are_different_behaviours():
    rows = [replace(SOUND, slot=n, serial=f"SK-{n}", outputs=(OutputUse(1, "momentary", n),)) for n in (1, 2)]
    assert [found.code for found in find(receiver(*rows))] == ["output_shared"]


def test_the_same_transmitter_twice_is_found_unless_declared():
    twice = replace(SOUND, slot=2)
    (found,) = find(receiver(SOUND, twice))
    assert found.code == "registered_twice"
    declared = [replace(row, is_declared_twice=True) for row in (SOUND, twice)]
    assert find(receiver(*declared)) == ()
    assert find(receiver(SOUND, replace(twice, input_number=2))) == ()


def test_the_same_transmitter_in_another_receiver_is_found():
    (found,) = find(receiver(SOUND, elsewhere=frozenset({("SK-04127", 1)})))
    assert found.code == "registered_twice"
    assert "another receiver" in found.what


def test_a_slot_where_nothing_answers_is_one_finding_not_five():
    unknown = SlotRow(2, is_taken=True, registered_at=SET_AT)
    assert [found.code for found in find(receiver(SOUND, unknown))] == ["nothing_answers"]


def test_a_full_receiver_says_so_once():
    rows = [replace(SOUND, slot=n, serial=f"SK-{n}") for n in (1, 2)]
    (found,) = find(receiver(*rows, n_slots=2))
    assert (found.code, found.slot) == ("no_spare_slot", None)
    assert find(receiver(*rows, n_slots=0)) == ()


@pytest.mark.parametrize(
    ("output", "codes"),
    [
        (OutputFacts(2, "fault", is_wired=False), ["fault_output_unwired"]),
        (OutputFacts(2, "fault", is_wired=True), ["fault_output_untested"]),
        (OutputFacts(2, "fault", effect_seen_on=TODAY - timedelta(days=366)), []),
        (OutputFacts(2, "fault", effect_seen_on=TODAY - timedelta(days=367)), ["fault_output_untested"]),
        (OutputFacts(2, "signal", is_wired=False), []),
    ],
)
def test_a_fault_output_must_be_wired_and_seen_to_work(output, codes):
    assert [found.code for found in find(receiver(SOUND, outputs=(OUTPUTS[0], output)))] == codes


def test_life_safety_comes_first_and_findings_can_be_grouped():
    rows = [
        replace(SOUND, slot=1, serial="SK-1", duty="convenience", needs_registering=True),
        replace(SOUND, slot=2, serial="SK-2", walk_tested_at=None),
        replace(SOUND, slot=3, serial="SK-3", walk_tested_at=None),
    ]
    found = find(receiver(*rows))
    assert [(finding.code, finding.slot) for finding in found] == [
        ("never_walk_tested", 2),
        ("never_walk_tested", 3),
        ("register_again", 1),
    ]
    assert {code: len(group) for code, group in group_by_code(found).items()} == {
        "never_walk_tested": 2,
        "register_again": 1,
    }


def test_no_check_fires_on_spare_slots():
    facts = receiver(*[SlotRow(n) for n in range(1, 5)], outputs=())
    assert [check.__name__ for check in CHECKS if list(check(facts))] == []


def test_a_standing_fault_is_a_finding_at_its_slot_or_at_the_receiver():
    low = StandingFault("low battery", "Room 1", date(2026, 11, 14), slot=9, transmitter_pk=7, duty="life_safety")
    gone = StandingFault("missing", "Room 3", date(2027, 1, 2), slot=3, transmitter_pk=8, is_over=True)
    power = StandingFault("receiver power", "", date(2027, 2, 1))
    found = find(receiver(replace(SOUND, transmitter_pk=7), SlotRow(3), faults=(low, gone, power)))
    assert {(one.what, one.where, one.slot, one.since_on) for one in found} == {
        ("Fault: low battery", "Lantern House, receiver 1, slot 1 (Room 1)", 1, date(2026, 11, 14)),
        (
            "Fault: missing, not yet cleared at the receiver",
            "Lantern House, receiver 1, Room 3",
            None,
            date(2027, 1, 2),
        ),
        ("Fault: receiver power", "Lantern House, receiver 1", None, date(2027, 2, 1)),
    }
    assert all(one.why and one.do for one in found)


# --- findings that need more than the slot map -----------------------------------------------------------------------

GRACE = {"life_safety": 7, "security": 14}


def test_a_lost_link_of_several_says_by_what_the_receiver_still_comes():
    lost = StandingFault("link lost", "", TODAY, lost_way="the panel", still_by="the gateway")
    (found,) = find(receiver(SOUND, faults=[lost]))
    assert found.why == "Nothing comes by the panel any more; by the gateway we still hear from this receiver."
    assert found.do.startswith("See why the panel has stopped.")


def test_a_fault_that_stands_again_is_not_hidden_by_one_of_that_day_that_is_over():
    over = StandingFault("low battery", "Room 1", TODAY, slot=1, transmitter_pk=7, duty="life_safety", is_over=True)
    again = replace(over, is_over=False)
    found = find(receiver(replace(SOUND, transmitter_pk=7), faults=(over, again)))
    assert [one.what for one in found] == ["Fault: low battery", "Fault: low battery, not yet cleared at the receiver"]
    assert len({(one.code, one.slot, one.mark) for one in found}) == 2
    (alone,) = find(receiver(replace(SOUND, transmitter_pk=7), faults=(again,)))
    assert alone.mark == found[0].mark, "It stays the same finding when the other one is cleared."


LOW = StandingFault("low battery", "Room 1", TODAY - timedelta(days=8), slot=1, transmitter_pk=7, duty="life_safety")
FITTED_SINCE = TODAY - timedelta(days=3)


@pytest.mark.parametrize(
    ("row", "over", "code"),
    [
        ({}, {"grace_days": GRACE, "low_since": {1: TODAY - timedelta(days=8)}}, "low_battery_ignored"),
        ({"transmitter_pk": 7}, {"grace_days": GRACE, "faults": (LOW,)}, "low_battery_ignored"),
        # Within the firm's time, but such cells have died sooner.
        (
            {},
            {"grace_days": GRACE, "learnt_grace": {1: 3}, "low_since": {1: TODAY - timedelta(days=4)}},
            "low_battery_ignored",
        ),
        ({"is_away": True, "away_until": TODAY - timedelta(days=1)}, {}, "away_too_long"),
        ({}, {"not_heard": {1: TODAY - timedelta(days=2)}}, "walk_test_not_heard"),
        ({"walk_tested_at": None}, {"not_heard": {1: TODAY - timedelta(days=2)}}, "walk_test_not_heard"),
        ({}, {"shelf_ends": {1: TODAY - timedelta(days=1)}}, "cells_past_shelf_life"),
        ({}, {"test_again": {1: TODAY}}, "output_test_again"),
        ({}, {"test_again": {2: TODAY}}, "output_test_again"),
        ({}, {"loans": (Loan(TODAY - timedelta(days=1)),)}, "loan_over"),
        ({}, {"loans": (Loan(TODAY - timedelta(days=1), "SK-1", 1),)}, "loan_over"),
        ({}, {"plans": (WaitingPlan(3, "register", TODAY - timedelta(days=31)),)}, "plan_waiting"),
        ({}, {"map_issued_on": TODAY, "slots_changed_on": TODAY}, "map_copy_old"),
    ],
)
def test_what_is_known_besides_the_slot_map_is_found_once(row, over, code):
    (found,) = find(receiver(replace(SOUND, **row), **over))
    assert found.code == code
    assert found.why
    assert found.do


@pytest.mark.parametrize(
    ("row", "over"),
    [
        # On the last day of grace, of another class, without a policy, and where new cells have answered the signal.
        ({}, {"grace_days": GRACE, "low_since": {1: TODAY - timedelta(days=7)}}),
        ({"duty": "security"}, {"grace_days": GRACE, "low_since": {1: TODAY - timedelta(days=14)}}),
        ({}, {"grace_days": GRACE, "learnt_grace": {1: 3, 2: 1}, "low_since": {1: TODAY - timedelta(days=3)}}),
        ({"duty": "convenience"}, {"grace_days": GRACE, "low_since": {1: TODAY - timedelta(days=400)}}),
        ({}, {"low_since": {1: TODAY - timedelta(days=400)}}),
        ({"fitted_on": FITTED_SINCE}, {"grace_days": GRACE, "low_since": {1: TODAY - timedelta(days=8)}}),
        ({"is_away": True, "away_until": TODAY}, {}),
        ({"is_away": True, "away_until": None}, {}),
        ({"away_until": TODAY - timedelta(days=9)}, {}),
        ({"is_away": True, "away_until": TODAY, "walk_tested_at": None}, {}),
        ({"kind": "repeater", "walk_tested_at": None}, {}),
        ({}, {"shelf_ends": {1: TODAY}}),
        ({"n_cells": 0}, {"shelf_ends": {1: TODAY - timedelta(days=1)}}),
        ({}, {"loans": (Loan(TODAY), Loan(TODAY, "SK-1", 1))}),
        ({}, {"loans": (Loan(TODAY - timedelta(days=9), "SK-1", 3),)}),
        ({}, {"plans": (WaitingPlan(3, "register", TODAY - timedelta(days=30)),)}),
        ({}, {"map_issued_on": TODAY}),
        ({}, {"slots_changed_on": TODAY}),
    ],
)
def test_what_is_within_its_day_or_does_not_apply_is_not_found(row, over):
    assert find(receiver(replace(SOUND, **row), **over)) == ()


def test_a_low_battery_within_its_grace_is_a_fault_and_past_it_is_said_once():
    row = replace(SOUND, transmitter_pk=7)
    within = replace(LOW, since_on=TODAY - timedelta(days=7))
    assert [one.code for one in find(receiver(row, faults=(within,), grace_days=GRACE))] == ["standing_fault"]
    assert [one.code for one in find(receiver(row, faults=(LOW,), grace_days=GRACE))] == ["low_battery_ignored"]
    over = replace(LOW, is_over=True)
    assert [one.code for one in find(receiver(row, faults=(over,), grace_days=GRACE))] == ["standing_fault"]


@pytest.mark.parametrize(
    ("visited_on", "code"),
    [
        (None, "standing_fault"),
        (date(2027, 1, 2), "standing_fault"),  # that very day: nobody knows which came first
        (date(2027, 1, 3), "standing_fault"),  # it was still there: clearing it would not have helped
        (date(2027, 1, 4), "latched_after_visit"),
    ],
)
def test_a_latched_fault_that_a_later_visit_left_says_so(visited_on, code):
    gone = StandingFault(
        "tamper", "Room 1", date(2027, 1, 2), slot=1, transmitter_pk=7, is_over=True, over_on=date(2027, 1, 3)
    )
    (found,) = find(receiver(replace(SOUND, transmitter_pk=7), faults=(gone,), visited_on=visited_on))
    assert found.code == code


def test_a_fault_that_still_stands_is_not_called_latched():
    there = StandingFault("tamper", "Room 1", date(2027, 1, 2), slot=1, transmitter_pk=7)
    (found,) = find(receiver(replace(SOUND, transmitter_pk=7), faults=(there,), visited_on=TODAY))
    assert found.code == "standing_fault"


def test_what_concerns_the_whole_receiver_weighs_as_much_as_its_gravest_slot():
    rows = [replace(SOUND, duty="convenience"), replace(SOUND, slot=2, serial="SK-2", duty="life_safety")]
    power = StandingFault("receiver power", "", date(2027, 2, 1))
    unwired = OutputFacts(2, "fault", is_wired=False)
    found = find(receiver(*rows, faults=(power,), outputs=(OUTPUTS[0], unwired)))
    assert {(one.code, one.duty) for one in found} == {
        ("standing_fault", "life_safety"),
        ("fault_output_unwired", "life_safety"),
    }
    signal = find(receiver(rows[0], replace(rows[1], outputs=()), test_again={1: TODAY}))
    assert [(one.code, one.duty) for one in signal] == [("output_test_again", "convenience")]


def test_two_faults_of_one_receiver_can_be_told_apart():
    faults = [StandingFault("interference", "", TODAY - timedelta(days=n)) for n in (1, 2)]
    assert len({one.mark for one in find(receiver(SOUND, faults=faults))}) == 2


def test_every_kind_has_a_name_of_its_own():
    assert len({title for _, title in KINDS.values()}) == len(KINDS)


@pytest.mark.parametrize(
    ("first", "then"),
    [
        (("life_safety", 0), ("life_safety", 1)),
        (("life_safety", 0), ("security", 0)),
        (("life_safety", 1), ("security", 0)),
        (("security", 0), ("life_safety", 2)),
        (("life_safety", 2), ("security", 1)),
        (("convenience", 0), ("", 0)),
    ],
)
def test_harm_weighs_whom_it_would_hurt_with_how_bad_it_is(first, then):
    assert harm_of(first[1], first[0]) < harm_of(then[1], then[0])


@pytest.mark.parametrize(
    ("drives", "terminals", "wired"),
    [
        ("buzzer", "", True), (" Not wired ", "", False), ("nothing", "4-5", False), ("", "4-5", True), ("", "", None),
    ],
)  # fmt: skip
def test_what_was_written_of_an_output_says_whether_it_is_wired(drives, terminals, wired):
    assert is_wired(drives, terminals) is wired
