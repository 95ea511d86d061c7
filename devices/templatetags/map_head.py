"""What the head of a slot map leads to. It is drawn once and kept, so it asks of the receiver itself, not of a person."""

from __future__ import annotations

from django import template

from devices.models import Receiver

register = template.Library()


@register.simple_tag
def successor_of(receiver: Receiver) -> Receiver | None:
    """The unit that hangs in the place of a receiver that was swapped; a swap taken back has none."""
    found: Receiver | None = receiver.replaced_by.filter(removed_at=None).order_by("-pk").first()
    return found
