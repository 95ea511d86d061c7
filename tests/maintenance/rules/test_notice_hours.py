"""When a notice may go: hours of a rule, over midnight, and on nights when clocks change."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from maintenance.rules.notice_hours import Hours, next_moment

LONDON, NEW_YORK = ZoneInfo("Europe/London"), ZoneInfo("America/New_York")
OFFICE = Hours("01234", time(8), time(17))
NIGHTS = Hours("4", time(22), time(6))  # Friday night


def local(text: str, zone: ZoneInfo = LONDON, fold: int = 0) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=zone, fold=fold)


@pytest.mark.parametrize(
    ("at", "hours", "goes"),
    [
        ("2026-11-25 10:00", OFFICE, "2026-11-25 10:00"),
        ("2026-11-25 07:59", OFFICE, "2026-11-25 08:00"),
        ("2026-11-25 08:00", OFFICE, "2026-11-25 08:00"),
        ("2026-11-25 17:00", OFFICE, "2026-11-26 08:00"),
        ("2026-11-27 17:01", OFFICE, "2026-11-30 08:00"),  # over the weekend
        ("2026-11-27 21:59", NIGHTS, "2026-11-27 22:00"),
        ("2026-11-28 02:00", NIGHTS, "2026-11-28 02:00"),  # Saturday, but of Friday's night
        ("2026-11-28 06:00", NIGHTS, "2026-12-04 22:00"),
        ("2026-11-27 02:00", NIGHTS, "2026-11-27 22:00"),  # Thursday's night is none
        ("2026-11-28 00:00", Hours("5"), "2026-11-28 00:00"),
        ("2026-11-29 00:00", Hours("5"), "2026-12-05 00:00"),
    ],
)
def test_a_notice_waits_for_the_hours_of_its_rule(at, hours, goes):
    assert next_moment(local(at), hours, LONDON) == local(goes).astimezone(UTC)


def test_at_any_hour_nothing_waits():
    at = local("2026-11-28 03:17")
    assert next_moment(at, Hours(), LONDON) is at
    assert next_moment(at, Hours("0123456", time(9), time(9)), LONDON) is at


def test_a_rule_without_a_day_never_sends():
    assert next_moment(local("2026-11-28 03:17"), Hours(""), LONDON) is None


def test_hours_that_begin_in_the_hour_left_out_begin_when_clocks_have_gone_forward():
    # 28 March 2027: 01:00 to 02:00 is left out in London.
    rule = Hours(begins=time(1, 30), ends=time(5))
    assert next_moment(datetime(2027, 3, 28, 0, 10, tzinfo=UTC), rule, LONDON) == datetime(
        2027, 3, 28, 1, 0, tzinfo=UTC
    )


def test_hours_that_lie_within_the_hour_left_out_are_no_hours_that_night():
    rule = Hours(begins=time(1, 10), ends=time(1, 50))
    assert next_moment(datetime(2027, 3, 28, 0, 10, tzinfo=UTC), rule, LONDON) == local("2027-03-29 01:10")


def test_hours_in_the_hour_that_comes_twice_begin_with_the_first_and_end_with_the_second():
    # 1 November 2026: 01:00 to 02:00 comes twice in New York.
    rule = Hours(begins=time(1, 15), ends=time(1, 45))
    first, second = local("2026-11-01 01:15", NEW_YORK), local("2026-11-01 01:30", NEW_YORK, fold=1)
    assert next_moment(local("2026-11-01 00:50", NEW_YORK), rule, NEW_YORK) == first.astimezone(UTC)
    assert next_moment(second, rule, NEW_YORK) == second.astimezone(UTC)
    late = local("2026-11-01 01:45", NEW_YORK, fold=1)
    assert next_moment(late, rule, NEW_YORK) == local("2026-11-02 01:15", NEW_YORK)


def test_office_hours_are_the_clocks_hours_on_both_sides_of_a_change():
    rule = Hours(begins=time(8), ends=time(17))
    assert next_moment(local("2027-03-27 20:00"), rule, LONDON) == datetime(2027, 3, 28, 7, 0, tzinfo=UTC)
    assert next_moment(local("2027-10-30 20:00"), rule, LONDON) == datetime(2027, 10, 31, 8, 0, tzinfo=UTC)


@given(
    st.datetimes(datetime(2026, 1, 1), datetime(2028, 12, 31), timezones=st.just(UTC)),
    st.times().map(lambda t: t.replace(second=0, microsecond=0)), st.integers(1, 1439),
    st.sets(st.sampled_from("0123456"), min_size=1), st.sampled_from([LONDON, NEW_YORK, ZoneInfo("Australia/Lord_Howe")]),
)  # fmt: skip
def test_a_moment_is_never_before_the_asking_and_within_the_hours_by_the_wall(at, begins, minutes, days, zone):
    ends = (datetime.combine(at.date(), begins) + timedelta(minutes=minutes)).time()
    goes = next_moment(at, Hours("".join(sorted(days)), begins, ends), zone)
    assert goes is not None
    assert goes >= at
    wall = goes.astimezone(zone)
    inside = begins <= wall.time() < ends if begins < ends else wall.time() >= begins or wall.time() < ends
    # Between the two passes of an hour that comes twice, clocks show hours outside for a while; the second pass ends it.
    twice = wall.replace(fold=0).utcoffset() != wall.replace(fold=1).utcoffset() or (
        (wall - timedelta(hours=1)).utcoffset() != wall.utcoffset()
    )
    assert inside or twice
    # Asked again at that moment, the answer is the same.
    assert next_moment(goes, Hours("".join(sorted(days)), begins, ends), zone) == goes
