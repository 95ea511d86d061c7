"""What this app does when the apps below tell of a change."""

from __future__ import annotations

from typing import Any

from django.dispatch import receiver
from django.utils import timezone

from devices.signals import slot_map_changed
from maintenance.actions.due import refresh_receivers


@receiver(slot_map_changed)
def refresh_due_dates(sender: Any, receiver_ids: list[int], **unknown: Any) -> None:
    """Work out the due dates of the receivers concerned at once. The nightly run finds whatever is missed here."""
    refresh_receivers(receiver_ids=receiver_ids, at=timezone.now())
