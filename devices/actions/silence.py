"""Faults that we see ourselves: silence on the source's own watermark, and links that are lost by the clock on the wall."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from django.db import transaction

from devices.actions.fault_events import Key, lock_for_faults, settle_reported, tell_changed
from devices.actions.silence_records import SOURCE, revise_ended
from devices.models import Fault, Receiver
from devices.querysets.silence import Place, read_places, to_judge
from devices.rules.silence import CAME_AND_WENT, End, Move, Raise, Verdict, judge_receiver

CHUNK = 200
"""Receivers that are read together; only those with something to write are locked, and read once more under the lock."""


@dataclass(slots=True)
class Judged:
    """What a look did: receivers looked at, and of those with changes their keys and the faults concerned."""

    n_receivers: int = 0
    receiver_ids: list[int] = field(default_factory=list)
    fault_ids: list[int] = field(default_factory=list)


def judge_receivers(*, receiver_ids: Iterable[int] | None = None, at: datetime) -> Judged:
    """Raise and end the faults that follow from silence at some receivers, or at all that have to be looked at.

    May be repeated, and by two at once: what is on record already changes nothing. A receiver without changes is not locked
    for longer than it takes to note how far it was judged. `at` is the clock on the wall, for links only.
    """
    wanted = sorted(set(receiver_ids)) if receiver_ids is not None else to_judge(at)
    done = Judged()
    for start in range(0, len(wanted), CHUNK):
        places = read_places(wanted[start : start + CHUNK], at)
        loud = [place.pk for place in places if judge_receiver(place.scene)]
        done.n_receivers += len(places)
        # Read before anything is locked: what the lock finds changed meanwhile is judged anew.
        _note_judged([place for place in places if place.pk not in set(loud)])
        if loud:
            faults = _write(loud, at)
            faults += revise_ended(
                receiver_ids={row.receiver_id for row in faults if row.cleared_at is not None}, at=at
            )
            done.receiver_ids += sorted({fault.receiver_id for fault in faults})
            done.fault_ids += sorted({fault.pk for fault in faults})
    return done


@transaction.atomic
def _note_judged(places: Sequence[Place]) -> None:
    marks = {place.pk: place.scene.watermark_at for place in places if place.scene.watermark_at is not None}
    locked = Receiver.objects.select_for_update(of=("self",), no_key=True).filter(pk__in=marks).order_by("pk")
    rows = [
        row for row in locked.only("pk", "judged_until") if row.judged_until is None or row.judged_until < marks[row.pk]
    ]
    for row in rows:
        row.judged_until = marks[row.pk]
    if rows:
        Receiver.objects.bulk_update(rows, ["judged_until"], batch_size=CHUNK)


@transaction.atomic
def _write(receiver_ids: Sequence[int], at: datetime) -> list[Fault]:
    lock_for_faults(receiver_ids)
    places = read_places(receiver_ids, at)
    verdicts = {place.pk: judge_receiver(place.scene) for place in places}
    heard = {end.pk for verdict in verdicts.values() for end in verdict.ends if end.is_reported}
    settled: list[Fault] = []
    if heard:
        # What was reported is ended where reports are put in order: another one may have come since the check-in.
        rows = Fault.objects.filter(pk__in=heard)
        settled = settle_reported(keys=[Key(row.receiver_id, row.transmitter_id or 0, row.kind) for row in rows], at=at)
        places = read_places(receiver_ids, at)
        verdicts = {place.pk: judge_receiver(place.scene) for place in places}
    changed = _write_verdicts(places, verdicts, at)
    _note_judged(places)
    tell_changed(changed)
    return [*settled, *changed]


def _write_verdicts(places: Sequence[Place], verdicts: dict[int, Verdict], at: datetime) -> list[Fault]:
    said: list[End | Move] = []
    for verdict in verdicts.values():
        said += [*verdict.ends, *verdict.moves]
    again = [one.reopens for verdict in verdicts.values() for one in verdict.raises if one.reopens is not None]
    known = {fault.pk: fault for fault in Fault.objects.filter(pk__in=[*(one.pk for one in said), *again])}
    new: list[Fault] = []
    for place in places:
        new += _apply(place, verdicts[place.pk], known, at)
    # Ends first: of one kind only one may be open at any moment.
    for is_open in (False, True):
        rows = [fault for fault in known.values() if (fault.cleared_at is None) is is_open]
        Fault.objects.bulk_update(rows, ["raised_at", "cleared_at", "cause"], batch_size=200)
    Fault.objects.bulk_create(new, batch_size=500)
    return [*known.values(), *new]


def _apply(place: Place, verdict: Verdict, known: dict[int, Fault], at: datetime) -> list[Fault]:
    """Put a verdict into the faults on record; gives the new ones."""
    said: list[End | Move] = [*verdict.ends, *verdict.moves]
    for change in said:
        _change(known[change.pk], change)
    new = []
    for one in verdict.raises:
        if one.reopens is not None:
            fault = known[one.reopens]
            # A link or receiver that is lost again goes on from its first loss; a silence begins where the evidence says.
            was_back = one.unit is None and fault.cleared_at is not None and fault.cleared_at < one.at
            fault.raised_at = one.at if one.unit else min(fault.raised_at, one.at)
            fault.cause = CAME_AND_WENT if was_back or fault.cause == CAME_AND_WENT else ""
            fault.cleared_at = None
        else:
            new.append(_new(place, one, at))
    return new


def _change(fault: Fault, change: End | Move) -> None:
    if isinstance(change, Move):
        fault.raised_at = change.at
        return
    fault.cleared_at = max(change.at, fault.raised_at)
    fault.cause = change.cause or fault.cause


def _new(place: Place, one: Raise, at: datetime) -> Fault:
    return Fault(
        customer_id=place.customer_id, site_id=place.site_id, receiver_id=place.pk, kind=one.kind,
        registration_id=one.unit.registration_pk if one.unit else None,
        transmitter_id=one.unit.transmitter_pk if one.unit else None, raised_at=one.at, source=SOURCE,
        found_by=Fault.FoundBy.WATCH, recorded_at=at,
    )  # fmt: skip
