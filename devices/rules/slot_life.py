"""The life of a slot's registration as a story: what never stood, when a change was entered, which slot is next."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from typing import Any

NO_TIME = timedelta(microseconds=1)
"""Length of a registration that was taken back on its day: it is on record, but stood at no moment anybody asks for."""
TAKEN_BACK = "taken back"


def never_stood(registered_at: datetime, removed_at: datetime | None) -> bool:
    """Whether a registration was taken back before it counted."""
    return removed_at is not None and removed_at - registered_at <= NO_TIME


def taken_back_words(reason: str) -> str:
    """Why a registration ended that a change taken back had begun."""
    return f"{TAKEN_BACK}: {reason}" if reason else TAKEN_BACK


def recorded_on(facts: Mapping[str, Any] | None, at: datetime, zone: tzinfo) -> date:
    """Day in a zone on which a change was entered: what its facts say, else the moment it is said to have happened."""
    text = (facts or {}).get("recorded_at")
    return (datetime.fromisoformat(text) if text else at).astimezone(zone).date()


def next_free(taken: Collection[int], n_slots: int, after: int = 0) -> int | None:
    """The first spare slot above `after`, else the first of all; None where every slot is taken.

    Parameters
    ----------
    taken : collection of int
        Numbers of the slots in use.
    n_slots : int
        Number of slots of the receiver, counted from 1.
    after : int
        Slot to begin behind; 0 begins with the first.
    """
    free = [slot for slot in range(1, n_slots + 1) if slot not in taken]
    return next((slot for slot in free if slot > after), free[0] if free else None)


@dataclass(frozen=True, slots=True)
class Progress:
    """How far registering again is: done out of all that were asked for in one go, as numbers of slots."""

    n_done: int
    n_all: int

    @property
    def words(self) -> str:
        """Say it: "3 of 12 registered again"; nothing where nothing waits."""
        return f"{self.n_done} of {self.n_all} registered again" if self.n_all else ""


def progress_of(*, n_waiting: int, n_done: int) -> Progress:
    """Progress from the slots that still wait and those done since the oldest of them was asked for (counts)."""
    return Progress(n_done, n_done + n_waiting) if n_waiting else Progress(0, 0)
