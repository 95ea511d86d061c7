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
    over_words,
)
from maintenance.rules.fault_words import HELP_CALLS, KINDS, was

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
        After("missing", "life_safety", "smoke", stood=timedelta(minutes=10)),
        After("missing", "security", "pendant", stood=DAYS),
        After("tamper", "life_safety", "pendant", "no longer registered here", DAYS),
        After("receiver_standby", "receiver", "", "standby battery changed", DAYS),
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


def test_what_is_no_help_call_leaves_the_question_what_happened_and_an_unknown_one_both():
    (words,) = left_to_do(After("missing", "life_safety", "smoke", stood=DAYS))
    assert words == "For 2 d what it noticed may not have arrived: ask at the site whether anything happened."
    (words,) = left_to_do(After("missing", "life_safety", "", stood=DAYS))
    assert "somebody called and was not heard, or anything happened" in words


def test_a_silence_that_is_told_of_the_receiver_now_may_go_on():
    assert "may be silent still" in left_to_do(After("missing", "security", words="the receiver heard nothing"))[0]


# --- in a mail ------------------------------------------------------------------------------------------------------------


def said(kind, duty="life_safety", transmitter_kind="pendant", words="", **over):
    after = After(kind, duty, transmitter_kind, words, DAYS, **over)
    return over_words(after, is_reported=kind not in ("missing", "outage", "link_lost"))


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_a_sentence_of_its_own_for_its_end_and_no_other_asks_who_called(kind):
    words = said(kind, hangs=kind == "outage")
    assert words.endswith(".")
    assert "Nothing that we know of" not in words
    assert ("somebody called" in words) == (kind in ("missing", "outage"))
    assert len({was(one) for one in KINDS}) == len(KINDS)


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("low_battery", "Reported over. Its cells are not on record as changed"),
        ("tamper", "Reported over. Unless one of yours was at it, ask"),
        ("missing", "Seen to be over. Meanwhile a call for help from it may not have arrived"),
    ],
)
def test_a_mail_says_how_it_ended_and_what_is_left(kind, words):
    assert said(kind).startswith(words)


@pytest.mark.parametrize(
    ("kind", "cause", "title"),
    [
        ("low_battery", "cells changed", "Ended: its cells were changed."),
        ("receiver_standby", "standby battery changed", "Ended: its standby battery was changed."),
    ],
)
def test_where_nothing_is_left_a_mail_says_no_more_than_that(kind, cause, title):
    assert said(kind, words=cause) == f"{title} Nothing that we know of is left to do."


def test_a_latched_fault_that_is_over_is_still_shown_by_its_receiver():
    assert said("low_battery", words="cells changed", is_latched=True) == (
        "Ended: its cells were changed. The receiver shows it until somebody clears it on site."
    )


@pytest.mark.parametrize("cause", [RECEIVER_SWAPPED, UNIT_SWAPPED, SWAP_BACK])
def test_after_a_swap_a_mail_sends_to_the_slot_map(cause):
    assert "registered and tested again" in said("low_battery", words=cause)
    assert "Nothing that we know of" not in said("low_battery", words=cause)


def test_a_mail_does_not_know_whether_the_slot_is_empty_and_says_so():
    assert "Should its slot be empty now" in said("missing", words="no longer registered here")
