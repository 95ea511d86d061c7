"""Every page that a person can reach by links, on the demo firm: no accessibility violation, no sideways scroll, no error.

Checked at 1440 and 390 px, in the light and the dark scheme; nor may it scroll sideways at 1280 and 320 px and, at all four,
where the reader has set letters of double size; the main deeds of a phone page are 44 px high, its boxes to tick 24 px.

The walk follows links and visits each route once per audience, so a new page is covered as soon as something links to it.
"""

from __future__ import annotations

from collections import deque
from typing import Any
from urllib.parse import urldefrag, urlsplit

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.core.management import call_command
from django.test import Client
from django.urls import Resolver404, resolve

from company.models import User
from maintenance.models import Visit

AXE = {
    "runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]},
    "resultTypes": ["violations"],
}
# In the dark scheme only colours differ, so only what can see colours runs again.
AXE_DARK = {
    "runOnly": {"type": "rule", "values": ["color-contrast", "link-in-text-block"]},
    "resultTypes": ["violations"],
}
MAIN_DEEDS = ".button--main, .button--big, .button--danger, .acts .button"
TAP_PX = 44
BOXES = "input:is([type=checkbox], [type=radio])"
BOX_PX = 24
START = {
    "manager": ["/"],
    "technician": ["/tech/"],
    "portal": ["/portal/"],
    "nobody": ["/accounts/login/", "/accounts/password/reset/", "/no-such-page/"],
}
LEFT_OUT = ("/admin/", "/accounts/logout", "/static/")


def route_of(path: str) -> str | None:
    """Name of the route that answers a path; the walk opens one example of each."""
    try:
        found = resolve(urlsplit(path).path)
    except Resolver404:
        return None
    return found.view_name


def person_for(audience: str) -> User | None:
    """The demo's manager, a technician with a round, a customer with a whole customer to see."""
    if audience == "nobody":
        return None
    if audience == "manager":
        return User.objects.get(email="manager@skarrow-signal.example")
    if audience == "technician":
        return Visit.objects.filter(crew__isnull=False).order_by("-planned_on").first().crew.first().user
    return User.objects.filter(audience="portal", portal_access__is_limited=False).order_by("pk").first()


@pytest.mark.parametrize("width", [1440, 390])
@pytest.mark.parametrize("audience", list(START))
def test_every_page_is_accessible_fits_and_shows_no_error(audience, width, visitor, live_server):
    call_command("demo", "--no-serve", "--scale", "0.1", verbosity=0)
    person = person_for(audience)
    who = visitor(phone=width < 400)
    if person:
        client = Client()
        client.force_login(person, backend="allauth.account.auth_backends.AuthenticationBackend")
        cookie = {"name": "sessionid", "value": client.cookies["sessionid"].value, "url": live_server.url}
        who.context.add_cookies([cookie])
    axe = Axe()
    faults: list[str] = []
    waiting, seen = deque(START[audience]), set()
    while waiting:
        path = waiting.popleft()
        route = route_of(path) or path
        if route in seen:
            continue
        seen.add(route)
        if not is_page(who, live_server.url + path):
            continue
        who.go(path)
        who.page.wait_for_load_state("networkidle")
        faults += [f"{path} at {width}: {line}" for line in looks(axe, who.page, width)]
        waiting += links_of(who.page, live_server.url)
    assert len(seen) > {"manager": 30, "technician": 5, "portal": 5, "nobody": 2}[audience], sorted(seen)
    assert not faults, "\n".join(faults)


def is_page(who: Any, url: str) -> bool:
    """Whether the address gives a page to look at rather than a file."""
    answer = who.context.request.get(url)
    kind = answer.headers.get("content-type", "")
    assert answer.status in (200, 404), (url, answer.status)
    return kind.startswith("text/html")


