"""Drives, order and times of a day."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from maintenance.rules.rounds.travel import (
    EARTH_RADIUS_KM,
    Opening,
    Place,
    Stop,
    begin,
    estimate_drive,
    great_circle_km,
    order_by_route,
    timetable,
)

HARBOUR = Place(56.0, -6.0)
PLACES = st.builds(Place, st.floats(-90, 90), st.floats(-180, 180))


def stop(key, north_km=0.0, minutes=30, **over):
    """A stop so many kilometres due north of the harbour."""
    return Stop(key, Place(56.0 + math.degrees(north_km / EARTH_RADIUS_KM), -6.0), minutes, **over)


def test_a_quarter_of_a_great_circle_is_a_quarter_of_the_circumference():
    # Plain geometry of the sphere: pole to equator is a right angle.
    assert great_circle_km(Place(90, 0), Place(0, 40)) == pytest.approx(math.pi / 2 * EARTH_RADIUS_KM, rel=1e-12)
    assert great_circle_km(Place(0, -90), Place(0, 90)) == pytest.approx(math.pi * EARTH_RADIUS_KM, rel=1e-9)


@given(PLACES, PLACES)
def test_a_distance_is_the_same_both_ways_and_as_the_law_of_cosines_has_it(a, b):
    # Independent formula (spherical law of cosines); it loses digits for short distances, hence the absolute margin.
    lat_a, lat_b, lon = map(math.radians, (a.latitude, b.latitude, b.longitude - a.longitude))
    cosine = math.sin(lat_a) * math.sin(lat_b) + math.cos(lat_a) * math.cos(lat_b) * math.cos(lon)
    other = EARTH_RADIUS_KM * math.acos(max(-1.0, min(1.0, cosine)))
    assert great_circle_km(a, b) == pytest.approx(great_circle_km(b, a), abs=1e-6)
    assert great_circle_km(a, b) == pytest.approx(other, abs=0.3)


def test_a_drive_without_a_position_is_a_guess_and_says_so():
    assert estimate_drive(HARBOUR, None).is_guess
    assert not estimate_drive(HARBOUR, HARBOUR).is_guess
    assert estimate_drive(HARBOUR, HARBOUR).minutes == 0


@pytest.mark.parametrize(
    ("latitude", "longitude"),
    [(90.1, 0), (-91, 0), (0, 180.5), (math.nan, 0)],  # beyond the poles, beyond the date line, not a number
)
def test_a_place_off_the_earth_is_refused(latitude, longitude):
    with pytest.raises(ValueError, match="no position"):
        Place(latitude, longitude)


def test_work_begins_when_the_door_opens_and_must_end_before_it_shuts():
    door = stop(1, minutes=60, openings=(Opening(9 * 60, 11 * 60), Opening(14 * 60, 16 * 60)))
    assert begin(door, 8 * 60) == 9 * 60
    assert begin(door, 10 * 60) == 10 * 60
    assert begin(door, 10 * 60 + 1) == 14 * 60
    assert begin(door, 15 * 60 + 1) is None
    assert begin(stop(2, openings=()), 600) is None
    assert begin(stop(3, is_closed=True), 600) is None


def test_times_add_up_and_what_does_not_fit_is_marked_not_refused():
    shut = stop(2, 9, minutes=30, openings=(Opening(540, 560),))
    day = timetable([stop(1, 4.5), shut], start=HARBOUR, starts_min=480, end=HARBOUR)
    first, second = day.calls
    assert first.arrives_min == 480 + first.drive.minutes
    assert first.leaves_min == first.begins_min + 30
    assert second.problems == ("hours",)
    assert day.ends_min == second.leaves_min + day.back.minutes
    assert day.drive_min == first.drive.minutes + second.drive.minutes + day.back.minutes


def test_the_nearest_stop_comes_next():
    order = order_by_route([stop(1, 30), stop(2, 5), stop(3, 12)], start=HARBOUR, starts_min=480)
    assert [s.key for s in order] == [2, 3, 1]


def test_a_door_that_would_shut_meanwhile_is_taken_first():
    early = stop(1, 30, openings=(Opening(480, 580),))
    order = order_by_route([stop(2, 5, minutes=60), early], start=HARBOUR, starts_min=480)
    assert [s.key for s in order] == [1, 2]


def test_a_door_that_opens_late_is_left_for_later():
    late = stop(1, 2, openings=(Opening(720, 1000),))
    order = order_by_route([late, stop(2, 20)], start=HARBOUR, starts_min=480)
    assert [s.key for s in order] == [2, 1]


@given(
    st.lists(
        st.tuples(st.floats(-50, 50), st.integers(0, 200), st.booleans(), st.integers(0, 1300), st.integers(1, 139)),
        max_size=8,
    )
)
def test_every_stop_is_in_the_order_once_and_those_before_the_last_shut_one_fit(rows):
    stops = [
        stop(key, km, minutes, is_closed=closed, openings=(Opening(opens, opens + length),))
        for key, (km, minutes, closed, opens, length) in enumerate(rows)
    ]
    order = order_by_route(stops, start=HARBOUR, starts_min=400)
    assert sorted(s.key for s in order) == sorted(s.key for s in stops)
    problems = [bool(call.problems) for call in timetable(order, start=HARBOUR, starts_min=400).calls]
    assert problems == sorted(problems)
