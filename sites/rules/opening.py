"""Whether a site can be visited at a moment, and when it opens next, in the site's own time zone.

Pure: hours, closures and the moment come in as values. Source: own rule; days and clock changes by the time zone data.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo

DAYS_AHEAD = 60
"""How many days the next opening is looked for. Decided here: a school's summer fits in."""

WEEK = 7
DAY_NAMES = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


@dataclass(frozen=True, slots=True)
class Span:
    """Visiting hours of one weekday (0 = Monday), as the clock on the wall there shows them."""

    weekday: int
    opens: time
    closes: time


@dataclass(frozen=True, slots=True)
class ClosedDays:
    """Days without access; the last day is part of it."""

    from_on: date
    last_on: date
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Opening:
    """What may be said at the telephone: `is_open` is None where no hours are known; `words` say it."""

    is_open: bool | None
    words: str


def opening(
    spans: Collection[Span], closed: Sequence[ClosedDays], now: datetime, zone: tzinfo, *, days_ahead: int = DAYS_AHEAD
) -> Opening:
    """Say whether a site is open now, until when, or when it opens next.

    Parameters
    ----------
    spans : collection of Span
        Hours of the week; empty = not known.
    closed : sequence of ClosedDays
        Days without access; they go before the hours.
    now : datetime
        Aware, in any zone.
    zone : tzinfo
        Of the site.
    days_ahead : int
        How far the next opening is looked for [d].

    Notes
    -----
    A time that the clock skips in spring is the moment of the change; of a time that comes twice in autumn the first
    counts. So a span never opens twice in one night.
    """
    here = now.astimezone(zone)
    today = here.date()
    shut = next((each for each in closed if each.from_on <= today <= each.last_on), None)
    why = f" ({shut.reason})" if shut and shut.reason else ""
    if not spans:
        if shut:
            return Opening(False, f"no access until the end of {_day(shut.last_on)}{why}; visiting hours are not known")
        return Opening(None, "visiting hours are not known")
    for begins, ends in _spans_of(today, spans, closed, zone):
        if begins <= now < ends:
            return Opening(True, f"open now, until {ends.astimezone(zone):%H:%M}")
    following = _next_opening(spans, closed, now, zone, days_ahead)
    begin = f"no access today{why}" if shut else "closed now"
    if following is None:
        return Opening(False, f"{begin}; does not open in the next {days_ahead} days")
    return Opening(False, f"{begin}; opens {_when(following.astimezone(zone), today)}")


def moment(day: date, at: time, zone: tzinfo) -> datetime:
    """Moment (UTC) at which the clock on the wall shows a time; a skipped time gives the moment of the change."""
    first = datetime.combine(day, at, zone).replace(fold=0)
    if first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) == first.replace(tzinfo=None):
        return first.astimezone(UTC)
    before, after = first.replace(fold=1).astimezone(UTC), first.astimezone(UTC)
    offset = after.astimezone(zone).utcoffset()
    while after - before > timedelta(seconds=1):
        middle = before + (after - before) / 2
        if middle.astimezone(zone).utcoffset() == offset:
            after = middle
        else:
            before = middle
    return after.replace(microsecond=0)


def _spans_of(
    day: date, spans: Collection[Span], closed: Sequence[ClosedDays], zone: tzinfo
) -> list[tuple[datetime, datetime]]:
    """Begin and end of every span of a day that is not closed, in order."""
    if any(each.from_on <= day <= each.last_on for each in closed):
        return []
    found = [
        (moment(day, span.opens, zone), moment(day, span.closes, zone))
        for span in spans
        if span.weekday == day.weekday()
    ]
    return sorted((begins, ends) for begins, ends in found if begins < ends)


def _next_opening(
    spans: Collection[Span], closed: Sequence[ClosedDays], now: datetime, zone: tzinfo, days_ahead: int
) -> datetime | None:
    today = now.astimezone(zone).date()
    for ahead in range(days_ahead + 1):
        for begins, _ in _spans_of(today + timedelta(days=ahead), spans, closed, zone):
            if begins > now:
                return begins
    return None


def _when(at: datetime, today: date) -> str:
    """Words such as today 14:00, tomorrow 09:30, Monday 09:30, Mon 7 Dec 09:30."""
    ahead = (at.date() - today).days
    if ahead == 0:
        return f"today {at:%H:%M}"
    if ahead == 1:
        return f"tomorrow {at:%H:%M}"
    if ahead < WEEK:
        return f"{DAY_NAMES[at.weekday()]} {at:%H:%M}"
    return f"{DAY_NAMES[at.weekday()][:3]} {_day(at.date())}, {at:%H:%M}"


def _day(day: date) -> str:
    return f"{day.day} {day:%b %Y}"
