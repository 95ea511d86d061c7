"""What may be said about a receiver and a transmitter on the evidence there is."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from devices.rules.supervision import (
    EVERY,
    EXCEPTIONS,
    VISITS,
    ReceiverEvidence,
    StandingFault,
    TransmitterEvidence,
    allowed_gap_s,
    evidence_sentence,
    judge,
)

TODAY = date(2027, 3, 4)
NOON = datetime(2027, 3, 4, 12, 0, tzinfo=UTC)
EVERY_FACTS = ReceiverEvidence(EVERY, 57, n_heard=57, watermark_at=NOON, judged_at=NOON + timedelta(minutes=30))
LOW = StandingFault("low battery", "Room 4 pendant", date(2026, 11, 14), slot=4)
LATCHED = StandingFault("missing", "", date(2027, 3, 1), is_over=True)
EXCEPTION_FACTS = ReceiverEvidence(EXCEPTIONS, 57, link_tested_at=datetime(2027, 3, 4, 6, 0, tzinfo=UTC))
VISIT_FACTS = ReceiverEvidence(VISITS, 57, visited_on=date(2027, 2, 14))


@pytest.mark.parametrize(
    ("facts", "words", "tone"),
    [
        (EVERY_FACTS, "All 57 heard by 12:00, the last delivery", "good"),
        (replace(EVERY_FACTS, shortest_window_s=1800), "All 57 heard by 12:00, the last delivery", "good"),
        # Older than the shortest window, or nobody knows how old: said, but nothing to tick off.
        (
            replace(EVERY_FACTS, shortest_window_s=1740),
            "All 57 heard by 12:00, the last delivery, longer ago than the shortest supervision window (29 min)",
            "open",
        ),
        # A delivery may hold no check-in at all: nobody was heard by it.
        (
            replace(EVERY_FACTS, heard_at=NOON - timedelta(minutes=13)),
            "All 57 heard by 11:47, last delivery 12:00",
            "good",
        ),
        (
            replace(EVERY_FACTS, heard_at=NOON - timedelta(minutes=4)),
            "All 57 heard by 12:00, the last delivery",
            "good",
        ),
        (
            replace(EVERY_FACTS, n_heard=0, heard_at=NOON - timedelta(days=4)),
            "0 of 57 heard by 12:00, the last delivery",
            "open",
        ),
        (replace(EVERY_FACTS, judged_at=None), "All 57 heard by 12:00, the last delivery", "open"),
        (replace(EVERY_FACTS, n_heard=55), "55 of 57 heard by 12:00, the last delivery", "open"),
        (replace(EVERY_FACTS, n_faults=1), "All 57 heard by 12:00, the last delivery, 1 open fault", "bad"),
        (
            replace(EVERY_FACTS, n_faults=1, faults=(LOW,)),
            "All 57 heard by 12:00, the last delivery, 1 open fault: low battery, Room 4 pendant, since 14 November 2026",
            "bad",
        ),
        (
            replace(EVERY_FACTS, watermark_at=NOON - timedelta(hours=13)),
            "All 57 heard by 3 March, 23:00, the last delivery",
            "good",
        ),
        (replace(EVERY_FACTS, watermark_at=None), "Nothing has been received yet", "open"),
        (replace(EVERY_FACTS, watermark_at=NOON - timedelta(days=2)), "Nothing received since 2 March, 12:00", "bad"),
        (EXCEPTION_FACTS, "No fault reported, link tested 06:00", "good"),
        (replace(EXCEPTION_FACTS, n_faults=2), "2 faults reported and not cleared", "bad"),
        (
            replace(EXCEPTION_FACTS, n_faults=2, faults=(LATCHED,)),
            "2 faults reported and not cleared: missing, the receiver, since 1 March, not yet cleared at the receiver; "
            "and 1 more",
            "bad",
        ),
        (replace(VISIT_FACTS, n_faults=1), "Found in order on 14 February, 1 open fault", "bad"),
        (replace(EXCEPTION_FACTS, link_tested_at=None), "No fault reported, but the link was never tested", "open"),
        (
            replace(EXCEPTION_FACTS, link_tested_at=NOON - timedelta(days=3)),
            "Nothing is known: the link was last tested on 1 March, 12:00",
            "bad",
        ),
        (VISIT_FACTS, "Found in order on 14 February", "good"),
        (replace(VISIT_FACTS, visited_on=date(2026, 2, 14)), "Found in order on 14 February 2026", "good"),
        (replace(VISIT_FACTS, visited_on=None), "Not yet visited: nothing is known", "open"),
        (replace(VISIT_FACTS, n_not_in_order=3), "3 slots not in order on 14 February", "bad"),
        (
            replace(VISIT_FACTS, n_not_looked_at=7),
            "50 of 57 found in order on 14 February, the rest not tried",
            "open",
        ),
        (replace(VISIT_FACTS, n_not_looked_at=57), "Visited on 14 February, nothing tried", "open"),
        (ReceiverEvidence(EVERY, 0), "No transmitter is registered", "open"),
    ],
)
def test_the_sentence_says_what_the_evidence_carries(facts, words, tone):
    said = evidence_sentence(facts, TODAY)
    assert (said.words, said.tone) == (words, tone)


@given(
    grade=st.sampled_from([EVERY, EXCEPTIONS, VISITS, "", "rumour"]),
    n_heard=st.integers(0, 5),
    tested=st.booleans(),
    visited=st.booleans(),
)
def test_heard_is_only_said_where_every_check_in_reaches_us(grade, n_heard, tested, visited):
    facts = ReceiverEvidence(
        grade,
        5,
        n_heard=n_heard,
        watermark_at=NOON,
        link_tested_at=NOON if tested else None,
        visited_on=TODAY if visited else None,
    )
    words = evidence_sentence(facts, TODAY).words
    assert ("heard" in words) == (grade == EVERY)
    assert ("No fault" in words) == (grade == EXCEPTIONS)
    if grade not in (EVERY, EXCEPTIONS):
        assert ("in order" in words) == visited


@pytest.mark.parametrize("over", [{"n_heard": 6}, {"n_heard": -1}, {"n_faults": -1}])
def test_impossible_counts_are_an_error(over):
    with pytest.raises(ValueError, match=r"negative|more"):
        replace(ReceiverEvidence(EVERY, 5), **over)


FACTS = TransmitterEvidence(
    EVERY,
    window_s=14400,
    interval_s=3600,
    registered_at=NOON - timedelta(days=400),
    heard_at=NOON - timedelta(hours=1),
    watermark_at=NOON,
)


@pytest.mark.parametrize(
    ("over", "code", "words"),
    [
        ({}, "heard", "heard 11:00"),
        ({"heard_at": NOON - timedelta(hours=4)}, "heard", "heard 08:00"),
        ({"heard_at": NOON - timedelta(hours=4, seconds=1)}, "silent", "silent since 07:59"),
        ({"heard_at": None}, "silent", "never heard since it was registered"),
        (
            {"heard_at": None, "registered_at": NOON - timedelta(hours=1)},
            "awaited",
            "not heard yet, checks in every 60 min",
        ),
        ({"watermark_at": None}, "unknown", "nothing received yet"),
        ({"window_s": 0, "heard_at": NOON - timedelta(hours=3)}, "heard", "heard 09:00"),
        ({"window_s": 0, "heard_at": NOON - timedelta(hours=5)}, "silent", "silent since 07:00, not supervised"),
        ({"window_s": None, "interval_s": None, "heard_at": NOON - timedelta(days=1)}, "heard", "heard 3 March, 12:00"),
        ({"has_missing_fault": True}, "silent", "reported missing"),
        ({"has_missing_fault": True, "is_missing_seen": True}, "silent", "silent since 11:00"),
        ({"has_missing_fault": True, "is_missing_seen": True, "heard_at": None}, "silent", "never heard"),
        ({"is_away": True, "heard_at": None}, "away", "away, as agreed"),
        ({"grade": EXCEPTIONS}, "unknown", "no fault reported"),
        ({"grade": EXCEPTIONS, "fault": "low battery, since 3 March"}, "unknown", "low battery, since 3 March"),
        ({"grade": EXCEPTIONS, "has_missing_fault": True}, "silent", "reported missing"),
        ({"grade": VISITS, "heard_at": None}, "unknown", "not yet tried on a visit"),
        ({"grade": VISITS, "found_on": date(2027, 2, 14)}, "unknown", "found in order on 14 February"),
    ],
)
def test_one_transmitter_is_judged_on_its_evidence(over, code, words):
    state = judge(replace(FACTS, **over), TODAY)
    assert (state.code, state.words) == (code, words)


def test_a_check_in_from_before_the_registration_does_not_count():
    registered_at = NOON - timedelta(hours=6)
    state = judge(replace(FACTS, registered_at=registered_at, heard_at=registered_at - timedelta(minutes=1)), TODAY)
    assert state.code == "silent"
    assert state.since_at == registered_at


@given(st.integers(min_value=0, max_value=10_000_000))
def test_a_source_that_delivers_late_makes_nobody_silent(late_s):
    heard_at = NOON - timedelta(seconds=late_s)
    state = judge(replace(FACTS, heard_at=heard_at, watermark_at=heard_at, registered_at=heard_at), TODAY)
    assert state.code == "heard"


@given(st.integers(min_value=0, max_value=100_000), st.integers(min_value=0, max_value=100_000))
def test_a_fresher_check_in_never_makes_a_transmitter_silent(gap_s, fresher_s):
    older = judge(replace(FACTS, heard_at=NOON - timedelta(seconds=gap_s)), TODAY)
    fresher = judge(replace(FACTS, heard_at=NOON - timedelta(seconds=max(0, gap_s - fresher_s))), TODAY)
    assert not (older.code == "heard" and fresher.code == "silent")


@pytest.mark.parametrize(
    ("window_s", "interval_s", "gap_s"),
    [(14400, 3600, 14400), (0, 3600, 10800), (None, 60, 180), (0, None, None), (None, None, None)],
)
def test_without_a_window_three_check_ins_are_allowed_to_miss(window_s, interval_s, gap_s):
    assert allowed_gap_s(window_s, interval_s) == gap_s


def test_beside_a_deaf_receiver_nobody_is_counted_as_heard():
    deaf = StandingFault(
        "receiver hears little or nothing", "", TODAY, code="outage", since_at=NOON - timedelta(hours=2)
    )  # fmt: skip
    said = evidence_sentence(replace(EVERY_FACTS, n_heard=30, n_faults=1, faults=(deaf,)), TODAY)
    assert said.words.startswith(
        "More than half of 57 silent at one time since 10:00, last delivery 12:00, 1 open fault"
    )
    assert said.tone == "bad"
    over = replace(EVERY_FACTS, n_faults=1, faults=(replace(deaf, is_over=True),))
    assert evidence_sentence(over, TODAY).words.startswith("All 57 heard")
