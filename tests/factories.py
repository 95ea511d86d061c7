"""Plain functions that make records for tests; every field can be given, nothing is random."""

from __future__ import annotations

import itertools
from datetime import UTC, date, datetime, timedelta
from typing import Any

from company.actions import ensure_firm, ensure_policies
from company.models import Customer, PortalAccess, User
from devices.models import (
    BatteryType,
    Fitting,
    IntakeSource,
    Output,
    Receiver,
    ReceiverType,
    Registration,
    RegistrationOutput,
    Transmitter,
    TransmitterType,
)
from maintenance.models import Round, Visit, VisitCrew
from sites.models import Site

NOW = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)
TODAY = date(2026, 11, 25)
PASSWORD = "harbour-lamp-41"
_numbers = itertools.count(1)


def number() -> int:
    """A number not given out before in this test."""
    return next(_numbers)


def number_from(first: int) -> None:
    """Begin again: each test counts alike, whatever ran before it."""
    global _numbers
    _numbers = itertools.count(first)


def make_user(audience: str = "office", **over: Any) -> User:
    n = number()
    fields: dict[str, Any] = {
        "email": f"{audience}{n}@example.org",
        "name": f"{audience.title()} {n}",
        "audience": audience,
        "password": PASSWORD,
    }
    return User.objects.create_user(**(fields | over))


def make_manager(**over: Any) -> User:
    ensure_firm()
    ensure_policies()
    return make_user("office", is_manager=True, **over)


def make_customer(**over: Any) -> Customer:
    n = number()
    return Customer.objects.create(**({"code": f"C{n:04}", "name": f"Customer {n}"} | over))


def make_portal_user(customer: Customer, *, is_limited: bool = False, **over: Any) -> User:
    user = make_user("portal", **over)
    PortalAccess.objects.create(user=user, customer=customer, is_limited=is_limited)
    return user


def make_site(customer: Customer | None = None, **over: Any) -> Site:
    n = number()
    customer = customer or make_customer()
    fields = {"code": f"S{n:04}", "name": f"Site {n}", "time_zone": "Europe/London"}
    return Site.objects.create(customer=customer, **(fields | over))


def battery_type(code: str = "cr2450", **over: Any) -> BatteryType:
    fields = {
        "label": "CR2450 coin cell", "iec_code": "CR2450", "chemistry": "lithium_manganese", "nominal_v": 3.0,
        "capacity_mah": 620, "self_discharge_per_year": 0.015, "shelf_life_years": 10, "share_0c": 0.85,
        "share_m10c": 0.7, "share_m20c": 0.5, "share_m40c": 0.2, "origin": "own",
    }  # fmt: skip
    return BatteryType.objects.get_or_create(code=code, defaults=fields | over)[0]


def transmitter_type(code: str = "test-pendant", **over: Any) -> TransmitterType:
    fields = {
        "label": "pendant", "kind": "pendant", "sleep_ua": 3.0, "checkin_uas": 3000.0, "activation_uah": 2.0,
        "typical_activations_per_day": 1.0, "usable_share": 0.85, "default_interval_s": 3600,
        "default_window_s": 14400, "default_duty": "life_safety", "origin": "own", "n_inputs": 4,
    }  # fmt: skip
    if "battery_type" not in over:
        fields["battery_type"] = battery_type()
    return TransmitterType.objects.get_or_create(code=code, defaults=fields | over)[0]


def receiver_type(code: str = "test-64", **over: Any) -> ReceiverType:
    fields = {
        "label": "receiver, 64 slots", "n_slots": 64, "n_outputs": 4, "supply_v_nominal": 12, "supply_v_min": 10.5,
        "supply_ma": 250, "windows_s": [3600, 14400, 86400], "default_window_s": 14400,
        "behaviours": ["follower", "momentary", "toggle", "latching"], "default_behaviour": "follower", "origin": "own",
    }  # fmt: skip
    return ReceiverType.objects.get_or_create(code=code, defaults=fields | over)[0]


def make_receiver(site: Site | None = None, **over: Any) -> Receiver:
    site = site or make_site()
    kind = over.pop("type", None) or receiver_type()
    fields = {"label": f"R{number()}", "n_slots": kind.n_slots, "type": kind}
    return Receiver.objects.create(site=site, customer=site.customer, **(fields | over))


def make_output(receiver: Receiver, number: int = 1, **over: Any) -> Output:
    fields = {"kind": "signal", "drives": "call lamp"}
    return Output.objects.create(receiver=receiver, customer=receiver.customer, number=number, **(fields | over))


def make_transmitter(customer: Customer | None = None, **over: Any) -> Transmitter:
    customer = customer or make_customer()
    fields: dict[str, Any] = {"serial": f"SK-{number():05}"}
    if "type" not in over:
        fields["type"] = transmitter_type()
    return Transmitter.objects.create(customer=customer, **(fields | over))


def make_registration(receiver: Receiver | None = None, slot: int = 1, **over: Any) -> Registration:
    receiver = receiver or make_receiver()
    transmitter = over.pop("transmitter", None) or make_transmitter(receiver.customer)
    fields = {
        "label": f"Room {slot}", "duty": "life_safety", "supervision": "on", "window_s": 14400, "interval_s": 3600,
        "registered_at": NOW - timedelta(days=400),
    }  # fmt: skip
    outputs = over.pop("outputs", ())
    row = Registration.objects.create(
        receiver=receiver, site=receiver.site, customer=receiver.customer, slot=slot, transmitter=transmitter,
        **(fields | over),
    )  # fmt: skip
    for output, behaviour, seconds in outputs:
        RegistrationOutput.objects.create(
            registration=row, customer=row.customer, output=output, behaviour=behaviour, seconds=seconds
        )
    return row


def make_fitting(transmitter: Transmitter, **over: Any) -> Fitting:
    fields: dict[str, Any] = {"fitted_at": NOW - timedelta(days=400), "n_cells": 1}
    if "battery_type" not in over:
        fields["battery_type"] = battery_type()
    return Fitting.objects.create(transmitter=transmitter, customer=transmitter.customer, **(fields | over))


def make_unit(receiver: Receiver, slot: int = 1, **over: Any) -> Transmitter:
    """A transmitter with cells, registered in a slot."""
    unit = make_registration(receiver, slot, **over).transmitter
    assert unit is not None
    make_fitting(unit)
    return unit


def make_gateway(customer: Customer, **over: Any) -> IntakeSource:
    """A source of check-ins that speaks for a customer."""
    return IntakeSource.objects.create(**({"name": f"Gateway {number()}", "kind": "api", "customer": customer} | over))


def make_round(technician: User | None = None, **over: Any) -> Round:
    n = number()
    fields = {"number": n, "name": f"Round {n}", "day": TODAY, "state": "published"}
    return Round.objects.create(technician=technician or make_user("technician"), **(fields | over))


def make_visit(site: Site | None = None, round: Round | None = None, **over: Any) -> Visit:
    site = site or make_site()
    fields = {"planned_on": TODAY, "state": "planned"}
    visit = Visit.objects.create(site=site, customer=site.customer, round=round, **(fields | over))
    if round:
        VisitCrew.objects.create(visit=visit, user=round.technician)
    return visit
