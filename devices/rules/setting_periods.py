"""Setting-periods: which set of cells was in a transmitter on a day, and at which check-in interval. Pure.

All days are days of UTC, as check-ins are counted. The day of a change belongs to what came new.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class Stay:
    """Cells in a transmitter from a day on, until `to_on` (exclusive; None: still in)."""

    fitting_id: int
    from_on: date
    to_on: date | None


@dataclass(frozen=True, slots=True)
class Setting:
    """A registration's check-in interval [s] from a day on, until `to_on` (exclusive); None: not known."""

    from_on: date
    to_on: date | None
    interval_s: int | None


@dataclass(frozen=True, slots=True)
class Period:
    """Days over which one set of cells was in at one check-in interval [s]; `to_on` exclusive, None: goes on."""

    fitting_id: int
    from_on: date
    to_on: date | None
    interval_s: int | None

    def holds(self, day: date) -> bool:
        """Whether a day lies in it."""
        return self.from_on <= day and (self.to_on is None or day < self.to_on)


def interval_changes(settings: Iterable[Setting]) -> list[tuple[date, int | None]]:
    """Give the days on which the check-in interval [s] became another, oldest first.

    A transmitter in several slots checks in at the shortest of their intervals. Between two registrations the last
    interval goes on; time before the first registration counts with its interval.
    """
    known = [one for one in settings if one.interval_s and (one.to_on is None or one.from_on < one.to_on)]
    days = sorted({day for one in known for day in (one.from_on, one.to_on) if day is not None})
    changes: list[tuple[date, int | None]] = []
    for day in days:
        here = [one.interval_s for one in known if one.from_on <= day and (one.to_on is None or day < one.to_on)]
        if here and (not changes or changes[-1][1] != min(filter(None, here))):
            changes.append((day, min(filter(None, here))))
    return changes


def periods_of(stays: Sequence[Stay], settings: Iterable[Setting]) -> list[Period]:
    """Cut the time of each set of cells where the check-in interval changed, oldest first.

    Sets that overlap give way to the later one; a set that was in for no whole day has no period.
    """
    changes = interval_changes(settings)
    ordered = sorted(stays, key=lambda stay: (stay.from_on, stay.fitting_id))
    found: list[Period] = []
    for index, stay in enumerate(ordered):
        ends = [stay.to_on, ordered[index + 1].from_on if index + 1 < len(ordered) else None]
        to_on = min((day for day in ends if day is not None), default=None)
        if to_on is not None and to_on <= stay.from_on:
            continue
        inside = [(day, s) for day, s in changes if day > stay.from_on and (to_on is None or day < to_on)]
        before = [s for day, s in changes if day <= stay.from_on] or [s for _, s in changes[:1]]
        starts = [(stay.from_on, before[-1] if before else None)]
        starts += [(day, interval_s) for day, interval_s in inside if day > changes[0][0]]
        for number, (day, interval_s) in enumerate(starts):
            following = starts[number + 1][0] if number + 1 < len(starts) else to_on
            found.append(Period(stay.fitting_id, day, following, interval_s))
    return found
