"""When the standby battery of a receiver was changed, out of the days that were written down for it; pure Python."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from typing import NamedTuple


class Change(NamedTuple):
    """A day on which a standby battery was put in, and when that was written down; None: nobody knows when."""

    on: date
    written_at: datetime | None


def changes_of(written: Iterable[tuple[date | None, datetime | None]]) -> tuple[Change, ...]:
    """What still holds of the days that were written down one after the other, oldest first.

    A later day is a further change. An earlier one corrects what was written before it, and the day that stood before is
    a change taken back; no day at all takes back everything. A day written twice was written the first time.

    Parameters
    ----------
    written : iterable of (date or None, datetime or None)
        Days as they were written down, in the order of writing, each with the moment.
    """
    kept: list[Change] = []
    for day, at in written:
        kept = [one for one in kept if day is not None and one.on <= day]
        if day is not None and (not kept or kept[-1].on < day):
            kept.append(Change(day, at))
    return tuple(kept)


def moment_of(change: Change, day_ends_at: datetime) -> datetime:
    """When it was changed, at the latest: the end of its day, unless it was written down before that."""
    return day_ends_at if change.written_at is None else min(day_ends_at, change.written_at)
