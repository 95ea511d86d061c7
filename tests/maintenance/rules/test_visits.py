"""What still has to be done on a visit."""

from datetime import UTC, datetime, timedelta

import pytest

from maintenance.rules.visits import (
    MOST_FAULTS,
    Said,
    Standing,
    gates,
    is_answered,
    is_on_test,
    receiver_state,
    standing_words,
    why_not_clear,
)

T0 = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


def said(*kinds, receiver=1, transmitter=7, minutes_apart=1):
    return [
        Said(kind, T0 + timedelta(minutes=i * minutes_apart), i, receiver, 5, transmitter)
        for i, kind in enumerate(kinds)
    ]


@pytest.mark.parametrize(
    ("kinds", "is_left", "is_cleared"),
    [
        ([], False, False),
        (["note", "not_done", "volts"], False, False),
        (["battery"], True, False),
        (["battery", "covers"], True, False),
        (["battery", "covers", "cleared"], False, True),
        (["battery", "cleared"], True, False),  # cleared with a cover open: tamper is latched again at once
        (["battery", "covers", "cleared", "walk_test"], True, False),  # worked on after clearing
        (["covers", "battery", "cleared"], True, False),  # covers were on before, not after
        (["registered", "covers", "volts", "cleared"], False, True),
    ],
)
def test_a_receiver_is_left_until_it_is_cleared_after_the_last_work(kinds, is_left, is_cleared):
    state = receiver_state(said(*kinds), 1)
    assert (state.is_left, state.is_cleared) == (is_left, is_cleared)


def test_what_was_done_at_another_receiver_does_not_count():
    assert not receiver_state(said("battery", receiver=2), 1).is_worked


def test_entries_of_one_moment_count_in_the_order_of_recording():
    rows = said("battery", "covers", "cleared", minutes_apart=0)
    assert receiver_state(reversed(rows), 1).is_cleared


def test_clearing_waits_for_slots_to_be_registered_again_then_for_covers():
    state = receiver_state(said("battery"), 1)
    assert why_not_clear(state, [9, 4]).startswith("Slots 4, 9 must be registered again first")
    assert "cover" in why_not_clear(state, [])
    assert why_not_clear(receiver_state(said("battery", "covers"), 1), []) == ""


def test_on_test_ends_with_off_test():
    assert is_on_test(said("on_test"))
    assert not is_on_test(said("on_test", "off_test"))
    assert is_on_test(said("on_test", "off_test", "on_test"))


def test_gates_name_each_receiver_left_the_centre_on_test_and_what_is_unexplained():
    rows = [*said("battery"), *said("battery", "covers", "cleared", receiver=2), *said("on_test", receiver=None)]
    found = gates(rows, {1: "R1", 2: "R2", 3: "R3"}, {1: [6]}, 2)
    assert [(gate.code, gate.is_open) for gate in found] == [
        ("cleared", False),
        ("cleared", True),
        ("on_test", False),
        ("not_done", False),
    ]
    assert "Slot 6" in found[0].text
    assert found[3].text.startswith("2 due batteries")


def test_a_cleared_receiver_with_faults_is_never_called_well_and_keeps_nobody():
    rows = said("battery", "covers", "cleared")
    there = [Standing("missing", 4), Standing("receiver fault"), Standing("tamper", 2, is_over=True)]
    (gate,) = gates(rows, {1: "R1"}, {}, 0, {1: there})
    assert (gate.code, gate.is_open, gate.is_warning) == ("cleared", True, True)
    assert gate.text == (
        "R1 was cleared, but not all is well there. Still standing: missing in slot 4 and receiver fault."
    )
    (gate,) = gates(rows, {1: "R1"}, {}, 0, {1: there[2:]})
    assert gate.text == "R1 was cleared, but what is over still shows as not cleared: tamper in slot 2."
    (gate,) = gates(rows, {1: "R1"}, {}, 0, {2: there})
    assert (gate.text, gate.is_warning) == ("R1 is cleared.", False)


def test_a_receiver_with_faults_at_which_nothing_was_done_is_named():
    there = [Standing("low battery", 3), Standing("tamper", place="SK-1", is_over=True)]
    (gate,) = gates([], {1: "R1", 2: "R2"}, {}, 0, {2: there})
    assert (gate.code, gate.is_open, gate.receiver_id) == ("faults", True, 2)
    assert gate.text == (
        "R2: nothing was done there. Standing: low battery in slot 3. Over, not cleared: tamper of SK-1."
    )


def test_of_many_faults_the_worst_are_named_and_the_others_counted():
    many = [Standing("missing", slot) for slot in range(1, MOST_FAULTS + 4)]
    assert standing_words(many).endswith(f"missing in slot {MOST_FAULTS} and 3 more")
    assert standing_words(many[:1]) == "missing in slot 1"
    assert standing_words([]) == ""


def test_a_due_thing_is_answered_by_a_change_or_a_reason_for_its_own_transmitter():
    rows = said("walk_test")
    assert not is_answered(rows, transmitter_id=7, receiver_id=1)
    assert is_answered(said("not_done"), transmitter_id=7, receiver_id=1)
    assert not is_answered(said("battery", transmitter=8), transmitter_id=7, receiver_id=1)
    standby = [Said("battery", T0, 1, receiver_id=1)]
    assert is_answered(standby, transmitter_id=None, receiver_id=1)
    assert not is_answered(standby, transmitter_id=None, receiver_id=2)
