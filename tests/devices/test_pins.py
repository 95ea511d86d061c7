"""Floor plans with pins: who may place them, what is refused, what is kept, what is taken back."""

from __future__ import annotations

from io import BytesIO

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone
from PIL import Image

from company.models import ChangeRow
from company.undo import CannotUndo, ChangedAfter, can_undo, undo
from devices.actions.pins import NotOnThisPlan, place_pin, remove_pin, replace_picture
from devices.models import PlanPin
from sites.actions.floor_plans import add_floor_plan, remove_floor_plan, rename_floor_plan
from sites.models import FloorPlan
from tests import factories
from tests.house.test_query_growth import assert_same_queries


def png(size=(400, 300), colour="white"):
    out = BytesIO()
    Image.new("RGB", size, colour).save(out, "PNG")
    return out.getvalue()


@pytest.fixture
def plan(world):
    return add_floor_plan(site=world.own_site, name="Ground floor", content=png(), by=world.office, at=timezone.now())


def put(world, plan, **over):
    fields = {"receiver": world.own_receiver, "slot": 1, "x_permille": 100, "y_permille": 200}
    return place_pin(plan=plan, by=world.office, at=timezone.now(), **(fields | over))


def take_back(world, change):
    return undo(change=change, by=world.office, at=timezone.now())


def page_of(world, plan, who="office"):
    return world.client(who).get(reverse("devices:floor_plan", args=[plan.pk])).content.decode()


def post(world, plan, **over):
    data = {"place": f"{world.own_receiver.pk}-1", "x": "12.5", "y": "80"} | over
    return world.client("office").post(reverse("devices:floor_plan_pin", args=[plan.pk]), data)


def test_a_plain_form_places_a_pin_in_per_cent_and_the_log_says_so(world, plan):
    response = post(world, plan)
    assert response.url == reverse("devices:floor_plan", args=[plan.pk])
    pin = PlanPin.objects.get()
    assert (pin.receiver, pin.slot, pin.x_permille, pin.y_permille) == (world.own_receiver, 1, 125, 800)
    row = ChangeRow.objects.get(verb="place_pin")
    assert row.customer == world.own
    assert "slot 1" in row.subject_text
    page = page_of(world, plan)
    assert 'transform="translate(50.0 240.0)' in page
    assert "On this plan (1)" in page


def test_the_same_place_again_changes_nothing(world, plan):
    post(world, plan)
    post(world, plan)
    assert ChangeRow.objects.filter(verb="place_pin").count() == 1


def test_a_script_gets_the_plan_again_with_a_message_that_can_be_undone(world, plan):
    response = world.client("office").post(
        reverse("devices:floor_plan_pin", args=[plan.pk]),
        {"place": f"{world.own_receiver.pk}-1", "x": "10", "y": "10"},
        headers={"HX-Request": "true"},
    )
    text = response.content.decode()
    assert text.lstrip().startswith('<div id="plan-work"')
    change = ChangeRow.objects.get(verb="place_pin")
    assert reverse("company:change_undo", args=[change.pk]) in text


@pytest.mark.parametrize(
    "over", [{"x": "101"}, {"x": "-1"}, {"y": "NaN"}, {"y": ""}, {"place": ""}, {"place": "999999-1"}, {"place": "x"}]
)
def test_a_place_that_makes_no_sense_is_refused_and_nothing_is_written(world, plan, over):
    assert post(world, plan, **over).status_code == 422
    assert not PlanPin.objects.exists()


def test_a_slot_of_another_site_cannot_stand_on_the_plan(world, plan):
    assert post(world, plan, place=f"{world.other_receiver.pk}-1").status_code == 422
    with pytest.raises(NotOnThisPlan):
        put(world, plan, receiver=world.other_receiver)
    with pytest.raises(NotOnThisPlan, match="slots 1 to"):
        put(world, plan, slot=world.own_receiver.n_slots + 1)
    assert not PlanPin.objects.exists()


