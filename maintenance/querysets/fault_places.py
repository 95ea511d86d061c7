"""What the rows around a fault tell: how far it is, where what has it stands now, whether a standby battery carries on."""

from __future__ import annotations

from typing import Any


def state_of(fault: Any) -> str:
    """stands, latched (over, still shown by the receiver) or ended."""
    if fault.cleared_at is None:
        return "stands"
    return "latched" if fault.is_latched and fault.latch_cleared_at is None else "ended"


def slot_now(fault: Any) -> tuple[int, str] | None:
    """Slot and label where what has the fault is now; None for the receiver itself.

    It may have moved since the fault was raised: `querysets.faults.with_place_now` reads where to. An ended fault stays where
    it was.
    """
    row = fault.registration
    if row is None:
        return None
    moved = getattr(fault, "now_slot", None)
    if row.removed_at is not None and moved is not None and state_of(fault) != "ended":
        return moved, getattr(fault, "now_label", row.label)
    return row.slot, row.label


def has_standby(fault: Any) -> bool | None:
    """Whether a standby battery carries the receiver on where its supply failed; None where its type is not known, and for
    any other fault.
    """
    if fault.kind != "receiver_power":
        return None
    receiver = fault.receiver
    if receiver.type is not None:
        return bool(receiver.type.has_standby_battery)
    return True if receiver.standby_fitted_on else None
