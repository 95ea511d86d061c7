"""Local days of many moments, against the calendar of each place."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from maintenance.querysets.fleet_days import UNKNOWN_S, local_days, offsets

ZONES = (
    "UTC", "Europe/London", "America/St_Johns", "Asia/Kathmandu", "Pacific/Apia", "Africa/Casablanca",
    "Australia/Lord_Howe", "America/Sao_Paulo", "Africa/Cairo",
)  # fmt: skip
moments = st.datetimes(datetime(1970, 1, 2), datetime(2099, 12, 30), timezones=st.just(UTC))


@settings(max_examples=200, deadline=None)
@given(at=st.lists(moments, min_size=1, max_size=20), data=st.data())
def test_every_moment_falls_on_the_day_that_a_clock_there_shows(at: list[datetime], data: st.DataObject) -> None:
    zone = [data.draw(st.integers(0, len(ZONES) - 1)) for _ in at]
    seconds = np.array([int(moment.timestamp()) for moment in at], dtype=np.int64)
    found = local_days(seconds, np.array(zone), ZONES)
    for day, moment, number in zip(found, at, zone, strict=True):
        there = moment.replace(microsecond=0).astimezone(ZoneInfo(ZONES[number])).date()
        assert day == (there - date(2000, 1, 1)).days


@pytest.mark.parametrize("name", ZONES)
def test_clocks_are_changed_at_the_very_second(name: str) -> None:
    since, offset = offsets(name)
    for moment, before, after in zip(since[1:].tolist(), offset, offset[1:], strict=False):
        for second, expected in ((moment - 1, before), (moment, after)):
            told = datetime.fromtimestamp(second, UTC).astimezone(ZoneInfo(name)).utcoffset()
            assert told is not None
            assert told.total_seconds() == expected


def test_what_is_not_known_stays_so() -> None:
    found = local_days(np.array([UNKNOWN_S, 0]), np.array([0, -1]), ZONES)
    assert np.isnan(found[0])
    assert found[1] == -10957
