"""Telephone numbers are written as people write them and dialled as telephones want them."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.urls import reverse

from company.actions import ensure_firm
from company.templatetags.words import tel
from sites.models import Site


@pytest.mark.parametrize(
    ("written", "dialled"),
    [
        ("01632 960499", "tel:01632960499"), ("+44 (0)1632 960 499", "tel:+441632960499"),
        ("(01632) 960-499", "tel:01632960499"), ("0531/960 499", "tel:0531960499"),
        ("01632 960499 ext. 12", "tel:01632960499"), ("01632 960499 / 01632 960500", "tel:01632960499"),
        ("01632 960499, nights 960500", "tel:01632960499"), ("ask at the desk", ""), ("", ""), (None, ""),
    ],
)  # fmt: skip
def test_a_number_is_dialled_without_what_only_the_eye_needs(written: str | None, dialled: str) -> None:
    assert tel(written) == dialled


def test_whoever_asks_for_service_can_ring_the_firm_from_the_page(world: Any) -> None:
    address = reverse("maintenance:portal_request_new", args=[world.own_site.uuid])
    assert "use the one that you always ring" in world.client("own_user").get(address).content.decode()
    firm = ensure_firm()
    firm.phone = "01632 960 301"
    firm.save()
    page = world.client("own_user").get(address).content.decode()
    assert re.search(r'href="tel:01632960301">.*01632 960 301', page)


def test_the_technicians_pages_dial_without_a_space(world: Any) -> None:
    Site.objects.filter(pk=world.own_site.pk).update(phone="01632 960499")
    page = world.client("technician").get(reverse("maintenance:tech_site", args=[world.own_site.pk])).content.decode()
    assert 'href="tel:01632960499"' in page
