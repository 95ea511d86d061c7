"""What was due at a visit and stayed in: worked out from the records, so that silence is never taken for "all is well"."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from django.db.models import Q

from devices.models import Registration
from maintenance.models import DueItem, Entry, Visit

NO_REASON = "no reason recorded"


def standing_at(visit: Visit, moment: datetime) -> dict[int, Registration]:
    """Registrations at the visit's site that held a transmitter at a moment, one per transmitter."""
    rows = (
        Registration.objects.filter(receiver__site=visit.site, transmitter__isnull=False, registered_at__lte=moment)
        .exclude(removed_at__lte=moment)
        .select_related("receiver")
        .order_by("-input_number", "pk")
    )
    return {row.transmitter_id: row for row in rows if row.transmitter_id}


def left_due(visit: Visit, standing: dict[int, Registration]) -> list[tuple[DueItem, Registration | None]]:
    """Things in place at the finish whose date had come by the visit's day, with the slot they stood in.

    Dates are those on record now: a date that moved since is taken as it moved, which the paper says.
    """
    if visit.finished_at is None:
        return []
    day = visit.finished_at.astimezone(visit.site.zone).date()
    came = visit.arrived_at or visit.finished_at
    in_place = Q(kind="cells", fitting__fitted_at__lt=came) & (
        Q(fitting__removed_at=None) | Q(fitting__removed_at__gt=visit.finished_at)
    )
    rows = (
        DueItem.objects.filter(site=visit.site, due_on__lte=day)
        # A standby battery's closed row does not say when it was changed, so only the open one counts.
        .filter(in_place | Q(kind="unit") | Q(kind="standby", is_closed=False))
        .select_related("receiver")
        .order_by("harm", "due_on", "pk")
    )
    found: list[tuple[DueItem, Registration | None]] = []
    for row in rows:
        slot = standing.get(row.transmitter_id) if row.transmitter_id else None
        if slot is not None or row.kind == DueItem.Kind.STANDBY:
            found.append((row, slot))
    return found


def reason_for(item: DueItem, slot: Registration | None, entries: Iterable[Entry]) -> Entry | None:
    """The entry that says why a thing was left: of its slot, or for a standby battery of its receiver."""
    for entry in entries:
        if entry.kind != "not_done":
            continue
        if slot is None and entry.registration_id is None and entry.receiver_id == item.receiver_id:
            return entry
        if slot is not None and entry.registration_id == slot.pk:
            return entry
    return None


def left_facts(visit: Visit, entries: Sequence[Entry], words: Any) -> tuple[list[dict[str, Any]], set[int], int]:
    """Lines of what was left, keys of the entries that explain them, and the number of transmitters at the site.

    `words` says what a person wrote in an entry.
    """
    if visit.finished_at is None:
        return [], set(), 0
    standing = standing_at(visit, visit.finished_at)
    lines, explained = [], set()
    for item, slot in left_due(visit, standing):
        why = reason_for(item, slot, entries)
        if why is not None:
            explained.add(why.pk)
        assert item.due_on is not None
        lines.append(
            {
                "kind": item.get_kind_display(),
                "receiver": slot.receiver.label if slot else item.receiver.label,
                "slot": slot.slot if slot else None,
                "label": slot.label if slot else "",
                "duty": slot.duty if slot else item.duty,
                "due_on": item.due_on.isoformat(),
                "reason": (words(why) if why else "") or NO_REASON,
            }
        )
    return lines, explained, len(standing)
