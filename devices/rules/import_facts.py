"""What the checks of an imported workbook need to know of the catalogue and of the records. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

Place = tuple[str, str]
"""Folded site code and label of a receiver."""


@dataclass(frozen=True, slots=True)
class ReceiverTypeFacts:
    """What the catalogue says a receiver type can be set to; an empty tuple or set means that nothing is known."""

    code: str
    n_slots: int
    n_outputs: int
    windows_s: tuple[int, ...] = ()
    behaviours: frozenset[str] = frozenset()
    can_switch_supervision_off: bool = True
    momentary_min_s: float = 0.0
    momentary_max_s: float = 0.0
    has_standby: bool = False


@dataclass(frozen=True, slots=True)
class TransmitterTypeFacts:
    """What the catalogue says of a transmitter type; `battery_type` is empty for a mains-powered one."""

    code: str
    label: str = ""
    default_interval_s: int = 3600
    default_window_s: int = 14400
    default_duty: str = "security"
    is_portable: bool = False
    n_inputs: int = 1
    battery_type: str = ""
    n_cells: int = 1


@dataclass(frozen=True, slots=True)
class BatteryTypeFacts:
    """The names one battery type goes by."""

    code: str
    iec_code: str
    ansi_code: str = ""
    aliases: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Catalogue:
    """All types by code."""

    receiver_types: Mapping[str, ReceiverTypeFacts]
    transmitter_types: Mapping[str, TransmitterTypeFacts]
    battery_types: Mapping[str, BatteryTypeFacts]


@dataclass(frozen=True, slots=True)
class Taken:
    """An open registration on record: whose transmitter (empty: nobody knows), which input, declared shared or not."""

    serial: str
    input_number: int = 1
    is_shared: bool = False


@dataclass(frozen=True, slots=True)
class ReceiverOnRecord:
    """A receiver on record: type and serial (empty: unknown), slots, outputs with their kinds, open registrations by slot."""

    type_code: str
    n_slots: int
    outputs: Mapping[int, str] = field(default_factory=dict)
    slots: Mapping[int, Taken] = field(default_factory=dict)
    serial: str = ""


@dataclass(frozen=True, slots=True)
class TransmitterOnRecord:
    """A transmitter on record: whose it is, its type (empty: unknown), its fittings as (fitted, removed) days."""

    customer: str
    type_code: str = ""
    fittings: tuple[tuple[date | None, date | None], ...] = ()


@dataclass(frozen=True, slots=True)
class OnRecord:
    """What the records hold already, by the keys that the workbook uses (customer and site codes folded).

    `closed` are ("customer" or "site", code) of those that are no longer looked after, `retired` serials out of use.
    """

    customers: frozenset[str] = frozenset()
    sites: Mapping[str, str] = field(default_factory=dict)
    receivers: Mapping[Place, ReceiverOnRecord] = field(default_factory=dict)
    transmitters: Mapping[str, TransmitterOnRecord] = field(default_factory=dict)
    closed: frozenset[tuple[str, str]] = frozenset()
    retired: frozenset[str] = frozenset()
