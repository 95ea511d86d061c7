"""How a fault ended, in words, and what may still be left to do after it; pure Python."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

from devices.rules.fault_causes import BETWEEN, CELLS, DOWN, STANDBY
from devices.rules.silence import ABSORBED, AWAY, GONE, LATE, NOT_SUPERVISED, NOT_WATCHED
from maintenance.rules.fault_words import HELP_CALLS, LIFE_SAFETY, TOLD_ANYWAY_S, span_words

RECEIVER_SWAPPED, UNIT_SWAPPED = "the receiver was swapped", "the transmitter was swapped"
SWAP_BACK = "the swap was taken back"

_TITLES = {
    CELLS: "Ended: its cells were changed",
    STANDBY: "Ended: its standby battery was changed",
    GONE: "Ended: it was taken out of its slot",
    DOWN: "Ended: the receiver was taken down",
    RECEIVER_SWAPPED: "Ended: the receiver was swapped",
    UNIT_SWAPPED: "Ended: the transmitter was swapped",
    SWAP_BACK: "Ended: the swap was taken back",
    AWAY: "Ended: it is away, as agreed",
    ABSORBED: "Told since then as: the receiver hears nothing",
    LATE: "Withdrawn: check-ins that came in late show that it was heard",
    NOT_SUPERVISED: "Ended: it is no longer supervised",
    NOT_WATCHED: "Ended: check-ins do not reach us any more",
}
"""Cause on record → what ended the fault. Nobody reported or saw these ends."""


def cause_of(words: str) -> str:
    """The cause of the end at the end of a fault's words; empty where it was reported or seen to be over."""
    return next((cause for cause in _TITLES if words == cause or words.endswith(BETWEEN + cause)), "")


def note_of(words: str) -> str:
    """What the words say besides the cause of the end: a note of the sender or of whoever cleared the receiver."""
    cause = cause_of(words)
    return words.removesuffix(cause).removesuffix(BETWEEN) if cause else words


def end_title(words: str, *, is_reported: bool, receiver_left: bool = False) -> str:
    """What ended a fault: "Reported over", "Ended: its cells were changed".

    Parameters
    ----------
    words : str
        Cause on record.
    is_reported : bool
        Whether the fault was reported to us, so that its end is too.
    receiver_left : bool
        Whether it ended at the moment its receiver came down, where the cause does not tell.
    """
    if cause := cause_of(words):
        return _TITLES[cause]
    if receiver_left:
        return "Ended: the receiver came down"
    return "Reported over" if is_reported else "Seen to be over"


@dataclass(frozen=True, slots=True)
class After:
    """What is on record about an ended fault and what came of it.

    Attributes
    ----------
    kind, duty, transmitter_kind : str
        Of the fault, and the kind of its transmitter, empty where there is none.
    words : str
        Cause on record.
    stood : timedelta
        From when to when it stood.
    n_again, n_untested : int
        At the receiver that came in its place: slots to be registered again, outputs to be seen to work again.
    is_empty : bool
        Its slot holds nothing now.
    hangs : bool
        Of a fault of a receiver: slots on life safety hang on it.
    """

    kind: str
    duty: str
    transmitter_kind: str = ""
    words: str = ""
    stood: timedelta = timedelta()
    n_again: int = 0
    n_untested: int = 0
    is_empty: bool = False
    hangs: bool = False


def left_to_do(after: After) -> Sequence[str]:
    """What an ended fault may leave behind, as whole sentences; none where nothing is known to be left."""
    cause, left = cause_of(after.words), []
    if after.kind == "missing" and _may_have_called(after, cause):
        left.append(
            f"For {span_words(after.stood)} a call for help from it may not have arrived: ask at the site whether somebody "
            "called and was not heard."
        )
    if after.kind == "outage" and after.hangs and after.stood.total_seconds() >= TOLD_ANYWAY_S:
        left.append(
            f"For {span_words(after.stood)} calls through this receiver may not have arrived: ask at the site whether "
            "somebody called and was not heard."
        )
    if after.n_again:
        slots = "1 slot waits" if after.n_again == 1 else f"{after.n_again} slots wait"
        left.append(f"At the receiver in its place {slots} to be registered again.")
    if after.n_untested:
        outputs = "1 output has" if after.n_untested == 1 else f"{after.n_untested} outputs have"
        left.append(f"At the receiver in its place {outputs} to be tested again.")
    if cause == GONE and after.is_empty:
        what = "Its slot is spare now"
        left.append(
            f"{what}: life safety hung on it, so see that whoever relied on it has another way to call."
            if after.duty == LIFE_SAFETY else f"{what}: see that this is meant to stay so."
        )  # fmt: skip
    if cause in (NOT_SUPERVISED, NOT_WATCHED):
        left.append("Nothing shows that it works again: try it at the next visit, or have it tried at the site.")
    return left


def _may_have_called(after: After, cause: str) -> bool:
    """Whether somebody may have called by it while nobody heard."""
    if after.transmitter_kind not in HELP_CALLS or cause in (AWAY, LATE):
        return False
    return after.duty == LIFE_SAFETY and after.stood.total_seconds() >= TOLD_ANYWAY_S
