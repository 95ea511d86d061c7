"""Readers for single cells, by table."""

from datetime import date, time, timedelta

import pytest

from company.cells import choice, code, day, number, read_span_s, say_span, span_s, text, whole, yes_no
from company.sheets import UNKNOWN, WrongCell

TODAY = date(2026, 3, 14)


@pytest.mark.parametrize(
    ("reader", "cell", "value"),
    [
        (text(20), 17, "17"),
        (text(20), "  two\n words ", "two words"),
        (text(20, allow_unknown=True), "Unknown", UNKNOWN),
        (text(20), "Unknown", "Unknown"),
        (code(20), 17.0, "17"),
        (code(20), "0042", "0042"),
        (code(20), "12E45", "12E45"),
        (number(0, 50), "12,5", 12.5),
        (number(0, 50, "V"), "12.5 V", 12.5),
        (number(-5, 50), "\u22123", -3.0),
        (number(0, 50), 50, 50.0),
        (whole(0, 50), "17.0", 17),
        (whole(0, 50, allow_unknown=True), "not known", UNKNOWN),
        (day(), TODAY + timedelta(days=1), TODAY + timedelta(days=1)),
        (day(), date(1990, 1, 1), date(1990, 1, 1)),
        (day(allow_unknown=True), " UNKNOWN ", UNKNOWN),
        (day(words={"none": UNKNOWN}), "none", UNKNOWN),
        (choice({"Life safety": "life_safety"}), "life_SAFETY", "life_safety"),
        (yes_no(), True, True),
        (yes_no(), "N", False),
        (yes_no(), 1, True),
        (span_s(1, 86400), "4 h", 14400),
        (span_s(1, 86400), "1.5 hours", 5400),
        (span_s(1, 86400), "90min", 5400),
        (span_s(1, 86400, words={"off": "off"}), "OFF", "off"),
    ],
)
def test_a_cell_is_read(reader, cell, value):
    read = reader(cell, TODAY)
    assert read == value
    assert type(read) is type(value)


@pytest.mark.parametrize(
    ("reader", "cell", "words"),
    [
        (text(3), "four", "4 characters long; 3 fit"),
        (text(20), time(4), "made a date or time"),
        (code(20), "1.0E+05", "digits are lost"),
        (code(20), 1e17, "only 15 digits"),
        (number(0, 5), "1e400", "no number that can be kept"),
        (number(0, 5), float("nan"), "no number that can be kept"),
        (number(0, 5), True, "yes is no number"),
        (number(0, 5), "1.234,5", "is no number"),
        (number(0, 5), date(2025, 1, 1), "is no number"),
        (number(0, 5000), "1,234", "decimal or as thousands"),
        (whole(0, 5), 1.5, "not a whole number"),
        (day(), TODAY + timedelta(days=2), "in the future"),
        (day(), date(1989, 12, 31), "before 1990"),
        (day(), time(0), "empty or wrong date"),
        (day(), time(4), "a time of day, not a date"),
        (day(), "12/11/2025", "2025-11-12 to some and 2025-12-11 to others"),
        (day(), "3 Mai 2025", "“Mai” is no month we know"),
        (day(), "2025-02-30", "not a day of the calendar"),
        (day(), "13/13/2025", "not a day of the calendar"),
        (day(), UNKNOWN, "no date we can read"),
        (yes_no(), 2, "neither yes nor no"),
        (span_s(60, 86400), "30 s", "outside 1 min to 24 h"),
        (span_s(1, 86400), 4, "has no unit"),
        (span_s(1, 86400), time(4), "time of day"),
        (span_s(1, 86400), timedelta(hours=4), "time of day"),
        (span_s(1, 86400), "four hours", "no length of time"),
    ],
)
def test_a_wrong_cell_is_refused_in_words(reader, cell, words):
    with pytest.raises(WrongCell, match=r".") as caught:
        reader(cell, TODAY)
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("seconds", "words"), [(200, "200 s"), (5400, "90 min"), (14400, "4 h"), (86400, "24 h"), (172800, "2 d")]
)
def test_a_span_is_said_and_read_back(seconds, words):
    assert say_span(seconds) == words
    assert read_span_s(words) == seconds
