"""Three households whose every text field holds a random word of its own (a canary), for the leak test and the matrix.

own      what the attacked user may see
sister   another site of the same customer: hidden from a user who is limited to sites
foreign  another customer's

Every record of a household has the same key, uuid and code whatever its kind, so a foreign address is one address: no
page can be missed because a test did not know whose key it takes. Rows are made by walking the models; a model that
DECLARED does not know fails the test.
"""

from __future__ import annotations

import random
import uuid
from dataclasses import dataclass, field
from datetime import time, timedelta
from decimal import Decimal
from typing import Any

from django.apps import apps
from django.db import models
from django.db.models import Field, Model

from company import sealed
from company.actions import ensure_firm, ensure_policies
from company.models import Customer, PortalAccess, User
from maintenance.models import BatteryFit, LotFit, StratumFit
from sites.models import PortalSite
from tests import factories
from tests.house.declared import DECLARED, NO_CANARY, Declared

APPS = ("company", "sites", "devices", "maintenance")
NOW, TODAY = factories.NOW, factories.TODAY


@dataclass
class Household:
    """One set of records and its canaries."""

    key: str
    pk: int
    code: str
    customer_pk: int
    people: dict[str, User]
    kinds: dict[str, Model] = field(default_factory=dict)
    """Rows of the catalogue that the household uses."""
    uuid: uuid.UUID = field(default_factory=uuid.uuid4)
    rows: dict[str, Model] = field(default_factory=dict)
    canaries: dict[str, str] = field(default_factory=dict)
    """Word → the field that it stands in."""
    staff_canaries: dict[str, str] = field(default_factory=dict)
    """Those of records that no portal user may see."""
    note_canaries: dict[str, str] = field(default_factory=dict)
    """Plain text of access notes."""


_dice = random.Random()
CONSONANTS, VOWELS = "bcdfghjklmnprstvwz", "aeiou"


def word(length: int = 16) -> str:
    """A word that no page holds by chance, of letters only: it survives every escape, fold and slug."""
    return "".join(_dice.choice(CONSONANTS if n % 2 == 0 else VOWELS) for n in range(length)).capitalize()


def code_word(length: int = 10) -> str:
    """A word of the alphabet of receiver codes."""
    return word(length).upper().replace("O", "U").replace("I", "E")


def own_models() -> list[type[Model]]:
    """Every model of the product."""
    return [model for app in APPS for model in apps.get_app_config(app).get_models()]


def declared(model: type[Model]) -> Declared:
    """Declaration of a model; KeyError for one that nobody has declared."""
    return DECLARED[model._meta.label]


def tiny_pdf(text: str) -> bytes:
    """A PDF of one page that says this, made by hand so that nothing but the bytes is on trial."""
    stream = f"BT /F1 12 Tf 40 700 Td ({text}) Tj ET".encode()
    parts = [
        b"<< /Type /Catalog /Pages 2 0 R >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 595 842] /Contents 4 0 R /Resources << /Font << /F1 5 0 R >> >> >>",
        b"<< /Length %d >>\nstream\n%s\nendstream" % (len(stream), stream),
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica >>",
    ]
    out, places = b"%PDF-1.4\n", []
    for number, part in enumerate(parts, 1):
        places.append(len(out))
        out += b"%d 0 obj\n%s\nendobj\n" % (number, part)
    table = b"".join(b"%010d 00000 n \n" % place for place in places)
    start = len(out)
    out += b"xref\n0 %d\n0000000000 65535 f \n%s" % (len(parts) + 1, table)
    return out + b"trailer << /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n" % (len(parts) + 1, start)


# A drawn dot: one black pixel.
PNG = bytes.fromhex(
    "89504e470d0a1a0a0000000d49484452000000010000000108000000003a7e9b550000000a49444154789c63600000000200015e"
    "f2a5a40000000049454e44ae426082"
)


