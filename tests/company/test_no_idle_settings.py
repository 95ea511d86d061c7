"""The page of the firm offers nothing that has no effect."""

from __future__ import annotations

from typing import Any

import pytest


@pytest.mark.parametrize("address", ["/firm/", "/firm/edit/"])
def test_codes_on_phones_are_not_offered_while_no_phone_keeps_one(world: Any, address: str) -> None:
    page = world.client("manager").get(address).content.decode().lower()
    assert "notes_on_phones" not in page
    assert "kept on a phone" not in page
    assert "notes on phones" not in page