def test_a_pin_belongs_to_the_slot_and_outlives_the_registration(world, plan):
    put(world, plan)
    world.own_registration.removed_at = timezone.now()
    world.own_registration.save()
    assert PlanPin.objects.filter(slot=1).exists()
    factories.make_registration(world.own_receiver, 1, label="Room 1, new cord", registered_at=timezone.now())
    assert "Room 1, new cord" in page_of(world, plan).partition("On this plan")[2]


def test_a_slot_has_one_pin_and_moves_from_plan_to_plan(world, plan):
    upper = add_floor_plan(site=world.own_site, name="First floor", content=png(), by=world.office, at=timezone.now())
    put(world, plan)
    put(world, upper, x_permille=900)
    pin = PlanPin.objects.get()
    assert (pin.plan, pin.x_permille) == (upper, 900)


def test_the_receiver_itself_has_a_pin_of_its_own(world, plan):
    put(world, plan)
    put(world, plan, slot=None, x_permille=0, y_permille=1000)
    assert PlanPin.objects.count() == 2
    assert 'class="pin pin--receiver"' in page_of(world, plan)


def test_a_new_picture_keeps_the_pins_and_the_old_picture(world, plan):
    put(world, plan)
    upload = SimpleUploadedFile("new.png", png((800, 600), "grey"))
    response = world.client("office").post(reverse("devices:floor_plan_replace", args=[plan.pk]), {"picture": upload})
    new = FloorPlan.objects.get(removed_at=None)
    assert response.url == reverse("devices:floor_plan", args=[new.pk])
    assert (new.name, new.width_px, PlanPin.objects.get().plan) == ("Ground floor", 800, new)
    plan.refresh_from_db()
    assert plan.removed_at
    change = ChangeRow.objects.get(verb="replace_floor_plan")
    take_back(world, change)
    assert PlanPin.objects.get().plan == plan
    assert FloorPlan.objects.get(removed_at=None) == plan


def test_what_is_no_picture_replaces_nothing(world, plan):
    upload = SimpleUploadedFile("new.png", b"%PDF-1.7")
    response = world.client("office").post(reverse("devices:floor_plan_replace", args=[plan.pk]), {"picture": upload})
    assert response.status_code == 422
    assert "no PNG, JPEG or WebP" in response.content.decode()
    assert FloorPlan.objects.get() == plan


def test_lines_on_a_see_through_ground_are_drawn_on_white(world):
    out = BytesIO()
    Image.new("RGBA", (40, 40), (0, 0, 0, 0)).save(out, "PNG")
    plan = add_floor_plan(site=world.own_site, name="Lines", content=out.getvalue(), by=world.office, at=timezone.now())
    assert Image.open(BytesIO(bytes(plan.picture))).getpixel((5, 5)) == (255, 255, 255)


def test_moving_placing_and_removing_a_pin_are_taken_back(world, plan):
    _, placed = put(world, plan)
    pin, moved = put(world, plan, x_permille=500)
    assert not can_undo(placed)
    with pytest.raises(ChangedAfter):
        take_back(world, placed)
    take_back(world, moved)
    pin.refresh_from_db()
    assert pin.x_permille == 100
    removed = remove_pin(pin=pin, by=world.office, at=timezone.now())
    assert not PlanPin.objects.exists()
    take_back(world, removed)
    assert PlanPin.objects.get().x_permille == 100
    take_back(world, placed)
    assert not PlanPin.objects.exists()


def test_a_pin_is_not_put_back_onto_a_plan_that_is_gone_or_over_another_pin(world, plan):
    pin, _ = put(world, plan)
    removed = remove_pin(pin=pin, by=world.office, at=timezone.now())
    put(world, plan, x_permille=700)
    with pytest.raises(CannotUndo, match="another pin"):
        take_back(world, removed)
    PlanPin.objects.all().delete()
    remove_floor_plan(plan=plan, by=world.office, at=timezone.now())
    with pytest.raises(CannotUndo, match="not in use"):
        take_back(world, removed)


def test_moving_a_pin_is_taken_back_on_the_picture_that_is_in_use_now(world, plan):
    put(world, plan)
    pin, moved = put(world, plan, x_permille=500)
    new, _ = replace_picture(plan=plan, content=png(), by=world.office, at=timezone.now())
    take_back(world, moved)
    pin.refresh_from_db()
    assert (pin.plan, pin.x_permille) == (new, 100)


