"""Why a fault ended though no receiver said so, as a word behind the word that was there; pure Python."""

from __future__ import annotations

from devices.rules.silence import ABSORBED, AWAY, ENDED_BY_US, EVERY_WAY, GONE, LATE

CELLS, DOWN = "cells changed", "the receiver was taken down"
STANDBY = "standby battery changed"
SAID_OVER = "said to be over"
"""A person said so, with a reason that the change log keeps: no receiver did."""
CLEARED = "the receiver was cleared on site"
"""Reported again after that, though nobody had reported it over: by the clearing at the latest it was."""
CAUSES = (CELLS, STANDBY, GONE, DOWN, AWAY)
"""Ends that other records tell of: with the record the end goes too."""
BETWEEN = " · "
"""Between a word that was there and the cause of the end."""
LONGEST = 120
"""Letters that a cause may have."""


def ended_by(cause: str) -> str:
    """The cause of this module with which a fault ended; empty for any other end."""
    return next((one for one in (*CAUSES, SAID_OVER, CLEARED) if cause == one or cause.endswith(BETWEEN + one)), "")


def with_end(cause: str, end: str) -> str:
    """A word with the cause of the end behind it, cut so that the end stays whole."""
    if not end:
        return cause
    before = cause[: LONGEST - len(BETWEEN) - len(end)]
    return f"{before}{BETWEEN}{end}" if before else end


def without_end(cause: str) -> str:
    """The word that was there before the end."""
    end = ended_by(cause)
    return cause.removesuffix(end).removesuffix(BETWEEN) if end else cause


def with_note(cause: str, note: str) -> str:
    """A word of whoever cleared the receiver, where nothing better is known: a cause that was found out earlier stays."""
    if cause == CLEARED:
        return with_end(note, CLEARED)
    return cause or note[:LONGEST]


_SWAPS = ("the receiver was swapped", "the transmitter was swapped", "the swap was taken back")
_SHOWN = {ABSORBED: "told since then as: the receiver hears little or nothing", LATE: "withdrawn: " + LATE}
_TOLD_ANEW = (ABSORBED, LATE, EVERY_WAY)


def note_and_end(cause: str) -> tuple[str, str]:
    """Words on record, parted: what was said of the fault, and how it ended without anybody reporting that, as pages say it."""
    for one in (*CAUSES, SAID_OVER, CLEARED, *ENDED_BY_US, *_SWAPS):
        if cause == one or cause.endswith(BETWEEN + one):
            return cause.removesuffix(one).removesuffix(BETWEEN), _SHOWN.get(one, one)
    return cause, ""


def is_shown_otherwise(cause: str) -> bool:
    """Whether the fault went without being over: told as another fault since then, or disproved."""
    return cause.endswith(_TOLD_ANEW)
