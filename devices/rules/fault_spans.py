"""From when to when something was wrong, out of reports that may come twice, late and in any order; pure Python.

Every report is a turn: the condition began, or it ended. Put in the order of their moments, turns give the spans. Of
turns that say the same one after the other only the first and the last are kept; the last one matters when a report
comes late that lies between. So what stands now does not depend on the order in which reports came. Where more than two
reports of the same went before a late one between them, the span after that one begins with the last of them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

AGAIN, OVER = "·again", "·over"
"""Causes by which the table of faults tells a kept turn (a row without length) from a fault: reported again while it
stood, or reported as over while nothing stood. No person's word begins with a dot."""


@dataclass(frozen=True, slots=True, order=True)
class Turn:
    """At this moment it was reported as begun (or still there), or as over. Of equal moments the end is the later one."""

    at: datetime
    is_end: bool


@dataclass(frozen=True, slots=True)
class Span:
    """From the first report to the first report that it is over; None: it stands."""

    begin: datetime
    end: datetime | None


@dataclass(frozen=True, slots=True)
class Kept:
    """Spans, oldest first, and the turns to be kept beside them because a late report may need them."""

    spans: tuple[Span, ...]
    marks: tuple[Turn, ...]


def keep(reported: Iterable[Turn], known_ends: Iterable[datetime] = ()) -> Kept:
    """Work out the spans and what must be kept beside them.

    Parameters
    ----------
    reported : iterable of Turn
        Turns kept so far (beginnings and ends of spans, marks) and new ones, in any order.
    known_ends : iterable of datetime
        Moments at which it must have ended though nobody reported it (cells were changed). They are known from elsewhere,
        so they are never kept as marks.

    Returns
    -------
    Kept
        Giving its spans and marks back together with further turns is the same as giving all turns at once, up to the
        beginning of a span that a late end has split off (see above).
    """
    told = set(reported)
    turns = sorted(told | {Turn(at, True) for at in known_ends})
    runs = [(is_end, list(run)) for is_end, run in groupby(turns, key=lambda turn: turn.is_end)]
    spans: list[Span] = []
    marks: list[Turn] = []
    for place, (is_end, run) in enumerate(runs):
        follows = runs[place + 1][1][0] if place + 1 < len(runs) else None
        if not is_end:
            spans.append(Span(run[0].at, follows.at if follows else None))
            if len(run) > 1:
                marks.append(run[-1])
            continue
        mine = [turn for turn in run if turn in told]
        # The first end of a run belongs to the span before it; one that nothing went before is kept for what comes late.
        own = mine[1:] if place and mine and mine[0] == run[0] else mine
        if own and not place:
            marks.append(own[0])
        if own and (place or len(own) > 1):
            marks.append(own[-1])
    return Kept(tuple(spans), tuple(marks))


def turns_of(spans: Iterable[Span], marks: Iterable[Turn] = ()) -> set[Turn]:
    """Spans and marks as the turns they came from."""
    found = set(marks)
    for span in spans:
        found.add(Turn(span.begin, False))
        if span.end is not None:
            found.add(Turn(span.end, True))
    return found