def test_a_removed_plan_keeps_its_pins_and_comes_back_with_them(world, plan):
    put(world, plan)
    client = world.client("office")
    client.post(reverse("sites:plan_remove", args=[plan.pk]))
    assert "Floor plan: Ground floor" not in client.get(world.own_site.get_absolute_url()).content.decode()
    assert "Use it again" in page_of(world, plan)
    assert world.client("technician").get(reverse("devices:tech_floor_plan", args=[plan.pk])).status_code == 404
    with pytest.raises(NotOnThisPlan):
        put(world, plan, x_permille=1)
    client.post(reverse("sites:plan_put_back", args=[plan.pk]))
    assert "On this plan (1)" in page_of(world, plan)


def test_plans_are_renamed_and_put_in_order_and_no_two_have_one_name(world, plan):
    now = timezone.now()
    upper = add_floor_plan(site=world.own_site, name="First floor", content=png(), by=world.office, at=now)
    client = world.client("office")
    assert client.post(reverse("sites:plan_edit", args=[upper.pk]), {"name": "ground FLOOR"}).status_code == 422
    change = rename_floor_plan(plan=upper, name="Upstairs", by=world.office, at=now)
    take_back(world, change)
    upper.refresh_from_db()
    assert upper.name == "First floor"
    client.post(reverse("sites:plan_move", args=[upper.pk]), {"to": "up"})
    client.post(reverse("sites:plan_move", args=[upper.pk]), {"to": "up"})
    names = FloorPlan.objects.order_by("walk_order").values_list("name", flat=True)
    assert list(names) == ["First floor", "Ground floor"]


def test_the_places_to_choose_from_stand_in_their_groups_in_another_language_too(world, plan, monkeypatch):
    monkeypatch.setattr("devices.views.pins.gettext", lambda text: f"~{text}~")
    put(world, plan)
    page = world.client("office").get(reverse("devices:floor_plan", args=[plan.pk])).content.decode()
    assert "~On this plan~" in page


def test_a_technician_looks_and_changes_nothing(world, plan):
    put(world, plan)
    page = world.client("technician").get(reverse("devices:tech_floor_plan", args=[plan.pk])).content.decode()
    assert "Room 1" in page
    assert "pin-form" not in page
    pin = PlanPin.objects.get()
    for address in (
        reverse("devices:floor_plan_pin", args=[plan.pk]), reverse("devices:pin_remove", args=[pin.pk]),
        reverse("devices:floor_plan_replace", args=[plan.pk]), reverse("sites:plan_remove", args=[plan.pk]),
    ):  # fmt: skip
        assert world.client("technician").post(address, {"x": "1"}).status_code == 404
    assert PlanPin.objects.get().x_permille == 100


def test_a_customer_sees_no_plan(world, plan):
    for name in ("devices:floor_plan", "devices:tech_floor_plan", "sites:plan_picture"):
        assert world.client("own_user").get(reverse(name, args=[plan.pk])).status_code == 404


def test_a_late_life_safety_slot_is_told_by_its_shape_and_its_words_too(world, plan):
    from maintenance.models import DueItem

    DueItem.objects.create(
        customer=world.own, site=world.own_site, kind="cells", fitting=world.own_fitting, receiver=world.own_receiver,
        registration=world.own_registration, transmitter=world.own_registration.transmitter, duty="life_safety",
        harm=0, due_on=timezone.localdate().replace(year=2020), reason="calendar_cap", model_version="t",
        as_of=timezone.localdate(),
    )  # fmt: skip
    put(world, plan)
    page = page_of(world, plan)
    assert 'class="pin pin--late pin--grave"' in page
    assert "Slot 1, Room 1, late" in page


def test_a_plan_takes_the_same_number_of_queries_with_however_many_pins(world, plan):
    numbers = iter(range(2, 64))

    def grow(n):
        for _ in range(n):
            slot = next(numbers)
            factories.make_registration(world.own_receiver, slot)
            if slot % 2:
                put(world, plan, slot=slot, x_permille=slot)

    assert_same_queries(world.client("office"), reverse("devices:floor_plan", args=[plan.pk]), grow)
