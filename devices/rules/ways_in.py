"""The ways by which one receiver reaches us, where it has several: which is silent, and by which it still comes. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from devices.rules.supervision import DAY_S, EVERY
from devices.rules.words import list_words

WAY_WORDS = {"api": "the gateway", "file": "uploaded files", "panel": "the panel"}
"""Kinds of source as a way in. Neither name nor account number: the customer reads these words as well."""


@dataclass(frozen=True, slots=True)
class Way:
    """One way in: the kind of its source, its last sign, and how long it may be without one [s]; None = not supervised.

    `is_forgotten`: its source goes on delivering of others, and no longer of this receiver.
    """

    kind: str
    sign_at: datetime | None
    allowed_s: int | None = None
    is_forgotten: bool = False

    def is_lost(self, now: datetime) -> bool:
        """Whether it counts as lost: forgotten, or supervised and over its time."""
        return self.is_forgotten or (
            self.sign_at is not None
            and self.allowed_s is not None
            and self.sign_at + timedelta(seconds=self.allowed_s) < now
        )

    def comes(self, now: datetime) -> bool:
        """Whether something still comes by it; one that nobody supervises has a day (our own choice)."""
        return (
            not self.is_forgotten
            and self.sign_at is not None
            and now - self.sign_at <= timedelta(seconds=self.allowed_s or DAY_S)
        )


BEHIND = timedelta(hours=2)
"""So long a receiver may always be behind the source that feeds it; our own choice."""


@dataclass(frozen=True, slots=True)
class Behind:
    """How far a receiver is behind what its source has delivered of others, and how far it may be [s]."""

    by: timedelta
    allowed_s: int

    @property
    def is_lost(self) -> bool:
        """Whether it counts as forgotten."""
        return self.by.total_seconds() > self.allowed_s


def behind_of(
    evidence: str, kind: str | None, heard_until: datetime | None, delivered_until: datetime | None,
    shortest_window_s: int | None, late_after_s: int | None,
) -> Behind | None:  # fmt: skip
    """Tell how far a receiver is behind the gateway that feeds it; None where that shows nothing.

    A gateway that speaks for many receivers and no longer for this one moves no watermark of it, so nobody there would ever
    be missing. Whoever has the shortest window there should have been heard within it, if anything had come.
    """
    if evidence != EVERY or kind != "api" or not shortest_window_s or heard_until is None or delivered_until is None:
        return None
    allowed_s = max(shortest_window_s, int(BEHIND.total_seconds()), late_after_s or 0)
    return Behind(max(delivered_until - heard_until, timedelta(0)), allowed_s)


def still_by(ways: Sequence[Way], now: datetime) -> tuple[str, str]:
    """Say which ways are silent and by which it still comes: ("the panel", "the gateway").

    Two empty texts unless some are lost while others still come: then the whole link is lost, or none of it.
    """
    lost = [way for way in ways if way.is_lost(now)]
    alive = [way for way in ways if way not in lost and way.comes(now)]
    if not lost or not alive:
        return "", ""
    return _words(lost, alive), _words(alive, lost, is_other=True)


def _words(ways: Sequence[Way], others: Sequence[Way], *, is_other: bool = False) -> str:
    kinds = dict.fromkeys(way.kind for way in ways)
    return list_words([_named(kind, others, is_other=is_other) for kind in kinds])


def _named(kind: str, others: Sequence[Way], *, is_other: bool) -> str:
    words = WAY_WORDS.get(kind, "another source")
    if kind == "file" or all(way.kind != kind for way in others):
        return words
    return words.replace("the ", "another " if is_other else "one ", 1)


MEANS = "Nothing comes by {lost} any more; by {still} we still hear from this receiver."
DO = "See why {lost} has stopped. What only it reports does not reach us meanwhile."
PORTAL = (
    "One of the ways by which we hear from there is silent; by {still} it still reaches us. We look into it. What only the "
    "silent one tells does not reach us meanwhile."
)
"""What it means that one of several ways is lost, what to do, and what people at the site read."""
