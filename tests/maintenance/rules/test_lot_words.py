"""What is said of a lot."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from maintenance.rules.battery.lots import interval_of_ratio
from maintenance.rules.lot_words import (
    LotCount,
    chance_words,
    expected_words,
    half_year_days,
    half_year_words,
    kinds_words,
    life_words,
    lot_name,
    ratio_words,
    standing_words,
    verdict,
)
from maintenance.rules.wear import half_year_name


@pytest.mark.parametrize(
    ("factor", "words"),
    [(1.0, "lasts as long as its kind"), (0.96, "lasts as long as its kind"), (0.52, "lasts about half as long as its kind"),
     (0.28, "lasts about a quarter as long as its kind"), (0.7, "lasts about two thirds as long as its kind"),
     (0.85, "lasts about five sixths as long as its kind"), (float("nan"), "lasts as long as its kind")],
)  # fmt: skip
def test_the_life_of_a_lot_is_said_as_a_fraction_that_people_use(factor, words):
    assert life_words(factor) == words


@pytest.mark.parametrize(
    ("expected", "words"),
    [
        (0, "0"),
        (0.01, "fewer than 0.1"),
        (0.4, "0.4"),
        (1.0, "1"),
        (3.26, "3.3"),
        (9.97, "10"),
        (42.4, "42"),
        (float("nan"), "an unknown number"),
    ],
)
def test_expected_ends_bear_no_more_digits_than_they_are_worth(expected, words):
    assert expected_words(expected) == words


@pytest.mark.parametrize(
    ("chance", "words"),
    [(0.02, "about 2 in 100"), (0.4, "about 40 in 100"), (0.999, "about 99 in 100"), (0.0094, "about 9 in 1,000"),
     (0.0004, "less than 1 in 1,000"), (0.0, "less than 1 in 1,000")],
)  # fmt: skip
def test_chances_are_said_as_counts(chance, words):
    assert chance_words(chance) == words


def test_a_suspect_lot_says_what_was_seen_how_sure_we_are_and_how_long_it_lasts():
    said = verdict(LotCount(3, 0.4, 0.52, 0.02, True))
    assert said == (
        "3 ended where 0.4 were expected; the chance that it is an ordinary lot is about 2 in 100. "
        "It lasts about half as long as its kind."
    )


@pytest.mark.parametrize(
    ("count", "words"),
    [
        (LotCount(1, 0.05, 1.0, 0.3, False), "One early end alone is not taken for a bad lot"),
        (LotCount(2, 0.9, 1.0, 0.7, False), "not enough to suspect it"),
        (LotCount(0, 0.2, 1.0, 0.95, False), "None ended where 0.2 were expected. Nothing points to a bad lot."),
        (LotCount(1, 1.0, 1.0, 0.95, False), "1 ended where 1 was expected."),
    ],
)
def test_a_lot_that_is_not_suspect_says_why(count, words):
    assert words in verdict(count)
    assert "lasts" not in verdict(count)


@given(st.integers(1, 200), st.floats(0.001, 500))
def test_the_range_that_is_said_is_the_exact_interval(observed, expected):
    low, high = (float(bound) for bound in interval_of_ratio(observed, expected, 0.9))
    said = ratio_words(observed, expected).removesuffix(" times as many").split(" to ")
    assert [float(word) for word in said] == [pytest.approx(low, abs=0.51), pytest.approx(high, abs=0.51)]
    assert low < observed / expected < high


def test_a_range_that_says_nothing_is_left_out():
    assert ratio_words(0, 3.0) == ""
    assert ratio_words(2, 0.0) == ""
    assert ratio_words(2, float("nan")) == ""


def test_half_years_are_said_in_months():
    assert half_year_words("2025-H2") == "fitted July to December 2025"
    assert half_year_days("2024-H1") == (date(2024, 1, 1), date(2024, 6, 30))
    assert half_year_words("24A17") == "24A17"
    assert half_year_days("24A17") is None
    assert half_year_days("0000-H1") is None
    assert lot_name("2025-H1", is_half_year=True) == "no lot noted, fitted January to June 2025"
    assert lot_name("24A17", is_half_year=False) == "lot 24A17"


@given(st.integers(2, 2 * 9999 + 1))
def test_every_half_year_of_the_fit_can_be_read_back_as_days(number):
    days = half_year_days(half_year_name(number).zfill(7))
    assert days is not None
    assert (days[0].year * 2 + (days[0].month > 6)) == number
    assert days[0] < days[1]


@pytest.mark.parametrize(
    ("count", "words"),
    [
        (LotCount(3, 0.4, 0.52, 0.02, True), "lasts about half as long as its kind"),
        (LotCount(0, 3.0, 1.0, 0.99, False), "in order"),
        (LotCount(5, 4.5, 1.0, 0.97, False), "in order"),
        (LotCount(1, 0.01, 1.0, 0.3, False), "one early end, too little to say"),
        (LotCount(1, 0.0, 1.0, 0.3, False), "one early end, too little to say"),
        (LotCount(4, 0.6, 1.0, 0.6, False), "more than expected, too little to suspect it"),
    ],
)
def test_a_table_says_how_a_lot_stands_and_claims_no_more(count, words):
    assert standing_words(count) == words


BAD = LotCount(5, 0.5, 0.5, 0.002, True)
FEW = LotCount(1, 0.9, 1.0, 0.78, False)
FINE = LotCount(6, 5.0, 1.0, 0.9, False)


@pytest.mark.parametrize(
    ("kinds", "words"),
    [
        ([], ""),
        ([("pendant", BAD)], ""),
        ([("pendant", BAD), ("door contact", BAD)], ""),
        ([("pendant", FEW), ("door contact", FINE)], ""),
        (
            [("pendant", BAD), ("door contact", FEW)],
            "The same delivery can behave differently in different transmitters, and too few have ended in door contact "
            "to tell. For now due dates in pendant are brought forward, those in door contact not yet. A recall covers all "
            "of them.",
        ),
        (
            [("pendant", BAD), ("door contact", FINE), ("door contact", FINE)],
            "The same delivery can behave differently in different transmitters. For now due dates in pendant are brought "
            "forward, those in door contact not yet. A recall covers all of them.",
        ),
        (
            [("pendant", BAD), ("mat", BAD), ("door contact", FINE), ("smoke detector", FEW)],
            "The same delivery can behave differently in different transmitters, and too few have ended in smoke detector "
            "to tell. For now due dates in pendant and mat are brought forward, those in door contact and smoke detector "
            "not yet. A recall covers all of them.",
        ),
    ],
)
def test_why_a_delivery_is_suspect_in_one_kind_only_is_said(kinds, words):
    assert kinds_words(kinds) == words
