"""Moments of the demo firm's days.

What the firm tells of its own day – the night's run, check-ins up to six, a visit under way – happens before a quarter past
nine. Loaded earlier than that, say by somebody in another part of the world, it would lie ahead of the clock; then the
morning is pressed together so that all of it has just happened.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import UTC, date, datetime, time, timedelta

MORNING = timedelta(hours=9, minutes=15)
SHORTEST = timedelta(minutes=5)
"""However early it is, the moments of the morning stay apart."""

_pressed: ContextVar[tuple[date, float] | None] = ContextVar("pressed", default=None)


@contextmanager
def morning_before(now: datetime | None, today: date) -> Iterator[None]:
    """Press today's morning together so that it ends by `now` (aware); nothing is pressed without one, or later in the day."""
    gone = now - at(today, 0) if now else MORNING
    token = _pressed.set((today, min(max(gone, SHORTEST) / MORNING, 1.0)))
    try:
        yield
    finally:
        _pressed.reset(token)


def share_of(day: date) -> float:
    """How far a day's morning is pressed together: 1 as it is, .1 to a tenth of its length."""
    pressed = _pressed.get()
    return pressed[1] if pressed and pressed[0] == day else 1.0


def at(day: date, hour: int, minute: int = 0) -> datetime:
    """Moment of a day in UTC."""
    begun = datetime.combine(day, time(), UTC)
    return begun + timedelta(seconds=round(timedelta(hours=hour, minutes=minute).total_seconds() * share_of(day)))
