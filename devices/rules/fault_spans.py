"""From when to when something was wrong, out of reports that may come twice, late and in any order; pure Python.

Every report is a turn: the condition began (or is still there), or it is over. In the order of their moments turns give the
spans, and nothing else does: whoever keeps every turn gets the same spans whatever order they came in.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from devices.rules.fault_causes import CLEARED

ONCE_IS_ENOUGH = frozenset({"low_battery", "tamper", "receiver_tamper"})
"""Kinds of fault that are listed also where they were over in the second in which they came: a cell that dips under load is
dying, and a cover needs no longer to be lifted. Any other report that came and went in one second is a contact or a
supply that bounced: nobody can look for it any more. Decided here."""

CLEARED_BY_HAND = frozenset({"tamper", "receiver_tamper"})
"""Kinds of which a clearing on site says something: whoever clears a receiver has seen every cover on before (that is the step
before it), so a cover that is reported open after that was opened anew. It is no word that the condition is over as long as
nobody reports anything: that is the receiver's to say, or a person's in so many words. Decided here."""

FOR_EVER = timedelta(days=1_000_000)


@dataclass(frozen=True, slots=True, order=True)
class Turn:
    """At this moment it was reported as begun (or still there), or as over. Of equal moments the end is the later one."""

    at: datetime
    is_end: bool


@dataclass(frozen=True, slots=True)
class Span:
    """From the first report to the first one that it is over (None: it stands); `cause` of an end that is known from elsewhere."""

    begin: datetime
    end: datetime | None
    cause: str = ""

    @property
    def has_length(self) -> bool:
        """Whether it stood for any time at all."""
        return self.end is None or self.end > self.begin


def spans_of(
    turns: Iterable[Turn], known_ends: Mapping[datetime, str] | None = None, clearings: Iterable[datetime] = ()
) -> tuple[Span, ...]:
    """Work out the spans, oldest first.

    Parameters
    ----------
    turns : iterable of Turn
        In any order, repeats allowed.
    known_ends : mapping of datetime to str, optional
        Moments at which it must have ended whether anybody reported it or not (cells were changed), each with its cause.
    clearings : iterable of datetime, optional
        When a person cleared the receiver. By itself that ends nothing, and a reported end before or after it goes first;
        what is reported as begun after it, with no end in between, is another span, and the first one ended with the
        clearing at the latest.
    """
    ends, marks = known_ends or {}, sorted(clearings)
    spans: list[Span] = []
    begin: datetime | None = None
    said: datetime | None = None
    for turn in sorted({*turns, *(Turn(at, True) for at in ends)}):
        if not turn.is_end:
            if begin is not None and said is not None:
                cleared = next((at for at in marks if said <= at < turn.at), None)
                if cleared is not None:
                    spans.append(Span(begin, cleared, CLEARED))
                    begin = None
            begin, said = turn.at if begin is None else begin, turn.at
        elif begin is not None:
            spans.append(Span(begin, turn.at, ends.get(turn.at, "")))
            begin = None
    if begin is not None:
        spans.append(Span(begin, None))
    return tuple(spans)


def is_listed(span: Span, kind: str, *, is_latched: bool) -> bool:
    """Whether a span makes a fault: it has a length, or one signal of this kind is enough, or the receiver goes on showing it."""
    return span.has_length or is_latched or kind in ONCE_IS_ENOUGH


def matched(rows: Sequence[Span], spans: Sequence[Span], seen: Mapping[int, datetime] | None = None) -> dict[int, int]:
    """Which row on record goes on as which span: place among `rows` → place among `spans`, each once.

    What stands goes on as what stands, then whatever has most time in common: so the words that people have put to a fault
    stay with it when a late report moves its beginning or its end. Rows and spans without a moment in common are left out.

    `seen`: place of a row → when somebody acknowledged it, or cleared it by hand. It goes on as nothing that begins after that: nobody has seen
    such a span yet, and it must be told.
    """
    pairs = []
    for n, row in enumerate(rows):
        for m, span in enumerate(spans):
            common = _common(row, span)
            is_unseen = seen is not None and n in seen and row.begin <= seen[n] < span.begin
            if common is not None and not is_unseen:
                both_stand = row.end is None and span.end is None
                pairs.append((not both_stand, -common, abs(row.begin - span.begin), n, m))
    found: dict[int, int] = {}
    for *_, n, m in sorted(pairs):
        if n not in found and m not in found.values():
            found[n] = m
    return found


def _common(one: Span, two: Span) -> timedelta | None:
    """How long both stood; None: never at one moment."""
    begin = max(one.begin, two.begin)
    ends = [span.end for span in (one, two) if span.end is not None]
    if not ends:
        return FOR_EVER
    common = min(ends) - begin
    return common if common >= timedelta(0) else None
