"""Faults raised and ended by what receivers and transmitters report."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from devices.models import Fault


@dataclass(frozen=True, slots=True)
class Signal:
    """One reported event with whose it is: keys of the receiver, and of the registration and transmitter it concerns.

    `kind` is an `EventKind` of `RAISES` or `CLEARS`; `note` a word of the sender.
    """

    kind: str
    at: datetime
    customer_id: int
    site_id: int
    receiver_id: int
    registration_id: int | None = None
    transmitter_id: int | None = None
    note: str = ""


def record_signals(*, signals: Sequence[Signal], source: str, at: datetime) -> list[Fault]:
    """Raise and end faults as reported, in the caller's transaction; gives the faults that changed. Repeating changes nothing."""
    return []
