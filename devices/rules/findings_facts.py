"""What the checks of one receiver are told, and what they answer; pure Python."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime

from devices.rules.radio_record import RadioRecord, Watched
from devices.rules.slot_map import OutputFacts, SlotRow
from devices.rules.supervision import StandingFault
from devices.rules.words import DUTY_ORDER

OWN_SOURCE = "own suggestion"
"""Source note of a figure that is ours, until a manager sets another."""


@dataclass(frozen=True, slots=True)
class SupervisionAsk:
    """What a duty class asks of supervision, as the company's policy has it.

    Attributes
    ----------
    duty : str
        Duty class.
    must_supervise : bool
        Whether a slot of this class may be left unsupervised.
    longest_window_s : int or None
        Longest window it may have [s]; None = no limit set.
    source : str
        Whose figure that is, shown with the finding ("own suggestion" until a manager sets it).
    """

    duty: str
    must_supervise: bool
    longest_window_s: int | None = None
    source: str = OWN_SOURCE


OWN_ASKS = (
    SupervisionAsk("life_safety", must_supervise=True),
    SupervisionAsk("security", must_supervise=False),
    SupervisionAsk("convenience", must_supervise=False),
)
"""Used until the company sets its policy: our own suggestion, no standard's figure."""


def asks_with(policies: Iterable[tuple[str, int | None, str]]) -> tuple[SupervisionAsk, ...]:
    """The asks of each duty class with the company's policy: duty, longest window [s] and source note of each row; our own
    suggestion where it has none.
    """
    windows = {duty: (window_s, source) for duty, window_s, source in policies}
    return tuple(
        SupervisionAsk(ask.duty, ask.must_supervise, *(windows.get(ask.duty) or (ask.longest_window_s, ask.source)))
        for ask in OWN_ASKS
    )


def source_words(source: str) -> str:
    """Say whose figure it is, in brackets; empty where nobody noted it."""
    if source.strip().lower() == OWN_SOURCE:
        return " (suggested by this software until a manager sets a figure)"
    return f" (asked by: {source})" if source else ""


def off_is_right(*, is_portable: bool) -> bool:
    """Whether a slot is best without supervision: what leaves the site would be called missing whenever it is out of range.

    Findings, the adviser and the check of a change all ask here.
    """
    return is_portable


def window_over(ask: SupervisionAsk | None, *, window_s: int | None, is_portable: bool) -> bool:
    """Whether a window [s] is longer than its duty class asks; what leaves the site is not judged by its window."""
    longest_s = ask.longest_window_s if ask is not None else None
    return bool(not off_is_right(is_portable=is_portable) and longest_s and window_s and window_s > longest_s)


NOT_WIRED = frozenset({"nothing", "not wired", "none", "not used"})
"""What people write where an output drives nothing."""


def is_wired(drives: str, terminals: str) -> bool | None:
    """Whether an output drives anything, by what was written about it; None where nothing was."""
    if drives.strip():
        return drives.strip().lower() not in NOT_WIRED
    return True if terminals.strip() else None


@dataclass(frozen=True, slots=True)
class Loan:
    """A unit that stands in for another until a day; `slot` is None for the receiver itself."""

    until_on: date
    serial: str = ""
    slot: int | None = None


@dataclass(frozen=True, slots=True)
class WaitingPlan:
    """A change that the office has planned for a slot and nobody has made yet."""

    slot: int
    what: str
    planned_on: date


@dataclass(frozen=True, slots=True)
class WeakLink:
    """A transmitter that gets through less well than it used to.

    Attributes
    ----------
    fine_on : date or None
        Last day on which all was as usual.
    since_on : date
        When it was called weak.
    is_red : bool
        The evidence is strong.
    share_before, share_now : float or None
        Share of its check-ins that came before the fall, and over the last days (0 … 1).
    """

    fine_on: date | None
    since_on: date
    is_red: bool
    share_before: float | None
    share_now: float | None


@dataclass(frozen=True, slots=True)
class Silence:
    """A transmitter of which nothing has come for longer than it may be silent; `words` say since when."""

    words: str
    since_on: date


@dataclass(frozen=True, slots=True)
class Stranger:
    """A transmitter that a receiver hears and that stands in none of its slots: so many days of the last 30."""

    serial: str
    n_days: int
    first_on: date
    last_on: date


