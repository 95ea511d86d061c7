"""The palette is one truth: the style sheet repeats it, and every pair that carries words can be read."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from company import palette

TOKENS = Path(__file__).parents[2] / "company" / "static" / "company" / "css" / "tokens.css"


def colours_in(css: str) -> dict[str, str]:
    return dict(re.findall(r"(--[a-z-]+):\s*(#[0-9a-f]{6});", css))


def test_the_style_sheet_holds_exactly_the_palette_of_the_light_scheme() -> None:
    assert colours_in(TOKENS.read_text()) == {palette.css_name(role): value for role, value in palette.LIGHT.items()}


def test_the_style_sheet_holds_exactly_the_palette_of_the_dark_scheme() -> None:
    assert colours_in((TOKENS.parent / "dark.css").read_text()) == {
        palette.css_name(role): value for role, value in palette.DARK.items()
    }


PAPER = {"print.css", "paper.css", "paper_base.css"}


def test_no_other_style_sheet_of_the_screen_names_a_colour_of_its_own() -> None:
    for sheet in TOKENS.parent.glob("*.css"):
        if sheet.name not in {"tokens.css", "dark.css", *PAPER}:
            assert re.findall(r"#[0-9a-fA-F]{3,8}\b|rgba?\(", sheet.read_text()) == [], sheet.name


@pytest.mark.parametrize("name", sorted(PAPER))
def test_paper_uses_the_colours_of_the_light_scheme_only(name: str) -> None:
    # Literal there, because the PDF engine draws some parts apart from the page's custom properties.
    used = set(re.findall(r"#[0-9a-fA-F]{3,8}\b", (TOKENS.parent / name).read_text()))
    assert used <= set(palette.LIGHT.values()) | {"#fff", "#000", "#000000"}


@pytest.mark.parametrize("scheme", [palette.LIGHT, palette.DARK], ids=["light", "dark"])
@pytest.mark.parametrize(("text", "ground"), palette.TEXT_PAIRS)
def test_words_stand_out_from_their_ground(scheme: dict[str, str], text: str, ground: str) -> None:
    # 4.5 : 1 is success criterion 1.4.3 of the Web Content Accessibility Guidelines 2.2.
    assert palette.contrast(scheme[text], scheme[ground]) >= 4.5


@pytest.mark.parametrize("scheme", [palette.LIGHT, palette.DARK], ids=["light", "dark"])
@pytest.mark.parametrize(("edge", "ground"), palette.EDGE_PAIRS)
def test_edges_of_controls_can_be_seen(scheme: dict[str, str], edge: str, ground: str) -> None:
    # 3 : 1 is success criterion 1.4.11 of the Web Content Accessibility Guidelines 2.2.
    assert palette.contrast(scheme[edge], scheme[ground]) >= 3


@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [("#000000", "#ffffff", 21.0), ("#777777", "#ffffff", 4.48), ("#123456", "#123456", 1.0)],
)
def test_contrast_gives_the_known_ratios(one: str, other: str, ratio: float) -> None:
    # Black on white is 21 : 1 and equal colours 1 : 1 by the definition in WCAG 2.2; #777777 on white, 4.48 : 1, is the
    # often quoted grey that just fails 4.5 : 1 (from memory).
    assert palette.contrast(one, other) == pytest.approx(ratio, abs=0.005)


def test_a_colour_of_another_form_is_refused() -> None:
    with pytest.raises(ValueError, match="#rrggbb"):
        palette.luminance("#fff")
