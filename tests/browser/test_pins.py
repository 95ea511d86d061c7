"""Pins on a floor plan in a real browser: dragged, moved by keys, placed with a click, taken back, and readable on a phone."""

from __future__ import annotations

from io import BytesIO
from typing import Any

import pytest
from django.urls import reverse
from django.utils import timezone
from PIL import Image

from devices.models import PlanPin
from sites.actions.floor_plans import add_floor_plan
from sites.models import FloorPlan
from tests import factories


@pytest.fixture
def plan(transactional_db: Any) -> FloorPlan:
    """A plan of a site with two slots, one of them pinned in the middle."""
    manager = factories.make_manager(email="mika@example.org")
    receiver = factories.make_receiver(label="R1")
    for slot in (1, 2):
        factories.make_registration(receiver, slot)
    out = BytesIO()
    Image.new("RGB", (1000, 600), "white").save(out, "PNG")
    found = add_floor_plan(
        site=receiver.site, name="Ground floor", content=out.getvalue(), by=manager, at=timezone.now()
    )
    PlanPin.objects.create(
        plan=found,
        receiver=receiver,
        slot=1,
        customer=receiver.customer,
        site=receiver.site,
        x_permille=500,
        y_permille=500,
    )
    return found


def open_plan(visitor: Any, plan: FloorPlan, **options: Any) -> Any:
    return visitor("mika@example.org", **options).go(reverse("devices:floor_plan", args=[plan.pk]))


def place(slot: int = 1) -> tuple[int, int]:
    pin = PlanPin.objects.get(slot=slot)
    return pin.x_permille, pin.y_permille


def pin_of(page: Any, slot: int = 1) -> Any:
    return page.locator(f"[data-plan] [data-pin$='-{slot}']")


def saved(page: Any, deed: Any) -> None:
    """Do something that saves, and wait for the answer."""
    with page.expect_response(lambda response: response.request.method == "POST"):
        deed()
    page.wait_for_function("() => document.querySelector('svg[data-plan]')?.dataset.ready === '1'")


def test_arrow_keys_move_a_pin_enter_keeps_it_and_escape_takes_it_back(plan: FloorPlan, visitor: Any) -> None:
    page = open_plan(visitor, plan)
    pin_of(page).focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowDown")
    assert "51 % from the left, 55 % from the top" in page.locator("#plan-said").inner_text()
    assert place() == (500, 500), "nothing is written before Enter"
    page.keyboard.press("Escape")
    assert "Back where it was" in page.locator("#plan-said").inner_text()
    page.keyboard.press("ArrowRight")
    saved(page, lambda: page.keyboard.press("Enter"))
    assert place() == (510, 500)
    assert page.evaluate("document.activeElement.dataset.pin || ''").endswith("-1"), "the same pin has the focus again"


def test_a_pin_is_dragged_and_taken_back_with_the_message(plan: FloorPlan, visitor: Any) -> None:
    page = open_plan(visitor, plan)
    box, pin = page.locator("svg[data-plan]").bounding_box(), pin_of(page).bounding_box()
    page.mouse.move(pin["x"] + pin["width"] / 2, pin["y"] + pin["height"] / 2)
    page.mouse.down()
    page.mouse.move(pin["x"] + 40, pin["y"] + 20, steps=4)
    page.mouse.move(pin["x"] + pin["width"] / 2 + box["width"] / 4, pin["y"] + pin["height"] / 2, steps=4)
    saved(page, page.mouse.up)
    x, y = place()
    assert (abs(x - 750) <= 5, abs(y - 500) <= 5) == (True, True), (x, y)
    page.get_by_role("button", name="Undo").click()
    page.wait_for_load_state()
    assert place() == (500, 500)


def test_a_finger_drags_a_pin_without_scrolling_the_plan(plan: FloorPlan, visitor: Any) -> None:
    page = open_plan(visitor, plan, phone=True)
    pin_of(page).scroll_into_view_if_needed()
    box, pin = page.locator("svg[data-plan]").bounding_box(), pin_of(page).bounding_box()
    x, y = pin["x"] + pin["width"] / 2, pin["y"] + pin["height"] / 2
    finger = page.context.new_cdp_session(page)

    def touch(kind: str, *share: float) -> None:
        points = [{"x": x + share[0] * box["width"] / 4, "y": y}] if share else []
        finger.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    touch("touchStart", 0)
    for step in range(1, 9):
        touch("touchMove", step / 8)
        page.wait_for_timeout(20)
    saved(page, lambda: touch("touchEnd"))
    assert abs(place()[0] - 750) <= 5, place()


