"""Which of the days written down for a standby battery are changes that still hold."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from devices.rules.standby import Change, changes_of, moment_of

AT = datetime(2026, 11, 25, 10, tzinfo=UTC)
ONE, TWO, THREE = date(2026, 11, 20), date(2026, 11, 22), date(2026, 11, 25)


@pytest.mark.parametrize(
    ("days", "kept"),
    [
        ([], []),
        ([None], []),
        ([ONE, THREE], [ONE, THREE]),
        # Written wrong and corrected to an earlier day; back to the day before it; wiped out.
        ([THREE, TWO], [TWO]),
        ([ONE, THREE, ONE], [ONE]),
        ([ONE, THREE, None], []),
        ([ONE, None, THREE], [THREE]),
    ],
)
def test_a_later_day_is_a_further_change_and_an_earlier_one_takes_back(days, kept):
    written = [(day, AT + timedelta(minutes=n)) for n, day in enumerate(days)]
    assert [one.on for one in changes_of(written)] == kept


def test_a_day_that_stands_again_was_written_down_the_first_time():
    written = [(ONE, AT), (THREE, AT + timedelta(hours=1)), (ONE, AT + timedelta(hours=2)), (ONE, None)]
    assert changes_of(written) == (Change(ONE, AT),)


def test_a_day_that_was_wiped_out_and_written_again_was_written_the_second_time():
    later = AT + timedelta(hours=2)
    assert changes_of([(THREE, AT), (None, AT + timedelta(hours=1)), (THREE, later)]) == (Change(THREE, later),)


def test_the_moment_is_the_writing_or_the_end_of_the_day_whichever_comes_first():
    evening = AT.replace(hour=23, minute=59)
    assert moment_of(Change(THREE, AT), evening) == AT
    assert moment_of(Change(THREE, AT + timedelta(days=3)), evening) == evening
    assert moment_of(Change(THREE, None), evening) == evening
