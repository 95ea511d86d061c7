"""A floor plan as the templates print it: pins with a number and a shape, and the places that have no pin."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from devices.models import PlanPin, Receiver, Registration
from devices.rules.slot_map import SlotRow, due_words
from sites.models import FloorPlan, Site

SHAPES = {"late": "late", "soon": "soon", "none": "none", "": "none"}
"""Urgency to the pin's shape; everything else is a plain circle."""

PIN_RADIUS = 12
"""Radius of a pin in its own units; the drawing is scaled so that it stays as wide as a finger."""

PINS_ACROSS = 42
"""Pins side by side that would fill the picture's width where no script measures the screen."""


@dataclass(frozen=True, slots=True)
class Place:
    """A slot or a receiver, with or without a pin."""

    key: str
    ref: str
    what: str
    label: str
    kind: str
    receiver_pk: int
    slot: int | None
    duty: str
    due_state: str
    due_text: str
    shape: str
    area: str
    flags: str
    pin_pk: int | None = None
    plan_pk: int | None = None
    x: int = 0
    y: int = 0

    @property
    def is_grave(self) -> bool:
        """Late on a life-safety duty: the one thing that may be red."""
        return self.shape == "late" and self.duty == "life_safety"

    @property
    def x_percent(self) -> str:
        return f"{self.x / 10:g}"

    @property
    def y_percent(self) -> str:
        return f"{self.y / 10:g}"

    @property
    def said(self) -> str:
        """Name of the pin for those who cannot see it."""
        parts = [self.what, self.label if self.slot else "", self.due_text, self.flags]
        return ", ".join(part for part in parts if part)


@dataclass(frozen=True, slots=True)
class PinOnPicture:
    """A place with its position in pixels of the picture."""

    place: Place
    left_px: float
    top_px: float


def places_of(user: Any, site: Site, now: datetime) -> list[Place]:
    """Every receiver and taken slot of a site, by receiver and slot, with its pin; four queries however many there are."""
    zone = site.zone
    today = now.astimezone(zone).date()
    receivers = list(Receiver.objects.visible_to(user).open().filter(site=site).order_by("label", "pk"))
    rows = Registration.objects.visible_to(user).filter(site=site).slot_rows(now, zone)
    # A pin on a plan that was removed counts as none.
    pins = PlanPin.objects.visible_to(user).filter(site=site, plan__removed_at=None)
    by_key = {(pin.receiver_id, pin.slot): pin for pin in pins}
    by_receiver: dict[int, list[SlotRow]] = {}
    for row in rows:
        by_receiver.setdefault(row.receiver_pk, []).append(row)  # type: ignore[arg-type]
    found = []
    for number, receiver in enumerate(receivers):
        letter = letter_of(number) if len(receivers) > 1 else ""
        found.append(_receiver_place(receiver, letter, by_key))
        found.extend(_slot_place(row, receiver, letter, today, by_key) for row in by_receiver.get(receiver.pk, ()))
    return found


def letter_of(number: int) -> str:
    """A for the first receiver of a site, Z for the 26th, then AA."""
    letters = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def _at(pin: PlanPin | None) -> dict[str, Any]:
    if pin is None:
        return {}
    return {"pin_pk": pin.pk, "plan_pk": pin.plan_id, "x": pin.x_permille, "y": pin.y_permille}


def _receiver_place(receiver: Receiver, letter: str, pins: Mapping[tuple[int, int | None], PlanPin]) -> Place:
    return Place(
        key=f"{receiver.pk}-0", ref=letter or "R", what=f"Receiver {receiver.label}", label=receiver.label,
        kind="receiver", receiver_pk=receiver.pk, slot=None, duty="", due_state="", due_text="", shape="receiver",
        area=receiver.area, flags="", **_at(pins.get((receiver.pk, None))),
    )  # fmt: skip


def _slot_place(
    row: SlotRow, receiver: Receiver, letter: str, today: date, pins: Mapping[tuple[int, int | None], PlanPin]
) -> Place:
    state = row.urgency(today)
    flags = [text for on, text in ((row.needs_registering, "register again"), (row.is_away, "away")) if on]
    return Place(
        key=f"{receiver.pk}-{row.slot}", ref=f"{letter}{row.slot}",
        what=f"{receiver.label}, slot {row.slot}" if letter else f"Slot {row.slot}", label=row.label,
        kind=row.kind or "unknown", receiver_pk=receiver.pk, slot=row.slot, duty=row.duty, due_state=state,
        due_text=due_words(row.due_on, today) if state else "", shape=SHAPES.get(state, "plain"), area=row.area,
        flags=", ".join(flags), **_at(pins.get((receiver.pk, row.slot))),
    )  # fmt: skip


def on_picture(plan: FloorPlan, places: Sequence[Place]) -> list[PinOnPicture]:
    """Pins of one plan with pixels; the most urgent are drawn last, on top."""
    order = {"receiver": 0, "plain": 1, "none": 2, "soon": 3, "late": 4}
    mine = [place for place in places if place.plan_pk == plan.pk]
    mine.sort(key=lambda place: (order.get(place.shape, 1), place.is_grave))
    return [
        PinOnPicture(place, round(place.x * plan.width_px / 1000, 1), round(place.y * plan.height_px / 1000, 1))
        for place in mine
    ]


def pin_scale(plan: FloorPlan, zoom: int) -> str:
    """Scale of a pin where no script measures the screen."""
    return f"{plan.width_px / PINS_ACROSS / (2 * PIN_RADIUS) / zoom:.3f}"
