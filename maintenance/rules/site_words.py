"""One honest sentence for a whole site, from what is known of each of its receivers; pure Python."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, time

from devices.rules.supervision import EVERY, EXCEPTIONS, ReceiverEvidence, Said, evidence_sentence
from devices.rules.words import count_words, list_words

_TONES = ("bad", "open", "good")
_MAX_NAMED = 3


def site_sentence(receivers: Sequence[tuple[str, ReceiverEvidence]], today: date) -> Said:
    """Say what the evidence of a site's receivers carries; receivers of which the same can be said are added up.

    Parameters
    ----------
    receivers : sequence of (str, ReceiverEvidence)
        Label and facts of every receiver in use.
    today : date
        Local day at the site.

    Returns
    -------
    Said
        Bad news first; the tone is the worst of its parts. Receivers without a transmitter say nothing unless none has
        any.
    """
    if not receivers:
        return Said("No receiver is on record", "open")
    speaking = [(label, facts) for label, facts in receivers if facts.n_registered]
    if not speaking:
        return Said("No transmitter is registered", "open")
    groups: dict[object, list[tuple[str, ReceiverEvidence]]] = {}
    for label, facts in speaking:
        groups.setdefault(_same(facts, today), []).append((label, facts))
    parts = [(_label(members), evidence_sentence(_add_up(members), today)) for members in groups.values()]
    parts.sort(key=lambda part: _TONES.index(part[1].tone))
    if len(parts) == 1:
        return parts[0][1]
    return Said("; ".join(f"{label}: {_lower(said.words)}" for label, said in parts), parts[0][1].tone)


def _same(facts: ReceiverEvidence, today: date) -> object:
    """Key under which receivers may be added up without a word becoming untrue."""
    tone = evidence_sentence(facts, today).tone
    if facts.grade == EVERY:
        # Heard counts add up, whether or not all were heard, where their deliveries are equally fresh.
        return (EVERY, facts.watermark_at is None, facts.freshness, facts.outage is not None)
    if facts.grade == EXCEPTIONS:
        return (EXCEPTIONS, tone, bool(facts.n_faults), facts.link_tested_at is None)
    return ("visits", tone, facts.visited_on, bool(facts.n_not_in_order), bool(facts.n_faults))


def _add_up(members: Sequence[tuple[str, ReceiverEvidence]]) -> ReceiverEvidence:
    """Sums of the counts, and the oldest of each time: the weakest proof speaks for all."""
    rows = [facts for _, facts in members]
    links = [row.link_tested_at for row in rows if row.link_tested_at]
    marks = [row.watermark_at for row in rows if row.watermark_at]
    # Receivers added up are equally fresh; the sum must stay so, although the oldest delivery speaks for all.
    spans = [row.fresh_for_s for row in rows]
    heard = [row.heard_at for row in rows if row.heard_at]
    window_s = max(spans) if rows[0].freshness == "fresh" else min(spans)
    return replace(
        rows[0],
        n_registered=sum(row.n_registered for row in rows),
        n_heard=sum(row.n_heard for row in rows),
        n_faults=sum(row.n_faults for row in rows),
        link_tested_at=min(links) if links else None,
        watermark_at=min(marks) if marks else None,
        # Only by the newest of all were all of them heard; unknown of one, it is unknown of the sum.
        heard_at=max(heard) if len(heard) == len(rows) else None,
        shortest_window_s=window_s,
        faults=tuple(sorted((fault for row in rows for fault in row.faults), key=lambda fault: fault.since_on)),
        n_not_in_order=sum(row.n_not_in_order for row in rows),
        n_not_looked_at=sum(row.n_not_looked_at for row in rows),
    )


def _label(members: Sequence[tuple[str, ReceiverEvidence]]) -> str:
    labels = [label for label, _ in members]
    return list_words(labels) if len(labels) <= _MAX_NAMED else count_words(len(labels), "receiver")


def _lower(words: str) -> str:
    return words[:1].lower() + words[1:]


def visit_sentence(planned_on: date, n_batteries: int, now: datetime, planned_at: time | None = None) -> str:
    """Say the next visit: "Next visit on 23 March 2027, for 3 batteries"; one whose time is past is not called the next.

    Parameters
    ----------
    planned_on : date
        Day of a published round, or of a visit without one.
    n_batteries : int
        Batteries whose date falls into that visit, at least 0.
    now : datetime
        Local time at the site.
    planned_at : time or None
        About when on that day, by the site's clock.
    """
    today = now.date()
    day = f"{planned_on.day} {planned_on:%B}" + ("" if planned_on.year == today.year else f" {planned_on.year}")
    when = "today" if planned_on == today else f"on {day}"
    about = f", about {planned_at:%H:%M}" if planned_at else ""
    if planned_on < today or (planned_on == today and planned_at is not None and planned_at < now.time()):
        then = "today" if planned_on == today else day
        return f"A visit was planned for {then}{about}; that it is done is not on record yet"
    what = f", for {count_words(n_batteries, 'battery', 'batteries')}" if n_batteries else ""
    return f"Next visit {when}{what}{about}"
