"""Times as a person reads them off a clock on the wall, on nights of a change of clocks too. Pure."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo


class NoSuchTime(ValueError):
    """A time that no clock of the zone has shown, or has shown twice; the text says what to give instead."""


def local_moment(wall: datetime, zone: tzinfo) -> datetime:
    """Give the moment at which clocks of the zone show this.

    Parameters
    ----------
    wall : datetime
        Day and time as typed, without a zone.
    zone : tzinfo
        Zone of the clock.

    Raises
    ------
    NoSuchTime
        In the hour that is left out when clocks go forward, and in the one that comes twice when they go back: which of
        the two was meant nobody can tell, and an order of changes hangs on it.
    """
    first, second = (wall.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() == second.utcoffset():
        return first
    if first.astimezone(UTC).astimezone(zone).replace(tzinfo=None, fold=0) != wall.replace(fold=0):
        after = first.astimezone(UTC).astimezone(zone)
        raise NoSuchTime(
            f"Clocks went forward that night and left {wall:%H:%M} out. Give a time of the other side, such as {after:%H:%M}."
        )
    gap = (first.utcoffset() or timedelta()) - (second.utcoffset() or timedelta())
    begin = _begin_of_twice(wall, zone)
    raise NoSuchTime(
        f"Clocks went back that night, so {wall:%H:%M} came twice. Give a time that came once: before {begin:%H:%M}, or "
        f"from {begin + gap:%H:%M} on."
    )


def _begin_of_twice(wall: datetime, zone: tzinfo) -> datetime:
    """Where the hour that comes twice begins, on the wall; to the minute."""
    at = wall.replace(second=0, microsecond=0)
    while (earlier := at - timedelta(minutes=1)).replace(tzinfo=zone, fold=0).utcoffset() != earlier.replace(
        tzinfo=zone, fold=1
    ).utcoffset():
        at = earlier
    return at
