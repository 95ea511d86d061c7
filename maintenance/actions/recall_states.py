"""Writes what has become of the transmitters of recalls by what the records say. Kept apart from `recalls`, so that a refresh of due dates can ask it first."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.db import transaction
from django.db.models import Q

from maintenance.models import RecallItem
from maintenance.querysets.recalls import places_of

A_STEP = 2000
"""Items looked at in one transaction: nobody waits long, and a database takes only so many keys in one question."""


def follow_changes(*, at: datetime, receiver_ids: Sequence[int] | None = None) -> int:
    """Bring the items of open recalls up to what the records say: changed, taken out, moved, put back. May be repeated.

    Called before the due dates of these receivers are worked out anew; without receivers it looks at every item.

    Returns
    -------
    int
        Number of items that were written.
    """
    rows = RecallItem.objects.filter(recall__closed_at=None).exclude(state=RecallItem.State.NOT_AFFECTED)
    if receiver_ids is not None:
        here = Q(receiver_id__in=receiver_ids)
        been = Q(transmitter__registrations__receiver_id__in=receiver_ids)
        rows = rows.filter(pk__in=rows.filter(here | been).order_by().values("pk"))
    keys = list(rows.order_by("pk").values_list("pk", flat=True))
    return sum(_follow_step(keys[start : start + A_STEP], at) for start in range(0, len(keys), A_STEP))


@transaction.atomic
def _follow_step(keys: list[int], at: datetime) -> int:
    # Asked again under the lock: meanwhile somebody may have looked at one, or closed its recall.
    rows = RecallItem.objects.filter(pk__in=keys, recall__closed_at=None).exclude(state=RecallItem.State.NOT_AFFECTED)
    return follow(list(rows.select_for_update(of=("self",)).order_by("pk")), at)


def follow(items: list[RecallItem], at: datetime) -> int:
    """Write what has become of these items by today's records, and where they stand; the number written."""
    states = RecallItem.objects.filter(pk__in=[item.pk for item in items]).states_now()
    left = [item.transmitter_id for item in items if states[item.pk] == RecallItem.State.OPEN]
    places = places_of(left)
    changed = []
    for item in items:
        before = (item.state, item.registration_id)
        if item.state != states[item.pk]:
            item.state, item.state_by = states[item.pk], None
            item.state_at = None if item.state == RecallItem.State.OPEN else at
        place = places.get(item.transmitter_id)
        if place is not None:
            # Whoever goes there needs the place where it stands today.
            item.registration_id, item.receiver_id, item.site_id = place["pk"], place["receiver_id"], place["site_id"]
        if before != (item.state, item.registration_id):
            changed.append(item)
    fields = ["state", "state_at", "state_by", "registration", "receiver", "site"]
    RecallItem.objects.bulk_update(changed, fields, batch_size=500)
    return len(changed)
