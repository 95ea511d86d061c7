"""Hours as people write them."""

from __future__ import annotations

from datetime import time
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sites.rules.hours import HoursUnreadable, day_text, read_hours, week_lines

MORNING, AFTERNOON = (time(9), time(12)), (time(14), time(16, 30))


@pytest.mark.parametrize(
    ("text", "spans"),
    [
        ("09:00–12:00, 14:00–16:30", (MORNING, AFTERNOON)),
        ("9-12;14.00 to 16h30", (MORNING, AFTERNOON)),
        ("9am - 12 and 2 p.m. - 4:30pm", (MORNING, AFTERNOON)),
        ("0900 until 1200", (MORNING,)),
        ("12 am-12 pm", ((time(0), time(12)),)),
        # Spans that touch are one: a visit may run from one into the other.
        ("9-10, 10-12", (MORNING,)),
        ("", ()),
        (" Closed ", ()),
    ],
)
def test_many_ways_of_writing_name_the_same_hours(text, spans):
    assert read_hours(text) == spans


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("09:00", "Write from and to"),
        ("9-12-14", "Write from and to"),
        ("nine to twelve", "“nine” is no time of day"),
        ("09:00–24:00", "23:59"),
        ("09:00–12:60", "minutes from 00 to 59"),
        ("13pm-14", "without am or pm"),
        ("12:00–12:00", "ends before it begins"),
        ("9-12, 11:59-14", "09:00–12:00 and 11:59–14:00 overlap"),
        ("9-12, 2-4", "02:00–04:00 stands after 09:00–12:00 but is earlier"),
        (", ".join(f"{hour}:00-{hour}:30" for hour in range(8, 15)), "At most 6"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_what_to_write(text, words):
    with pytest.raises(HoursUnreadable, match=words):
        read_hours(text)


@given(st.lists(st.integers(0, 1439), min_size=2, max_size=12, unique=True).map(sorted))
def test_what_is_written_is_read_again_as_it_was(minutes):
    ends = [time(*divmod(each, 60)) for each in minutes]
    spans = tuple(zip(ends[::2], ends[1::2], strict=False))
    assert read_hours(day_text(spans)) == spans


@given(st.text(alphabet="0123456789:.-–, hapmTo/;and", max_size=24))
def test_any_text_is_read_as_hours_that_a_day_can_have_or_refused(text):
    try:
        spans = read_hours(text)
    except HoursUnreadable:
        return
    ends = [end for span in spans for end in span]
    assert all(before < after for before, after in pairwise(ends))


def test_days_with_the_same_hours_share_a_line():
    week = {0: [MORNING], 1: [MORNING], 2: [MORNING], 4: [MORNING, AFTERNOON], 5: [AFTERNOON], 6: [AFTERNOON]}
    assert week_lines(week) == [
        ("Monday to Wednesday", "09:00–12:00"),
        ("Friday", "09:00–12:00, 14:00–16:30"),
        ("Saturday and Sunday", "14:00–16:30"),
    ]
