"""The order of time in the ledger: nothing stands in two places at once, or anywhere before that place was there."""

from __future__ import annotations

from datetime import datetime

from django.db.models import QuerySet

from devices.actions.ledger import OutOfOrder
from devices.actions.slot_settings import Settings
from devices.models import Receiver, Registration, Transmitter
from devices.rules.slot_life import never_stood


def _last_that_stood(ended: QuerySet[Registration]) -> Registration | None:
    """The one that ended last; what was taken back on its day stood at no time and stands in nobody's way."""
    rows = ended.order_by("-removed_at")
    return next((row for row in rows if not never_stood(row.registered_at, row.removed_at)), None)


def refuse_overlap(receiver: Receiver, slot: int, at: datetime) -> None:
    """A registration cannot begin before the last one in its slot ended."""
    last = _last_that_stood(Registration.objects.filter(receiver=receiver, slot=slot, removed_at__gt=at))
    if last is not None and last.removed_at is not None:
        ended = last.removed_at.astimezone(receiver.site.zone)
        raise OutOfOrder(f"Slot {slot} was in use until {ended:%d %B %Y, %H:%M}; give a later time.")


def refuse_two_places(transmitter: Transmitter | None, settings: Settings, receiver: Receiver, at: datetime) -> None:
    """A transmitter did not stand in two places at once in the past either, unless it was declared to."""
    if transmitter is None or transmitter.pk is None or settings.is_shared:
        return
    earlier = Registration.objects.filter(
        transmitter=transmitter, input_number=settings.input_number, is_shared=False, removed_at__gt=at
    ).select_related("receiver__site")
    last = _last_that_stood(earlier)
    if last is not None and last.removed_at is not None:
        ended = last.removed_at.astimezone(receiver.site.zone)
        raise OutOfOrder(
            f"Transmitter {transmitter.serial} stood in {last.receiver}, slot {last.slot}, until "
            f"{ended:%d %B %Y, %H:%M}; give a later time."
        )


def refuse_before_the_receiver(receiver: Receiver, at: datetime) -> None:
    if receiver.installed_on is not None and at.astimezone(receiver.site.zone).date() < receiver.installed_on:
        raise OutOfOrder(f"The receiver was installed on {receiver.installed_on:%d %B %Y}; give a later time.")
