"""How a source stands: fresh, late, never heard of, or retired. Pure Python."""

from __future__ import annotations

from datetime import datetime, timedelta

FRESH, LATE, NEVER, RETIRED, SILENT_ALLOWED = "fresh", "late", "never", "retired", "quiet"


def state_of(*, last_at: datetime | None, late_after_s: int | None, is_active: bool, now: datetime) -> str:
    """Give the word for how a source stands.

    Parameters
    ----------
    last_at : datetime or None
        When the last batch came.
    late_after_s : int or None
        Silent for too long after this many seconds; None: it may stay silent as long as it likes.

    Returns
    -------
    str
        "retired", "never" (nothing has come yet), "late", "fresh", or "quiet" where nothing is asked of it and nothing
        has come for a day.
    """
    if not is_active:
        return RETIRED
    if last_at is None:
        return NEVER
    if late_after_s is None:
        return FRESH if now - last_at <= timedelta(days=1) else SILENT_ALLOWED
    return LATE if now - last_at > timedelta(seconds=late_after_s) else FRESH
