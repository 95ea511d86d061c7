"""Records of silences that are over, put right once check-ins have come in late: from when to when, or that there was none."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any

from django.db import transaction

from devices.actions.fault_events import lock_for_faults, tell_changed
from devices.models import Fault
from devices.querysets.silence import read_places
from devices.querysets.silence_records import days_heard, ended_lately, look_back, past_of
from devices.rules.silence import ABSORBED, OUTAGE, Unit
from devices.rules.silence_record import Revision, revise_missing, revise_outage

SOURCE = "watch"
CHUNK = 50
"""Receivers whose records are looked at together."""


def revise_ended(*, receiver_ids: Collection[int] | None = None, at: datetime) -> list[Fault]:
    """Hold silences that ended lately at some receivers, or at all, against the check-ins known now; gives what changed.

    The watch does so where it has just ended one, the night everywhere. May be repeated, and by two at once. A fault whose
    check-ins show several silences keeps the first; the others are put on record besides. One that they show never was is
    withdrawn.
    """
    if receiver_ids is not None and not receiver_ids:
        return []
    wanted = sorted({fault.receiver_id for fault in ended_lately(at, receiver_ids)})
    changed: list[Fault] = []
    for start in range(0, len(wanted), CHUNK):
        some = wanted[start : start + CHUNK]
        loud = {fault.receiver_id for fault, _revision in _revisions(some, at)}
        if loud:
            changed += _write(sorted(loud), at)
    return changed


def _revisions(receiver_ids: Sequence[int], at: datetime) -> list[tuple[Fault, Revision]]:
    faults = ended_lately(at, receiver_ids)
    deaf = {fault.receiver_id for fault in faults if fault.kind == OUTAGE}
    units = {place.pk: list(place.scene.units) for place in read_places(deaf, at)} if deaf else {}
    longest_s = max((unit.window_s or 0 for some in units.values() for unit in some), default=0)
    spans: dict[int, tuple[datetime, datetime]] = {}
    for fault in faults:
        begin, end = look_back(fault, longest_s), fault.cleared_at
        for pk in _concerned(fault, units):
            before = spans.get(pk, (begin, end))
            spans[pk] = (min(before[0], begin), max(before[1], end))
    days = days_heard(spans)
    found = []
    for fault in faults:
        heard = {pk: days.between(pk, look_back(fault, longest_s), fault.cleared_at) for pk in _concerned(fault, units)}
        past = past_of(fault)
        if fault.kind == OUTAGE:
            # Where check-ins do not reach us any more, nothing is known of its transmitters.
            here = units.get(fault.receiver_id)
            revision = revise_outage(past, here, heard) if here else None
        else:
            revision = revise_missing(past, heard[fault.transmitter_id])
        if revision is not None:
            found.append((fault, revision))
    return found


def _concerned(fault: Any, units: dict[int, list[Unit]]) -> list[int]:
    """Transmitters whose check-ins a fault hangs on."""
    if fault.kind == OUTAGE:
        return [unit.transmitter_pk for unit in units.get(fault.receiver_id, [])]
    return [fault.transmitter_id]


@transaction.atomic
def _write(receiver_ids: Sequence[int], at: datetime) -> list[Fault]:
    lock_for_faults(receiver_ids)
    changed, new = [], []
    for fault, revision in _revisions(receiver_ids, at):
        fault.raised_at, fault.cleared_at, fault.cause = revision.raised_at, revision.ended_at, revision.cause
        changed.append(fault)
        new += [
            Fault(
                customer_id=fault.customer_id, site_id=fault.site_id, receiver_id=fault.receiver_id, kind=fault.kind,
                registration_id=fault.registration_id, transmitter_id=fault.transmitter_id, raised_at=span.begin,
                cleared_at=span.end, cause=span.cause, source=SOURCE, found_by=Fault.FoundBy.WATCH, recorded_at=at,
            )
            for span in revision.more
        ]  # fmt: skip
        new += _rest(fault, revision, at)
    Fault.objects.bulk_update(changed, ["raised_at", "cleared_at", "cause"], batch_size=200)
    Fault.objects.bulk_create(new, batch_size=500)
    tell_changed([*changed, *new])
    return [*changed, *new]


def _rest(outage: Fault, revision: Revision, at: datetime) -> list[Fault]:
    """Silences of single transmitters that only the outage had told of, unless they are on record."""
    if not revision.rest:
        return []
    on_record = Fault.objects.filter(
        kind=Fault.Kind.MISSING,
        receiver=outage.receiver_id,
        transmitter__in=[unit.transmitter_pk for unit, _ in revision.rest],
    )
    known = list(on_record.exclude(cause=ABSORBED).values_list("transmitter_id", "raised_at", "cleared_at"))
    return [
        Fault(
            customer_id=outage.customer_id, site_id=outage.site_id, receiver_id=outage.receiver_id,
            kind=Fault.Kind.MISSING, registration_id=unit.registration_pk, transmitter_id=unit.transmitter_pk,
            raised_at=span.begin, cleared_at=span.end, source=SOURCE, found_by=Fault.FoundBy.WATCH, recorded_at=at,
        )
        for unit, span in revision.rest
        if not any(
            pk == unit.transmitter_pk and raised < span.end and (cleared is None or cleared > span.begin)
            for pk, raised, cleared in known
        )
    ]  # fmt: skip
