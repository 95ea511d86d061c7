"""How the link of a panel stands, and whether a listener runs; pure Python."""

from __future__ import annotations

from datetime import datetime, timedelta

FRESH, LATE, NEVER, QUIET, CLOSED = "fresh", "late", "never", "quiet", "closed"
BEAT_WITHIN = timedelta(seconds=30)
"""A listener writes every few seconds; one that has not for so long has ended without a word."""
REPORTS_WITHIN = timedelta(days=7)
"""A panel heard within a week reports. Own choice: even a weekly test call counts."""


def link_state(*, last_at: datetime | None, supervised_s: int | None, is_closed: bool, now: datetime) -> str:
    """State of a panel's link: `CLOSED`, `NEVER` heard, `LATE` (no message for longer than agreed), `FRESH` (within it),
    or `QUIET` (heard, and nothing agreed).

    Parameters
    ----------
    supervised_s : int or None
        Longest agreed time without a message [s]; None: not supervised.
    """
    if is_closed:
        return CLOSED
    if last_at is None:
        return NEVER
    if supervised_s is None:
        return QUIET
    return LATE if now - last_at > timedelta(seconds=supervised_s) else FRESH


def is_running(*, beat_at: datetime, stopped_at: datetime | None, now: datetime) -> bool:
    """Whether a listener has written lately and has not said that it ended."""
    return stopped_at is None and now - beat_at <= BEAT_WITHIN


def reports(last_at: datetime | None, now: datetime) -> bool:
    """Whether a panel was heard lately."""
    return last_at is not None and now - last_at <= REPORTS_WITHIN


def number_of(batch_id: str) -> str:
    """Give the account number under which a panel's message came, from the id of its batch."""
    return batch_id.partition("-")[0]
