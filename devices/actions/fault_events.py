"""Faults raised and ended by what receivers and transmitters report."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from django.db import connection, transaction

from devices.actions.fault_turns import Changes, Key, Signal, known_ends, merge, note_clearings, on_record, write
from devices.actions.low_signals import settle_low_signals
from devices.models import Fault, Receiver
from devices.rules.events import CLEARS, RAISES
from devices.signals import faults_changed

__all__ = ["Key", "Signal", "lock_for_faults", "record_signals", "settle_reported", "tell_changed"]

LOOK_BACK = timedelta(days=62)
"""Turns older than this before the oldest signal are not looked at: no later report can lie among them (an event older
than 60 days is taken only from a file uploaded by hand)."""


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
    oldest = min(signal.at for rows in told.values() for signal in rows)
    return _settle(told, oldest, source, at)


def settle_reported(*, keys: Iterable[Key], at: datetime) -> list[Fault]:
    """End reported faults that a check-in, a change of cells or a removal has ended; gives what changed. May be repeated."""
    told: dict[Key, list[Signal]] = {key: [] for key in keys}
    return _settle(told, at, "", at) if told else []


@transaction.atomic
def _settle(told: Mapping[Key, Sequence[Signal]], oldest: datetime, source: str, at: datetime) -> list[Fault]:
    latching = lock_for_faults(key.receiver_id for key in told)
    rows = on_record(told, oldest - LOOK_BACK)
    ends = known_ends(told, min([oldest, *(row.raised_at for mine in rows.values() for row in mine)]))
    changes = Changes()
    for key, mine in sorted(told.items()):
        merge(changes, key, mine, rows.get(key, []), ends.get(key, ()), source, at)
    for fault in changes.new:
        fault.is_latched = fault.kind in latching[fault.receiver_id]
    note_clearings(changes.new)
    write(changes)
    done = [*changes.changed, *changes.new]
    low = [row for row in (*done, *changes.marks) if row.kind == Fault.Kind.LOW_BATTERY]
    settle_low_signals(transmitter_ids=[row.transmitter_id for row in low if row.transmitter_id], at=at)
    tell_changed(done)
    return done


def lock_for_faults(receiver_ids: Iterable[int]) -> dict[int, set[str]]:
    """Lock receivers in the order of their keys and give the kinds of fault that each of them latches."""
    rows = Receiver.objects.select_for_update(of=("self",), no_key=True).filter(pk__in=set(receiver_ids)).order_by("pk")
    return {pk: set(kinds or ()) for pk, kinds in rows.values_list("pk", "type__latched_faults")}


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
