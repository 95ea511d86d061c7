"""The words of intake: kinds of event, what each raises or ends, and one event as every door hands it over; pure Python."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import NamedTuple


class EventKind(StrEnum):
    """What one event says. The codes are those of the intake address, of files and of the database; they never change."""

    CHECK_IN = "check_in"
    ACTIVATION = "activation"
    RESTORE = "restore"
    LOW_BATTERY = "low_battery"
    BATTERY_RESTORED = "battery_restored"
    TAMPER = "tamper"
    TAMPER_RESTORED = "tamper_restored"
    TROUBLE = "trouble"
    TROUBLE_RESTORED = "trouble_restored"
    MISSING = "missing"
    MISSING_RESTORED = "missing_restored"
    INTERFERENCE = "interference"
    INTERFERENCE_OVER = "interference_over"
    POWER_FAULT = "power_fault"
    POWER_RESTORED = "power_restored"
    STANDBY_LOW = "standby_low"
    STANDBY_RESTORED = "standby_restored"
    RECEIVER_TAMPER = "receiver_tamper"
    RECEIVER_TAMPER_RESTORED = "receiver_tamper_restored"
    RECEIVER_FAULT = "receiver_fault"
    RECEIVER_RESTORED = "receiver_restored"
    LINK_TEST = "link_test"
    UNREGISTERED = "unregistered"


RAISES: dict[str, str] = {
    "low_battery": "low_battery", "tamper": "tamper", "trouble": "trouble", "missing": "missing",
    "interference": "interference", "power_fault": "receiver_power", "standby_low": "receiver_standby", "receiver_tamper": "receiver_tamper",
    "receiver_fault": "receiver_fault",
}  # fmt: skip
"""Event → kind of fault that it raises."""

CLEARS: dict[str, str] = {
    "battery_restored": "low_battery", "tamper_restored": "tamper", "trouble_restored": "trouble",
    "missing_restored": "missing", "interference_over": "interference", "power_restored": "receiver_power", "standby_restored": "receiver_standby",
    "receiver_tamper_restored": "receiver_tamper", "receiver_restored": "receiver_fault",
}  # fmt: skip
"""Event → kind of fault that it ends."""

HEARD = frozenset(
    {
        "check_in", "activation", "restore", "low_battery", "battery_restored", "tamper", "tamper_restored", "trouble",
        "trouble_restored",
    }
)  # fmt: skip
"""Events that a transmitter itself sent: each shows that it was heard. The others are words of the receiver."""

OF_RECEIVER = frozenset(
    {
        "interference", "interference_over", "power_fault", "power_restored", "standby_low", "standby_restored",
        "receiver_tamper", "receiver_tamper_restored", "receiver_fault", "receiver_restored", "link_test",
    }
)  # fmt: skip
"""Events about a receiver or its link, which name no transmitter."""


class Event(NamedTuple):
    """One event, checked. A tuple: thousands are made in a moment.

    Attributes
    ----------
    row : int
        Its place in the batch or file, from 1, as answers name it.
    kind : str
        One of `EventKind`.
    at : datetime
        When it happened, aware, in UTC, already within the span that is taken (see `intake_rows`).
    serial : str
        Of the transmitter; empty where the slot names it, or the receiver itself speaks.
    receiver : str
        Code, label or serial of the receiver as the sender wrote it; empty = the one of the batch.
    slot : int or None
        Slot of the receiver, where the sender knows no serial [1 … 1024].
    margin_db : float or None
        Signal margin [dB].
    battery_v : float or None
        Volts of the cells as the transmitter measured them [V].
    note : str
        A word of the sender, at most 120 characters.
    """

    row: int
    kind: str
    at: datetime
    serial: str = ""
    receiver: str = ""
    slot: int | None = None
    margin_db: float | None = None
    battery_v: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class RowProblem:
    """Why one row was not taken, or taken without a value: its place from 1, the field, and a sentence that says what to do."""

    row: int
    field: str
    why: str


@dataclass(frozen=True, slots=True)
class ReadRows:
    """Rows of a batch or file, read: what can be taken, what cannot, how many times had to be cut, and fields not read.

    `left_out` names values that were no good of rows that are among the events all the same.
    """

    events: tuple[Event, ...]
    problems: tuple[RowProblem, ...] = ()
    n_rows: int = 0
    n_clamped: int = 0
    ignored: tuple[str, ...] = ()
    left_out: tuple[RowProblem, ...] = ()
