"""How a fault ended, in words, and what may still be left to do after it; pure Python."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

from devices.rules.fault_causes import BETWEEN, CELLS, CLEARED, DOWN, SAID_OVER, STANDBY
from devices.rules.silence import ABSORBED, AWAY, EVERY_WAY, GONE, LATE, NOT_SUPERVISED, NOT_WATCHED
from maintenance.rules.fault_words import HELP_CALLS, LIFE_SAFETY, TOLD_ANYWAY_S, span_words

RECEIVER_SWAPPED, UNIT_SWAPPED = "the receiver was swapped", "the transmitter was swapped"
SWAP_BACK = "the swap was taken back"

_TITLES = {
    CELLS: "Ended: its cells were changed",
    STANDBY: "Ended: its standby battery was changed",
    SAID_OVER: "Ended: somebody made sure that it is over",
    CLEARED: "Ended at the latest: the receiver was cleared on site",
    GONE: "Ended: it was taken out of its slot",
    DOWN: "Ended: the receiver was taken down",
    RECEIVER_SWAPPED: "Ended: the receiver was swapped",
    UNIT_SWAPPED: "Ended: the transmitter was swapped",
    SWAP_BACK: "Ended: the swap was taken back",
    AWAY: "Ended: it is away, as agreed",
    ABSORBED: "Told since then as: the receiver hears little or nothing",
    LATE: "Withdrawn: check-ins that came in late show that it was heard",
    NOT_SUPERVISED: "Ended: it is no longer supervised",
    NOT_WATCHED: "Ended: check-ins do not reach us any more",
    EVERY_WAY: "Told since then as another fault: nothing comes by any way",
}
"""Cause on record → what ended the fault. Nobody reported or saw these ends."""


def cause_of(words: str) -> str:
    """The cause of the end at the end of a fault's words; empty where it was reported or seen to be over."""
    return next((cause for cause in _TITLES if words == cause or words.endswith(BETWEEN + cause)), "")


def note_of(words: str) -> str:
    """What the words say besides the cause of the end: a note of the sender or of whoever cleared the receiver."""
    cause = cause_of(words)
    return words.removesuffix(cause).removesuffix(BETWEEN) if cause else words


def ended_elsewhere(words: str) -> bool:
    """Whether a fault only goes on under another name: told since then of its receiver, or of every way to it."""
    return cause_of(words) in (ABSORBED, EVERY_WAY)


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
    is_latched : bool
        The receiver shows it until somebody clears it on site.
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
    is_latched: bool = False


_BY_KIND = {
    "low_battery": (
        "Its cells are not on record as changed before it was over: a weak battery may say so only in the cold or while it "
        "sends. Keep to its date on the due list."
    ),
    "receiver_standby": (
        "Was its mains off before? Then the standby battery has only been charged again. Otherwise have it measured under "
        "load at the next visit."
    ),
    "trouble": "Have it tried at the site: while it lasted it may have noticed nothing.",
    "tamper": "Unless one of yours was at it, ask at the site who opened it or took it off its place.",
    "receiver_tamper": "Unless one of yours was at it, ask at the site who opened the receiver.",
    "receiver_power": (
        "Ask at the site what it was. Unless a standby battery has carried the receiver, calls may not have arrived meanwhile."
    ),
    "receiver_fault": "Ask at the site what the receiver showed, and have it looked at on the next visit.",
    "interference": "Ask what was new at the site. If it comes again, plan a visit with a radio test.",
    "link_lost": "What was reported there meanwhile may come in late, or never.",
}
"""Kind → what is left where it was reported or seen to be over. Own advice, of no standard."""


def left_to_do(after: After, *, is_span_told: bool = False) -> Sequence[str]:
    """What an ended fault may leave behind, as whole sentences; none where nothing is known to be left.

    `is_span_told`: how long it stood is said beside it, so the sentences do not repeat it.
    """
    cause, left = cause_of(after.words), []
    meanwhile = "Meanwhile" if is_span_told else f"For {span_words(after.stood)}"
    if after.kind == "missing" and _was_out_of_reach(after, cause):
        left.append(f"{meanwhile} {_unheard(after.transmitter_kind)}")
    if after.kind == "outage" and after.hangs and after.stood.total_seconds() >= TOLD_ANYWAY_S:
        left.append(
            f"{meanwhile} calls through this receiver may not have arrived: ask at the site whether somebody called and was "
            "not heard."
        )
    if cause in ("", CLEARED) and after.kind in _BY_KIND and not (after.n_again or after.n_untested):
        left.append(_BY_KIND[after.kind])
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
    if cause == ABSORBED:
        left.append("It may be silent still: the fault of its receiver tells how that goes on.")
    return left


_NOT_ASKED = {
    RECEIVER_SWAPPED: "See on the slot map what waits to be registered and tested again.",
    UNIT_SWAPPED: "See on the slot map what waits to be registered and tested again.",
    SWAP_BACK: "See on the slot map what waits to be registered and tested again.",
    GONE: "Should its slot be empty now, see that whoever relied on it has another way to call.",
}
"""Cause → what may be left where nobody has looked at what stands there now, as in a mail."""


def over_words(after: After, *, is_reported: bool, receiver_left: bool = False) -> str:
    """How a fault ended and what is left to do, for a mail that says beside it how long it stood."""
    cause, left = cause_of(after.words), list(left_to_do(after, is_span_told=True))
    if cause in _NOT_ASKED:
        left.append(_NOT_ASKED[cause])
    if after.is_latched:
        left.append("The receiver shows it until somebody clears it on site.")
    title = end_title(after.words, is_reported=is_reported, receiver_left=receiver_left)
    return " ".join([f"{title}.", *(left or ["Nothing that we know of is left to do."])])


def _unheard(transmitter_kind: str) -> str:
    """What may have been missed of a silent transmitter, after "Meanwhile" or "For 2 d"."""
    if transmitter_kind in HELP_CALLS:
        return (
            "a call for help from it may not have arrived: ask at the site whether somebody called and was not heard."
        )
    if not transmitter_kind:
        return (
            "whatever it reports may not have arrived: ask at the site whether somebody called and was not heard, or "
            "anything happened."
        )
    return "what it noticed may not have arrived: ask at the site whether anything happened."


def _was_out_of_reach(after: After, cause: str) -> bool:
    """Whether somebody may have needed it while nobody heard it."""
    if cause in (AWAY, LATE):
        return False
    return after.duty == LIFE_SAFETY and after.stood.total_seconds() >= TOLD_ANYWAY_S
