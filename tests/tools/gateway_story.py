"""A story for played gateways that can be watched: chosen by the shortest windows on record, so that it takes minutes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from devices.rules.outage import OUTAGE_FROM
from devices.rules.silence import QUIET_CHECK_INS, QUIET_LEAST_S
from tests.tools.gateway_posts import Station, Story, Unit

LOW_AFTER, SILENT_AFTER, DEAF_AFTER = timedelta(minutes=1), timedelta(minutes=2), timedelta(minutes=3)
SEEN_FOR = timedelta(minutes=3)
"""So long the worst of it stands before things get well again."""


@dataclass(frozen=True, slots=True)
class Told:
    """A story with the moment by which it is over, and what is said as it comes to pass."""

    story: Story
    until: datetime
    lines: tuple[tuple[datetime, str], ...]


def supervised(station: Station) -> list[Unit]:
    """Transmitters of a station whose silence is told, those first of which it is told soonest."""
    return sorted((u for u in station.units if u.window_s), key=lambda u: ((u.window_s or 0) + u.interval_s, u.serial))


def deaf_for(station: Station) -> timedelta | None:
    """After how long a receiver that hears nothing is told of, at the latest; None: never, of so few nobody can tell."""
    units = supervised(station)
    if len(units) < OUTAGE_FROM:
        return None
    quiet = sorted(
        u.interval_s + min(u.window_s or 0, max(QUIET_CHECK_INS * u.interval_s, QUIET_LEAST_S)) for u in units
    )
    return timedelta(seconds=max(quiet[len(units) // 2], (units[0].window_s or 0) + units[0].interval_s))


def story_of(stations: Sequence[Station], begin: datetime) -> Told | None:
    """A low battery one minute after `begin`, a silence after two, a deaf receiver after three; then all is well but the battery.

    Both that fall silent come back three minutes after they must have been told of, and the story ends when they have
    checked in again. None where no receiver has enough supervised transmitters.
    """
    able = [(after, station) for station in stations if (after := deaf_for(station)) is not None]
    if not able:
        return None
    deaf_after, deaf = min(able, key=lambda one: (one[0], one[1].code))
    others = [station for station in stations if station is not deaf and supervised(station)] or [deaf]
    other = min(others, key=lambda one: (-min(len(supervised(one)), 2), supervised(one)[0].window_s or 0, one.code))
    silent, low = (
        supervised(other)[0],
        min(other.units, key=lambda u: (u is supervised(other)[0], u.interval_s, u.serial)),
    )
    low_at, silent_at, deaf_at = begin + LOW_AFTER, begin + SILENT_AFTER, begin + DEAF_AFTER
    missing_at = silent_at + timedelta(seconds=silent.window_s or 0)
    back_at = max(missing_at, deaf_at + deaf_after) + SEEN_FOR
    # A receiver hears again once more than half of its transmitters have checked in.
    usual_s = sorted(unit.interval_s for unit in supervised(deaf))[len(supervised(deaf)) // 2]
    heard_again = timedelta(seconds=2 * max(silent.interval_s, usual_s))
    story = Story(
        low={low.serial: low_at}, silent={silent.serial: (silent_at, back_at)}, deaf={deaf.code: (deaf_at, back_at)}
    )
    there, dead = other.name or other.code, deaf.name or deaf.code
    lines = (
        (low_at, f"{low.serial} at {there} reports a low battery with its next check-in."),
        (silent_at, f"{silent.serial} at {there} falls silent: missing by {missing_at:%H:%M} UTC."),
        (deaf_at, f"{dead} hears nothing any more: told by {deaf_at + deaf_after:%H:%M} UTC."),
        (back_at, "Both are heard again. The low battery stays until somebody changes it."),
    )
    return Told(story, back_at + heard_again + timedelta(minutes=1), lines)


def teller(lines: Sequence[tuple[datetime, str]], say: Callable[[str], None]) -> Callable[[datetime], None]:
    """Gives a function that says each line once its moment is reached."""
    left = sorted(lines)

    def reached(moment: datetime) -> None:
        while left and left[0][0] <= moment:
            at, words = left.pop(0)
            say(f"{at:%H:%M} UTC  {words}")

    return reached
