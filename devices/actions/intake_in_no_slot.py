"""What a transmitter on record said of itself while it stood in no slot: kept with its batch until it has one.

There is no receiver yet at which it could be a fault. So it is kept as adopted events are, and `adopted_faults` tells it
at the first slot that the transmitter is put into.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.utils.translation import gettext as _

from devices.actions.adopted_faults import carry_over
from devices.actions.intake_placing import InNoSlot, Placed, as_json
from devices.models import SetAside
from devices.rules.set_aside_units import unit_key


def has_slot_since(placed: Placed) -> set[int]:
    """Transmitters that were put into a slot after they said something: it reaches us only now."""
    places = placed.places.of_unit
    return {
        one.transmitter_id
        for one in placed.in_no_slot
        if any(place.from_at > one.event.at for place in places.get(one.transmitter_id, ()))
    }


def stations_of(placed: Placed) -> set[int]:
    """Receivers at which those ever stood: they must be locked before any transmitter is."""
    places = placed.places.of_unit
    return {place.receiver_id for unit in has_slot_since(placed) for place in places[unit]}


def keep_in_no_slot(*, placed: Placed, batch_id: int, at: datetime) -> None:
    """Keep what was said, in the batch's transaction, and tell what has a slot by now; `stations_of` are locked."""
    SetAside.objects.bulk_create(_rows(placed.in_no_slot, batch_id, at), batch_size=200)
    if since := has_slot_since(placed):
        carry_over(transmitter_ids=since, at=at)


def _rows(some: Sequence[InNoSlot], batch_id: int, at: datetime) -> list[SetAside]:
    why = _("It is on record, but stood in no slot then. Once it is put into one, this is told there.")[:120]
    return [
        SetAside(
            batch_id=batch_id, customer_id=one.customer_id, receiver_id=one.receiver_id, slot=one.event.slot,
            serial=one.event.serial[:40], kind=one.event.kind, at=one.event.at, row=one.event.row,
            unit=unit_key(serial=one.event.serial[:40], receiver_id=None, slot=None, named=""),
            event=as_json(one.event), why=why, adopted_at=at, transmitter_id=one.transmitter_id,
        )
        for one in some
    ]  # fmt: skip
