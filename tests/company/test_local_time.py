"""Nights of a change of clocks, in zones that change at one, at two, at midnight, and by half an hour."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from company.local_time import NoSuchTime, local_moment
from devices.forms.ledger import LedgerForm
from devices.querysets import end_of_day
from devices.querysets.moments import heard_moment
from maintenance.querysets.fleet_days import local_days
from tests import factories

# Zone, day on which clocks go forward, day on which they go back, both in 2026.
ZONES = [
    ("Europe/London", date(2026, 3, 29), date(2026, 10, 25)),
    ("America/New_York", date(2026, 3, 8), date(2026, 11, 1)),
    ("Australia/Lord_Howe", date(2026, 10, 4), date(2026, 4, 5)),
    ("America/Santiago", date(2026, 9, 6), date(2026, 4, 4)),
    ("Africa/Cairo", date(2026, 4, 24), date(2026, 10, 29)),
]
NIGHTS = [(name, day) for name, spring, autumn in ZONES for day in (spring, autumn)]


@pytest.mark.parametrize(("name", "day"), NIGHTS)
def test_a_day_ends_where_the_next_begins_also_when_its_last_hour_comes_twice(name: str, day: date) -> None:
    zone = ZoneInfo(name)
    for one in (day - timedelta(days=1), day, day + timedelta(days=1)):
        end = end_of_day(one, zone)
        after = (end.astimezone(UTC) + timedelta(microseconds=1)).astimezone(zone)
        assert end.astimezone(zone).date() == one
        assert after.date() == one + timedelta(days=1)


@pytest.mark.parametrize(("name", "day"), NIGHTS)
def test_days_of_a_change_of_clocks_follow_one_another_without_a_gap(name: str, day: date) -> None:
    zone = ZoneInfo(name)
    ends = [end_of_day(day + timedelta(days=n), zone).astimezone(UTC) for n in range(-2, 3)]
    lengths = [(b - a).total_seconds() / 3600 for a, b in pairwise(ends)]
    assert sum(lengths) != 4 * 24
    assert sum(one == 24 for one in lengths) == 3


@pytest.mark.parametrize(("name", "day"), NIGHTS)
def test_every_hour_of_the_night_falls_on_the_day_of_the_clock_on_the_wall(name: str, day: date) -> None:
    zone = ZoneInfo(name)
    start = end_of_day(day - timedelta(days=1), zone).astimezone(UTC) - timedelta(hours=3)
    moments = [start + timedelta(minutes=15 * n) for n in range(32 * 4)]
    seconds = np.array([int(one.timestamp()) for one in moments], dtype=np.int64)
    found = local_days(seconds, np.zeros(len(seconds), dtype=np.int64), [name])
    walls = [(one.astimezone(zone).date() - date(2000, 1, 1)).days for one in moments]
    assert found.tolist() == walls


def test_a_check_in_is_kept_by_the_day_of_utc_and_shown_by_the_wall() -> None:
    heard = heard_moment(date(2026, 10, 25), 1800 + 3600)
    assert heard is not None
    london = heard.astimezone(ZoneInfo("Europe/London"))
    assert (london.hour, london.minute, london.fold) == (1, 30, 1)
    assert heard.astimezone(ZoneInfo("America/New_York")).date() == date(2026, 10, 24)


TYPED = [
    ("Europe/London", "2026-03-29T01:30", "left 01:30 out. Give a time of the other side, such as 02:30."),
    (
        "Europe/London",
        "2026-10-25T01:30",
        "01:30 came twice. Give a time that came once: before 01:00, or from 02:00 on.",
    ),
    ("America/New_York", "2026-03-08T02:15", "such as 03:15."),
    ("America/New_York", "2026-11-01T01:59", "before 01:00, or from 02:00 on."),
    ("Australia/Lord_Howe", "2026-10-04T02:10", "such as 02:40."),
    ("Australia/Lord_Howe", "2026-04-05T01:45", "before 01:30, or from 02:00 on."),
    ("America/Santiago", "2026-09-06T00:30", "such as 01:30."),
]


@pytest.mark.parametrize(("name", "typed", "words"), TYPED)
def test_a_time_that_no_clock_showed_or_showed_twice_is_refused_with_what_to_give(
    name: str, typed: str, words: str
) -> None:
    with pytest.raises(NoSuchTime) as refused:
        local_moment(datetime.fromisoformat(typed), ZoneInfo(name))
    assert words in str(refused.value)


@pytest.mark.parametrize("typed", ["2026-03-29T00:59", "2026-03-29T02:00", "2026-10-25T00:59", "2026-10-25T02:00"])
def test_the_minutes_beside_the_change_are_taken(typed: str) -> None:
    wall = datetime.fromisoformat(typed)
    moment = local_moment(wall, ZoneInfo("Europe/London"))
    assert moment.astimezone(UTC).astimezone(ZoneInfo("Europe/London")).replace(tzinfo=None) == wall


@pytest.fixture
def late_in_the_year(time_machine: object) -> None:
    time_machine.move_to(datetime(2026, 11, 25, 10, 0, tzinfo=UTC), tick=False)  # type: ignore[attr-defined]


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("zone", "typed", "at"),
    [
        # Left out in the firm's own zone, an ordinary time at the site, and the other way round.
        ("America/New_York", "2026-03-29T01:30", datetime(2026, 3, 29, 5, 30, tzinfo=UTC)),
        ("America/New_York", "2026-10-25T01:30", datetime(2026, 10, 25, 5, 30, tzinfo=UTC)),
        ("Europe/London", "2026-03-08T02:30", datetime(2026, 3, 8, 2, 30, tzinfo=UTC)),
        ("Australia/Lord_Howe", "2026-11-25T20:30", datetime(2026, 11, 25, 9, 30, tzinfo=UTC)),
    ],
)
def test_a_time_typed_on_a_page_is_read_off_the_sites_clock(
    late_in_the_year: None, zone: str, typed: str, at: datetime
) -> None:
    receiver = factories.make_receiver(factories.make_site(time_zone=zone))
    form = LedgerForm({"at": typed, "reason": "r", "version": "1"}, receiver=receiver)
    assert form.is_valid(), form.errors
    assert form.cleaned_data["at"] == at


@pytest.mark.django_db
def test_a_page_refuses_a_time_that_the_sites_clock_did_not_show(late_in_the_year: None) -> None:
    receiver = factories.make_receiver(factories.make_site(time_zone="America/New_York"))
    form = LedgerForm({"at": "2026-03-08T02:30", "reason": "r", "version": "1"}, receiver=receiver)
    assert not form.is_valid()
    assert "Clocks went forward that night and left 02:30 out" in form.errors["at"][0]
