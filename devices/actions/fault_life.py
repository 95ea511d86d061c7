"""What becomes of faults when the thing that has them changes: cells, places and receivers come and go, and come back.

Looked at are the records as they stand, not the change that made them so: every way of changing them, and of taking a change
back, comes to the same.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import NamedTuple

from django.db import transaction
from django.db.models import F, Q

from devices.actions.fault_events import Key, lock_for_faults, settle_reported, tell_changed
from devices.models import Away, Fault, Fitting, Receiver, Registration
from devices.querysets.standby import standby_changed
from devices.rules.fault_causes import CAUSES, CELLS, DOWN, STANDBY, ended_by, with_end, without_end
from devices.rules.silence import AWAY, GONE

LATELY = timedelta(days=90)
"""What ended longer ago stays so, whatever is taken back."""


class _Stay(NamedTuple):
    """A transmitter in a slot of a receiver, from–to."""

    removed_at: datetime | None


@dataclass(slots=True)
class _Records:
    """What faults hang on."""

    down: dict[int, datetime | None] = field(default_factory=dict)
    stays: dict[tuple[int, int], list[_Stay]] = field(default_factory=lambda: defaultdict(list))
    fitted: dict[int, list[datetime]] = field(default_factory=lambda: defaultdict(list))
    standby: dict[int, tuple[datetime, ...]] = field(default_factory=dict)
    away: dict[tuple[int, int], list[bool]] = field(default_factory=lambda: defaultdict(list))
    """Absences that really were: whether each is still open."""


def settle_life_cycle(*, receiver_ids: Iterable[int] | None = None, at: datetime) -> list[Fault]:
    """Bring faults in line with what stands where, at some receivers or at all; gives what changed. May be repeated.

    Cells fitted since end a low battery, a standby battery changed since ends the receiver's; a transmitter that left its
    receiver ends all its faults, one that is away its missing; a receiver that was taken down ends everything. What a person
    must clear on site stays latched, except with the receiver. An end whose reason was taken back is taken back too, unless
    the same was raised anew; where the reason was corrected the end moves.
    """
    ids = sorted(set(receiver_ids)) if receiver_ids is not None else None
    if not _changes(_candidates(ids, at), at):
        return []
    with transaction.atomic():
        concerned = sorted({fault.receiver_id for fault, _ in _changes(_candidates(ids, at), at)})
        lock_for_faults(concerned)
        done = [change(fault) for fault, change in _changes(_candidates(concerned, at), at)]
        for is_open in (False, True):
            rows = [fault for fault in done if (fault.cleared_at is None) is is_open]
            Fault.objects.bulk_update(rows, ["cleared_at", "latch_cleared_at", "cause"], batch_size=200)
        tell_changed(done)
        reported = [fault for fault in done if fault.found_by == Fault.FoundBy.SIGNAL]
        keys = {Key(fault.receiver_id, fault.transmitter_id or 0, fault.kind) for fault in reported}
        since = min((fault.raised_at for fault in reported), default=None)
        further = settle_reported(keys=keys, since=since, at=at)
    return [*done, *(fault for fault in further if fault not in done)]


def _candidates(receiver_ids: list[int] | None, at: datetime) -> list[Fault]:
    ours = Q()
    for cause in CAUSES:
        ours |= Q(cause__endswith=cause)
    rows = Fault.objects.filter(Q(cleared_at=None) | (Q(cleared_at__gte=at - LATELY) & ours))
    rows = rows.filter(receiver__in=receiver_ids) if receiver_ids is not None else rows
    return list(rows.order_by("pk"))


Change = Callable[[Fault], Fault]


def _changes(faults: list[Fault], at: datetime) -> list[tuple[Fault, Change]]:
    if not faults:
        return []
    records = _read(faults, at)
    found: list[tuple[Fault, Change]] = []
    standing = {(one.receiver_id, one.transmitter_id, one.kind) for one in faults if one.cleared_at is None}
    for fault in faults:
        end = _end_of(fault, records, at)
        if fault.cleared_at is None:
            if end is not None:
                found.append((fault, lambda row, end=end: _end(row, *end)))  # type: ignore[misc]
            continue
        key = (fault.receiver_id, fault.transmitter_id, fault.kind)
        cause = ended_by(fault.cause)
        if not cause or key in standing or _holds(fault, cause, records):
            continue
        if end is None:
            standing.add(key)
            found.append((fault, _stand_again))
        else:
            # Its reason was not taken back but corrected: it ended at another moment, or of something else.
            found.append((fault, lambda row, end=end: _end(_stand_again(row), *end)))  # type: ignore[misc]
    return found


def _read(faults: list[Fault], at: datetime) -> _Records:
    records = _Records()
    receivers, units = {one.receiver_id for one in faults}, {one.transmitter_id for one in faults if one.transmitter_id}
    records.down = dict(Receiver.objects.filter(pk__in=receivers).values_list("pk", "removed_at"))
    stood = Registration.objects.filter(receiver__in=receivers, transmitter__in=units)
    for receiver, unit, removed in stood.values_list("receiver_id", "transmitter_id", "removed_at"):
        records.stays[receiver, unit].append(_Stay(removed))
    low = {one.transmitter_id for one in faults if one.transmitter_id and one.kind == Fault.Kind.LOW_BATTERY}
    cells = Fitting.objects.filter(transmitter__in=low, fitted_at__isnull=False).order_by("fitted_at")
    for unit, fitted in cells.values_list("transmitter_id", "fitted_at"):
        records.fitted[unit].append(fitted)
    flat = {one.receiver_id for one in faults if one.kind == Fault.Kind.RECEIVER_STANDBY}
    records.standby = standby_changed(flat, at) if flat else {}
    missing = {one.transmitter_id for one in faults if one.transmitter_id and one.kind == Fault.Kind.MISSING}
    # An absence that was taken back ends on the day it began.
    away = Away.objects.filter(registration__transmitter__in=missing).exclude(ended_on=F("from_on"))
    for receiver, unit, ended_on in away.values_list(
        "registration__receiver_id", "registration__transmitter_id", "ended_on"
    ):
        records.away[receiver, unit].append(ended_on is None)
    return records


def _end_of(fault: Fault, records: _Records, at: datetime) -> tuple[datetime, str] | None:
    """When and of what an open fault has ended; None: it has not."""
    down_at = records.down.get(fault.receiver_id)
    if down_at is not None:
        return down_at, DOWN
    if fault.kind == Fault.Kind.RECEIVER_STANDBY:
        return _first_since(fault, records.standby.get(fault.receiver_id, ()), STANDBY)
    if fault.transmitter_id is None:
        return None
    stays = records.stays.get((fault.receiver_id, fault.transmitter_id), [])
    left = [stay.removed_at for stay in stays if stay.removed_at is not None]
    if left and len(left) == len(stays):
        return max(left), GONE
    if fault.kind == Fault.Kind.LOW_BATTERY:
        return _first_since(fault, records.fitted.get(fault.transmitter_id, ()), CELLS)
    if fault.kind == Fault.Kind.MISSING and any(records.away.get((fault.receiver_id, fault.transmitter_id), ())):
        return at, AWAY
    return None


def _first_since(fault: Fault, moments: Iterable[datetime], cause: str) -> tuple[datetime, str] | None:
    """The first of these moments since the fault was raised, which ended it."""
    return next(((moment, cause) for moment in moments if moment >= fault.raised_at), None)


def _holds(fault: Fault, cause: str, records: _Records) -> bool:
    """Whether what a fault has ended of is still on record."""
    unit = fault.transmitter_id or 0
    if cause == DOWN:
        return records.down.get(fault.receiver_id) is not None
    if cause == CELLS:
        return fault.cleared_at in records.fitted.get(unit, ())
    if cause == STANDBY:
        return fault.cleared_at in records.standby.get(fault.receiver_id, ())
    if cause == AWAY:
        return bool(records.away.get((fault.receiver_id, unit)))
    stays = records.stays.get((fault.receiver_id, unit), [])
    return any(
        stay.removed_at is not None and max(stay.removed_at, fault.raised_at) == fault.cleared_at for stay in stays
    )


def _end(fault: Fault, moment: datetime, cause: str) -> Fault:
    fault.cleared_at = max(moment, fault.raised_at)
    if cause == DOWN and fault.is_latched and fault.latch_cleared_at is None:
        fault.latch_cleared_at = fault.cleared_at
    fault.cause = with_end(fault.cause, cause)
    return fault


def _stand_again(fault: Fault) -> Fault:
    cause = ended_by(fault.cause)
    if cause == DOWN and fault.latch_cleared_at == fault.cleared_at:
        fault.latch_cleared_at = None
    fault.cleared_at, fault.cause = None, without_end(fault.cause)
    return fault
