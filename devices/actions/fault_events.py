"""Faults raised and ended by what receivers and transmitters report."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, NamedTuple

from django.db import connection, transaction

from devices.actions.fault_clearings import Clearing, read_clearings
from devices.actions.fault_reports import (
    Changes,
    Key,
    Signal,
    add_reports,
    first_moved,
    key_of,
    known_ends,
    note_clearings,
    read_faults,
    read_reports,
    settle,
    write,
)
from devices.actions.low_signals import settle_low_signals
from devices.models import Fault, FaultReport, Receiver
from devices.rules.events import CLEARS, RAISES
from devices.rules.supervision import EVERY
from devices.signals import faults_changed

__all__ = ["Key", "Signal", "lock_for_faults", "record_signals", "settle_reported", "tell_changed"]


@transaction.atomic
def record_signals(*, signals: Sequence[Signal], source: str, at: datetime) -> list[Fault]:
    """Keep reports of faults and raise and end faults as they say, in the caller's transaction; gives the faults that changed.

    A fault is raised at its first signal and ends with its restore; per receiver, transmitter and kind one is open at a
    time. Every report is kept (`FaultReport`), so the order in which they come decides nothing, and a repeat writes nothing.
    Cells or a standby battery that were changed end what was said of them before, a transmitter that left its receiver ends
    all of its own. A report that came and went within one second is kept but makes no fault, except where one signal is enough
    (`rules/fault_spans.py`) or the receiver latches it. Also sets `Fitting.first_low_at`. `at` is when the signals reached us.

    Locks the receivers concerned, in the order of their keys. Whoever locks transmitters in the same transaction must have
    locked these receivers before: receivers first is the order of every action. The number of queries does not depend on
    the number of signals.
    """
    told = [signal for signal in signals if signal.kind in RAISES or signal.kind in CLEARS]
    if not told:
        return []
    keys = {
        Key(one.receiver_id, one.transmitter_id or 0, RAISES.get(one.kind) or CLEARS[one.kind]) for one in told
    }  # fmt: skip
    receivers = _lock(key.receiver_id for key in keys)
    # Only now: what the restore of a tamper may move hangs on what was cleared and reported before we had the lock.
    oldest = first_moved(told)
    known = read_reports(keys, oldest)
    new = add_reports(known, told, source, at)
    if not new:
        return []
    concerned = {key_of(row) for row in new}
    FaultReport.objects.bulk_create(new, batch_size=500)
    return _settle({key: known[key] for key in concerned}, oldest, receivers, source, at)


@transaction.atomic
def settle_reported(*, keys: Iterable[Key], since: datetime | None = None, at: datetime) -> list[Fault]:
    """Work reported faults out anew after a check-in, a change of cells or a removal; gives what changed. May be repeated.

    `since` is a moment before everything that has changed; without it, when the oldest of these faults that stand was raised.
    """
    wanted = set(keys)
    if not wanted:
        return []
    receivers = _lock(key.receiver_id for key in wanted)
    rows = [row for mine in read_faults(wanted, at).values() for row in mine if row.cleared_at is None]
    oldest = min([*([since] if since else []), *(row.raised_at for row in rows)], default=at)
    return _settle(read_reports(wanted, oldest), oldest, receivers, "", at)


def _settle(
    reports: Mapping[Key, Mapping[Any, FaultReport]], oldest: datetime, receivers: Mapping[int, _Locked], source: str,
    at: datetime,
) -> list[Fault]:  # fmt: skip
    listened = {pk for pk, one in receivers.items() if one.evidence == EVERY}
    rows, ends = read_faults(reports, oldest), known_ends(reports, oldest, at, listened)
    cleared, changes = _clearings(rows, receivers, oldest), Changes()
    for key in sorted(reports):
        settle(
            changes, key, dict(reports[key]), rows[key], ends.get(key, {}),
            latches=key.kind in receivers[key.receiver_id].latched, clearings=cleared.get(key.receiver_id, ()),
            source=source, at=at,
        )  # fmt: skip
    note_clearings([*changes.changed, *changes.new], cleared)
    low = {key.transmitter_id for key in reports if key.kind == Fault.Kind.LOW_BATTERY and key.transmitter_id}
    done = write(changes)
    settle_low_signals(transmitter_ids=low, at=at)
    tell_changed(done)
    return done


def _clearings(
    rows: Mapping[Key, Sequence[Fault]], receivers: Mapping[int, _Locked], oldest: datetime
) -> dict[int, list[Clearing]]:
    """What people cleared at receivers that latch what is being settled; no query where none does."""
    latching = {
        key.receiver_id for key, mine in rows.items()
        if key.kind in receivers[key.receiver_id].latched or any(row.is_latched for row in mine)
    }  # fmt: skip
    if not latching:
        return {}
    return read_clearings(latching, min([oldest, *(row.raised_at for mine in rows.values() for row in mine)]))


class _Locked(NamedTuple):
    """What is to be known of a receiver while its faults are settled."""

    evidence: str
    latched: Collection[str]


def _lock(receiver_ids: Iterable[int]) -> dict[int, _Locked]:
    rows = Receiver.objects.select_for_update(of=("self",), no_key=True).filter(pk__in=set(receiver_ids)).order_by("pk")
    return {
        pk: _Locked(evidence, frozenset(kinds or ()))
        for pk, evidence, kinds in rows.values_list("pk", "evidence", "type__latched_faults")
    }


def lock_for_faults(receiver_ids: Iterable[int]) -> None:
    """Lock receivers in the order of their keys, before anything is written about their faults."""
    _lock(receiver_ids)


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
