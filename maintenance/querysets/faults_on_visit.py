"""Faults as a visit needs them: what is on record at a site, by receiver, in few words."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db.models import QuerySet

from maintenance.querysets.fault_places import slot_now
from maintenance.querysets.faults import STANDS, with_place_now, worst_first
from maintenance.rules.visits import Standing


def standing_at(faults: QuerySet[Any], site_id: int) -> list[Any]:
    """What stands at a site and what is over but not cleared there, worst first, with its place."""
    rows = faults.filter(STANDS, site=site_id).select_related("registration", "transmitter")
    return list(worst_first(with_place_now(rows)))


def in_words(fault: Any) -> Standing:
    """One of them as a visit names it."""
    now = slot_now(fault)
    serial = fault.transmitter.serial if now is None and fault.transmitter else ""
    return Standing(str(fault.get_kind_display()), now[0] if now else None, serial, fault.cleared_at is not None)


def by_receiver(faults: list[Any]) -> dict[int, list[Standing]]:
    """Receiver → its faults in words, in the order given."""
    found: dict[int, list[Standing]] = {}
    for fault in faults:
        found.setdefault(fault.receiver_id, []).append(in_words(fault))
    return found


def latched_before(faults: list[Any], at: datetime | None) -> set[int]:
    """Receivers that latch a fault which began before a moment (None: nobody has come yet)."""
    return {fault.receiver_id for fault in faults if fault.is_latched and at is not None and fault.raised_at < at}