def special(label: str, house: Household) -> dict[str, Any]:
    """Values that the walk over the fields cannot guess: constraints, and states in which pages have something to show."""
    technician, person, kinds = house.people["technician"], house.people["portal"], house.kinds
    given: dict[str, dict[str, Any]] = {
        "sites.VisitingHours": {"opens": time(9), "closes": time(17)},
        "sites.SiteClosure": {"from_on": TODAY + timedelta(days=30), "to_on": TODAY + timedelta(days=40)},
        "sites.PortalSite": {"access": house.rows.get("company.PortalAccess")},
        "sites.AccessNoteShown": {"to": technician, "visit_id": house.pk},
        "sites.FloorPlan": {"media_type": "image/png", "width_px": 1, "height_px": 1},
        "sites.MonitoringCentre": {},
        "devices.Receiver": {
            "type": kinds["receiver"], "n_slots": 64, "evidence": "every", "code": house.code,
            "heard_until": NOW, "measured_v": 12.1, "measured_on": TODAY, "supply_v": 12,
        },
        "devices.Output": {"number": 1},
        "devices.Transmitter": {"type": kinds["transmitter"]},
        "devices.Registration": {
            "slot": 1, "duty": "life_safety", "supervision": "on", "window_s": 14400, "interval_s": 3600,
            "registered_at": NOW - timedelta(days=400), "replaces": None,
        },
        "devices.RegistrationOutput": {"behaviour": "latching"},
        "devices.Away": {"from_on": TODAY - timedelta(days=3)},
        "devices.Fitting": {"battery_type": kinds["battery"], "fitted_at": NOW - timedelta(days=400)},
        "devices.CheckInDay": {
            "transmitter_id": house.pk, "day": TODAY, "customer_id": house.customer_pk, "heard": 9, "expected": 10,
        },
        "devices.Fault": {"kind": "low_battery", "raised_at": NOW - timedelta(days=2), "is_latched": True},
        "maintenance.DueItem": {
            "kind": "cells", "harm": 0, "duty": "life_safety", "due_on": TODAY - timedelta(days=1), "as_of": TODAY,
            "reason": "energy_balance", "model_version": "0", "opinions": [],
        },
        "maintenance.DueChange": {"to_reason": "energy_balance", "to_on": TODAY},
        "maintenance.Round": {
            "number": house.pk, "technician": technician, "state": "published", "day": TODAY, "made_by": None,
        },
        "maintenance.Visit": {"state": "planned", "planned_on": TODAY, "planned_at": time(9, 30)},
        "maintenance.VisitCrew": {"user": technician},
        "maintenance.Entry": {"key": house.uuid, "kind": "note", "by": technician, "made_at": NOW, "sha256": "0" * 64},
        "maintenance.WalkTest": {"heard": True},
        "maintenance.IssuedReport": {"kind": "service_report", "sha256": "0" * 64, "data": {}, "in_portal": True},
        "maintenance.Request": {"by": person},
        "maintenance.RequestMessage": {"by": person, "photo_type": "image/png"},
        "company.ChangeRow": {"subject_kind": "site", "subject_id": house.pk, "verb": "save_site", "by": technician},
        "company.Job": {"handler": "tests.house.planting.nothing", "requested_by": person, "state": "done"},
        "company.Upload": {"by": person, "kind": "workbook", "sha256": "0" * 64},
        "company.Contact": {"gets_reports": True},
    }  # fmt: skip
    return given.get(label, {})


def nothing(handle: Any) -> None:
    """Handler of planted jobs."""


def row_of(house: Household, model: type[Model]) -> Model:
    """The household's row of a model, made with whatever it hangs on."""
    label = model._meta.label
    if label not in house.rows:
        given = special(label, house)
        values: dict[str, Any] = {}
        for column in model._meta.concrete_fields:
            if column.name in given:
                continue
            if isinstance(column, models.ForeignKey):
                values |= _target(house, model, column)
            elif not column.primary_key and not _is_optional(column):
                values[column.name] = _filler(house, column)
        values |= given
        if not isinstance(model._meta.pk, models.CompositePrimaryKey):
            values["pk"] = house.pk
        if any(column.name == "uuid" for column in model._meta.concrete_fields):
            values["uuid"] = house.uuid
        house.rows[label] = model._base_manager.create(**values)
        _plant(house, house.rows[label])
    return house.rows[label]