def test_a_pin_let_go_beside_the_plan_stays_where_it_was(plan: FloorPlan, visitor: Any) -> None:
    page = open_plan(visitor, plan)
    posts: list[str] = []
    page.on("request", lambda request: posts.append(request.url) if request.method == "POST" else None)
    box, pin = page.locator("svg[data-plan]").bounding_box(), pin_of(page).bounding_box()
    page.mouse.move(pin["x"] + pin["width"] / 2, pin["y"] + pin["height"] / 2)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] + 60, box["y"] + 20, steps=6)
    page.mouse.up()
    assert "the pin is not moved" in page.locator("#plan-said").inner_text()
    page.wait_for_timeout(200)
    assert (posts, place()) == ([], (500, 500))
    assert pin_of(page).get_attribute("transform").startswith("translate(500.0 300.0)"), "drawn where it is on record"


def test_a_slot_without_a_pin_is_placed_with_a_click(plan: FloorPlan, visitor: Any) -> None:
    page = open_plan(visitor, plan)
    page.locator("[data-place$='-2']").click()
    assert "click on the plan where it stands" in page.locator("#plan-said").inner_text()
    box = page.locator("svg[data-plan]").bounding_box()
    saved(page, lambda: page.mouse.click(box["x"] + box["width"] / 10, box["y"] + box["height"] / 5))
    x, y = place(2)
    assert (abs(x - 100) <= 4, abs(y - 200) <= 4) == (True, True), (x, y)


def test_a_click_in_the_middle_where_the_new_pin_waits_places_it_too(plan: FloorPlan, visitor: Any) -> None:
    page = open_plan(visitor, plan)
    page.locator("[data-place$='-2']").click()
    saved(page, lambda: page.locator("svg[data-plan]").click())
    x, y = place(2)
    assert (abs(x - 500) <= 20, abs(y - 500) <= 20) == (True, True), (x, y)
    assert page.locator("#pin-form select").input_value().endswith("-2"), "the form says what was placed"


def test_place_and_a_click_set_the_pin_on_a_page_full_of_slots(plan: FloorPlan, visitor: Any) -> None:
    receiver = PlanPin.objects.get(slot=1).receiver
    for slot in range(3, 9):
        factories.make_registration(receiver, slot)
    other = factories.make_receiver(label="R2", site=receiver.site)
    for slot in range(1, 33):
        factories.make_registration(other, slot)
    page = open_plan(visitor, plan)
    tall = page.evaluate(
        "[document.scrollingElement.scrollHeight, Math.max(...[...document.querySelectorAll('body > *')]"
        ".map((each) => each.getBoundingClientRect().bottom + scrollY))]"
    )
    assert tall[0] <= tall[1] + 1, "nothing hidden makes the page longer than what it shows"
    last = page.locator("[data-place]").last
    last.scroll_into_view_if_needed()
    last.click()
    page.wait_for_timeout(200)
    box = page.locator("svg[data-plan]").bounding_box()
    y = max(box["y"], 0) + 40
    saved(page, lambda: page.mouse.click(box["x"] + box["width"] / 4, y))
    pin = PlanPin.objects.exclude(slot=1, receiver=receiver).get()
    assert abs(pin.x_permille - 250) <= 4, pin.x_permille
    assert abs(pin.y_permille - (y - box["y"]) / box["height"] * 1000) <= 4, pin.y_permille


def test_a_slot_without_a_pin_is_placed_by_keyboard_alone(plan: FloorPlan, visitor: Any) -> None:
    page = open_plan(visitor, plan)
    page.locator("[data-place$='-2']").focus()
    page.keyboard.press("Enter")
    page.keyboard.press("ArrowLeft")
    saved(page, lambda: page.keyboard.press("Enter"))
    assert PlanPin.objects.filter(slot=2).exists()


def test_a_larger_plan_keeps_its_pins_small_and_in_place(plan: FloorPlan, visitor: Any) -> None:
    page = open_plan(visitor, plan)
    before = pin_of(page).locator(".pin__shape").bounding_box()["width"]
    page.locator("[data-zoom='3']").click()
    svg, after = page.locator("svg[data-plan]").bounding_box(), pin_of(page).locator(".pin__shape").bounding_box()
    assert abs(after["width"] - before) < 3
    assert abs((after["x"] + after["width"] / 2 - svg["x"]) / svg["width"] - 0.5) < 0.01


def test_without_scripts_the_form_places_a_pin(plan: FloorPlan, visitor: Any) -> None:
    page = open_plan(visitor, plan, java_script_enabled=False)
    page.locator("select[name=place]").select_option(label="Slot 2: Room 2")
    page.locator("input[name=x]").fill("25")
    page.locator("input[name=y]").fill("75")
    page.get_by_role("button", name="Keep this place").click()
    assert place(2) == (250, 750)


@pytest.mark.parametrize("width", [390, 320])
def test_the_plan_page_does_not_scroll_sideways(plan: FloorPlan, visitor: Any, width: int) -> None:
    page = open_plan(visitor, plan, phone=True, viewport={"width": width, "height": 844})
    assert page.evaluate("document.scrollingElement.scrollWidth") <= width
