"""How a fault ended, and what it leaves to do."""

from __future__ import annotations

from datetime import timedelta

import pytest

from devices.rules.fault_causes import CAUSES
from devices.rules.silence import ENDED_BY_US
from maintenance.rules.fault_ends import (
    RECEIVER_SWAPPED,
    SWAP_BACK,
    UNIT_SWAPPED,
    After,
    cause_of,
    end_title,
    left_to_do,
    note_of,
)
from maintenance.rules.fault_words import HELP_CALLS

DAYS = timedelta(days=2)


@pytest.mark.parametrize("cause", sorted({*CAUSES, *ENDED_BY_US, RECEIVER_SWAPPED, UNIT_SWAPPED, SWAP_BACK}))
@pytest.mark.parametrize("is_reported", [True, False])
def test_an_end_of_which_the_cause_is_on_record_was_neither_reported_nor_seen(cause, is_reported):
    for words in (cause, f"battery loose · {cause}"):
        title = end_title(words, is_reported=is_reported)
        assert not title.startswith(("Reported over", "Seen to be over"))
        assert cause_of(words) == cause
    assert note_of(f"battery loose · {cause}") == "battery loose"


def test_without_a_cause_it_was_reported_over_or_seen_to_be_over():
    assert end_title("battery loose", is_reported=True) == "Reported over"
    assert end_title("", is_reported=False) == "Seen to be over"
    assert end_title("battery loose", is_reported=True, receiver_left=True) == "Ended: the receiver came down"


@pytest.mark.parametrize("kind", sorted(HELP_CALLS))
def test_a_help_call_that_was_missing_for_long_leaves_the_question_who_called(kind):
    (words,) = left_to_do(After("missing", "life_safety", kind, stood=DAYS))
    assert words.startswith("For 2 d a call for help from it may not have arrived")


@pytest.mark.parametrize(
    "after",
    [
        After("missing", "life_safety", "pendant", stood=timedelta(minutes=10)),
        After("missing", "life_safety", "smoke", stood=DAYS),
        After("missing", "security", "pendant", stood=DAYS),
        After("tamper", "life_safety", "pendant", stood=DAYS),
        After("outage", "receiver", stood=DAYS),
        After("outage", "receiver", stood=timedelta(minutes=10), hangs=True),
        After("missing", "life_safety", "pendant", "away, as agreed", DAYS),
        After("missing", "life_safety", "pendant", "check-ins that came in late show it was heard", DAYS),
        After("low_battery", "life_safety", "pendant", "cells changed", DAYS, is_empty=True),
    ],
)
def test_other_ends_leave_nothing_to_do(after):
    assert left_to_do(after) == []


def test_a_swap_leaves_what_waits_at_the_new_receiver():
    words = left_to_do(After("outage", "receiver", words=RECEIVER_SWAPPED, n_again=20, n_untested=3))
    assert words == [
        "At the receiver in its place 20 slots wait to be registered again.",
        "At the receiver in its place 3 outputs have to be tested again.",
    ]
    one = left_to_do(After("outage", "receiver", n_again=1, n_untested=1))
    assert "1 slot waits" in one[0]
    assert "1 output has" in one[1]


def test_an_emptied_slot_on_life_safety_leaves_somebody_without_a_way_to_call():
    gone = "no longer registered here"
    assert "another way to call" in left_to_do(After("low_battery", "life_safety", words=gone, is_empty=True))[0]
    assert "meant to stay so" in left_to_do(After("low_battery", "security", words=gone, is_empty=True))[0]
    assert left_to_do(After("low_battery", "life_safety", words=gone)) == []


def test_where_we_stopped_watching_nothing_shows_that_it_works():
    assert "Nothing shows that it works" in left_to_do(After("missing", "security", words="no longer supervised"))[0]


def test_a_receiver_that_was_deaf_leaves_the_same_question():
    (words,) = left_to_do(After("outage", "receiver", stood=DAYS, hangs=True))
    assert words.startswith("For 2 d calls through this receiver may not have arrived")
