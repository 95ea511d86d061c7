"""The frame of every page in a real browser: keyboard, questions, messages, sending once, second factor."""

from __future__ import annotations

import base64
import hashlib
import hmac
import re
import struct
import time
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import Page, expect

from company import palette
from company.models import Firm, User
from devices.models import Fault
from sites.models import Area, MonitoringCentre, Site
from tests import factories


@pytest.fixture
def firm(transactional_db: Any) -> Firm:
    manager = factories.make_manager(email="mika@example.org")
    assert manager.is_manager
    site = factories.make_site(factories.make_customer(name="Harbour Trust"), name="Rowan Court")
    Area.objects.create(site=site, customer=site.customer, path="Annexe")
    MonitoringCentre.objects.create(site=site, customer=site.customer, name="Quay Desk")
    return Firm.objects.get()


def focused(page: Page) -> str:
    return page.evaluate("document.activeElement.id || document.activeElement.tagName")


def code_of(secret: str) -> str:
    """Six digits of now: RFC 6238 (TOTP) on RFC 4226 (HOTP), SHA-1, steps of 30 s; written here from those papers."""
    key = base64.b32decode(secret + "=" * (-len(secret) % 8))
    digest = hmac.new(key, struct.pack(">Q", int(time.time()) // 30), hashlib.sha1).digest()
    offset = digest[-1] & 15
    return f"{(struct.unpack('>I', digest[offset : offset + 4])[0] & 0x7FFFFFFF) % 10**6:06}"


def test_the_key_goes_to_the_search_and_can_be_switched_off(firm, visitor):
    page = visitor("mika@example.org").go("/sites/")
    page.keyboard.press("/")
    assert focused(page) == "top-q"
    page.keyboard.press("/")
    expect(page.locator("#top-q")).to_have_value("/")
    page.locator("#top-q").blur()
    page.locator(".top__user summary").click()
    page.locator("[data-slash]").click()
    page.keyboard.press("Escape")
    assert focused(page) == "SUMMARY"
    page.reload()
    page.keyboard.press("/")
    assert focused(page) == "BODY"


def test_what_somebody_opened_stays_open_when_the_part_around_it_is_fetched_anew(firm, visitor):
    now = timezone.now()
    gateway = factories.make_gateway(
        Site.objects.get().customer, late_after_s=3600, last_used_at=now - timedelta(hours=3)
    )
    for _ in range(3):
        one = factories.make_receiver(Site.objects.get(), fed_by=gateway)
        Fault.objects.create(
            customer=one.customer, site=one.site, receiver=one, kind="link_lost", raised_at=now - timedelta(hours=2),
            found_by="watch",
        )  # fmt: skip
    page = visitor("mika@example.org").go("/office/")
    page.locator("#now details summary").click()
    page.evaluate("document.getElementById('now').dataset.mark = 'old'")
    page.evaluate("htmx.ajax('GET', '/faults/now/', {target: '#now', swap: 'outerHTML'})")
    expect(page.locator("#now[data-mark]")).to_have_count(0)
    expect(page.locator("#now details[open]")).to_have_count(1)


def test_a_deed_that_cannot_be_taken_back_is_asked_about_first(firm, visitor):
    page = visitor("mika@example.org").go(f"/sites/{Site.objects.get().pk}/")
    page.get_by_label("Why").fill("The house is sold.")
    close = page.get_by_role("button", name="Close the site")
    close.click()
    expect(page.locator("#confirm")).to_contain_text("Close Rowan Court?")
    page.locator("[data-confirm-no]").click()
    assert Site.objects.get().closed_at is None
    close.click()
    page.locator("[data-confirm-yes]").click()
    expect(page.locator("#toasts")).to_contain_text("Rowan Court")
    assert Site.objects.get().closed_at


def test_two_clicks_send_a_form_once_and_going_back_frees_it(firm, visitor):
    page = visitor("mika@example.org").go(f"/sites/{Site.objects.get().pk}/areas/new/")
    page.get_by_label("Building, floor, room").fill("Hall")
    sent: list[str] = []
    page.on("request", lambda request: request.method == "POST" and sent.append(request.url))
    page.evaluate("() => { const b = document.querySelector('form.form button'); b.click(); b.click(); }")
    page.wait_for_url(re.compile(r"/sites/\d+/$"))
    assert len(sent) == 1
    assert Area.objects.filter(path="Hall").count() == 1
    page.go_back()
    expect(page.locator("form.form button").first).to_be_enabled()


def test_a_refused_form_takes_the_keyboard_to_what_is_wrong(firm, visitor):
    page = visitor("mika@example.org").go("/customers/new/")
    page.get_by_label("Customer code").fill(Site.objects.get().customer.code)
    page.get_by_label("Name", exact=True).fill("Other")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("[data-errors]")).to_be_focused()
    expect(page.locator("[data-errors]")).to_contain_text("Another customer has this code.")


def test_a_list_is_filtered_while_one_types_and_the_address_keeps_it(firm, visitor):
    for name in ("Skarrow Library", "Boat Shed"):
        factories.make_site(name=name)
    page = visitor("mika@example.org").go("/sites/")
    expect(page.locator("#rows tbody tr")).to_have_count(3)
    page.locator("#f-q").fill("library")
    expect(page.locator("#rows tbody tr")).to_have_count(1)
    assert focused(page) == "f-q"
    page.wait_for_url(re.compile("q=library"))
    page.reload()
    expect(page.locator("header.top")).to_have_count(1)
    expect(page.locator("#rows tbody tr")).to_have_count(1)
    page.get_by_role("link", name="Skarrow Library").click()
    page.go_back()
    expect(page.locator("header.top")).to_have_count(1)
    expect(page.locator("#rows tbody tr")).to_have_count(1)


def test_a_fragment_asked_for_after_the_session_ended_leads_to_the_sign_in_page(firm, visitor):
    person = visitor("mika@example.org")
    page = person.go("/sites/")
    person.context.clear_cookies()
    page.locator("#f-q").fill("x")
    page.wait_for_url(re.compile(r"/accounts/login/\?next="))
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()


def test_an_access_note_is_shown_in_place_and_nowhere_in_the_page_before(firm, visitor):
    page = visitor("mika@example.org").go(f"/sites/{Site.objects.get().pk}/access-notes/new/")
    page.get_by_label("Title").fill("Key safe")
    page.get_by_label("What it says").fill("C1943Z")
    page.get_by_role("button", name="Save").click()
    page.wait_for_url(re.compile(r"/sites/\d+/$"))
    assert "C1943Z" not in page.content()
    page.get_by_role("button", name="Show Key safe").click()
    expect(page.locator("#notes")).to_contain_text("C1943Z")
    page.get_by_role("link", name="Hide it").click()
    page.reload()
    assert "C1943Z" not in page.content()


def test_a_drawn_signature_becomes_a_path_and_can_be_cleared(firm, visitor):
    page = visitor("mika@example.org", phone=True).go("/sites/")
    page.evaluate("""() => {
        document.getElementById("main").insertAdjacentHTML("afterbegin", `<input type="hidden" id="sig">
          <canvas data-signature="sig"></canvas><button type="button" data-signature-clear="sig">Clear</button>`);
        document.dispatchEvent(new CustomEvent("htmx:afterSettle", {detail: {elt: document.body}}));
    }""")
    box = page.locator("canvas").bounding_box()
    page.mouse.move(box["x"] + 10, box["y"] + 10)
    page.mouse.down()
    page.mouse.move(box["x"] + 60, box["y"] + 40, steps=5)
    page.mouse.up()
    path = page.locator("#sig").input_value()
    assert re.fullmatch(r"(?:[ML]\d{1,3} \d{1,3})+", path)
    assert path.count("M") == 1
    page.locator("[data-signature-clear]").click()
    assert page.locator("#sig").input_value() == ""


def test_a_second_factor_is_set_up_with_our_own_picture_and_asked_for_at_sign_in(firm, visitor):
    person = visitor("mika@example.org")
    page = person.go("/accounts/2fa/totp/activate/")
    # The password was typed a moment ago, in signing in: it is not asked for again.
    expect(page.locator("svg.qr")).to_be_visible()
    assert "data:image" not in page.content()
    page.get_by_label("Authenticator code").fill(code_of(page.locator("dd.num").inner_text()))
    page.get_by_role("button", name="Set it up").click()
    expect(page.locator(".codes li")).to_have_count(10)
    recovery = page.locator(".codes li").first.inner_text()
    page.locator(".top__user summary").click()
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url(re.compile("/accounts/login/"))
    person.sign_in("mika@example.org")
    page.get_by_label("Code").fill(recovery)
    page.get_by_role("button", name="Sign in", exact=True).click()
    page.wait_for_url(re.compile("/office/"))


def test_without_scripts_a_form_posts_and_the_message_stands_on_the_page(firm, visitor):
    page = visitor("mika@example.org", java_script_enabled=False).go(f"/sites/{Site.objects.get().pk}/")
    page.get_by_role("link", name="Show the receivers of this site").click()
    expect(page.locator("h1")).to_contain_text("Rowan Court")
    page.go_back()
    page.get_by_role("button", name="Remove Quay Desk").click()
    expect(page.locator("#toasts")).to_contain_text("Removed: Quay Desk.")


def test_single_keys_walk_lists_open_the_menu_and_show_their_help(firm, visitor):
    page = visitor("mika@example.org").go("/sites/")
    page.keyboard.press("?")
    expect(page.locator("#keys")).to_be_visible()
    page.keyboard.press("Escape")
    expect(page.locator("#keys")).to_be_hidden()
    page.keyboard.press("j")
    assert page.evaluate("document.activeElement.textContent") == "Rowan Court"
    page.keyboard.press("Enter")
    page.wait_for_url("**/sites/*/")
    second = page.locator(".top__nav li:nth-child(2) a").get_attribute("href")
    page.keyboard.press("g")
    page.keyboard.press("2")
    page.wait_for_url(f"**{second}")


def test_single_keys_that_are_switched_off_do_nothing(firm, visitor):
    page = visitor("mika@example.org").go("/sites/")
    page.evaluate("localStorage.setItem('no-slash', '1')")
    for key in ("?", "j", "g", "2"):
        page.keyboard.press(key)
    expect(page.locator("#keys")).to_be_hidden()
    assert focused(page) == "BODY"
    assert page.url.endswith("/sites/")


@pytest.mark.parametrize(
    ("theme", "device", "is_dark"),
    [("auto", "light", False), ("auto", "dark", True), ("light", "dark", False), ("dark", "light", True)],
)
def test_a_person_may_choose_the_look_or_leave_it_to_the_device(firm, visitor, theme, device, is_dark):
    User.objects.filter(email="mika@example.org").update(theme=theme)
    page = visitor("mika@example.org").go("/sites/")
    page.emulate_media(color_scheme=device)
    paper = page.evaluate("getComputedStyle(document.documentElement).getPropertyValue('--paper').trim()")
    assert paper == (palette.DARK if is_dark else palette.LIGHT)["paper"]
    page.emulate_media(media="print")
    ink = page.evaluate("getComputedStyle(document.documentElement).getPropertyValue('--ink').trim()")
    assert ink == palette.LIGHT["ink"]
