"""Times of event logs: forms, clocks on the wall, and the nights on which clocks are changed."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from devices.rules.event_log_times import NotATime, Tally, WallClock, add_clock, wall_or_moment

LONDON = ZoneInfo("Europe/London")


def moments(*walls: str, is_falling: bool = False, zone: str = "Europe/London") -> list[str]:
    """UTC of what a clock on the wall showed, row by row."""
    clock = WallClock(ZoneInfo(zone), is_falling=is_falling)
    return [f"{clock.moment(datetime.fromisoformat(f'2026-{wall}')):%H:%M}" for wall in walls]


def test_in_autumn_the_hour_that_comes_twice_is_told_by_the_order_of_the_rows() -> None:
    rows = ("10-25T00:30", "10-25T01:10", "10-25T01:50", "10-25T01:05", "10-25T01:40", "10-25T02:10")
    assert moments(*rows) == ["23:30", "00:10", "00:50", "01:05", "01:40", "02:10"]


def test_in_a_file_with_the_newest_row_first_too() -> None:
    rows = ("10-25T02:10", "10-25T01:40", "10-25T01:05", "10-25T01:50", "10-25T01:10", "10-25T00:30")
    assert moments(*rows, is_falling=True) == ["02:10", "01:40", "01:05", "00:50", "00:10", "23:30"]


def test_a_minute_out_of_order_does_not_turn_the_clock() -> None:
    assert moments("10-25T01:10", "10-25T01:09", "10-25T01:20") == ["00:10", "00:09", "00:20"]


def test_each_unit_of_a_file_sorted_by_unit_meets_the_night_afresh() -> None:
    one = ("10-25T00:50", "10-25T01:50", "10-25T01:50", "10-25T02:50")
    # The same minute twice is no step back: only one that goes back tells.
    assert moments(*one, *one)[:1] == moments(*one, *one)[4:5] == ["23:50"]
    stepping = ("10-25T00:50", "10-25T01:50", "10-25T01:20", "10-25T02:20")
    assert moments(*stepping, *stepping) == ["23:50", "00:50", "01:20", "02:20"] * 2


def test_in_spring_the_hour_that_is_left_out_is_a_problem_of_its_row_alone() -> None:
    clock = WallClock(LONDON)
    with pytest.raises(NotATime, match="left 01:30 out"):
        clock.moment(datetime(2026, 3, 29, 1, 30))
    assert clock.moment(datetime(2026, 3, 29, 2, 0)) == datetime(2026, 3, 29, 1, 0, tzinfo=UTC)


def test_a_zone_without_summer_time_is_plain() -> None:
    assert moments("10-25T01:30", "07-01T01:30", zone="Asia/Tokyo") == ["16:30", "16:30"]


@pytest.mark.parametrize(
    ("cell", "form", "wall"),
    [
        ("03/11/2026 14:05", "dmy", "2026-11-03 14:05:00"), ("03/11/2026 14:05", "mdy", "2026-03-11 14:05:00"),
        ("3.11.26", "dmy", "2026-11-03 00:00:00"), ("11-3-2026 2:05:09 PM", "mdy", "2026-11-03 14:05:09"),
        ("11/3/2026 12:00 am", "mdy", "2026-11-03 00:00:00"), ("11/3/2026 12:00 a.m.", "mdy", "2026-11-03 00:00:00"),
        ("2026-11-03T14:05:09.123", "dmy", "2026-11-03 14:05:09"), ("2026-11-03 24:00", "iso", "2026-11-04 00:00:00"),
        ("20261103 1405", "ymd", "2026-11-03 14:05:00"), ("03-NOV-2026 14:05", "mdy", "2026-11-03 14:05:00"),
        ("November 3rd, 2026, 14:05", "iso", "2026-11-03 14:05:00"), ("2026-11-03 23:59:60", "iso", "2026-11-03 23:59:59"),
        (datetime(2026, 11, 3, 14, 5), "mdy", "2026-11-03 14:05:00"), (date(2026, 11, 3), "dmy", "2026-11-03 00:00:00"),
    ],
)  # fmt: skip
def test_a_cell_is_read_in_the_form_that_was_chosen(cell: object, form: str, wall: str) -> None:
    when, is_aware = wall_or_moment(cell, form)  # type: ignore[arg-type]
    assert (f"{when:%Y-%m-%d %H:%M:%S}", is_aware) == (wall, False)


@pytest.mark.parametrize(
    "cell", ["2026-11-03T14:05Z", "2026-11-03 15:05+01:00", "2026-11-03T09:05:00 -0500", "03/11/2026 14:05 UTC"]
)
def test_a_time_with_its_own_zone_is_no_time_of_the_wall(cell: str) -> None:
    assert wall_or_moment(cell, "dmy") == (datetime(2026, 11, 3, 14, 5, tzinfo=UTC), True)


@pytest.mark.parametrize(
    ("cell", "form"),
    [
        ("31/02/2026", "dmy"), ("13/13/2026", "dmy"), ("03/11/2026", "iso"), ("03/11/2026", "epoch"), ("noon", "dmy"), ("1", "epoch"),
        ("2026-11-03 14:60", "iso"), ("03/11/2026 13:00 pm", "dmy"), ("0/0/0000", "dmy"), ("99999999999999", "epoch"), (None, "iso"),
        (time(14, 5), "iso"), ("3 Foo 2026", "iso"), ("2026-11-03 14:05 and more", "iso"),
        ("0001-01-01 00:00", "iso"), ("0026-11-03 14:05", "iso"), ("01/01/0001 00:00", "dmy"), ("1 Jan 0001", "iso"),
    ],
)  # fmt: skip
def test_what_is_no_time_says_what_was_expected(cell: object, form: str) -> None:
    with pytest.raises(NotATime, match=r"Expected|Choose"):
        wall_or_moment(cell, form)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "cell",
    [
        "14:05",
        "2:05 pm",
        "2:05PM",
        "14.05.00",
        time(14, 5),
        timedelta(hours=14, minutes=5),
        datetime(1900, 1, 1, 14, 5),
    ],
)
def test_the_time_of_day_may_stand_in_a_column_of_its_own(cell: object) -> None:
    assert add_clock(datetime(2026, 11, 3), cell) == (datetime(2026, 11, 3, 14, 5), False)  # type: ignore[arg-type]


@pytest.mark.parametrize("cell", [None, "25:00", "noon", 14, timedelta(days=2)])
def test_what_is_no_time_of_day_is_told(cell: object) -> None:
    with pytest.raises(NotATime, match="no time of day"):
        add_clock(datetime(2026, 11, 3), cell)  # type: ignore[arg-type]


def test_empty_cells_do_not_count_and_a_column_of_clocks_is_no_column_of_days() -> None:
    tally = Tally()
    for cell in (None, "", "14:05", "14:06"):
        tally.add(cell)
    assert (tally.n, tally.is_time, tally.is_clock, tally.format) == (2, False, True, "")
