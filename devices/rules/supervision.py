"""What the evidence allows to be said, and whether a transmitter is silent, judged on event time; pure Python."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from devices.rules.words import (
    WINDOW_OFF,
    count_words,
    day_words,
    moment_words,
    span_words,
)

EVERY = "every"
EXCEPTIONS = "exceptions"
VISITS = "visits"
EVIDENCE_WORDS = {
    EVERY: "every check-in reaches us",
    EXCEPTIONS: "only faults reach us",
    VISITS: "only visits tell",
}
"""Evidence grades of a receiver: how we come to know that its transmitters work."""

LINK_TEST_HOURS = 25
"""A link test older than a day (and an hour of grace) no longer carries "no fault reported". A daily test message is what
the U.S. guide specification UFGS 13853N asks of radio fire boxes (once per 24 h); the hour of grace is our own."""

UNSUPERVISED_INTERVALS = 3
"""Where no window is set, a transmitter counts as silent after this many check-in intervals. Own rule of thumb."""


@dataclass(frozen=True, slots=True)
class ReceiverEvidence:
    """What is known of a receiver on one local day.

    Attributes
    ----------
    grade : str
        every, exceptions or visits; anything else is treated as visits, the weakest.
    n_registered : int
        Transmitters that should report (those away do not count).
    n_heard : int
        Of these, how many had a check-in whose event time falls on the day.
    n_faults : int
        Open faults.
    link_tested_at : datetime or None
        Local time of the last proof that the line from the receiver to us works.
    watermark_at : datetime or None
        Local event time up to which the source has delivered.
    visited_on : date or None
        Last visit that looked at this receiver.
    n_not_in_order : int
        Slots that visit left not in order.
    n_not_looked_at : int
        Slots that visit did not try.
    """

    grade: str
    n_registered: int
    n_heard: int = 0
    n_faults: int = 0
    link_tested_at: datetime | None = None
    watermark_at: datetime | None = None
    visited_on: date | None = None
    n_not_in_order: int = 0
    n_not_looked_at: int = 0

    def __post_init__(self) -> None:
        if min(self.n_registered, self.n_heard, self.n_faults, self.n_not_in_order, self.n_not_looked_at) < 0:
            raise ValueError("counts cannot be negative")
        if self.n_heard > self.n_registered:
            raise ValueError("more transmitters heard than registered")


@dataclass(frozen=True, slots=True)
class Said:
    """One sentence and how good the news is: good, open (nothing can be said) or bad."""

    words: str
    tone: str


def evidence_sentence(facts: ReceiverEvidence, today: date) -> Said:
    """Say only what the evidence carries.

    Parameters
    ----------
    facts : ReceiverEvidence
        What is known.
    today : date
        Local day on which is judged.

    Returns
    -------
    Said
        Never "heard" without check-ins, never "no fault" without a fresh link test, never "in order" without a visit.
    """
    if facts.n_registered == 0:
        return Said("No transmitter is registered", "open")
    if facts.grade == EVERY:
        return _every(facts, today)
    if facts.grade == EXCEPTIONS:
        return _exceptions(facts, today)
    return _visits(facts, today)


def _every(facts: ReceiverEvidence, today: date) -> Said:
    if facts.watermark_at is None:
        return Said("Nothing has been received yet", "open")
    if facts.watermark_at.date() < today:
        return Said(f"Nothing received since {moment_words(facts.watermark_at, today=today)}", "bad")
    words = f"{facts.n_heard} of {facts.n_registered} heard today"
    if facts.n_faults:
        return Said(f"{words}, {count_words(facts.n_faults, 'open fault')}", "bad")
    return Said(words, "good" if facts.n_heard == facts.n_registered else "open")


def _exceptions(facts: ReceiverEvidence, today: date) -> Said:
    if facts.n_faults:
        return Said(f"{count_words(facts.n_faults, 'fault')} reported and not cleared", "bad")
    if facts.link_tested_at is None:
        return Said("No fault reported, but the link was never tested", "open")
    when = moment_words(facts.link_tested_at, today=today)
    start = datetime.combine(today, datetime.min.time(), facts.link_tested_at.tzinfo)
    if start - facts.link_tested_at > timedelta(hours=LINK_TEST_HOURS):
        return Said(f"Nothing is known: the link was last tested on {when}", "bad")
    return Said(f"No fault reported, link tested {when}", "good")


def _visits(facts: ReceiverEvidence, today: date) -> Said:
    if facts.visited_on is None:
        return Said("Not yet visited: nothing is known", "open")
    when = day_words(facts.visited_on, today=today)
    if facts.n_not_in_order:
        return Said(f"{count_words(facts.n_not_in_order, 'slot')} not in order on {when}", "bad")
    if facts.n_not_looked_at >= facts.n_registered:
        return Said(f"Visited on {when}, nothing tried", "open")
    if facts.n_not_looked_at:
        tried = facts.n_registered - facts.n_not_looked_at
        return Said(f"{tried} of {facts.n_registered} found in order on {when}, the rest not tried", "open")
    return Said(f"Found in order on {when}", "good")


@dataclass(frozen=True, slots=True)
class TransmitterEvidence:
    """What is known of one transmitter.

    Attributes
    ----------
    grade : str
        Evidence grade of its receiver.
    window_s : int or None
        Supervision window [s]; 0 = not supervised, None = not known.
    interval_s : int or None
        Expected time between check-ins [s].
    registered_at : datetime
        Since when check-ins are expected.
    heard_at : datetime or None
        Event time of the last check-in.
    watermark_at : datetime or None
        Event time up to which the source has delivered; the clock on the wall plays no part.
    has_missing_fault : bool
        The receiver reported it missing and has not taken that back.
    is_away : bool
        Out of use or off the site, as agreed.
    found_on : date or None
        When a visit last found it in order.
    """

    grade: str
    window_s: int | None
    interval_s: int | None
    registered_at: datetime
    heard_at: datetime | None = None
    watermark_at: datetime | None = None
    has_missing_fault: bool = False
    is_away: bool = False
    found_on: date | None = None


@dataclass(frozen=True, slots=True)
class State:
    """away, heard, awaited, silent or unknown, with words; `since_at` says since when a silent one is silent."""

    code: str
    words: str
    since_at: datetime | None = None


def allowed_gap_s(window_s: int | None, interval_s: int | None) -> int | None:
    """Longest gap between check-ins [s] before a transmitter counts as silent, or None where nothing is known.

    Parameters
    ----------
    window_s : int or None
        Supervision window [s]; 0 = not supervised, None = not known.
    interval_s : int or None
        Expected time between check-ins [s].
    """
    if window_s:
        return window_s
    return UNSUPERVISED_INTERVALS * interval_s if interval_s else None


def judge(facts: TransmitterEvidence, today: date) -> State:
    """Judge one transmitter on event time up to the source's watermark.

    Parameters
    ----------
    facts : TransmitterEvidence
        Times are aware and in the site's zone.
    today : date
        Local day, only used for words.

    Returns
    -------
    State
        `silent` when a missing fault stands, or when every check-in reaches us and the time from the last one to the
        watermark
        is longer than the allowed gap. A source that delivers late makes nobody silent.
    """
    if facts.is_away:
        return State("away", "away, as agreed")
    if facts.has_missing_fault:
        return State("silent", "reported missing", facts.heard_at)
    if facts.grade == EVERY:
        return _judge_every(facts, today)
    if facts.grade == EXCEPTIONS:
        return State("unknown", "no fault reported")
    if facts.found_on is not None:
        return State("unknown", f"found in order on {day_words(facts.found_on, today=today)}")
    return State("unknown", "not yet tried on a visit")


def _judge_every(facts: TransmitterEvidence, today: date) -> State:
    if facts.watermark_at is None:
        return State("unknown", "nothing received yet")
    heard_at = facts.heard_at
    if heard_at is not None and heard_at < facts.registered_at:
        heard_at = None
    last_at = heard_at or facts.registered_at
    gap_s = (facts.watermark_at - last_at).total_seconds()
    allowed_s = allowed_gap_s(facts.window_s, facts.interval_s)
    if allowed_s is not None and gap_s > allowed_s:
        what = (
            f"silent since {moment_words(last_at, today=today)}" if heard_at else "never heard since it was registered"
        )
        if facts.window_s == WINDOW_OFF:
            what += ", not supervised"
        return State("silent", what, last_at)
    if heard_at is None:
        every = f", checks in every {span_words(facts.interval_s)}" if facts.interval_s else ""
        return State("awaited", f"not heard yet{every}")
    return State("heard", f"heard {moment_words(heard_at, today=today)}")
