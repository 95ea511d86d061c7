"""Faults raised and ended by what receivers and transmitters report."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from django.db import connection, transaction
from django.db.models import Q

from company.models import ChangeRow
from devices.actions.low_signals import settle_low_signals
from devices.models import Fault, Fitting, Receiver, Registration
from devices.rules.events import CLEARS, RAISES
from devices.rules.fault_spans import AGAIN, OVER, Kept, Span, Turn, keep, turns_of
from devices.signals import faults_changed

LOOK_BACK = timedelta(days=62)
"""Turns older than this before the oldest signal are not looked at: no later report can lie among them (an event older
than 60 days is taken only from a file uploaded by hand)."""
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
class _Changes:
    """Rows to be written."""

    changed: list[Fault] = field(default_factory=list)
    new: list[Fault] = field(default_factory=list)
    gone: list[int] = field(default_factory=list)
    marks: list[Fault] = field(default_factory=list)


def record_signals(*, signals: Sequence[Signal], source: str, at: datetime) -> list[Fault]:
    """Raise and end faults as reported, in the caller's transaction; gives the faults that changed.

    A fault is raised at its first signal and ends with its restore; per receiver, transmitter and kind one is open at a
    time. Repeating changes nothing, and the order in which signals come decides nothing (`rules/fault_spans.py` says up to
    what). Cells that were changed end a low battery of before, a transmitter that left its receiver ends all of its own.
    Also sets `Fitting.first_low_at`. `at` is when the signals reached us.

    Locks the receivers concerned, in the order of their keys. Whoever locks transmitters in the same transaction must have
    locked these receivers before: receivers first is the order of every action.
    """
    told: dict[Key, list[Signal]] = defaultdict(list)
    for signal in signals:
        kind = RAISES.get(signal.kind) or CLEARS.get(signal.kind)
        if kind:
            told[Key(signal.receiver_id, signal.transmitter_id or 0, kind)].append(signal)
    if not told:
        return []
    with transaction.atomic():
        latching = lock_for_faults(key.receiver_id for key in told)
        since = min(signal.at for rows in told.values() for signal in rows) - LOOK_BACK
        rows, ends = _on_record(told, since), _known_ends(told, since)
        changes = _Changes()
        for key, mine in sorted(told.items()):
            _merge(changes, key, mine, rows.get(key, []), ends.get(key, ()), source, at)
        for fault in changes.new:
            fault.is_latched = fault.kind in latching[fault.receiver_id]
        _note_clearings(changes.new)
        _write(changes)
        done = [*changes.changed, *changes.new]
        low = [row for row in (*done, *changes.marks) if row.kind == Fault.Kind.LOW_BATTERY]
        settle_low_signals(transmitter_ids=[row.transmitter_id for row in low if row.transmitter_id], at=at)
        tell_changed(done)
    return done


def lock_for_faults(receiver_ids: Iterable[int]) -> dict[int, set[str]]:
    """Lock receivers in the order of their keys and give the kinds of fault that each of them latches."""
    rows = Receiver.objects.select_for_update(of=("self",), no_key=True).filter(pk__in=set(receiver_ids)).order_by("pk")
    return {pk: set(kinds or ()) for pk, kinds in rows.values_list("pk", "type__latched_faults")}


def _on_record(keys: Iterable[Key], since: datetime) -> dict[Key, list[Fault]]:
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


def _known_ends(keys: Iterable[Key], since: datetime) -> dict[Key, list[datetime]]:
    """Moments at which faults of transmitters ended though no receiver says so: cells changed, transmitter gone."""
    mine = [key for key in keys if key.transmitter_id]
    if not mine:
        return {}
    fitted: dict[int, list[datetime]] = defaultdict(list)
    units = {key.transmitter_id for key in mine}
    for unit, moment in Fitting.objects.filter(transmitter__in=units, fitted_at__gte=since).values_list(
        "transmitter_id", "fitted_at"
    ):
        fitted[unit].append(moment)
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
            # Changed settings end one registration and begin the next at the same moment: nobody has left then.
            *(left[key[:2]] - begun[key[:2]]),
        ]
        for key in mine
    }


def _merge(
    changes: _Changes, key: Key, told: Sequence[Signal], rows: Sequence[Fault], ends: Iterable[datetime], source: str,
    at: datetime,
) -> None:  # fmt: skip
    """Put the signals of one key among what is on record of it, and note what must be written."""
    spans = [row for row in rows if row.cause not in MARKS]
    marks = {Turn(row.raised_at, row.cause == OVER): row for row in rows if row.cause in MARKS}
    before = turns_of([Span(row.raised_at, row.cleared_at) for row in spans], marks)
    kept = keep(before | {Turn(signal.at, signal.kind in CLEARS) for signal in told}, ends)
    known: dict[Span, Fault] = {}
    for row in spans:
        known[[span for span in kept.spans if span.begin <= row.raised_at][-1]] = row
    for span in kept.spans:
        if span not in known:
            changes.new.append(_new(key, told, span, source, at))
            continue
        row = known[span]
        if (row.raised_at, row.cleared_at) != (span.begin, span.end):
            row.raised_at, row.cleared_at = span.begin, span.end
            changes.changed.append(row)
    _keep_marks(changes, key, told[0], marks, kept, source, at)


def _new(key: Key, told: Sequence[Signal], span: Span, source: str, at: datetime) -> Fault:
    # The signal that began it; after a late end in between it is the kept turn, whose words nobody has any more.
    first = next((one for one in told if one.at == span.begin and one.kind in RAISES), told[0])
    return Fault(
        customer_id=first.customer_id, site_id=first.site_id, receiver_id=key.receiver_id, kind=key.kind,
        registration_id=first.registration_id, transmitter_id=key.transmitter_id or None, raised_at=span.begin,
        cleared_at=span.end, cause=first.note[:120] if first.kind in RAISES and first.note not in MARKS else "",
        source=source[:40], found_by=Fault.FoundBy.SIGNAL, recorded_at=at,
    )  # fmt: skip


def _keep_marks(
    changes: _Changes, key: Key, whose: Signal, marks: dict[Turn, Fault], kept: Kept, source: str, at: datetime
) -> None:
    changes.gone += [row.pk for turn, row in marks.items() if turn not in kept.marks]
    changes.marks += [
        Fault(
            customer_id=whose.customer_id, site_id=whose.site_id, receiver_id=key.receiver_id, kind=key.kind,
            transmitter_id=key.transmitter_id or None, raised_at=turn.at, cleared_at=turn.at,
            cause=OVER if turn.is_end else AGAIN, source=source[:40], recorded_at=at,
        )
        for turn in kept.marks
        if turn not in marks
    ]  # fmt: skip


def _note_clearings(faults: Sequence[Fault]) -> None:
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


def _write(changes: _Changes) -> None:
    # Ends before beginnings: of one kind only one may be open at any moment.
    Fault.objects.bulk_update(changes.changed, ["raised_at", "cleared_at"], batch_size=200)
    if changes.gone:
        Fault.objects.filter(pk__in=changes.gone).delete()
    Fault.objects.bulk_create([*changes.new, *changes.marks], batch_size=500)


# --- telling ----------------------------------------------------------------------------------------------------------


class _Told:
    """What one transaction has changed, told once when it is kept."""

    def __init__(self) -> None:
        self.receivers: set[int] = set()
        self.faults: set[int] = set()

    def __call__(self) -> None:
        faults_changed.send_robust(sender=Fault, receiver_ids=sorted(self.receivers), fault_ids=sorted(self.faults))


def tell_changed(faults: Iterable[Fault]) -> None:
    """Have `faults_changed` sent once the present transaction is kept; several calls in one transaction make one signal."""
    rows = list(faults)
    if not rows:
        return
    told: Any = next((entry[1] for entry in connection.run_on_commit if isinstance(entry[1], _Told)), None)
    if told is None:
        told = _Told()
        transaction.on_commit(told, robust=True)
    told.receivers |= {fault.receiver_id for fault in rows}
    told.faults |= {fault.pk for fault in rows}
