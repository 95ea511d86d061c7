"""What the browser's own Print gives: the records from the first page on, and nothing that only a screen can do."""

from __future__ import annotations

import io
from typing import Any

import pypdfium2
import pytest
from django.utils import timezone
from playwright.sync_api import expect

from company.actions import record_change
from company.models import User
from sites.actions import save_access_note
from tests import factories

N_SITES = 30


@pytest.fixture
def many(transactional_db: Any) -> Any:
    customer = factories.make_customer()
    for n in range(N_SITES):
        factories.make_site(customer, name=f"Lodge {n:02}")
    return factories.make_manager(email="mika@example.org")


def printed(page: Any, **how: Any) -> list[str]:
    """Text of every sheet of paper."""
    paper = pypdfium2.PdfDocument(io.BytesIO(page.pdf(**how)))
    return [" ".join(sheet.get_textpage().get_text_range().split()) for sheet in paper]


def test_a_list_longer_than_a_page_begins_on_the_first(many: Any, visitor: Any) -> None:
    sheets = printed(visitor("mika@example.org").go("/sites/"))
    assert "Lodge 00" in sheets[0]
    assert "Receivers" in sheets[-1], "the head of the table stands on every page"
    # A page of the list holds 25 rows: paper shows what the screen shows.
    assert sum(" ".join(sheets).count(f"Lodge {n:02}") for n in range(N_SITES)) == 25


def test_a_log_longer_than_a_page_begins_on_the_first(many: Any, visitor: Any) -> None:
    for _ in range(N_SITES):
        record_change(by=many, at=timezone.now(), verb="save_site", subject=many, after={"note": "The door code."})
    sheets = printed(visitor("mika@example.org").go("/changes/"))
    assert len(sheets) > 1
    assert sheets[0].count("Site saved") > 5


def test_buttons_filters_and_menus_stay_on_the_screen(many: Any, visitor: Any) -> None:
    receiver = factories.make_receiver()
    factories.make_registration(receiver, 1, label="Room 14, pendant")
    text = " ".join(printed(visitor("mika@example.org").go(f"/receivers/{receiver.pk}/")))
    assert "Room 14, pendant" in text
    for words in ("Sign out", "Slot map PDF", "Add an output", "register in slot 2", "Needs a person 0"):
        assert words not in text


def test_words_on_a_dark_ground_are_ink_on_paper(many: Any, visitor: Any) -> None:
    page = visitor("mika@example.org").go("/house/style/")
    page.emulate_media(media="print", color_scheme="dark")
    for mark in (".badge--strong", ".due--late", ".seg [aria-current]"):
        drawn = page.locator(mark).first.evaluate(
            "mark => [getComputedStyle(mark).backgroundColor, getComputedStyle(mark).color]"
        )
        assert drawn[0] == "rgba(0, 0, 0, 0)", mark
        assert max(int(part) for part in drawn[1][4:-1].split(",")[:2]) < 200, mark


def test_a_code_that_was_opened_never_reaches_paper(many: Any, visitor: Any) -> None:
    site = factories.make_site(factories.make_customer(), name="Harbour Lodge")
    mika = User.objects.get(email="mika@example.org")
    note = save_access_note(site=site, title="Key safe", text="C1943Z-door", by=mika, at=factories.NOW)
    # Within the page of the site, and as a page of its own where no script runs.
    for options in ({}, {"java_script_enabled": False}):
        page = visitor("mika@example.org", **options).go(f"/sites/{site.pk}/access-notes/")
        page.get_by_role("button", name="Show Key safe").click()
        expect(page.get_by_text("C1943Z-door")).to_be_visible()
        text = " ".join(printed(page))
        assert note.title in text
        assert "C1943Z" not in text

    today = timezone.localdate()
    round = factories.make_round(factories.make_user("technician", email="tove@example.org"), day=today)
    visit = factories.make_visit(site, round, planned_on=today)
    page = visitor("tove@example.org", phone=True).go(f"/tech/visits/{visit.pk}/")
    page.get_by_role("button", name="Show: Key safe").click()
    expect(page.get_by_text("C1943Z-door")).to_be_visible()
    assert "C1943Z" not in " ".join(printed(page))
