"""What the head of a slot map leads to. It is drawn once and kept, so it asks of the receiver itself, not of a person."""

from __future__ import annotations

from datetime import date

from django import template

from devices.models import Receiver

register = template.Library()


@register.simple_tag
def successor_of(receiver: Receiver) -> Receiver | None:
    """The unit that came in the place of a receiver that was swapped. Where its own swap was taken back, that is the unit
    before it, which hangs there again; a receiver that hangs there itself has none.
    """
    if receiver.removed_at is None:
        return None
    # The one that took over for good was hung when this one came down; one whose swap was taken back hung no longer.
    later = receiver.replaced_by.select_related("site").order_by("-pk")
    found: Receiver | None = (
        later.filter(removed_at=None).first() or later.filter(removed_at__gt=receiver.removed_at).first()
    )
    if found is not None or receiver.replaces_id is None:
        return found
    again: Receiver | None = (
        Receiver.objects.filter(pk=receiver.replaces_id, removed_at=None).select_related("site").first()
    )
    return again


@register.simple_tag
def predecessor_of(receiver: Receiver) -> Receiver | None:
    """The unit that hung in this place until this one came; None where there was none, or where it hangs there again."""
    if receiver.replaces_id is None:
        return None
    found: Receiver | None = (
        Receiver.objects.filter(pk=receiver.replaces_id, removed_at__isnull=False).select_related("site").first()
    )
    return found


@register.filter
def came_down_on(receiver: Receiver) -> date | None:
    """The day on which a receiver came down, at its site; None while it hangs there."""
    return receiver.removed_at.astimezone(receiver.site.zone).date() if receiver.removed_at is not None else None
