"""Checks of what the radio tells: silent, weak links, windows that cry wolf, transmitters that stand nowhere; pure Python."""

from collections.abc import Iterator

from devices.rules.false_faults import cries_wolf, false_faults, is_denied
from devices.rules.findings_facts import Finding, ReceiverFacts, WeakLink, at_slot, gravest, off_is_right, taken
from devices.rules.supervision import faults_of
from devices.rules.words import day_words, span_words

SILENT_RECEIVER = frozenset({"receiver hears little or nothing", "receiver power", "receiver fault"})
"""Faults of a receiver that explain why nothing of its transmitters comes. A lost link does not: silence is judged on what was
delivered, and another way may go on delivering."""

STRANGER_DAYS = 2
"""A transmitter in no slot is told of once it was heard on so many days: a passer-by is heard once. Decided for this
product."""


def silent(facts: ReceiverFacts) -> Iterator[Finding]:
    """Nothing heard for longer than its window, or without one for three check-ins; unsupervised ones too.

    What the receiver has reported missing is told by that fault, once; a receiver that hears nothing explains itself.
    """
    if any(fault.kind in SILENT_RECEIVER and not fault.place and not fault.is_over for fault in facts.faults):
        return
    for row in taken(facts):
        silence = facts.silent.get(row.slot)
        if silence is None or row.is_away or row.nothing_answers:
            continue
        if any(fault.kind == "missing" and not fault.is_over for fault in faults_of(row, facts.faults)):
            continue
        yield at_slot(
            facts, row, "silent",
            silence.words[:1].upper() + silence.words[1:],
            "A call from there may not come through, and no fault tells of it.",
            "Ask the site whether it is there; else go and see: cells, place and distance. Record it if it is away.",
            silence.since_on,
        )  # fmt: skip


def weak_links(facts: ReceiverFacts) -> Iterator[Finding]:
    """A link that gets through less well than it used to. Silent ones are told of as that.

    Of what leaves the site nobody can tell a weak link from an absence that nobody recorded, so it is never called very weak,
    and asking comes before any deed. Decided for this product.
    """
    gone = {finding.slot for finding in silent(facts)}
    for row in taken(facts):
        link = facts.links.get(row.slot)
        if link is None or row.slot in gone or row.is_away:
            continue
        yield at_slot(
            facts, row, "link_very_weak" if link.is_red and not row.is_portable else "link_weak",
            weak_words(link) + (f" It was as usual until {day_words(link.fine_on, today=facts.today)}." if link.fine_on else ""),
            WHY_CARRIED if row.is_portable else WHY_WEAK,
            ASK_CARRIED if row.is_portable else TAKE_READING,
            link.fine_on or link.since_on,
        )  # fmt: skip


WHY_WEAK = "Something between it and the receiver has changed: a call may need luck to come through. It says nothing about the cells."
WHY_CARRIED = (
    "It leaves the site: it may only have been out of range. If it was not, a call may need luck to come through. It says "
    "nothing about the cells."
)
TAKE_READING = "Take a reading of the signal margin on the next visit; look for what was moved, then try another place or a repeater."
ASK_CARRIED = (
    "Ask the site whether it was carried out on these days, and record it as away if so. Only if it was on the site all along, "
    "take a reading where it is used."
)


def weak_words(link: WeakLink) -> str:
    """Say a fall: "Of its check-ins 78 in 100 come now; before, 97 in 100 did."."""
    if link.share_now is None or link.share_before is None:
        return "Fewer of its check-ins come than used to."
    return f"Of its check-ins {_hundred(link.share_now)} in 100 come now; before, {_hundred(link.share_before)} in 100 did."


def _hundred(share: float) -> int:
    return round(100 * share)


def nuisance_faults(facts: ReceiverFacts) -> Iterator[Finding]:
    """A window that would call a sound transmitter missing more than once a year, by the check-ins it lost.

    It is an expectation, so the faults on record stand beside it, and where they deny it there is no finding. A weak link is
    told of as that: its record of now says nothing about the window.
    """
    for row in taken(facts):
        record = facts.radio.get(row.slot)
        if record is None or not row.window_s or not row.interval_s or row.slot in facts.links:
            continue
        if off_is_right(is_portable=row.is_portable) or not record.is_enough or not record.lost:
            continue
        rates, watched = false_faults(record, row.window_s, row.interval_s), facts.watched.get(row.slot)
        if not cries_wolf(rates) or is_denied(rates.for_sure, record, watched):
            continue
        seen = f"on record: {watched.words(facts.today)}" if watched else "how often it did is not on record"
        yield at_slot(
            facts, row, "nuisance_faults",
            f"By the check-ins it lost, the window of {span_words(row.window_s)} would call it missing "
            f"{_often(rates.for_sure)} a year though nothing is wrong; {seen}",
            "Where missing faults are often false, people ignore the true one too.",
            "See which window would be quiet and short enough, then plan it; or find it a better path.",
            None,
        )  # fmt: skip


def _often(a_year: float) -> str:
    """Say a rate [1/year] in steps, so that the words stay from night to night and slots like each other stand together."""
    step = max((step for step in (2, 5, 10, 20, 50, 100, 200, 500, 1000) if step <= a_year), default=0)
    return f"more than {step:,} times" if step else "more than once"


def strangers_heard(facts: ReceiverFacts) -> Iterator[Finding]:
    """A transmitter that is heard again and again and stands in no slot."""
    for stranger in facts.strangers:
        if stranger.n_days < STRANGER_DAYS:
            continue
        yield Finding(
            "stranger_heard",
            f"A transmitter that stands in no slot is heard here: {stranger.serial}",
            facts.where,
            "Somebody may rely on a pendant or contact that calls nobody, or the records name another serial.",
            "Find out on site where it hangs, then register it; or dismiss what was set aside of it.",
            stranger.first_on,
            duty=gravest(list(taken(facts))),
            mark=stranger.serial,
        )
