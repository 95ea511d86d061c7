"""The records by the natural keys of a workbook: what an import is compared with, and what an export writes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db.models import Q

from company.models import Contact, Customer
from company.sheets import plain_text
from devices.models import (
    BatteryType,
    Fitting,
    Output,
    Receiver,
    ReceiverType,
    Registration,
    Transmitter,
    TransmitterType,
)
from devices.models.registrations import RegistrationOutput
from devices.rules.import_facts import (
    BatteryTypeFacts,
    Catalogue,
    OnRecord,
    ReceiverOnRecord,
    ReceiverTypeFacts,
    Taken,
    TransmitterOnRecord,
    TransmitterTypeFacts,
)
from devices.rules.import_records import Known, Snapshot
from devices.rules.slot_rows import DrivenOutput
from sites.models import Site
from sites.rules.site_rows import fold


@dataclass(frozen=True, slots=True)
class Within:
    """Which records: of the whole firm, of one customer, or of one site of a customer."""

    customer_id: int | None = None
    site_id: int | None = None

    def customer(self, path: str) -> Q:
        """Condition on the key of the customer, reached by this lookup."""
        return Q() if self.customer_id is None else Q(**{path: self.customer_id})

    def site(self, path: str) -> Q:
        """Condition on the key of the site, reached by this lookup (with the one before the last part for the customer)."""
        if self.site_id is not None:
            return Q(**{path: self.site_id})
        return self.customer(f"{path.removesuffix('site_id').removesuffix('pk')}customer_id")


EVERYTHING = Within()


def load_catalogue_facts() -> Catalogue:
    """The catalogue as the checks need it; retired types count, since they still hang on walls."""
    receivers = ReceiverType.objects.all()
    transmitters = TransmitterType.objects.select_related("battery_type")
    return Catalogue(
        {
            t.code: ReceiverTypeFacts(
                t.code, t.n_slots, t.n_outputs, tuple(t.windows_s), frozenset(t.behaviours),
                t.can_switch_supervision_off, t.momentary_min_s, t.momentary_max_s, t.has_standby_battery,
            )
            for t in receivers
        },
        {
            t.code: TransmitterTypeFacts(
                t.code, t.label, t.default_interval_s, t.default_window_s, t.default_duty, t.is_portable, t.n_inputs,
                t.battery_type.code if t.battery_type and t.power == "battery" else "", t.n_cells,
            )
            for t in transmitters
        },
        {
            t.code: BatteryTypeFacts(t.code, t.iec_code, t.ansi_code, tuple(t.aliases))
            for t in BatteryType.objects.all()
        },
    )  # fmt: skip


def load_records(within: Within = EVERYTHING) -> tuple[Snapshot, OnRecord]:
    """The records by natural key, for the plan and for the checks."""
    snapshot = Snapshot()
    closed = _load_places(snapshot, within)
    zones = {code: ZoneInfo(site.facts["time_zone"]) for code, site in snapshot.sites.items()}
    receivers = _load_receivers(snapshot, within)
    zone_of = _load_slots(snapshot, receivers, zones, within)
    retired = _load_transmitters(snapshot, zone_of, within)
    return snapshot, _on_record(snapshot, closed, retired)


CUSTOMER_FIELDS = ("name", "language", "paper", "inspections_per_year", "response_hours")
SITE_FIELDS = (
    "name", "kind", "address", "postcode", "town", "latitude", "longitude", "time_zone", "person_to_meet", "phone",
)  # fmt: skip
RECEIVER_FIELDS = (
    "n_slots", "label", "area", "serial", "evidence", "supply_v", "fed_from", "cable_m", "cable_gauge", "measured_v",
    "installed_on", "standby_fitted_on",
)  # fmt: skip
OUTPUT_FIELDS = ("kind", "drives", "terminals", "contact", "rest", "eol_part")
SLOT_FIELDS = (
    "input_number", "is_shared", "label", "area", "duty", "is_portable", "supervision", "window_s", "interval_s", "contact",
    "registered_at", "register_again_since", "note",
)  # fmt: skip
FITTING_FIELDS = ("n_cells", "lot", "made_on", "removed_why", "removed_v")


def _load_places(snapshot: Snapshot, within: Within) -> set[tuple[str, str]]:
    closed: set[tuple[str, str]] = set()
    codes = {}
    customers = Customer.objects.filter(within.customer("pk")).order_by("code")
    for pk, code, closed_at, *facts in customers.values_list("pk", "code", "closed_at", *CUSTOMER_FIELDS):
        codes[pk] = fold(code)
        snapshot.customers[fold(code)] = Known(pk, {**dict(zip(CUSTOMER_FIELDS, facts, strict=True)), "code": code})
        if closed_at:
            closed.add(("customer", fold(code)))
    people = Contact.objects.filter(within.customer("customer_id")).order_by("pk")
    for person in people.values("pk", "customer_id", "name", "email", "phone"):
        snapshot.contacts.setdefault(codes[person["customer_id"]], []).append(Known(person["pk"], person))
    sites = Site.objects.filter(within.site("pk")).order_by("code")
    rows = sites.values_list("pk", "code", "closed_at", "customer_id", *SITE_FIELDS)
    for pk, code, closed_at, customer_id, *facts in rows:
        named = dict(zip(SITE_FIELDS, facts, strict=True))
        snapshot.sites[fold(code)] = Known(pk, {**named, "code": code, "customer": codes[customer_id]})
        if closed_at:
            closed.add(("site", fold(code)))
    return closed


def _load_receivers(snapshot: Snapshot, within: Within) -> dict[int, tuple[str, str]]:
    """Receivers that hang there and their outputs; gives the place of each by its key."""
    places = {}
    hanging = Receiver.objects.open().filter(within.site("site_id")).order_by("site__code", "label")
    rows = hanging.values_list("pk", "site__code", "type__code", *RECEIVER_FIELDS)
    for pk, site, type_code, *facts in rows:
        named = dict(zip(RECEIVER_FIELDS, facts, strict=True))
        places[pk] = (fold(site), plain_text(named["label"]))
        snapshot.receivers[places[pk]] = Known(pk, {**named, "type": type_code or ""})
    outputs = Output.objects.filter(within.site("receiver__site_id"))
    outputs = outputs.order_by("receiver__site__code", "receiver__label", "number")
    for pk, receiver, number, *facts in outputs.values_list("pk", "receiver_id", "number", *OUTPUT_FIELDS):
        if receiver in places:
            snapshot.outputs[places[receiver], number] = Known(pk, dict(zip(OUTPUT_FIELDS, facts, strict=True)))
    return places


def _load_slots(
    snapshot: Snapshot, places: dict[int, tuple[str, str]], zones: dict[str, ZoneInfo], within: Within
) -> dict[str, tzinfo]:
    """Open registrations with what they drive; gives the time zone in which each transmitter stands."""
    driven: dict[int, list[DrivenOutput]] = defaultdict(list)
    rows = RegistrationOutput.objects.filter(within.site("registration__site_id"), registration__removed_at=None)
    rows = rows.order_by("output__number")
    for pk, number, behaviour, seconds in rows.values_list("registration_id", "output__number", "behaviour", "seconds"):
        driven[pk].append(DrivenOutput(number, "" if behaviour == "unknown" else behaviour, seconds))
    zone_of: dict[str, tzinfo] = {}
    names = ("pk", "receiver_id", "slot", "transmitter__serial", *SLOT_FIELDS)
    taken = Registration.objects.open().filter(within.site("site_id")).order_by("pk").values_list(*names)
    for pk, receiver, slot, serial, *facts in taken:
        if receiver not in places:
            continue
        named: dict[str, Any] = dict(zip(SLOT_FIELDS, facts, strict=True))
        zone = zones[places[receiver][0]]
        named |= {"serial": serial or "", "outputs": tuple(driven[pk])}
        named["registered_on"] = named["registered_at"].astimezone(zone).date()
        snapshot.slots[places[receiver], slot] = Known(pk, named)
        if serial:
            zone_of.setdefault(serial, zone)
    return zone_of


def _load_transmitters(snapshot: Snapshot, zone_of: dict[str, tzinfo], within: Within) -> set[str]:
    retired = set()
    units = Transmitter.objects.filter(within.customer("customer_id"))
    rows = units.values_list("pk", "serial", "type__code", "customer__code", "retired_at")
    for pk, serial, type_code, customer, retired_at in rows:
        snapshot.transmitters[serial] = Known(pk, {"type": type_code or "", "customer": fold(customer)})
        if retired_at:
            retired.add(serial)
    home = ZoneInfo(settings.TIME_ZONE)
    names = (
        "pk",
        "transmitter__serial",
        "battery_type__code",
        "fitted_at",
        "entered_at",
        "removed_at",
        *FITTING_FIELDS,
    )
    for pk, serial, battery, fitted, entered, removed, *facts in _fittings(names, within):
        zone = zone_of.get(serial, home)
        named = dict(zip(FITTING_FIELDS, facts, strict=True)) | {
            "battery": battery or "",
            "fitted_on": fitted.astimezone(zone).date() if fitted else None,
            "entered_on": entered.astimezone(zone).date(),
            "removed_on": removed.astimezone(zone).date() if removed else None,
            "fitted_at": fitted,
        }
        if removed and not named["removed_why"]:
            named["removed_why"] = "unknown"
        snapshot.fittings.setdefault(serial, []).append(Known(pk, named))
    return retired


def _fittings(names: Sequence[str], within: Within) -> Iterator[Any]:
    rows = Fitting.objects.filter(within.customer("transmitter__customer_id"))
    return rows.order_by("transmitter_id", "fitted_at", "pk").values_list(*names).iterator(chunk_size=5000)


def _on_record(snapshot: Snapshot, closed: set[tuple[str, str]], retired: set[str]) -> OnRecord:
    outputs: dict[tuple[str, str], dict[int, str]] = defaultdict(dict)
    for (place, number), output in snapshot.outputs.items():
        outputs[place][number] = output.facts["kind"]
    slots: dict[tuple[str, str], dict[int, Taken]] = defaultdict(dict)
    for (place, slot), row in snapshot.slots.items():
        slots[place][slot] = Taken(row.facts["serial"], row.facts["input_number"], row.facts["is_shared"])
    return OnRecord(
        customers=frozenset(snapshot.customers),
        sites={code: site.facts["customer"] for code, site in snapshot.sites.items()},
        receivers={
            place: ReceiverOnRecord(
                known.facts["type"], known.facts["n_slots"], outputs[place], slots[place], known.facts["serial"]
            )
            for place, known in snapshot.receivers.items()
        },
        transmitters={
            serial: TransmitterOnRecord(
                known.facts["customer"],
                known.facts["type"],
                tuple((c.facts["fitted_on"], c.facts["removed_on"]) for c in snapshot.fittings.get(serial, ())),
            )
            for serial, known in snapshot.transmitters.items()
        },
        closed=frozenset(closed),
        retired=frozenset(retired),
    )