def looks(axe: Axe, page: Any, width: int) -> list[str]:
    """What is wrong with the page as it stands, in both schemes, narrow, and with letters of double size."""
    faults = violations(axe, page)
    page.emulate_media(color_scheme="dark")
    faults += [f"dark: {line}" for line in violations(axe, page, AXE_DARK)]
    page.emulate_media(color_scheme="light")
    if width < 400:
        faults += [f"main deed {line}" for line in page.evaluate(LOW, [MAIN_DEEDS, TAP_PX])]
        faults += [f"box to tick {line}" for line in page.evaluate(LOW, [BOXES, BOX_PX])]
    return faults + too_wide(page, width)


def too_wide(page: Any, width: int) -> list[str]:
    """Where the page scrolls sideways: at its width and narrower, with the usual letters and with those of double size."""
    faults = []
    settings = page.context.new_cdp_session(page)
    for size_px, letters in ((USUAL_PX, ""), (2 * USUAL_PX, " with letters of double size")):
        # The reader's own setting, as the browser's settings hold it: queries in em follow it, which a zoomed page would not show.
        settings.send("Page.setFontSizes", {"fontSizes": {"standard": size_px}})
        for narrow in (width, 320) if width < 400 else (width, 1280):
            page.set_viewport_size({"width": narrow, "height": 844})
            if (excess := page.evaluate(EXCESS)) > 0:
                faults.append(f"scrolls sideways by {excess} px at {narrow}{letters}")
    settings.send("Page.setFontSizes", {"fontSizes": {"standard": USUAL_PX}})
    settings.detach()
    page.set_viewport_size({"width": width, "height": 844})
    return faults


USUAL_PX = 16
EXCESS = "() => document.scrollingElement.scrollWidth - document.documentElement.clientWidth"
LOW = """([deeds, least]) => [...document.querySelectorAll(deeds)].filter((b) => b.offsetParent)
    .map((b) => [b.textContent.trim(), Math.round(b.getBoundingClientRect().height)])
    .filter(([, height]) => height < least).map(([text, height]) => `“${text}” is ${height} px high`)"""


def violations(axe: Axe, page: Any, options: dict[str, Any] = AXE) -> list[str]:
    """One line per violation that axe finds."""
    found = axe.run(page, options=options).response["violations"]
    return [f"{v['id']} ({v['impact']}): {v['nodes'][0]['target']} ×{len(v['nodes'])}" for v in found]


def links_of(page: Any, base: str) -> list[str]:
    """Paths that the page links to within the product."""
    links = page.eval_on_selector_all("a[href]", "all => all.map(a => a.href)")
    paths = [urldefrag(link)[0].removeprefix(base) for link in links if link.startswith(base + "/")]
    return [path for path in dict.fromkeys(paths) if not path.startswith(LEFT_OUT)]


PLANTED = """<!doctype html><html lang="en"><head><title>Planted</title><meta name="viewport" content="width=device-width"><style>
@media (prefers-color-scheme: dark) { .dim { color: #444444; background: #222222; } }
.row { font-size: 1rem; white-space: nowrap; width: 60em; max-width: none; } .button--main { height: 30px; }
</style></head><body><main><h1>Planted</h1><p class="dim">Too dark to read</p><p class="row">row</p>
<button class="button--main">Low</button><input type="checkbox" aria-label="Small"></main></body></html>"""


def test_the_walk_would_notice_what_it_looks_for(visitor, live_server):
    wide, phone = visitor().page, visitor(phone=True).page
    for page in (wide, phone):
        page.goto(live_server.url + "/accounts/login/")
        page.route("**/planted", lambda route: route.fulfill(body=PLANTED, content_type="text/html"))
        page.goto(live_server.url + "/planted")
    on_wide, on_phone = "\n".join(looks(Axe(), wide, 1440)), "\n".join(looks(Axe(), phone, 390))
    assert "dark: color-contrast" in on_wide
    assert "at 1440 with letters of double size" in on_wide
    assert "at 1440\n" not in on_wide + "\n", "letters of the usual size fit"
    assert "main deed “Low” is 30 px high" in on_phone
    assert "box to tick “” is 13 px high" in on_phone
    assert "at 320" in on_phone
