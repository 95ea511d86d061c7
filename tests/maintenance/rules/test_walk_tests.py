"""Slots that a visit leaves without a walk test that was heard."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from devices.rules.slot_map import SlotRow
from maintenance.rules.walk_tests import MOST_SLOTS, Touched, owed_tests, walk_test_gates

BEGINS = datetime(2026, 11, 26, 9, 0, tzinfo=UTC)
LONG_AGO = BEGINS - timedelta(days=180)


def after(minutes):
    return BEGINS + timedelta(minutes=minutes)


def slot(number, heard=LONG_AGO, **over):
    facts = {
        "is_taken": True, "registration_pk": 100 + number, "receiver_pk": 1, "transmitter_pk": 200 + number,
        "label": f"Room {number}", "serial": f"SK-{number}", "kind": "pendant", "duty": "life_safety",
        "walk_tested_at": heard,
    }  # fmt: skip
    return SlotRow(number, **(facts | over))


def owed(rows, touched=None):
    return owed_tests(rows, {1: "R1"}, touched or {}, BEGINS)


@pytest.mark.parametrize(
    ("heard", "waits"), [(None, True), (LONG_AGO, True), (after(5), True), (after(10), False), (after(15), False)]
)
@pytest.mark.parametrize("how", ["registered", "set_anew", "again", "cells"])
def test_what_was_changed_waits_until_a_walk_test_was_heard_after_it(how, heard, waits):
    found = owed([slot(9, heard)], {109: [Touched(how, after(10))]})
    assert [one.how for one in found] == [how] * waits


def test_a_slot_that_nobody_touched_waits_for_nothing():
    assert owed([slot(9, None)]) == []


def test_the_sentence_says_which_slot_and_what_was_done():
    (one,) = owed([slot(9, None)], {109: [Touched("cells", after(12)), Touched("registered", after(10))]})
    assert one.words == (
        "Walk-test slot 9 (Room 9, R1, life safety): registered on this visit, and no walk test was heard there since."
    )


def test_what_was_tried_on_the_visit_and_not_heard_is_said_even_though_nothing_was_changed():
    (one,) = owed([slot(4, not_heard_at=after(10))])
    assert one.words == (
        "Slot 4 (Room 4, R1, life safety) was not heard at the output when it was walk-tested on this visit. Find out why "
        "and walk-test it again; until then tell whoever relies on it."
    )
    assert owed([slot(4, not_heard_at=BEGINS - timedelta(days=1))]) == [], "It is an older finding, not this visit's."


def test_life_safety_comes_first_and_what_failed_before_what_waits():
    rows = [slot(1, duty="convenience"), slot(2), slot(3, duty="security", not_heard_at=after(5)),
            slot(4, not_heard_at=after(5)), slot(5, duty="")]  # fmt: skip
    touched = {row.registration_pk: [Touched("cells", after(3))] for row in rows}
    assert [one.slot for one in owed(rows, touched)] == [4, 2, 3, 1, 5]


def test_new_cells_of_a_unit_with_two_inputs_are_shown_to_serve_by_a_call_from_either():
    pair = [slot(1), slot(2, heard=after(10), transmitter_pk=201)]
    assert owed(pair, {101: [Touched("cells", after(5))], 102: [Touched("cells", after(5))]}) == []
    (one,) = owed(pair, {101: [Touched("set_anew", after(5))]})
    assert one.slot == 1, "What was set anew at one input must be tried there."


@pytest.mark.parametrize("over", [{"is_away": True}, {"serial": ""}, {"kind": "repeater"}])
def test_what_cannot_be_tried_is_not_asked_for(over):
    assert owed([slot(9, None, **over)], {109: [Touched("registered", after(10))]}) == []


def test_each_has_a_line_of_its_own_that_holds_nobody_up_and_the_rest_is_counted():
    rows = [slot(number, None) for number in range(1, MOST_SLOTS + 3)]
    touched = {row.registration_pk: [Touched("registered", after(1))] for row in rows}
    lines = walk_test_gates(owed(rows, touched))
    assert len(lines) == MOST_SLOTS + 1
    assert all(line.is_open and line.is_warning and line.receiver_id == 1 for line in lines)
    assert [line.slot for line in lines[:2]] == [1, 2]
    assert (lines[-1].text, lines[-1].slot) == ("2 more slots wait for a walk test.", None)
    assert walk_test_gates([]) == []
    assert walk_test_gates(owed([replace(rows[0], walk_tested_at=after(2))], touched)) == []
