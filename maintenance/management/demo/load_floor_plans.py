"""Hang drawn floor plans with pins at three sites, and send the schools' term dates in by file."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from datetime import date, timedelta

from company.models import User
from company.spreadsheets import csv_bytes
from devices.models import PlanPin, Receiver, Registration
from maintenance.management.demo.clock import at
from maintenance.management.demo.floor_drawing import draw_floor, lay_out
from sites.actions.closures import apply_closures, preview_closures, receive_closures
from sites.actions.floor_plans import add_floor_plan
from sites.models import FloorPlan, Site

SITES = ("FVC-01", "SHT-01", "ISC-01")
MOST_ROOMS = 18
"""Rooms beyond these do not fit on one drawing; their slots stay without a pin, as on a plan that is half done."""

HALLS = ("stair", "store", "hall", "office")


def load_floor_plans(sites: Mapping[str, Site], by: User, today: date) -> None:
    """One plan for each floor where something hangs, most of it with a pin."""
    for code in SITES:
        if code in sites:
            for floor in _floors(sites[code])[:2]:
                _plan(sites[code], floor, by, today)


def _rows(site: Site) -> list[tuple[int, int | None, str]]:
    """Receiver, slot (None: the receiver itself) and area of all that hangs at a site."""
    slots = Registration.objects.open().filter(site=site).order_by("receiver_id", "slot")
    receivers = Receiver.objects.open().filter(site=site).order_by("pk")
    return [
        *((pk, None, area) for pk, area in receivers.values_list("pk", "area")),
        *slots.values_list("receiver_id", "slot", "area"),
    ]


def _floors(site: Site) -> list[str]:
    """Floors by the number of things on them, most first."""
    return [
        floor for floor, _ in Counter(area.partition(" / ")[0] for _, _, area in _rows(site)).most_common() if floor
    ]


def _plan(site: Site, floor: str, by: User, today: date) -> None:
    here = [row for row in _rows(site) if row[2].partition(" / ")[0] == floor]
    names = [
        room for room, _ in Counter(area.partition(" / ")[2] for _, _, area in here).most_common(MOST_ROOMS) if room
    ]
    names += [hall for hall in HALLS if hall not in names][: max(0, 6 - len(names))]
    rooms = {room.name: room for room in lay_out(sorted(names))}
    moment = at(today - timedelta(days=200), 10)
    picture = draw_floor(f"{site.name}: {floor}", list(rooms.values()))
    plan = add_floor_plan(site=site, name=floor, content=picture, by=by, at=moment)
    in_room: dict[str, list[tuple[int, int | None]]] = {}
    for number, (receiver, slot, area) in enumerate(here):
        # Every ninth was put in after the plan was pinned, and nobody has marked it yet.
        if number % 9 != 8:
            in_room.setdefault(area.partition(" / ")[2], []).append((receiver, slot))
    PlanPin.objects.bulk_create(
        _pin(plan, place, rooms[name].spot(number, len(things)))
        for name, things in in_room.items()
        if name in rooms
        for number, place in enumerate(things)
    )


def _pin(plan: FloorPlan, place: tuple[int, int | None], spot: tuple[int, int]) -> PlanPin:
    return PlanPin(
        plan=plan, customer_id=plan.customer_id, site_id=plan.site_id, receiver_id=place[0], slot=place[1],
        x_permille=spot[0], y_permille=spot[1],
    )  # fmt: skip


def load_term_dates(by: User, today: date) -> None:
    """Two holidays of the schools, as the schools board sent them."""
    rows = [
        ("SSB", today + timedelta(days=begin), today + timedelta(days=begin + days), what, reason)
        for begin, days, what, reason in (
            (26, 13, "no access", "school holidays"), (82, 4, "empty", "half-term, the keeper lets us in"),
        )
    ]  # fmt: skip
    body = csv_bytes(("customer code", "from", "to", "what", "reason"), rows)
    moment = at(today - timedelta(days=12), 11)
    upload = receive_closures(name="schools-term-dates.csv", content=body, by=by, at=moment)
    judged = preview_closures(upload=upload, today=today)
    if judged.new and not judged.faults:
        apply_closures(upload=upload, n_seen=len(judged.new), by=by, at=moment, today=today)
