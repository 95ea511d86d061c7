"""What the evidence allows to be said, and whether a transmitter is silent, judged on event time; pure Python."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from devices.rules.slot_map import SlotRow
from devices.rules.words import WINDOW_OFF, count_words, day_words, moment_words, span_words

EVERY = "every"
EXCEPTIONS = "exceptions"
VISITS = "visits"
OUTAGE = "outage"
"""Code of the fault by which a receiver hears nothing: more than half of its transmitters fell silent at one time."""
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

DAY_S = 86_400
"""Where no slot has a window, a delivery older than a day proves nothing about today. Decided for this product."""
MAX_NAMED_FAULTS = 3
"""So many faults are named in a sentence; the rest are counted. Decided for this product."""


@dataclass(frozen=True, slots=True)
class StandingFault:
    """A fault that still shows.

    Attributes
    ----------
    kind : str
        In words: "low battery".
    place : str
        Where, as the registration names it; empty = the receiver itself.
    since_on : date
        Local day on which it was raised.
    slot : int or None
        Slot of the registration it was raised for; None = the receiver itself, or not known.
    transmitter_pk : int or None
        Transmitter it belongs to, which may have moved since.
    is_over : bool
        The condition is gone (`over_on`: on which local day), but nobody has cleared the receiver.
    duty : str
        Duty class of the slot, empty where none is known.
    code, pk : str, int or None
        Kind as the database knows it ("low_battery"), and key.
    since_at : datetime or None
        Local moment on which it was raised.
    lost_way, still_by : str
        Of a lost link where only one of several ways in is silent: which, and by what it still comes; else empty.
    """

    kind: str
    place: str
    since_on: date
    slot: int | None = None
    transmitter_pk: int | None = None
    is_over: bool = False
    duty: str = ""
    code: str = ""
    pk: int | None = None
    since_at: datetime | None = None
    lost_way: str = ""
    still_by: str = ""
    over_on: date | None = None

    @property
    def is_of_receiver(self) -> bool:
        """Whether it is of the receiver itself."""
        return self.transmitter_pk is None and self.slot is None

    def since(self, today: date) -> str:
        """Since when it stands: by the minute where that is known, else by the day."""
        return moment_words(self.since_at, today=today) if self.since_at else day_words(self.since_on, today=today)

    def words(self, today: date, *, with_place: bool = True) -> str:
        """Say it: "low battery, Room 4 pendant, since 14 November"; a latched one says that it is not cleared."""
        kind = f"nothing by {self.lost_way}, still heard by {self.still_by}" if self.still_by else self.kind
        parts = [kind, self.place or "the receiver"] if with_place else [kind]
        said = f"{', '.join(parts)}, since {day_words(self.since_on, today=today)}"
        return f"{said}, not yet cleared at the receiver" if self.is_over else said


def faults_of(row: SlotRow, faults: Iterable[StandingFault]) -> tuple[StandingFault, ...]:
    """Faults of one taken slot: those of its transmitter, or of the slot where no transmitter is known.

    Parameters
    ----------
    row : SlotRow
        The slot; a spare one has none.
    faults : iterable of StandingFault
        Every standing fault of the receiver.
    """
    if row.is_spare:
        return ()
    return tuple(
        fault
        for fault in faults
        if (
            fault.slot == row.slot
            if fault.transmitter_pk is None or row.transmitter_pk is None
            else fault.transmitter_pk == row.transmitter_pk
        )
    )


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
        Of these, how many were heard within their window up to the watermark.
    n_faults : int
        Open or latched faults.
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
    judged_at : datetime or None
        Local time of the judgement; None = not known, then no delivery counts as fresh.
    shortest_window_s : int or None
        Shortest window of the supervised slots [s]; None = no slot is supervised.
    faults : tuple of StandingFault
        The faults by name, oldest first; may be fewer than `n_faults`.
    heard_at : datetime or None
        Local time of the newest check-in; a delivery may come later and hold none.
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
    judged_at: datetime | None = None
    shortest_window_s: int | None = None
    faults: tuple[StandingFault, ...] = ()
    heard_at: datetime | None = None

    @property
    def outage(self) -> StandingFault | None:
        """The fault by which the receiver hears next to nothing, if one stands; the oldest where several are added up."""
        return next((fault for fault in self.faults if fault.code == OUTAGE and not fault.is_over), None)

    @property
    def fresh_for_s(self) -> int:
        """How long a delivery speaks for the present [s]."""
        return self.shortest_window_s or DAY_S

    @property
    def freshness(self) -> str:
        """fresh, stale (older than the shortest window) or old (a day and longer), of the last delivery."""
        if self.watermark_at is None or self.judged_at is None:
            return "stale"
        age_s = (self.judged_at - self.watermark_at).total_seconds()
        if age_s <= self.fresh_for_s:
            return "fresh"
        return "old" if age_s > DAY_S else "stale"

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
    return _with_faults(_visits(facts, today), facts, today)


def _every(facts: ReceiverEvidence, today: date) -> Said:
    if facts.watermark_at is None:
        return Said("Nothing has been received yet", "open")
    when = moment_words(facts.watermark_at, today=today)
    if facts.freshness == "old":
        return _with_faults(Said(f"Nothing received since {when}", "bad"), facts, today)
    if facts.outage is not None:
        # Those still within their windows count as heard below; beside a receiver that hears nothing that is no news.
        half = f"More than half of {facts.n_registered} silent at one time since {facts.outage.since(today)}"
        return _with_faults(Said(f"{half}, last delivery {when}", "bad"), facts, today)
    is_all = facts.n_heard == facts.n_registered
    who = f"All {facts.n_heard}" if is_all and facts.n_heard > 1 else f"{facts.n_heard} of {facts.n_registered}"
    # "by": a check-in after the last delivery may be missing without anybody knowing it yet.
    heard_at = min(facts.heard_at or facts.watermark_at, facts.watermark_at) if facts.n_heard else facts.watermark_at
    heard = when if facts.watermark_at - heard_at < timedelta(minutes=5) else moment_words(heard_at, today=today)
    words = f"{who} heard by {heard}, {'the last delivery' if heard == when else f'last delivery {when}'}"
    if is_all and facts.freshness == "stale" and facts.judged_at is not None:
        # Else the same words would stand with another mark, and nobody could tell why.
        words += f", longer ago than the shortest supervision window ({span_words(facts.fresh_for_s)})"
    return _with_faults(Said(words, "good" if is_all and facts.freshness == "fresh" else "open"), facts, today)


def _with_faults(said: Said, facts: ReceiverEvidence, today: date) -> Said:
    """The sentence with its faults: whatever else is known, a standing fault is bad news."""
    if not facts.n_faults:
        return said
    return Said(f"{said.words}, {count_words(facts.n_faults, 'open fault')}{_named(facts, today)}", "bad")


def _named(facts: ReceiverEvidence, today: date) -> str:
    shown = facts.faults[:MAX_NAMED_FAULTS]
    more = [f"and {facts.n_faults - len(shown)} more"] if facts.n_faults > len(shown) else []
    return f": {'; '.join([fault.words(today) for fault in shown] + more)}" if shown else ""


def _exceptions(facts: ReceiverEvidence, today: date) -> Said:
    if facts.n_faults:
        return Said(f"{count_words(facts.n_faults, 'fault')} reported and not cleared{_named(facts, today)}", "bad")
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
    has_missing_fault, is_missing_seen : bool
        A missing fault of it stands; and we saw that silence ourselves, so nobody has reported it.
    is_away : bool
        Out of use or off the site, as agreed.
    found_on : date or None
        When a visit last found it in order.
    fault : str
        A standing fault of it in words, empty for none.
    """

    grade: str
    window_s: int | None
    interval_s: int | None
    registered_at: datetime
    heard_at: datetime | None = None
    watermark_at: datetime | None = None
    has_missing_fault: bool = False
    is_missing_seen: bool = False
    is_away: bool = False
    found_on: date | None = None
    fault: str = ""


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
        watermark is longer than the allowed gap. A source that delivers late makes nobody silent.
    """
    if facts.is_away:
        return State("away", "away, as agreed")
    if facts.has_missing_fault:
        since = f"silent since {moment_words(facts.heard_at, today=today)}" if facts.heard_at else "never heard"
        return State("silent", since if facts.is_missing_seen else "reported missing", facts.heard_at)
    if facts.grade == EVERY:
        return _judge_every(facts, today)
    if facts.grade == EXCEPTIONS:
        return State("unknown", facts.fault or "no fault reported")
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