def _is_optional(column: Field[Any, Any]) -> bool:
    return column.has_default() or column.null or (column.blank and bool(column.empty_strings_allowed))


def _target(house: Household, model: type[Model], column: Any) -> dict[str, Any]:
    """What a foreign key points at: the household's row of that kind, a person, or nothing."""
    to = column.related_model
    if to is model:
        return {}
    if to is User:
        return {column.name: None} if column.null else {column.name: house.people["portal"]}
    if not declared(to).path:
        return {} if column.null else {column.name: row_of(house, to)}
    return {column.name: row_of(house, to)}


def _filler(house: Household, column: Field[Any, Any]) -> Any:
    if column.choices:
        return next(value for value, _ in column.flatchoices if value)
    fillers: list[tuple[type, Any]] = [
        (models.UUIDField, house.uuid), (models.DateTimeField, NOW - timedelta(days=5)),
        (models.DateField, TODAY - timedelta(days=5)), (models.TimeField, time(9)), (models.BooleanField, False),
        (models.DecimalField, Decimal(1)), (models.FloatField, 1.0), (models.BinaryField, b""), (models.JSONField, {}),
        (models.IntegerField, 1),
    ]  # fmt: skip
    for kind, value in fillers:
        if isinstance(column, kind):
            return value
    return word(min(column.max_length or 16, 16))


def _plant(house: Household, row: Model) -> None:
    """Write a canary into every text and picture of a row, past all checks."""
    label, changes = row._meta.label, {}
    for column in row._meta.concrete_fields:
        name = f"{label}.{column.name}"
        if name in NO_CANARY or column.choices or column.primary_key or column.is_relation:
            continue
        canary = word(min(getattr(column, "max_length", None) or 16, 16))
        if isinstance(column, models.EmailField):
            changes[column.name] = f"{canary.lower()}@example.org"
        elif isinstance(column, (models.CharField, models.TextField)) and not isinstance(column, models.UUIDField):
            if name == "devices.Receiver.code":
                canary = house.code
            elif (column.max_length or 99) < 8:
                continue
            changes[column.name] = canary
        elif isinstance(column, models.JSONField):
            changes[column.name] = _in_json(name, getattr(row, column.attname), canary)
        elif isinstance(column, models.BinaryField):
            if name == "sites.AccessNote.cipher":
                changes[column.name] = sealed.seal(canary)
                house.note_canaries[canary] = name
            elif name == "maintenance.IssuedReport.content":
                changes[column.name] = tiny_pdf(canary)
            elif name == "devices.CheckInDay.presence":
                continue
            else:
                changes[column.name] = PNG + canary.encode()
        else:
            continue
        house.canaries[canary] = name
        if declared(type(row)).staff_only:
            house.staff_canaries[canary] = name
    if changes:
        type(row)._base_manager.filter(pk=row.pk).update(**changes)
        row.refresh_from_db()


def _in_json(name: str, present: Any, canary: str) -> Any:
    if name == "maintenance.DueItem.opinions":
        return [{"due_on": TODAY.isoformat(), "code": "energy_balance", "why": canary}]
    if name == "maintenance.Visit.why":
        return [{"code": "due", "text": canary}]
    return [canary] if isinstance(present, list) else {"note": canary}


@dataclass
class Garden:
    """The three households, the people who try to look over the fence, and the firm's own."""

    own: Household
    sister: Household
    foreign: Household
    people: dict[str, User]

    @property
    def houses(self) -> tuple[Household, ...]:
        return (self.own, self.sister, self.foreign)


