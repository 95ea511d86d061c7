"""Drives between stops as an estimate, the order of a day's stops, and when each is reached. Minutes count from midnight."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

EARTH_RADIUS_KM = 6371.0088
"""Mean radius of the Earth (IUGG 1980, mean radius R1)."""

ROAD_FACTOR = 1.3
"""Road length over great-circle length. Common practice, no source; the estimate says so wherever it is shown."""

MEAN_SPEED_KMH = 45.0
"""Mean speed between stops on ordinary roads. Own assumption, no source."""

PARKING_MIN = 4
"""Added to every drive for parking and the walk to the door. Own assumption, no source."""

UNKNOWN_DRIVE_MIN = 20
"""Taken where a position is not known, and marked as a guess. Own assumption, no source."""

WAIT_WORTH_A_DETOUR_MIN = 15
"""Waiting longer than this at a closed door makes another stop the better next one. Own choice."""

DAY_MIN = 24 * 60


@dataclass(frozen=True, slots=True)
class Place:
    """A position on the Earth.

    Parameters
    ----------
    latitude : float
        Degrees north, −90 … 90.
    longitude : float
        Degrees east, −180 … 180.
    """

    latitude: float
    longitude: float

    def __post_init__(self) -> None:
        if not (-90 <= self.latitude <= 90 and -180 <= self.longitude <= 180):
            raise ValueError(f"{self.latitude}, {self.longitude} is no position on the Earth.")


@dataclass(frozen=True, slots=True)
class Opening:
    """When a site can be visited on the day in question.

    Parameters
    ----------
    opens_min, closes_min : int
        Minutes from midnight, 0 … 1440; the close is when the work must be over.
    """

    opens_min: int
    closes_min: int

    def __post_init__(self) -> None:
        if not 0 <= self.opens_min < self.closes_min <= DAY_MIN:
            raise ValueError(f"Visiting hours {self.opens_min}–{self.closes_min} do not lie in one day.")


@dataclass(frozen=True, slots=True)
class Stop:
    """One site on the day.

    Parameters
    ----------
    key : int
        Whatever the caller knows the stop by.
    place : Place or None
        None: position not known.
    minutes : int
        Time on site [min], at least 0.
    openings : tuple of Opening
        Visiting hours of that weekday; empty means never, None any time.
    is_closed : bool
        No access on that day, whatever the hours.
    """

    key: int
    place: Place | None
    minutes: int
    openings: tuple[Opening, ...] | None = None
    is_closed: bool = False

    def __post_init__(self) -> None:
        if self.minutes < 0:
            raise ValueError("Time on site cannot be negative.")


@dataclass(frozen=True, slots=True)
class Drive:
    """A drive between two places. `is_guess`: a position is not known, so even the distance is made up."""

    minutes: int
    km: float
    is_guess: bool = False


@dataclass(frozen=True, slots=True)
class Call:
    """One stop in the timetable of a day.

    Attributes
    ----------
    drive : Drive
        From the place before.
    arrives_min, begins_min, leaves_min : int
        Minutes from midnight; `begins_min` is later than `arrives_min` where one waits for the door to open.
    problems : tuple of str
        "closed" (no access that day), "no_hours" (never open on that weekday), "hours" (not finished within them).
    """

    key: int
    drive: Drive
    arrives_min: int
    begins_min: int
    leaves_min: int
    problems: tuple[str, ...] = ()

    @property
    def waits_min(self) -> int:
        """Waiting at the door [min]."""
        return self.begins_min - self.arrives_min


@dataclass(frozen=True, slots=True)
class Timetable:
    """A day with its times. `back` is the drive to where the day ends, None without such a place."""

    calls: tuple[Call, ...]
    back: Drive | None
    ends_min: int
    drive_min: int = field(default=0)
    km: float = field(default=0.0)


def great_circle_km(a: Place, b: Place) -> float:
    """Shortest distance over the surface of a spherical Earth.

    Parameters
    ----------
    a, b : Place
        The two places.

    Returns
    -------
    float
        Distance [km], 0 … about 20015.

    Notes
    -----
    Haversine form, stable for short distances: hav d/R = hav Δφ + cos φ₁ cos φ₂ hav Δλ.
    Source: R. W. Sinnott, Virtues of the Haversine, Sky and Telescope 68 (1984) 159 (from memory).
    """
    lat_a, lat_b = math.radians(a.latitude), math.radians(b.latitude)
    half_lat = (lat_b - lat_a) / 2
    half_lon = math.radians(b.longitude - a.longitude) / 2
    h = math.sin(half_lat) ** 2 + math.cos(lat_a) * math.cos(lat_b) * math.sin(half_lon) ** 2
    return 2 * EARTH_RADIUS_KM * math.asin(min(1.0, math.sqrt(h)))


def estimate_drive(a: Place | None, b: Place | None) -> Drive:
    """Estimate a drive from the great circle: an estimate, never a route.

    Parameters
    ----------
    a, b : Place or None
        None: not known; the drive is then a guess of `UNKNOWN_DRIVE_MIN` minutes and 0 km.

    Returns
    -------
    Drive
        Whole minutes, rounded up, with parking; kilometres by road.
    """
    if a is None or b is None:
        return Drive(UNKNOWN_DRIVE_MIN, 0.0, is_guess=True)
    km = great_circle_km(a, b) * ROAD_FACTOR
    # Next door is a walk: no parking anew.
    parking = PARKING_MIN if km > 0.2 else 0
    return Drive(math.ceil(km / MEAN_SPEED_KMH * 60) + parking, round(km, 1))


def begin(stop: Stop, arrives_min: int) -> int | None:
    """When work at a stop can begin so that it ends within visiting hours; None if not on this day any more.

    Parameters
    ----------
    stop : Stop
        The stop.
    arrives_min : int
        Arrival at the door [min from midnight].
    """
    if stop.is_closed:
        return None
    if stop.openings is None:
        return arrives_min
    for opening in sorted(stop.openings, key=lambda o: o.opens_min):
        begins = max(arrives_min, opening.opens_min)
        if begins + stop.minutes <= opening.closes_min:
            return begins
    return None


def timetable(stops: Sequence[Stop], *, start: Place | None, starts_min: int, end: Place | None = None) -> Timetable:
    """Times of a day in the order given. Nothing is refused: what does not fit is marked on its stop.

    Parameters
    ----------
    stops : sequence of Stop
        In the order of the day.
    start, end : Place or None
        Where the day begins and ends; without an end the drive back is left out, without a start the first drive is 0.
    starts_min : int
        When the technician sets out [min from midnight].
    """
    here, now, drive_min, km = start, starts_min, 0, 0.0
    is_first, calls = True, []
    for stop in stops:
        drive = Drive(0, 0.0, is_guess=True) if is_first and start is None else estimate_drive(here, stop.place)
        arrives = now + drive.minutes
        begins = begin(stop, arrives)
        leaves = (arrives if begins is None else begins) + stop.minutes
        calls.append(
            Call(stop.key, drive, arrives, arrives if begins is None else begins, leaves, _problems(stop, begins))
        )
        here, now, is_first = stop.place, leaves, False
        drive_min, km = drive_min + drive.minutes, km + drive.km
    back = estimate_drive(here, end) if end is not None and calls else None
    if back is not None:
        now, drive_min, km = now + back.minutes, drive_min + back.minutes, km + back.km
    return Timetable(tuple(calls), back, now, drive_min, round(km, 1))


def _problems(stop: Stop, begins: int | None) -> tuple[str, ...]:
    if begins is not None:
        return ()
    if stop.is_closed:
        return ("closed",)
    return ("hours",) if stop.openings else ("no_hours",)


def order_by_route(stops: Sequence[Stop], *, start: Place | None, starts_min: int) -> list[Stop]:
    """Put stops in order: the nearest next, unless its door is shut or another door would shut meanwhile.

    Parameters
    ----------
    stops : sequence of Stop
        In any order.
    start : Place or None
        Where the day begins; None: at the first stop given.
    starts_min : int
        When the day begins [min from midnight].

    Returns
    -------
    list of Stop
        Every stop once. Those that cannot be done within their hours come last, in the order given.

    Notes
    -----
    A simple rule that a person can follow and change by hand, not an optimum.
    """
    left = list(stops)
    done: list[Stop] = []
    here, now = start, starts_min
    while left:
        able = [
            (stop, begins)
            for stop in left
            if (begins := begin(stop, _arrival(here, now, stop, bool(done)))) is not None
        ]
        if not able:
            break
        stop, begins = _next(able, here, now, bool(done))
        left.remove(stop)
        done.append(stop)
        here, now = stop.place, begins + stop.minutes
    return [*done, *left]


def _arrival(here: Place | None, now: int, stop: Stop, has_begun: bool) -> int:
    if here is None and not has_begun:
        return now
    return now + estimate_drive(here, stop.place).minutes


def _next(able: list[tuple[Stop, int]], here: Place | None, now: int, has_begun: bool) -> tuple[Stop, int]:
    """The nearest stop, unless one waits there or it makes another stop impossible that could be done first."""

    def cost(pair: tuple[Stop, int]) -> tuple[bool, int]:
        arrives = _arrival(here, now, pair[0], has_begun)
        return pair[1] - arrives > WAIT_WORTH_A_DETOUR_MIN, pair[1] - now

    best = min(able, key=cost)
    for other in sorted(able, key=cost):
        if other is best:
            continue
        after_best = begin(other[0], _arrival(best[0].place, best[1] + best[0].minutes, other[0], True))
        after_other = begin(best[0], _arrival(other[0].place, other[1] + other[0].minutes, best[0], True))
        if after_best is None and after_other is not None:
            return other
    return best
