"""The style page shows every part once, so that a part that nobody looks at is noticed."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests import factories

CSS = Path(__file__).parents[2] / "company" / "static" / "company" / "css" / "parts.css"
ICONS = Path(__file__).parents[2] / "templates" / "icons"

# Made by scripts or by the frame of every page, not by a part of a page's own.
ELSEWHERE = {"skip", "js", "toasts", "htmx-indicator", "htmx-request", "dialog", "top"}
# Layout helpers: nothing to look at by themselves.
HELPERS = {"push", "vh", "wide"}


def parts_of(css: str) -> set[str]:
    """First class of every rule: the part itself, without its pieces (`part__piece`) and variants (`part--kind`)."""
    css = re.sub(r"/\*.*?\*/", "", css, flags=re.DOTALL)
    found: set[str] = set()
    for selectors in re.findall(r"([^{};]+)\{", css):
        found |= {name for name in re.findall(r"\.([a-z][a-z-]*[a-z])", selectors) if "--" not in name}
    return {name for name in found if "__" not in name}


@pytest.fixture
def shown(client, db) -> str:
    client.force_login(factories.make_user("office"))
    answer = client.get("/house/style/")
    assert answer.status_code == 200
    return answer.content.decode()


def test_every_part_of_the_style_sheet_is_shown(shown):
    classes = {name for value in re.findall(r'class="([^"]*)"', shown) for name in value.split()}
    names = {name.split("__")[0].split("--")[0] for name in classes}
    missing = {name for name in parts_of(CSS.read_text()) if name not in names} - ELSEWHERE - HELPERS
    assert not missing


def test_a_part_that_is_not_shown_would_be_noticed():
    assert parts_of(".lantern { color: red; } .lantern__wick, .slot--late > .due { x: y; }") == {"lantern", "due"}


def test_every_picture_is_shown(shown):
    assert all(f" {path.stem}</li>" in shown for path in ICONS.glob("*.svg"))


def test_every_plot_has_its_table_or_leads_to_it(shown):
    figures = re.findall(r"<figure.*?</figure>", shown, flags=re.DOTALL)
    assert len(figures) == 4
    assert all("<table" in figure or "with its table" in figure for figure in figures)
