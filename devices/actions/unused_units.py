"""A transmitter that was only ever named by mistake: off the records with the change that made it, and back with one.

Such a unit never stood in a slot, had no cells, was never heard and raised no fault. It is taken out of use with what made
it, so that no list and no search offers it; whoever types its serial later takes it back into use.
"""

from __future__ import annotations

from datetime import datetime

from django.db.models import F

from devices.models import CheckInDay, Fault, FaultReport, Fitting, Registration, Transmitter
from devices.rules.slot_life import NO_TIME


def was_ever_used(transmitter: Transmitter) -> bool:
    """Whether anything but a change taken back speaks of a unit: a slot, cells, a check-in, a fault, a unit it replaced."""
    stood = Registration.objects.filter(transmitter=transmitter).exclude(removed_at__lte=F("registered_at") + NO_TIME)
    return (
        stood.exists()
        or Fitting.objects.filter(transmitter=transmitter).exists()
        or CheckInDay.objects.filter(transmitter_id=transmitter.pk).exists()
        or Fault.objects.filter(transmitter=transmitter).exists()
        or FaultReport.objects.filter(transmitter=transmitter).exists()
        or transmitter.replaced_by.exists()
    )


def take_off_if_unused(transmitter: Transmitter, *, at: datetime) -> bool:
    """Take a unit out of use if nothing speaks of it; says whether it was."""
    if transmitter.retired_at is not None or was_ever_used(transmitter):
        return False
    transmitter.retired_at, transmitter.unit_since = at, None
    transmitter.save(update_fields=["retired_at", "unit_since"])
    return True


def put_on_again(transmitter: Transmitter) -> bool:
    """Take a unit back into use that had been taken off as never used, as the type it has now; one really used stays out."""
    if transmitter.retired_at is None or was_ever_used(transmitter):
        return False
    transmitter.retired_at = None
    transmitter.save(update_fields=["retired_at", "type"])
    return True
