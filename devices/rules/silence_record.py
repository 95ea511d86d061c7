"""From when to when a silence lasted by the check-ins known now, for faults that are over. Pure.

Check-ins come in late and in any order, while a fault was ended by the last of a delivery, or stands for a silence that they
break in two. So what is on record is held against the quarter hours in which anything was heard. A moment that is off by
less than a quarter hour is left as it is: nothing finer is kept.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise
from typing import NamedTuple

from devices.rules.outage import outage_of
from devices.rules.silence import LATE, Unit

AS_GOOD = timedelta(minutes=15)
"""A quarter hour: heard is kept by them, so nothing finer is told apart."""


class HeardAt(NamedTuple):
    """A check-in between two moments: the quarter hour it lies in, or one moment twice where that is known."""

    early: datetime
    late: datetime


class Span(NamedTuple):
    """A silence from a moment to another one; `cause` is empty where a sign of life ended it."""

    begin: datetime
    end: datetime
    cause: str = ""


@dataclass(frozen=True, slots=True)
class Past:
    """A fault on record that we saw and that is over; `window_s` of a missing one is the window that had run out [s]."""

    pk: int
    raised_at: datetime
    ended_at: datetime
    cause: str = ""
    transmitter_pk: int | None = None
    window_s: int = 0


@dataclass(frozen=True, slots=True)
class Revision:
    """What the record of a fault should say; `more` are further silences that it had taken in.

    `rest`, of an outage, are those of single transmitters that lasted beyond it.
    """

    pk: int
    raised_at: datetime
    ended_at: datetime
    cause: str
    more: tuple[Span, ...] = ()
    rest: tuple[tuple[Unit, Span], ...] = ()


def revise_missing(fault: Past, heard: Sequence[HeardAt]) -> Revision | None:
    """Say what the record of a missing transmitter should be; None where it is right.

    Parameters
    ----------
    fault : Past
        The window had run out when it was raised.
    heard : sequence of HeardAt
        Its check-ins in order, at least from a window before the fault was raised to its end.
    """
    return _revised(fault, list(_silences(fault, heard)))


def _silences(fault: Past, heard: Sequence[HeardAt]) -> Iterator[Span]:
    """Silences longer than the window between the check-in before the fault and its end.

    Of the one that the fault was raised for the benefit of a quarter hour goes to the record, of all others to silence that
    was none: a silence is only put on record where it is sure.
    """
    window = timedelta(seconds=fault.window_s)
    last = HeardAt(fault.raised_at - window, fault.raised_at - window)
    is_own = True
    for one in heard:
        if one.early <= last.early:
            continue
        if one.early > fault.ended_at:
            break
        gap = one.late - last.early if is_own else one.early - last.late
        if gap > window:
            begin = last.early + window
            # It ended within that quarter hour, nobody knows when: a silence without length would be none.
            yield Span(begin, one.early if one.early > begin else one.late)
        last, is_own = one, False
    # Whatever ended it was no check-in, or a check-in of the quarter hour that has just been looked at.
    left = fault.ended_at - (last.early if is_own else last.late)
    if left > window:
        yield Span(last.early + window, fault.ended_at)


def revise_outage(fault: Past, units: Sequence[Unit], heard: Mapping[int, Sequence[HeardAt]]) -> Revision | None:
    """Say what the record of an outage should be; None where it is right.

    Parameters
    ----------
    fault : Past
        Of the receiver.
    units : sequence of Unit
        Transmitters there.
    heard : mapping
        Transmitter → its check-ins in order, from its last one before the outage on.
    """
    counted = [unit for unit in units if unit.window_s and not unit.is_away]
    early = {unit.transmitter_pk: [one.early for one in heard.get(unit.transmitter_pk, ())] for unit in counted}
    late = {unit.transmitter_pk: [one.late for one in heard.get(unit.transmitter_pk, ())] for unit in counted}
    # At its beginning a quarter hour that had not passed tells nothing: it may have brought the check-in that ended it.
    was_one = outage_of(_as_of(counted, fault.raised_at, early, _up_to(late, fault.raised_at)), fault.raised_at + _TICK)
    begin = fault.raised_at if was_one else None
    spans: list[Span] = []
    for moment in _moments(early.values(), fault.raised_at, fault.ended_at):
        if begin is None and (
            again := outage_of(_as_of(counted, moment, early, _up_to(early, moment - _TICK)), moment)
        ):
            begin = max([again.at, fault.raised_at, *(span.end for span in spans)])
            if spans and begin - spans[-1].end < AS_GOOD:
                # Half of them at the edge: nothing that short is told from one outage.
                begin = spans.pop().begin
        if begin is not None and not outage_of(_as_of(counted, moment, early, _up_to(early, moment)), moment):
            spans.append(Span(begin, max(begin, moment)))
            begin = None
    if begin is not None:
        spans.append(Span(begin, fault.ended_at))
    revision = _revised(fault, spans)
    return replace(revision, rest=tuple(_rest(fault, counted, heard, revision))) if revision is not None else None


def _rest(
    fault: Past, units: Sequence[Unit], heard: Mapping[int, Sequence[HeardAt]], revision: Revision
) -> Iterator[tuple[Unit, Span]]:
    """Silences that the outage stood for as long as it was on record, and that its new record does not cover."""
    told = [Span(revision.raised_at, revision.ended_at), *revision.more]
    for unit in units:
        window = timedelta(seconds=unit.window_s or 0)
        for last, back in pairwise(heard.get(unit.transmitter_pk, ())):
            silence = Span(last.early + window, back.early)
            is_sure = back.early - last.late > window
            if not is_sure or silence.end <= fault.raised_at or silence.end > fault.ended_at:
                continue
            if not any(one.begin <= silence.end < one.end + AS_GOOD for one in told):
                yield unit, silence


_TICK = timedelta(microseconds=1)


def _moments(heard: Iterable[Sequence[datetime]], begin: datetime, end: datetime) -> list[datetime]:
    """Moments after `begin` and up to `end` at which any of them was heard."""
    return sorted({moment for some in heard for moment in some[bisect_right(some, begin) : bisect_right(some, end)]})


def _up_to(moments: Mapping[int, Sequence[datetime]], at: datetime) -> dict[int, int]:
    """Transmitter → how many of its moments lie up to a moment."""
    return {pk: bisect_right(some, at) for pk, some in moments.items()}


def _as_of(
    units: Sequence[Unit], at: datetime, heard: Mapping[int, Sequence[datetime]], n_heard: Mapping[int, int]
) -> list[Unit]:
    """What was to be known of the units of a moment, each with the first few of its check-ins."""
    found = []
    for unit in units:
        if unit.since > at:
            continue
        n = n_heard[unit.transmitter_pk]
        back_at = unit.back_at if unit.back_at is not None and unit.back_at <= at else None
        heard_at = heard[unit.transmitter_pk][n - 1] if n else None
        found.append(replace(unit, heard_at=heard_at, back_at=back_at))
    return found


def _revised(fault: Past, spans: Sequence[Span]) -> Revision | None:
    if not spans:
        return Revision(fault.pk, fault.raised_at, fault.raised_at, LATE)
    begin = fault.raised_at if _is_as_good(spans[0].begin, fault.raised_at) else spans[0].begin
    end = fault.ended_at if _is_as_good(spans[0].end, fault.ended_at) else max(begin, spans[0].end)
    more = tuple(spans[1:])
    if more and _is_as_good(more[-1].end, fault.ended_at):
        more = (*more[:-1], Span(more[-1].begin, fault.ended_at, fault.cause))
    if (begin, end) == (fault.raised_at, fault.ended_at) and not more:
        return None
    return Revision(fault.pk, begin, end, fault.cause if end == fault.ended_at else "", more)


def _is_as_good(one: datetime, other: datetime) -> bool:
    return abs(one - other) < AS_GOOD
