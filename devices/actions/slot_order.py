"""The order of time in the ledger: nothing stands in two places at once, or anywhere before that place was there."""

from __future__ import annotations

from datetime import datetime

from django.db.models import QuerySet
from django.utils.translation import gettext as _

from company.manner import day_said, moment_said
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
        raise OutOfOrder(
            _("Slot %(slot)s was in use until %(moment)s; give a later time.")
            % {"slot": slot, "moment": moment_said(ended)}
        )


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
            _("Transmitter %(serial)s stood in %(receiver)s, slot %(slot)s, until %(moment)s; give a later time.")
            % {"serial": transmitter.serial, "receiver": last.receiver, "slot": last.slot, "moment": moment_said(ended)}
        )


def refuse_before_the_receiver(receiver: Receiver, at: datetime) -> None:
    if receiver.installed_on is not None and at.astimezone(receiver.site.zone).date() < receiver.installed_on:
        raise OutOfOrder(
            _("The receiver was installed on %(day)s; give a later time.") % {"day": day_said(receiver.installed_on)}
        )
