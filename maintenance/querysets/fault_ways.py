"""What a lost link means where it is only one of several ways by which the receiver reaches us."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from devices.querysets.ways_in import still_heard
from devices.rules.silence import LINK_LOST
from devices.rules.ways_in import DO, MEANS
from maintenance.rules.fault_words import Meaning


def with_ways(told: Meaning, fault: Any, now: datetime) -> Meaning:
    """The meaning of a fault; of a lost link that is one of several it says which, and by what the receiver is still heard."""
    if fault.kind != LINK_LOST or fault.cleared_at is not None:
        return told
    words = still_heard([fault.receiver_id], now).get(fault.receiver_id)
    if words is None:
        return told
    lost, still = words
    return Meaning(MEANS.format(lost=lost, still=still), DO.format(lost=lost))
