"""Why this date in a real browser: two sheets of paper, readable on a phone, the customer's text taken with one click."""

from __future__ import annotations

import io
from datetime import timedelta
from typing import Any

import pypdfium2
import pytest
from django.utils import timezone

from devices.models import CheckInDay
from maintenance.actions import due
from maintenance.models import DueChange, DueItem
from tests import factories


@pytest.fixture
def item(transactional_db: Any) -> DueItem:
    """Cells with everything that makes the page long: a strip, many rules, a history of moves."""
    factories.make_manager(email="mika@example.org")
    receiver = factories.make_receiver(evidence="every")
    registration = factories.make_registration(receiver, 1, label="Room 14, pendant")
    now = timezone.now()
    factories.make_fitting(registration.transmitter, fitted_at=now - timedelta(days=900))
    for ago in range(90):
        CheckInDay.objects.create(
            transmitter_id=registration.transmitter_id, day=now.date() - timedelta(days=ago), heard=23, expected=24,
            activations=ago % 4, flags=0, customer_id=receiver.customer_id,
        )  # fmt: skip
    due.refresh_receivers(receiver_ids=[receiver.pk], at=now, today=now.date())
    found = DueItem.objects.get()
    for days in (1, 2, 3, 4, 5):
        DueChange.objects.create(
            due_item=found, customer=found.customer, at=now - timedelta(days=days), from_on=now.date(),
            to_on=now.date(), from_reason="risk_limit", to_reason="calendar_cap",
        )  # fmt: skip
    return found


def test_it_prints_on_one_sheet_of_a4_and_its_figures_on_a_second(item: DueItem, visitor: Any) -> None:
    page = visitor("mika@example.org").go(item.get_absolute_url())
    paper = pypdfium2.PdfDocument(io.BytesIO(page.pdf(prefer_css_page_size=True)))
    assert len(paper) == 2, "the story on one sheet; what it was worked out from, with its sources, on one behind it"
    width, height = paper[0].get_size()
    assert (round(width), round(height)) == (595, 842)
    text = paper[0].get_textpage().get_text_range()
    for heading in ("In a sentence", "How we know", "What every rule says", "What would change it"):
        assert heading in text
    assert "One click marks" not in text
    figures = " ".join(paper[1].get_textpage().get_text_range().split())
    for figure in ("model fleet-", "Rated charge of the set", "Charge used at the limit", "Longest time in service"):
        assert figure in figures, "the paper holds what the date was worked out from"


def test_on_a_phone_the_picture_and_its_table_fit(item: DueItem, visitor: Any) -> None:
    page = visitor("mika@example.org", phone=True).go(item.get_absolute_url())
    assert page.evaluate("document.scrollingElement.scrollWidth") <= 390
    drawn = page.locator("svg.life").bounding_box()
    letters = page.locator("svg.life text").first.evaluate(
        "text => parseFloat(getComputedStyle(text).fontSize) * text.ownerSVGElement.getScreenCTM().a"
    )
    assert drawn["width"] > 280
    assert letters >= 9, "letters of the picture in pixels of the page"


def test_one_click_takes_the_whole_text_for_the_customer(item: DueItem, visitor: Any) -> None:
    page = visitor("mika@example.org").go(item.get_absolute_url())
    copied = page.locator(".why-copy")
    copied.click(position={"x": 40, "y": 20})
    chosen = page.evaluate("getSelection().toString()").strip()
    assert chosen == " ".join(copied.inner_text().split())
