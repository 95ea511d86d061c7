"""Which serials and cells a recall names, what has become of each, and the words for it."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from maintenance.rules.recalls import (
    ItemFacts,
    Progress,
    RecallFilter,
    cells_words,
    filter_words,
    natural_key,
    preview_words,
    progress_words,
    same_beginning,
    state_now,
    weeks_until,
)

MARCH = {"unknown_from": date(2026, 3, 1), "unknown_to": date(2026, 3, 31)}


def facts(**over):
    usual = {
        "what": "cells", "state": "open", "is_in_service": True, "has_successor": False, "listed_fitting": 7,
        "present_fitting": 7, "fitted_since": False, "is_named_again": False,
    }  # fmt: skip
    return ItemFacts(**(usual | over))


@pytest.mark.parametrize(
    ("lower", "higher"),
    [("SK-999", "SK-01000"), ("sk-2", "SK-10"), ("SK-10", "SK-10A"), ("A2B9", "A2B10"), ("", "0"), ("9", "A1")],
)
def test_serials_are_ordered_as_people_count(lower, higher):
    assert natural_key(lower) < natural_key(higher)


@given(st.text(max_size=12), st.text(max_size=12))
def test_any_two_serials_can_be_ordered_and_only_equal_ones_are_equal(one, two):
    a, b = natural_key(one), natural_key(two)
    assert (a < b) + (a > b) + (a == b) == 1
    assert natural_key(f" {one.strip()} ") == natural_key(one.strip())


@pytest.mark.parametrize(
    ("serial", "is_in"),
    [("SK-04127", True), ("sk-4300", True), ("SK-04200B", True), ("SK-04126", False), ("SK-04301", False),
     ("SL-04200", False), ("4200", False), ("SK-04300A", False)],
)  # fmt: skip
def test_a_range_of_serials_holds_both_its_ends(serial, is_in):
    assert RecallFilter(serial_from="SK-04127", serial_to="SK-04300").has_serial(serial) is is_in


@given(st.text("AB-", max_size=3), st.integers(0, 9999), st.integers(0, 9999), st.text("ABab-019", max_size=6))
def test_whatever_lies_between_two_serials_begins_as_both_do(letters, low, high, serial):
    low, high = sorted((low, high))
    ends = (f"{letters}{low}", f"{letters}{high}")
    begins = same_beginning(*ends)
    assert begins == letters
    if RecallFilter(serial_from=ends[0], serial_to=ends[1]).has_serial(serial):
        assert serial.casefold().startswith(begins.casefold())


@pytest.mark.parametrize(
    ("lots", "fitted_on", "entered_on", "is_named"),
    [
        (["24A17"], None, None, True),
        (["24a17"], date(2020, 1, 1), None, True),
        (["24B02", "24A17"], None, None, True),
        (["24B02"], date(2026, 3, 10), None, False),
        ([], date(2026, 3, 1), date(2026, 3, 1), True),
        ([], date(2026, 3, 31), date(2026, 3, 31), True),
        ([], date(2026, 4, 1), date(2026, 4, 1), False),
        ([], None, date(2026, 5, 1), True),
        ([], None, date(2026, 2, 28), False),
    ],
)
def test_cells_are_named_by_lot_or_without_one_by_the_day_of_fitting(lots, fitted_on, entered_on, is_named):
    assert RecallFilter(lots=("24A17",), **MARCH).has_cells(lots, fitted_on, entered_on) is is_named


def test_cells_of_an_unknown_day_can_be_left_out():
    wanted = RecallFilter(with_undated=False, **MARCH)
    assert not wanted.has_cells([], None, date(2026, 5, 1))


def test_without_a_lot_code_asked_for_a_noted_lot_is_never_an_unknown_one():
    assert not RecallFilter(**MARCH).has_cells(["24A17"], date(2026, 3, 10), None)
    assert RecallFilter(serial_from="A1", serial_to="A2").has_cells(["24A17"], None, None)


@pytest.mark.parametrize(
    ("over", "field", "words"),
    [
        ({}, "", "Name at least one"),
        ({"unknown_from": date(2026, 3, 1)}, "unknown_to", "both days"),
        ({"unknown_to": date(2026, 3, 1)}, "unknown_from", "both days"),
        ({"unknown_from": date(2026, 3, 2), "unknown_to": date(2026, 3, 1)}, "unknown_to", "before the first"),
        ({"serial_from": "SK-1"}, "serial_to", "both ends"),
        ({"serial_to": "SK-1"}, "serial_from", "both ends"),
        ({"serial_from": "SK-10", "serial_to": "SK-9"}, "serial_to", "Swap"),
        ({"lots": tuple(f"L{n}" for n in range(51))}, "lots", "up to 50"),
        ({"lots": ("x" * 41,)}, "lots", "40 characters"),
    ],
)
def test_a_filter_that_cannot_be_used_says_why_and_where(over, field, words):
    ((where, text),) = RecallFilter(**over).problems()
    assert where == field
    assert words in text


@pytest.mark.parametrize(
    "wanted",
    [
        RecallFilter(lots=("24A17", "03/2025"), **MARCH, with_undated=False),
        RecallFilter(serial_from="SK-1", serial_to="SK-9", transmitter_type=4, battery_type=5, customer=6, site=7),
        RecallFilter(site=7),
    ],
)
def test_a_filter_is_kept_and_read_back_the_same(wanted):
    assert wanted.problems() == []
    assert RecallFilter.from_json(wanted.to_json() | {"key": "k", "later": 1}) == wanted


def test_a_filter_is_said_in_words():
    wanted = RecallFilter(lots=("24A17", "24B02"), serial_from="SK-1", serial_to="SK-9", site=3, **MARCH)
    assert filter_words(wanted, {"site": "Harbour Home"}) == [
        "lots 24A17 and 24B02; or no lot noted and fitted 1 March 2026 to 31 March 2026, or on an unknown day",
        "serials SK-1 to SK-9",
        "at Harbour Home",
    ]


@pytest.mark.parametrize(
    ("over", "state"),
    [
        ({}, "open"),
        ({"present_fitting": 8}, "done"),
        ({"present_fitting": None}, "done"),
        ({"present_fitting": 8, "is_named_again": True}, "open"),
        ({"is_in_service": False}, "gone"),
        ({"is_in_service": False, "present_fitting": 8}, "done"),
        ({"state": "done"}, "open"),
        ({"state": "gone"}, "open"),
        ({"state": "not_affected", "present_fitting": 8}, "not_affected"),
        ({"listed_fitting": None, "present_fitting": 8}, "open"),
        ({"listed_fitting": None, "present_fitting": 8, "fitted_since": True}, "done"),
        ({"listed_fitting": None, "present_fitting": None}, "open"),
        ({"listed_fitting": None, "present_fitting": None, "state": "done"}, "done"),
        ({"what": "unit", "present_fitting": 8}, "open"),
        ({"what": "unit", "is_in_service": False}, "gone"),
        ({"what": "unit", "is_in_service": False, "has_successor": True}, "done"),
        ({"what": "unit", "is_in_service": False, "state": "done"}, "done"),
    ],
)
def test_what_has_become_of_a_transmitter_follows_from_the_records(over, state):
    assert state_now(facts(**over)) == state


@pytest.mark.parametrize(
    ("counts", "words"),
    [
        ((0, 0, 0, 0, 0, 0), "Nothing is on this list."),
        ((5, 0, 0, 3, 1, 1), "All 5 are settled: 3 done, 1 looked at and not affected, 1 no longer in service."),
        ((1, 0, 0, 1, 0, 0), "Settled: 1 done."),
        ((9, 6, 4, 3, 0, 0, 1), "3 of 9 settled: 3 done, 4 in a round, 2 to do and in no round. 1 of what is left is on life safety."),
        ((9, 9, 0, 0, 0, 0), "0 of 9 settled: 9 to do and in no round."),
    ],
)  # fmt: skip
def test_progress_is_said_in_one_sentence(counts, words):
    assert progress_words(Progress(*counts)) == words


def test_a_preview_counts_harm_and_places():
    assert preview_words(312, 14, 9) == "312 transmitters at 14 sites; 9 on life safety."
    assert preview_words(1, 1, 0) == "1 transmitter at 1 site; none on life safety."
    assert preview_words(0, 0, 0).startswith("No transmitter")


@pytest.mark.parametrize(
    ("codes", "words"),
    [
        ([], ""),
        (["LR6", "LR6"], ""),
        (["LR6", "CR2450", "CR2450"], "CR2450 at 2, LR6 at 1"),
        (["LR6", "CR2450"], "CR2450 at 1, LR6 at 1"),
        (["LR6", ""], "unknown cells at 1, LR6 at 1"),
    ],
)
def test_a_list_that_spans_several_cells_says_which(codes, words):
    assert cells_words(codes) == words


def test_a_closed_recall_says_with_how_many_left_it_was_closed():
    left = Progress(18, 15, 6, 2, 1, 0, 1)
    assert progress_words(left, is_closed=True) == (
        "3 of 18 settled: 2 done, 1 looked at and not affected, closed with 15 left. 1 of what is left is on life safety."
    )
    assert progress_words(Progress(2, 0, 0, 2, 0, 0), is_closed=True) == "All 2 are settled: 2 done."


@given(st.integers(-400, 1200), st.integers(0, 104))
def test_a_round_looks_far_enough_ahead_for_the_day_of_the_recall_and_no_week_further(days, least):
    day = date(2026, 11, 25)
    due_by = day + timedelta(days=days)
    weeks = weeks_until(due_by, day, least)
    assert weeks == 104 or day + timedelta(weeks=weeks) >= due_by
    assert weeks in (least, 104) or day + timedelta(weeks=weeks - 1) < due_by
    assert least <= weeks <= 104
    assert weeks_until(None, day, least) == least