def _person(pk: int, audience: str, **over: Any) -> User:
    return factories.make_user(audience, pk=pk, email=f"p{pk}@example.org", name=f"Person {pk}", **over)


def plant_fit(pk: int) -> None:
    """What an earlier night has learnt of the planted kind; it belongs to nobody, so it holds no canary.

    It is not in use: due dates ask more of a fit than its pages do.
    """
    fit = BatteryFit.objects.create(pk=pk, as_of=TODAY, model_version="0")
    kind = StratumFit.objects.create(
        pk=pk, fit=fit, number=0, transmitter_type_id=pk, battery_type_id=pk, is_measured=True,
        u_1=0.5, u_5=0.6, u_10=0.7,
    )  # fmt: skip
    LotFit.objects.create(pk=pk, fit=fit, stratum=kind, code="25-01", n_batteries=1, expected=0.1)


def plant() -> Garden:
    """Make the garden. Every model with a path to a customer has a row in every household."""
    ensure_firm()
    ensure_policies()
    people = {
        "office": _person(31, "office"),
        "manager": _person(32, "office", is_manager=True),
        "technician": _person(21, "technician"),
        "other_technician": _person(22, "technician"),
    }
    kinds: dict[str, Model] = {
        # The same key as the first household's records, so that its addresses meet a row of the catalogue too.
        "battery": factories.battery_type("planted-cell", pk=500001),
        "transmitter": factories.transmitter_type("planted-pendant", pk=500001),
        "receiver": factories.receiver_type("planted-receiver", pk=500001),
    }
    plant_fit(500001)
    houses = []
    for key, pk, by in (
        ("own", 500001, "technician"),
        ("sister", 700001, "technician"),
        ("foreign", 900001, "other_technician"),
    ):
        portal = _person(pk, "portal")
        customer_pk = 500001 if key == "sister" else pk
        house = Household(
            key=key, pk=pk, code=code_word(), customer_pk=customer_pk,
            people={"portal": portal, "technician": people[by]}, kinds=kinds,
        )  # fmt: skip
        if key == "sister":
            # Another site of the first household's customer.
            house.rows["company.Customer"] = Customer.objects.get(pk=customer_pk)
        else:
            row_of(house, Customer)
        house.rows["company.User"] = portal
        access = PortalAccess.objects.create(pk=pk, user=portal, customer_id=customer_pk, is_limited=key == "sister")
        house.rows["company.PortalAccess"] = access
        _plant(house, portal)
        _plant(house, access)
        for model in own_models():
            if declared(model).path:
                row_of(house, model)
        houses.append(house)
    garden = Garden(*houses, people=people)
    people["own"] = User.objects.get(pk=garden.own.pk)
    people["foreign"] = User.objects.get(pk=garden.foreign.pk)
    limited = _person(41, "portal")
    access = PortalAccess.objects.create(pk=41, user=limited, customer_id=garden.own.pk, is_limited=True)
    PortalSite.objects.create(pk=41, access=access, site_id=garden.own.pk)
    people["limited"] = limited
    # Had access to the other customer once and bookmarked everything.
    people["revoked"] = _person(42, "portal")
    former = PortalAccess.objects.create(pk=42, user=people["revoked"], customer_id=garden.foreign.pk)
    former.delete()
    return garden


def grow(house: Household, *, by: int = 1) -> None:
    """More of everything for a household, and other words in what it had: what others must not notice."""
    for step in range(1, by + 1):
        more = Household(
            key=f"{house.key}+{step}", pk=house.pk + 1000 * step, code=code_word(), customer_pk=house.customer_pk,
            people=house.people, kinds=house.kinds,
        )  # fmt: skip
        for label in ("company.Customer", "company.User", "company.PortalAccess"):
            more.rows[label] = house.rows[label]
        for model in own_models():
            if declared(model).path:
                row_of(more, model)
    for row in house.rows.values():
        _plant(house, row)
