"""The search box at the top of every office page: suggestions while typing, chosen with the keyboard alone."""

from __future__ import annotations

from typing import Any

from playwright.sync_api import expect

from tests import factories


def test_suggestions_are_walked_with_arrows_opened_with_enter_and_closed_with_escape(visitor: Any) -> None:
    office = factories.make_user("office")
    site = factories.make_site(name="Lantern House")
    factories.make_site(name="Lantern Mill")
    page = visitor(office.email).go("/sites/")

    page.keyboard.press("/")
    box = page.locator("#top-q")
    expect(box).to_be_focused()
    box.press_sequentially("lantern", delay=20)
    found = page.locator(".find-list [role=option]")
    expect(found).to_have_count(2)
    expect(box).to_have_attribute("aria-expanded", "true")

    page.keyboard.press("Escape")
    expect(found.first).to_be_hidden()
    expect(box).to_have_attribute("aria-expanded", "false")
    expect(box).to_have_value("lantern")

    box.press_sequentially(" hou", delay=20)
    expect(found).to_have_count(1)
    page.keyboard.press("ArrowDown")
    expect(found).to_have_attribute("aria-selected", "true")
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/sites/{site.pk}/")


def test_without_a_choice_enter_opens_everything_found_and_j_walks_it(visitor: Any) -> None:
    office = factories.make_user("office")
    factories.make_site(name="Lantern House")
    factories.make_site(name="Lantern Mill")
    page = visitor(office.email).go("/sites/")

    page.locator("#top-q").fill("lantern")
    page.keyboard.press("Enter")
    page.wait_for_url("**/search/?q=lantern")
    hits = page.locator("[data-hits] a")
    expect(hits).to_have_count(2)
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("j")
    expect(hits.nth(0)).to_be_focused()
    page.keyboard.press("j")
    expect(hits.nth(1)).to_be_focused()
    page.keyboard.press("k")
    expect(hits.nth(0)).to_be_focused()