@dataclass(frozen=True, slots=True)
class ReceiverFacts:
    """One receiver as the findings see it. What is left at its default is not looked at.

    Attributes
    ----------
    where : str
        How to name the receiver in a sentence ("Lantern House, receiver 1").
    n_slots : int
        Slots of its type; 0 = type not known.
    rows : sequence of SlotRow
        Its slot map on the day, spare slots may be left out.
    outputs : sequence of OutputFacts
        Its outputs as recorded.
    today : date
        Local day on which is judged.
    elsewhere : frozenset of (str, int)
        Serial and input of transmitters that also hold a slot in another receiver.
    asks : sequence of SupervisionAsk
        The company's policy.
    faults : sequence of StandingFault
        Open and latched faults.
    grace_days : mapping of str to int
        Days that each duty class leaves after a low-battery signal, by the company's policy.
    learnt_grace : mapping of int to int
        By slot: days after which such cells have been found dead after their signal, where that has been learnt.
    low_since, not_heard, shelf_ends : mapping of int to date
        By slot: first low-battery signal of the cells in use; last walk test, where it was not heard at the output;
        last day of the shelf life of the cells in use.
    test_again : mapping of int to date
        By output: since when its end effect must be seen again, because the receiver was swapped.
    loans : sequence of Loan
        Units on loan, with their day of return.
    plans : sequence of WaitingPlan
        Planned changes that are neither made nor dropped.
    links : mapping of int to WeakLink
        By slot: links that have become weak.
    silent : mapping of int to Silence
        By slot: what has not been heard for longer than it may be silent, judged by the source's own watermark.
    radio : mapping of int to RadioRecord
        By slot: what came of its check-ins.
    watched : mapping of int to Watched
        By slot: missing faults of its window, where silence was looked for.
    strangers : sequence of Stranger
        Transmitters heard that stand nowhere.
    visited_on : date or None
        Day of the last finished visit on which somebody stood at this receiver.
    map_issued_on, slots_changed_on : date or None
        When the customer's copy of the slot map was issued; when a slot was last changed after that.
    """

    where: str
    n_slots: int
    rows: Sequence[SlotRow]
    outputs: Sequence[OutputFacts]
    today: date
    elsewhere: frozenset[tuple[str, int]] = frozenset()
    asks: Sequence[SupervisionAsk] = OWN_ASKS
    faults: Sequence[StandingFault] = ()
    grace_days: Mapping[str, int] = field(default_factory=dict)
    learnt_grace: Mapping[int, int] = field(default_factory=dict)
    low_since: Mapping[int, date] = field(default_factory=dict)
    not_heard: Mapping[int, date] = field(default_factory=dict)
    shelf_ends: Mapping[int, date] = field(default_factory=dict)
    test_again: Mapping[int, date] = field(default_factory=dict)
    loans: Sequence[Loan] = ()
    plans: Sequence[WaitingPlan] = ()
    links: Mapping[int, WeakLink] = field(default_factory=dict)
    silent: Mapping[int, Silence] = field(default_factory=dict)
    radio: Mapping[int, RadioRecord] = field(default_factory=dict)
    watched: Mapping[int, Watched] = field(default_factory=dict)
    strangers: Sequence[Stranger] = ()
    visited_on: date | None = None
    map_issued_on: date | None = None
    slots_changed_on: date | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """Something in the records or the set-up that needs a person.

    Attributes
    ----------
    code : str
        Lower-case slug that never changes.
    what, where, why, do : str
        What is wrong, where, why it matters, what to do about it; plain sentences.
    since_on : date or None
        Since when; None = not known.
    slot, output : int or None
        Which slot or output it points at.
    duty : str
        Duty class concerned, for sorting by harm: that of the slot, or the gravest of the slots that hang on an output
        or a fault.
    mark : str
        Tells findings of one code and place apart (two faults of one receiver); empty where there can be only one.
    """

    code: str
    what: str
    where: str
    why: str
    do: str
    since_on: date | None = None
    slot: int | None = None
    output: int | None = None
    duty: str = ""
    mark: str = ""


@dataclass(frozen=True, slots=True)
class KeptFindings:
    """Findings kept of one receiver: those that need a person now, worst first, and how many rest until a day."""

    awake: tuple[Finding, ...] = ()
    n_resting: int = 0


def local_day(moment: datetime | None) -> date | None:
    """Day of a local moment, or None."""
    return moment.date() if moment is not None else None


def at_slot(
    facts: ReceiverFacts, row: SlotRow, code: str, what: str, why: str, do: str, since: date | None, mark: str = ""
) -> Finding:
    """A finding at one taken slot, named by its number and label."""
    place = f" ({row.label})" if row.label else ""
    where = f"{facts.where}, slot {row.slot}{place}"
    return Finding(code, what, where, why, do, since, slot=row.slot, duty=row.duty, mark=mark)


def at_output(
    facts: ReceiverFacts, number: int, code: str, what: str, why: str, do: str, since: date | None, *, of_all: bool = False
) -> Finding:  # fmt: skip
    """A finding at one output; it concerns the slots that drive it, or with `of_all` every slot of the receiver."""
    users = [row for row in taken(facts) if of_all or any(use.number == number for use in row.outputs)]
    where = f"{facts.where}, output {number}"
    return Finding(code, what, where, why, do, since, output=number, duty=gravest(users))


def taken(facts: ReceiverFacts) -> Iterator[SlotRow]:
    """Slots that are in use."""
    return (row for row in facts.rows if row.is_taken)


def gravest(rows: Sequence[SlotRow]) -> str:
    """Gravest duty class among slots, empty where none is known."""
    known = [row.duty for row in rows if row.duty in DUTY_ORDER]
    return min(known, key=DUTY_ORDER.__getitem__, default="")
