"""When a notice may go: hours of a rule on its weekdays, by the clock on the wall, on nights of a change of clocks too. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo

EVERY_DAY = "0123456"


@dataclass(frozen=True, slots=True)
class Hours:
    """Weekdays ("0" is Monday) and hours of a rule.

    Attributes
    ----------
    weekdays : str
        Digits 0 … 6; the day on which the hours begin: "4" with 22:00 to 06:00 is Friday night.
    begins, ends : time or None
        By the clock of the zone; both None: the whole day. `ends` at or before `begins` lies on the next day.
    """

    weekdays: str = EVERY_DAY
    begins: time | None = None
    ends: time | None = None

    @property
    def is_always(self) -> bool:
        """Whether there is no hour in the week at which nobody is told."""
        return set(EVERY_DAY) <= set(self.weekdays) and self.begins == self.ends


def next_moment(at: datetime, hours: Hours, zone: tzinfo) -> datetime | None:
    """Give the first moment from `at` on within the hours; None for a rule without a weekday.

    An hour that clocks leave out begins when they have gone forward; where an hour comes twice, the hours begin with the
    first and end with the second.
    """
    if hours.is_always:
        return at
    asked = at.astimezone(UTC)
    for begins, ends in _spans(at.astimezone(zone).date(), hours, zone):
        if asked < ends:
            return max(asked, begins)
    return None


def _spans(today: date, hours: Hours, zone: tzinfo) -> Iterator[tuple[datetime, datetime]]:
    """Spans of the hours from yesterday's, which may reach over midnight, to those in a week's time."""
    first, last = hours.begins or time(0), hours.ends or time(0)
    for n in range(-1, 9):
        day = today + timedelta(days=n)
        if str(day.weekday()) not in hours.weekdays:
            continue
        end_day = day + timedelta(days=1) if last <= first else day
        begins, ends = _shown_first(day, first, zone), _shown_last(end_day, last, zone)
        if begins < ends:
            yield begins, ends


def _shown_first(day: date, wall: time, zone: tzinfo) -> datetime:
    """First moment at which clocks show this hour, or for a left-out hour the one at which they have passed it."""
    local = datetime.combine(day, wall, tzinfo=zone)
    at = local.astimezone(UTC)
    if at.astimezone(zone).replace(tzinfo=None) == local.replace(tzinfo=None):
        return at
    return _leap_after(local)


def _shown_last(day: date, wall: time, zone: tzinfo) -> datetime:
    """Last moment at which clocks show this hour; a left-out hour ends where it would have begun."""
    local = datetime.combine(day, wall, tzinfo=zone).replace(fold=1)
    at = local.astimezone(UTC)
    if at.astimezone(zone).replace(tzinfo=None) == local.replace(tzinfo=None):
        return at
    return _leap_after(local.replace(fold=0))


def _leap_after(local: datetime) -> datetime:
    """Moment at which clocks go forward over a local time that they never show; to the minute."""
    at = local.replace(fold=1).astimezone(UTC).replace(second=0, microsecond=0)
    zone, wall = local.tzinfo, local.replace(tzinfo=None)
    while at.astimezone(zone).replace(tzinfo=None) < wall:
        at += timedelta(minutes=1)
    return at
