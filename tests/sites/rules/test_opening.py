"""Open now, or when next: by the clock of the site, on nights when that clock is changed too."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from sites.rules.opening import ClosedDays, Span, moment, opening

LONDON, NEW_YORK, LORD_HOWE = (ZoneInfo(n) for n in ("Europe/London", "America/New_York", "Australia/Lord_Howe"))
WEEK = [Span(day, time(9, 30), time(17)) for day in range(5)]


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)


@pytest.mark.parametrize(
    ("now", "is_open", "words"),
    [
        (utc(2026, 11, 25, 9, 29), False, "closed now; opens today 09:30"),
        (utc(2026, 11, 25, 9, 30), True, "open now, until 17:00"),
        (utc(2026, 11, 25, 16, 59), True, "open now, until 17:00"),
        (utc(2026, 11, 25, 17, 0), False, "closed now; opens tomorrow 09:30"),
        (utc(2026, 11, 27, 18, 0), False, "closed now; opens Monday 09:30"),
        # In summer nine thirty there is half past eight in UTC.
        (utc(2026, 7, 1, 8, 30), True, "open now, until 17:00"),
    ],
)
def test_hours_are_those_of_the_clock_on_the_wall_there(now: datetime, is_open: bool, words: str) -> None:
    said = opening(WEEK, [], now, LONDON)
    assert (said.is_open, said.words) == (is_open, words)


def test_the_same_moment_is_open_in_one_place_and_closed_in_another() -> None:
    now = utc(2026, 11, 25, 15, 0)
    assert opening(WEEK, [], now, LONDON).is_open
    assert opening(WEEK, [], now, NEW_YORK).is_open
    assert opening(WEEK, [], utc(2026, 11, 25, 12, 0), NEW_YORK).words == "closed now; opens today 09:30"


def test_days_without_access_go_before_the_hours() -> None:
    holidays = [ClosedDays(date(2026, 12, 21), date(2027, 1, 3), "Christmas holidays")]
    said = opening(WEEK, holidays, utc(2026, 12, 22, 11), LONDON)
    assert (said.is_open, said.words) == (False, "no access today (Christmas holidays); opens Mon 4 Jan 2027, 09:30")
    eve = opening(WEEK, holidays, utc(2026, 12, 18, 18), LONDON)
    assert eve.words == "closed now; opens Mon 4 Jan 2027, 09:30"


def test_a_place_that_stays_shut_says_so() -> None:
    shut = [ClosedDays(date(2026, 1, 1), date(2027, 12, 31))]
    assert opening(WEEK, shut, utc(2026, 11, 25, 11), LONDON).words.endswith("does not open in the next 60 days")


def test_unknown_hours_are_not_guessed() -> None:
    assert opening([], [], utc(2026, 11, 25, 11), LONDON).is_open is None
    shut = [ClosedDays(date(2026, 11, 20), date(2026, 11, 30), "flood")]
    said = opening([], shut, utc(2026, 11, 25, 11), LONDON)
    assert said.is_open is False
    assert "no access until the end of 30 Nov 2026 (flood)" in said.words


# In London the clock went from 01:00 to 02:00 on 29 March 2026 and from 02:00 back to 01:00 on 25 October 2026.
def test_a_time_that_the_clock_skips_is_the_moment_of_the_change() -> None:
    assert moment(date(2026, 3, 29), time(1, 30), LONDON) == utc(2026, 3, 29, 1, 0)
    night = [Span(6, time(1, 30), time(4))]
    assert not opening(night, [], utc(2026, 3, 29, 0, 59), LONDON).is_open
    said = opening(night, [], utc(2026, 3, 29, 1, 0), LONDON)
    assert (said.is_open, said.words) == (True, "open now, until 04:00")


def test_a_span_that_the_clock_skips_whole_does_not_open() -> None:
    skipped = [Span(6, time(1, 10), time(1, 50))]
    said = opening(skipped, [], utc(2026, 3, 29, 0, 30), LONDON)
    assert said.words == "closed now; opens Sun 5 Apr 2026, 01:10"


def test_of_a_time_that_comes_twice_the_first_counts_so_that_nothing_opens_again() -> None:
    night = [Span(6, time(0, 30), time(1, 30))]
    assert opening(night, [], utc(2026, 10, 25, 0, 15), LONDON).is_open  # 01:15 for the first time
    assert not opening(night, [], utc(2026, 10, 25, 1, 15), LONDON).is_open  # 01:15 for the second time


def test_an_hour_more_or_less_in_the_night_moves_no_opening_of_the_day() -> None:
    for night in (date(2026, 3, 29), date(2026, 10, 25)):
        sunday = [Span(6, time(9), time(12))]
        opens = moment(night, time(9), LONDON)
        assert not opening(sunday, [], opens - timedelta(seconds=1), LONDON).is_open
        assert opening(sunday, [], opens, LONDON).is_open
    assert moment(date(2026, 3, 29), time(9), LONDON).hour == 8
    assert moment(date(2026, 10, 25), time(9), LONDON).hour == 9


def test_a_zone_that_moves_by_half_an_hour_is_taken_as_it_is() -> None:
    # On Lord Howe Island the clock goes from 02:00 to 02:30 on the first Sunday of October.
    assert moment(date(2026, 10, 4), time(2, 10), LORD_HOWE) == utc(2026, 10, 3, 15, 30)
