"""Where the life of a slot goes on: on the receiver that hung in this one's place before, or hangs there now.

A swap begins a new receiver with new registrations, so the pages of either would tell half a life each.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from company.access import PersonRequest
from devices.models import Receiver, Registration
from devices.views.slot_story import Moment, story_of

SHOWN = 10
"""Moments of the former receiver that stand on the page of the slot; the rest stands on its own page."""


@dataclass(frozen=True, slots=True)
class Before:
    """The same slot on the receiver that this one replaced, until the swap; `n_more` moments stand only there."""

    receiver: Receiver
    until: datetime
    moments: list[Moment]
    n_more: int

    @property
    def day(self) -> date:
        """The day of the swap, at the site."""
        return self.until.astimezone(self.receiver.site.zone).date()


def before_of(request: PersonRequest, receiver: Receiver, slot: int) -> Before | None:
    """What stood in a slot while the former receiver hung there; None where there was none or where it hangs again."""
    if receiver.replaces_id is None:
        return None
    rows = Receiver.objects.visible_to(request.user).select_related("site", "customer", "type")
    old = rows.filter(pk=receiver.replaces_id, removed_at__isnull=False).first()
    if old is None or old.removed_at is None:
        return None
    past = list(
        Registration.objects.visible_to(request.user)
        .in_slot(old, slot)
        .select_related("receiver", "transmitter__type", "replaces__transmitter", "replaces__receiver__site")
        .prefetch_related("replaces__outputs__output")
    )
    # What the swap itself did is told on this receiver.
    moments = [one for one in story_of(request, old, past, old.site.zone).moments if one.at < old.removed_at]
    return Before(old, old.removed_at, moments[:SHOWN], len(moments[SHOWN:]))
