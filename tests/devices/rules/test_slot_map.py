"""Slot map rules: shaping rows for screens and tables, comparing two slot maps."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from devices.rules.slot_diff import compare_rows, diff_slot_maps
from devices.rules.slot_map import (
    COLUMNS,
    TICKS,
    OutputFacts,
    OutputUse,
    SlotRow,
    as_json,
    as_table,
    cells,
    day_asked,
    day_refused,
    due_words,
    fill_slots,
    lots_of,
    sum_up_outputs,
    ticks_left,
    urgency,
)
from devices.rules.words import behaviour_words, day_words, span_words, window_words

TODAY = date(2027, 3, 4)
ROW = SlotRow(
    slot=3,
    is_taken=True,
    label="Room 3",
    area="Ground floor",
    serial="SK-04127",
    type_label="pendant",
    kind="pendant",
    duty="life_safety",
    window_s=14400,
    interval_s=3600,
    outputs=(OutputUse(1, "latching"), OutputUse(2, "momentary", 5)),
    contact="no",
    registered_at=datetime(2025, 2, 14, 10, 0, tzinfo=UTC),
    battery_code="CR2450",
    n_cells=1,
    fitted_on=date(2025, 2, 14),
    due_on=date(2027, 3, 9),
)


@pytest.mark.parametrize(
    ("span_s", "words"),
    [
        (1, "1 s"),
        (60, "60 s"),
        (120, "2 min"),
        (180, "3 min"),
        (200, "200 s"),
        (600, "10 min"),
        (601, "601 s"),
        (3600, "60 min"),
        (5400, "90 min"),
        (14400, "4 h"),
    ],
)
def test_a_span_is_said_in_the_largest_unit_that_keeps_it_whole(span_s, words):
    assert span_words(span_s) == words


@pytest.mark.parametrize("span_s", [0, -1])
def test_a_span_that_is_not_positive_is_an_error(span_s):
    with pytest.raises(ValueError, match="positive"):
        span_words(span_s)


def test_a_window_tells_off_from_not_known():
    assert window_words(0) == "not supervised"
    assert window_words(None) == "window not known"
    assert window_words(200) == "missing after 200 s"


def test_behaviours_are_said_without_lamp_legends():
    assert behaviour_words("momentary", 5) == "on for 5 s, then off"
    assert behaviour_words("momentary", 2.5) == "on for 2.5 s, then off"
    assert behaviour_words("latching") == "stays on until cleared"
    assert behaviour_words("") == "behaviour not known"


def test_a_day_of_another_year_carries_its_year():
    assert day_words(date(2027, 3, 14), today=TODAY) == "14 March"
    assert day_words(date(2026, 3, 14), today=TODAY) == "14 March 2026"


@pytest.mark.parametrize(
    ("days", "sort", "words"),
    [
        (-12, "late", "late 12 d"),
        (-1, "late", "late 1 d"),
        (0, "soon", "due 4 Mar"),
        (28, "soon", "due 1 Apr"),
        (29, "later", "due 2 Apr"),
        (84, "later", "due 27 May"),
        (85, "fine", "due May 2027"),
    ],
)
def test_urgency_turns_at_its_borders(days, sort, words):
    due_on = TODAY + timedelta(days=days)
    assert urgency(due_on, TODAY) == sort
    assert due_words(due_on, TODAY) == words


def test_no_due_date_is_no_estimate_and_not_fine():
    assert urgency(None, TODAY) == "none"
    assert due_words(None, TODAY) == "no estimate"


@given(st.integers(min_value=-4000, max_value=8000), st.integers(min_value=0, max_value=400))
def test_a_later_due_date_never_shows_fewer_ticks(days, more):
    near, far = TODAY + timedelta(days=days), TODAY + timedelta(days=days + more)
    assert 0 <= ticks_left(near, TODAY) <= ticks_left(far, TODAY) <= TICKS
    assert (ticks_left(near, TODAY) > 0) == (days > 0)


def test_a_slot_without_cells_has_no_urgency():
    assert replace(ROW, n_cells=0, due_on=None).urgency(TODAY) == ""
    assert SlotRow(4).urgency(TODAY) == ""
    assert replace(ROW, due_on=None).urgency(TODAY) == "none"


def test_spare_slots_fill_the_gaps_and_a_slot_outside_the_range_stays_visible():
    rows = fill_slots(4, [replace(ROW, slot=9), ROW])
    assert [row.slot for row in rows] == [1, 2, 3, 4, 9]
    assert [row.is_spare for row in rows] == [True, True, False, True, False]
    assert rows[0].what_words == "spare"


def test_two_rows_for_one_slot_are_an_error():
    with pytest.raises(ValueError, match="slot 3"):
        fill_slots(4, [ROW, ROW])


def test_a_taken_slot_without_a_serial_says_that_nothing_answers():
    row = SlotRow(5, is_taken=True)
    assert row.nothing_answers
    assert row.what_words == "slot taken, nothing answers"
    assert not row.is_spare


def test_a_table_line_has_one_cell_per_heading():
    table = as_table(fill_slots(5, [ROW, SlotRow(5, is_taken=True)]))
    assert table[0] == COLUMNS
    assert {len(line) for line in table} == {len(COLUMNS)}
    line = dict(zip(COLUMNS, cells(ROW), strict=True))
    assert line["Supervision"] == "missing after 4 h"
    assert line["Outputs"] == "1: stays on until cleared; 2: on for 5 s, then off"
    assert line["Walk-tested"] == "never"
    assert line["Cells"] == "1 × CR2450"
    assert line["Change by"] == "2027-03-09"


def test_json_keeps_unknown_apart_from_switched_off():
    assert as_json(replace(ROW, window_s=None))["window_s"] is None
    assert as_json(replace(ROW, window_s=0))["window_s"] == 0
    assert as_json(SlotRow(7)) == {"slot": 7, "state": "spare"}
    assert as_json(SlotRow(7, is_taken=True))["state"] == "nothing_answers"


def test_a_slot_map_compared_with_itself_has_no_changes():
    assert diff_slot_maps([ROW], [replace(ROW, due_on=None, heard_at=datetime(2027, 3, 4, tzinfo=UTC))]) == ()


def test_a_diff_gives_old_and_new_line_by_line():
    new = [
        replace(ROW, label="Room 4", window_s=200),
        replace(ROW, slot=5),
        replace(ROW, slot=6, serial="SK-00002"),
    ]
    old = [ROW, replace(ROW, slot=6), replace(ROW, slot=7)]
    changes = {change.slot: change for change in diff_slot_maps(old, new)}
    assert {slot: change.kind for slot, change in changes.items()} == {
        3: "changed",
        5: "filled",
        6: "swapped",
        7: "emptied",
    }
    assert [(line.what, line.old, line.new) for line in changes[3].lines] == [
        ("Place", "Room 3", "Room 4"),
        ("Supervision", "missing after 4 h", "missing after 200 s"),
    ]


@given(st.lists(st.integers(min_value=1, max_value=12), unique=True), st.lists(st.integers(1, 12), unique=True))
def test_a_diff_read_backwards_swaps_old_and_new(old_slots, new_slots):
    old = [replace(ROW, slot=slot) for slot in old_slots]
    new = [replace(ROW, slot=slot, label="moved") for slot in new_slots]
    forward = diff_slot_maps(old, new)
    backward = diff_slot_maps(new, old)
    assert [(c.slot, [(x.old, x.new) for x in c.lines]) for c in forward] == [
        (c.slot, [(x.new, x.old) for x in c.lines]) for c in backward
    ]


def test_a_slot_filled_on_paper_and_spare_in_fact_is_emptied():
    change = compare_rows(ROW, SlotRow(3))
    assert change is not None
    assert change.kind == "emptied"


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("2026-05-03", date(2026, 5, 3)),
        ("2027-03-05", TODAY),
        ("1899-12-31", TODAY),
        ("2026-02-30", TODAY),
        ("yesterday", TODAY),
        ("", TODAY),
    ],
)
def test_a_day_that_makes_no_sense_is_today(text, day):
    assert day_asked(text, TODAY) == day


@pytest.mark.parametrize("text", ["1900-01-01", "2099-01-01", "2026-02-30", "garbage"])
def test_a_day_that_cannot_be_shown_is_named_and_refused(text):
    assert text in day_refused(text, TODAY)
    assert not day_refused("", TODAY)
    assert not day_refused("2026-02-28", TODAY)


@pytest.mark.parametrize(("text", "n"), [("", 0), ("03/2025", 1), ("A12; B7", 2), ("A12 + B7 + A12", 2), ("A12, ,", 1)])
def test_lots_noted_together_are_told_apart(text, n):
    assert len(lots_of(text)) == n


def test_outputs_are_summed_up_with_the_most_used_behaviour_first():
    rows = [
        replace(ROW, slot=1, outputs=(OutputUse(1, "follower"),)),
        replace(ROW, slot=2, outputs=(OutputUse(1, "latching"),)),
        replace(ROW, slot=3, outputs=(OutputUse(1, "latching"), OutputUse(4, "toggle"))),
        SlotRow(4),
    ]
    one, two, four = sum_up_outputs([OutputFacts(2, "fault", "horn"), OutputFacts(1, drives="call lamp")], rows)
    assert (one.number, one.drives, one.n_slots) == (1, "call lamp", 3)
    assert one.behaviours == ("stays on until cleared", "follows the contact")
    assert (two.kind, two.n_slots, two.behaviours) == ("fault", 0, ())
    assert (four.number, four.drives, four.n_slots) == (4, "", 1)
