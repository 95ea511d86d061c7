"""When a low-battery signal is more than a moment of cold or of load, and which of several counts as the first; pure Python."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

LASTED = timedelta(days=1)
"""A signal that nobody took back for a whole day has outlived the night that may have brought it. Decided here."""
WITHIN = timedelta(days=30)
"""Two signals on different days confirm each other within this time; two cold nights a year apart say nothing. Decided
here: common cells that are truly low last days to weeks after the first signal."""


@dataclass(frozen=True, slots=True)
class LowSpan:
    """From the first low-battery signal until it was taken back; None: it stands."""

    begin: datetime
    end: datetime | None


def is_confirmed(span: LowSpan, days: Iterable[date]) -> bool:
    """Whether a signal was more than a moment.

    Parameters
    ----------
    span : LowSpan
        Times are aware, in UTC.
    days : iterable of date
        Days of UTC on which these cells reported low, from whatever record.

    Notes
    -----
    On two days, or for a whole day (battery-model.md 13: a signal that cold or load brought and that went is no event).
    """
    if span.end is not None and span.end - span.begin >= LASTED:
        return True
    first = span.begin.date()
    return any(first < day <= first + WITHIN for day in days)


def first_signal(spans: Sequence[LowSpan], days: Iterable[date] = ()) -> datetime | None:
    """Moment of the first low-battery signal that counts: one that stands, or was confirmed. None: there is none.

    Parameters
    ----------
    spans : sequence of LowSpan
        Every signal of one set of cells, in any order.
    days : iterable of date
        Further days of UTC on which they reported low.
    """
    low_days = set(days) | {span.begin.date() for span in spans}
    return min((span.begin for span in spans if span.end is None or is_confirmed(span, low_days)), default=None)
