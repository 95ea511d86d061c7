"""The demo's floor plans, term dates and planned changes: what they choose to happen to, and where."""

from __future__ import annotations

from datetime import timedelta
from io import BytesIO
from itertools import pairwise

from PIL import Image

from devices.models import PlanPin
from maintenance.management.demo.floor_drawing import HEIGHT_PX, WIDTH_PX, draw_floor, lay_out
from maintenance.management.demo.load_floor_plans import load_floor_plans, load_term_dates
from maintenance.management.demo.load_plans import usable_slots
from sites.models import FloorPlan, SiteClosure
from tests import factories


def test_rooms_lie_inside_the_walls_and_do_not_overlap() -> None:
    rooms = lay_out([f"Room {n}" for n in range(1, 12)])
    assert len(rooms) == 11
    for row in ([room for room in rooms if room.top < HEIGHT_PX // 2], [r for r in rooms if r.top > HEIGHT_PX // 2]):
        assert all(one.right <= other.left for one, other in pairwise(row))
    assert all(0 < room.left < room.right < WIDTH_PX and 0 < room.top < room.bottom < HEIGHT_PX for room in rooms)
    assert Image.open(BytesIO(draw_floor("Ground floor", rooms))).size == (WIDTH_PX, HEIGHT_PX)


def test_pins_stand_in_the_room_that_the_slot_names(world) -> None:
    site = world.own_site
    for slot in range(2, 22):
        factories.make_registration(world.own_receiver, slot, area=f"Ground floor / Room {slot % 4}")
    load_floor_plans({"FVC-01": site}, world.office, factories.TODAY)
    plan = FloorPlan.objects.get()
    pins = PlanPin.objects.filter(plan=plan)
    assert 0 < pins.count() < 20, "some are left for the reader to place"
    rooms = {room.name: room for room in lay_out(sorted({*(f"Room {n}" for n in range(4)), "stair", "store"}))}
    for pin in pins:
        room = rooms[f"Room {pin.slot % 4}"]
        assert room.left < pin.x_permille * WIDTH_PX / 1000 < room.right
        assert room.top < pin.y_permille * HEIGHT_PX / 1000 < room.bottom


def test_the_schools_term_dates_come_by_file_and_only_where_there_are_schools(world) -> None:
    load_term_dates(world.office, factories.TODAY)
    assert not SiteClosure.objects.exists()
    school = factories.make_site(factories.make_customer(code="SSB"))
    load_term_dates(world.office, factories.TODAY)
    rows = SiteClosure.objects.order_by("from_on")
    assert [(row.site, row.kind) for row in rows] == [(school, "no_access"), (school, "preferred")]
    assert rows[0].from_on == factories.TODAY + timedelta(days=26)


def test_nothing_is_made_up_some_days_back_in_a_slot_that_was_worked_on_since(world) -> None:
    units = [factories.make_registration(world.own_receiver, slot).transmitter for slot in range(2, 6)]
    chosen = usable_slots(world.own_site, factories.TODAY)
    assert [row.slot for row in chosen] == [1, 2, 3, 4]
    factories.make_fitting(units[0], fitted_at=factories.NOW - timedelta(days=4))
    assert [row.slot for row in usable_slots(world.own_site, factories.TODAY)] == [1, 3, 4, 5]
    moved = chosen[2]
    moved.registered_at = factories.NOW - timedelta(days=9)
    moved.save()
    assert usable_slots(world.own_site, factories.TODAY) == []
