"""Reported faults among those on record: each report put in its place, whatever order they come in."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import NamedTuple

from django.db.models import Q

from company.models import ChangeRow
from devices.models import Fault, Fitting, Receiver, Registration
from devices.querysets.silence import last_heard
from devices.rules.events import CLEARS, RAISES
from devices.rules.fault_spans import AGAIN, OVER, Kept, Span, Turn, keep, turns_of
from devices.rules.supervision import EVERY

MARKS = (AGAIN, OVER)


@dataclass(frozen=True, slots=True)
class Signal:
    """One reported event with whose it is: keys of the receiver, and of the registration and transmitter it concerns.

    `kind` is an `EventKind` of `RAISES` or `CLEARS`; `note` a word of the sender.
    """

    kind: str
    at: datetime
    customer_id: int
    site_id: int
    receiver_id: int
    registration_id: int | None = None
    transmitter_id: int | None = None
    note: str = ""


class Key(NamedTuple):
    """What one fault at a time can be open for."""

    receiver_id: int
    transmitter_id: int
    """0: the receiver itself."""
    kind: str


@dataclass(slots=True)
class Changes:
    """Rows to be written."""

    changed: list[Fault] = field(default_factory=list)
    new: list[Fault] = field(default_factory=list)
    gone: list[int] = field(default_factory=list)
    marks: list[Fault] = field(default_factory=list)


def on_record(keys: Iterable[Key], since: datetime) -> dict[Key, list[Fault]]:
    """Faults and marks of some keys, oldest first."""
    wanted = set(keys)
    units = {key.transmitter_id for key in wanted}
    of_units = Q(transmitter__in=units - {0}) | (Q(transmitter=None) if 0 in units else Q())
    found: dict[Key, list[Fault]] = defaultdict(list)
    rows = Fault.objects.filter(
        of_units, Q(cleared_at=None) | Q(cleared_at__gte=since), receiver__in={key.receiver_id for key in wanted},
        kind__in={key.kind for key in wanted},
    )  # fmt: skip
    for row in rows.order_by("raised_at", "pk"):
        key = Key(row.receiver_id, row.transmitter_id or 0, row.kind)
        if key in wanted:
            found[key].append(row)
    return found


def known_ends(keys: Iterable[Key], since: datetime) -> dict[Key, list[datetime]]:
    """Moments at which faults of transmitters ended though no receiver says so: cells changed, transmitter gone or heard."""
    mine = [key for key in keys if key.transmitter_id]
    if not mine:
        return {}
    fitted: dict[int, list[datetime]] = defaultdict(list)
    units = {key.transmitter_id for key in mine}
    for unit, moment in Fitting.objects.filter(transmitter__in=units, fitted_at__gte=since).values_list(
        "transmitter_id", "fitted_at"
    ):
        fitted[unit].append(moment)
    heard = _heard([key for key in mine if key.kind == Fault.Kind.MISSING], since)
    left: dict[tuple[int, int], set[datetime]] = defaultdict(set)
    begun: dict[tuple[int, int], set[datetime]] = defaultdict(set)
    for receiver, unit, begins, ends in Registration.objects.filter(
        Q(removed_at=None) | Q(removed_at__gte=since), transmitter__in=units
    ).values_list("receiver_id", "transmitter_id", "registered_at", "removed_at"):
        begun[receiver, unit].add(begins)
        if ends is not None:
            left[receiver, unit].add(ends)
    return {
        key: [
            *(fitted.get(key.transmitter_id, ()) if key.kind == Fault.Kind.LOW_BATTERY else ()),
            *heard.get(key, ()),
            # Changed settings end one registration and begin the next at the same moment: nobody has left then.
            *(left[key[:2]] - begun[key[:2]]),
        ]
        for key in mine
    }


def _heard(keys: Sequence[Key], since: datetime) -> dict[Key, list[datetime]]:
    """Last check-ins, where every one reaches us: whoever is heard is not missing, whatever became of the restore."""
    listened = Receiver.objects.filter(pk__in={key.receiver_id for key in keys}, evidence=EVERY) if keys else ()
    there = {receiver.pk for receiver in listened}
    mine = [key for key in keys if key.receiver_id in there]
    found = last_heard([key.transmitter_id for key in mine], since.astimezone(UTC).date()) if mine else {}
    return {key: [found[key.transmitter_id]] for key in mine if key.transmitter_id in found}


def merge(
    changes: Changes, key: Key, told: Sequence[Signal], rows: Sequence[Fault], ends: Iterable[datetime], source: str,
    at: datetime,
) -> None:  # fmt: skip
    """Put the signals of one key among what is on record of it, and note what must be written.

    What we saw ourselves follows from other evidence and is left to `actions/silence.py`; only where a report comes for what
    we have seen to stand, the same row goes on as reported.
    """
    spans = [row for row in rows if row.cause not in MARKS and row.found_by == Fault.FoundBy.SIGNAL]
    seen = next((row for row in rows if row.found_by == Fault.FoundBy.WATCH and row.cleared_at is None), None)
    marks = {Turn(row.raised_at, row.cause == OVER): row for row in rows if row.cause in MARKS}
    before = turns_of([Span(row.raised_at, row.cleared_at) for row in spans], marks)
    kept = keep(before | {Turn(signal.at, signal.kind in CLEARS) for signal in told}, ends)
    known: dict[Span, Fault] = {}
    for row in spans:
        known[[span for span in kept.spans if span.begin <= row.raised_at][-1]] = row
    for span in kept.spans:
        if span in known:
            row = known[span]
            if (row.raised_at, row.cleared_at) != (span.begin, span.end):
                row.raised_at, row.cleared_at = span.begin, span.end
                changes.changed.append(row)
        elif span.end is None and seen is not None:
            seen.raised_at, seen.found_by, seen.source = span.begin, Fault.FoundBy.SIGNAL, source[:40]
            changes.changed.append(seen)
        else:
            changes.new.append(_new(key, [*told, *spans], span, source, at))
    _keep_marks(changes, key, [*told, *spans], marks, kept, source, at)


def _new(key: Key, told: Sequence[Signal | Fault], span: Span, source: str, at: datetime) -> Fault:
    # The signal that began it; after a late end in between it is a kept turn, whose words nobody has any more.
    first = next((one for one in told if isinstance(one, Signal) and one.at == span.begin and one.kind in RAISES), None)
    whose = first or told[0]
    return Fault(
        customer_id=whose.customer_id, site_id=whose.site_id, receiver_id=key.receiver_id, kind=key.kind,
        registration_id=whose.registration_id, transmitter_id=key.transmitter_id or None, raised_at=span.begin,
        cleared_at=span.end, cause=first.note[:120] if first is not None and first.note not in MARKS else "",
        source=source[:40], found_by=Fault.FoundBy.SIGNAL, recorded_at=at,
    )  # fmt: skip


def _keep_marks(
    changes: Changes, key: Key, told: Sequence[Signal | Fault], marks: dict[Turn, Fault], kept: Kept, source: str,
    at: datetime,
) -> None:  # fmt: skip
    changes.gone += [row.pk for turn, row in marks.items() if turn not in kept.marks]
    changes.marks += [
        Fault(
            customer_id=told[0].customer_id, site_id=told[0].site_id, receiver_id=key.receiver_id, kind=key.kind,
            transmitter_id=key.transmitter_id or None, raised_at=turn.at, cleared_at=turn.at,
            cause=OVER if turn.is_end else AGAIN, source=source[:40], recorded_at=at,
        )
        for turn in kept.marks
        if turn not in marks
    ]  # fmt: skip


def note_clearings(faults: Sequence[Fault]) -> None:
    """A latched fault that reached us late may have been cleared on site meanwhile."""
    latched = [fault for fault in faults if fault.is_latched]
    if not latched:
        return
    cleared = ChangeRow.objects.filter(
        verb="clear_latched_faults", subject_kind="receiver", subject_id__in={fault.receiver_id for fault in latched},
        at__gte=min(fault.raised_at for fault in latched),
    )  # fmt: skip
    for receiver_id, moment in cleared.order_by("at").values_list("subject_id", "at"):
        for fault in latched:
            if fault.receiver_id == receiver_id and fault.latch_cleared_at is None and fault.raised_at <= moment:
                fault.latch_cleared_at = moment


def write(changes: Changes) -> None:
    # Ends before beginnings: of one kind only one may be open at any moment.
    Fault.objects.bulk_update(changes.changed, ["raised_at", "cleared_at", "found_by", "source"], batch_size=200)
    if changes.gone:
        Fault.objects.filter(pk__in=changes.gone).delete()
    Fault.objects.bulk_create([*changes.new, *changes.marks], batch_size=500)
