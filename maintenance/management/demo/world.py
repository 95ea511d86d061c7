"""What the simulation makes, as plain records without a database, and the truth that only a simulation knows."""

from __future__ import annotations

import uuid
from dataclasses import dataclass, field
from datetime import date, datetime
from random import Random
from typing import Any

RECORDS_DAYS = 1095
"""How long ago the firm's records begin [day]."""
NOT_YET = uuid.UUID(int=0)
CODE_ALPHABET = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"


@dataclass(slots=True, eq=False, repr=False)
class DemoSite:
    """One site. `beat` is the letter of the round that usually visits it, `row` its line in the island's list."""

    code: str
    name: str
    kind: str
    customer: str
    town: str
    latitude: float
    longitude: float
    beat: str
    profile: str
    person: str
    n_transmitters: int
    n_receivers: int
    evidence: str
    centre: str
    installed_on: date
    uuid: uuid.UUID
    hours: tuple[tuple[int, str, str], ...]
    areas: list[str] = field(default_factory=list)
    receivers: list[DemoReceiver] = field(default_factory=list)
    visit_days: list[date] = field(default_factory=list)
    postponed_on: date | None = None
    switch_on: date = date.min


@dataclass(slots=True, eq=False, repr=False)
class DemoReceiver:
    """One receiver with its outputs as (number, kind, drives, terminals, contact, rest, clears, seen on)."""

    site: DemoSite
    code: str
    label: str
    purpose: str
    area: str
    type: dict[str, Any] | None
    n_slots: int
    serial: str
    evidence: str
    installed_on: date
    facts: dict[str, Any] = field(default_factory=dict)
    outputs: list[dict[str, Any]] = field(default_factory=list)
    slots: list[DemoSlot] = field(default_factory=list)


@dataclass(slots=True, eq=False, repr=False)
class DemoTransmitter:
    """One transmitter with what the simulation knows of it: its own rate of use and the mean temperature around it."""

    serial: str
    type: dict[str, Any] | None
    site: DemoSite
    since: date
    per_day: float = 1.0
    made_on: date | None = None
    retired_on: date | None = None
    note: str = ""
    fittings: list[DemoFitting] = field(default_factory=list)


@dataclass(slots=True, eq=False, repr=False)
class DemoSlot:
    """One registration, from–to, with its outputs as (number, behaviour, seconds)."""

    receiver: DemoReceiver
    slot: int
    transmitter: DemoTransmitter | None
    label: str
    area: str
    duty: str
    registered_at: datetime
    is_portable: bool = False
    supervision: str = "on"
    window_s: int | None = None
    interval_s: int | None = None
    contact: str = "none"
    outputs: list[tuple[int, str, float | None]] = field(default_factory=list)
    input_number: int = 1
    is_shared: bool = False
    removed_at: datetime | None = None
    removed_why: str = ""
    register_again_since: datetime | None = None
    replaces: DemoSlot | None = None
    note: str = ""
    away: dict[str, Any] | None = None


@dataclass(slots=True, eq=False, repr=False)
class DemoFitting:
    """One set of cells. `life_u` is the exposure at which it ends or would have ended: the truth nobody else knows.

    `said_first` is why they came out as it was recorded before somebody put it right; empty if it was right at once.
    """

    transmitter: DemoTransmitter
    fitted_at: datetime | None
    entered_at: datetime
    lot: str
    life_u: float
    rate_per_day: float
    removed_at: datetime | None = None
    why: str = ""
    volts: float | None = None
    is_under_load: bool = False
    said_first: str = ""
    nominal_v: float = 3.0
    made_on: date | None = None
    first_low_at: datetime | None = None
    last_alive_at: datetime | None = None
    died_at: datetime | None = None
    battery: str = ""
    note: str = ""


@dataclass(slots=True, eq=False, repr=False)
class DemoFault:
    """Something a receiver showed."""

    receiver: DemoReceiver
    slot: DemoSlot | None
    kind: str
    raised_at: datetime
    cleared_at: datetime | None = None
    is_latched: bool = False
    latch_cleared_at: datetime | None = None
    cause: str = ""
    source: str = ""


@dataclass(slots=True, eq=False, repr=False)
class DemoEntry:
    """One thing recorded on a visit."""

    kind: str
    at: datetime
    receiver: DemoReceiver | None = None
    slot: DemoSlot | None = None
    facts: dict[str, Any] = field(default_factory=dict)
    key: uuid.UUID = NOT_YET


@dataclass(slots=True, eq=False, repr=False)
class DemoVisit:
    """One site on one day."""

    site: DemoSite
    day: date
    kind: str
    state: str
    technician: int
    position: int = 1
    minutes: int = 30
    why: list[str] = field(default_factory=list)
    arrived_at: datetime | None = None
    finished_at: datetime | None = None
    signed: str = ""
    refused_why: str = ""
    told_before: str = ""
    told_after: str = ""
    on_test_at: datetime | None = None
    off_test_at: datetime | None = None
    remark: str = ""
    entries: list[DemoEntry] = field(default_factory=list)
    uuid: uuid.UUID = NOT_YET


@dataclass(slots=True, eq=False, repr=False)
class DemoRound:
    """One technician's day."""

    name: str
    day: date
    technician: int
    state: str
    visits: list[DemoVisit] = field(default_factory=list)
    note: str = ""


@dataclass(slots=True, repr=False)
class Truth:
    """What really is the case. Tests read it; the product must find it out from the records alone."""

    shape: float
    scale_by_type: dict[str, float] = field(default_factory=dict)
    bad_lot: str = ""
    bad_lot_factor: float = 1.0
    weak_serials: list[str] = field(default_factory=list)
    outage_site: str = ""
    outage_from: datetime | None = None
    outage_to: datetime | None = None
    carried_off_serial: str = ""
    latched_serial: str = ""
    unsupervised_serial: str = ""
    short_window_serial: str = ""
    long_window_serial: str = ""
    narrow_window_serials: list[str] = field(default_factory=list)
    register_again_serial: str = ""
    away_serial: str = ""
    shared_serial: str = ""
    mixed_lot_serial: str = ""
    silent_serial: str = ""
    nothing_answers: tuple[str, int] = ("", 0)
    unknown_age_serials: list[str] = field(default_factory=list)
    unknown_receiver_codes: list[str] = field(default_factory=list)
    postponed_sites: list[str] = field(default_factory=list)
    corrected_serials: list[str] = field(default_factory=list)


@dataclass(slots=True, repr=False)
class DemoFirm:
    """Everything the simulation made."""

    today: date
    seed: int
    n_wanted: int
    sites: list[DemoSite]
    transmitters: list[DemoTransmitter]
    slots: list[DemoSlot]
    faults: list[DemoFault]
    rounds: list[DemoRound]
    call_outs: list[DemoVisit]
    truth: Truth

    @property
    def receivers(self) -> list[DemoReceiver]:
        return [receiver for site in self.sites for receiver in site.receivers]

    @property
    def fittings(self) -> list[DemoFitting]:
        return [fitting for transmitter in self.transmitters for fitting in transmitter.fittings]


def seeded_uuid(rng: Random) -> uuid.UUID:
    """Random UUID that comes from the seed, not from the machine."""
    return uuid.UUID(int=rng.getrandbits(128), version=4)


def seeded_code(rng: Random) -> str:
    """Receiver code that comes from the seed: ten characters, as `devices.models.receivers.new_code` makes them."""
    return "".join(rng.choice(CODE_ALPHABET) for _ in range(10))
