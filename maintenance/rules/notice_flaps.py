"""A receiver that falls deaf again and again: every time is on record, but not every time a mail of its own. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

AGAIN_WITHIN = timedelta(hours=12)
"""What happened within this time belongs together: a night. Own choice."""
FIRST_HOLD = timedelta(minutes=15)
LONGEST_HOLD = timedelta(hours=1)
"""After a mail the next about the same receiver waits for so long, each time for twice as long, never for longer. Own choice:
whoever got the last one takes the receiver for deaf anyway, since no mail says that it is over, but the last time may be the
one for good, and calls may hang on it."""


def held_until(sent: Iterable[datetime], at: datetime) -> datetime:
    """Say from when on the next mail about a receiver that fell deaf again may go; `at` where nothing holds it.

    Parameters
    ----------
    sent : iterable of datetime
        When mails about its earlier outages went, to the same people.
    at : datetime
        Now.
    """
    lately = [moment for moment in sent if at - moment < AGAIN_WITHIN]
    if not lately:
        return at
    return max(at, max(lately) + min(FIRST_HOLD * 2 ** (len(lately) - 1), LONGEST_HOLD))


def times_since(raised: Iterable[datetime], last_at: datetime) -> tuple[int, datetime]:
    """How often a receiver fell deaf within the hours up to the last time, that one included, and when first."""
    mine = [moment for moment in raised if last_at - AGAIN_WITHIN < moment <= last_at]
    return max(1, len(mine)), min(mine, default=last_at)
