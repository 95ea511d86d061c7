"""Every named colour of the product, once; no Django here, so that rules, charts and papers may use it.

The style sheet `static/company/css/tokens.css` holds the same values as custom properties (a test compares the two).
Icons, marks and charts carry the literal values of `LIGHT` as presentation attributes, because the PDF engine draws an
inline SVG without the page's style sheet; in the browser the class beside the attribute wins and follows the dark scheme.

Meaning of the roles: ink on fog with one yellow. `mark` is the one loud colour (focus, today, no signal). `grave` is red
and stands for one thing only: a life-safety item that is late or dead. Everything else that is late is ink.
"""

from __future__ import annotations

LIGHT: dict[str, str] = {
    "paper": "#f2f5f6",  # the page
    "sheet": "#ffffff",  # panels, tables, fields
    "ink": "#10293a",  # text, and what is late without being a danger to life
    "soft": "#465d6b",  # second line of text
    "line": "#c3cfd6",  # hairlines
    "edge": "#6d828d",  # edges of controls: at least 3 : 1 on paper and sheet
    "act": "#0a5870",  # links and the main button
    "act_ink": "#ffffff",
    "act_bg": "#e1eff3",
    "mark": "#ffcf33",
    "mark_ink": "#10293a",
    "mark_bg": "#fff1c2",
    "band": "#10293a",  # the bar on top of every page
    "band_ink": "#f2f5f6",
    "grave": "#9c1c1c",
    "grave_ink": "#ffffff",
    "grave_bg": "#fbe7e5",
    "late": "#10293a",
    "late_ink": "#ffffff",
    "soon": "#10293a",
    "soon_bg": "#fff1c2",
    "plan": "#0a5870",
    "plan_bg": "#e1eff3",
    "fine": "#1c5850",
    "fine_bg": "#e2f0ed",
    "blank": "#465d6b",
    "blank_bg": "#e7ecef",
}

DARK: dict[str, str] = {
    "paper": "#0b171f",
    "sheet": "#12232d",
    "ink": "#e6eef2",
    "soft": "#a5b7c1",
    "line": "#2c4351",
    "edge": "#7891a0",
    "act": "#7cc9e0",
    "act_ink": "#06202a",
    "act_bg": "#12303c",
    "mark": "#ffcf33",
    "mark_ink": "#10293a",
    "mark_bg": "#3a2f0c",
    "band": "#050d12",
    "band_ink": "#e6eef2",
    "grave": "#ff9a8f",
    "grave_ink": "#2a0d0d",
    "grave_bg": "#41191a",
    "late": "#e6eef2",
    "late_ink": "#0b171f",
    "soon": "#ffe08a",
    "soon_bg": "#3a2f0c",
    "plan": "#7cc9e0",
    "plan_bg": "#12303c",
    "fine": "#8fd9c4",
    "fine_bg": "#113029",
    "blank": "#a5b7c1",
    "blank_bg": "#1b2d38",
}

# Pairs (text, ground) that carry words. Checked at 4.5 : 1 (WCAG 2.2, success criterion 1.4.3) in both schemes.
TEXT_PAIRS: tuple[tuple[str, str], ...] = (
    ("ink", "paper"),
    ("ink", "sheet"),
    ("ink", "blank_bg"),
    ("ink", "mark_bg"),
    ("ink", "act_bg"),
    ("ink", "grave_bg"),
    ("ink", "fine_bg"),
    ("soft", "paper"),
    ("soft", "sheet"),
    ("soft", "blank_bg"),
    ("act", "paper"),
    ("act", "sheet"),
    ("act", "act_bg"),
    ("act", "blank_bg"),
    ("act_ink", "act"),
    ("mark_ink", "mark"),
    ("band_ink", "band"),
    ("grave", "sheet"),
    ("grave", "paper"),
    ("grave", "grave_bg"),
    ("grave_ink", "grave"),
    ("late_ink", "late"),
    ("soon", "soon_bg"),
    ("plan", "plan_bg"),
    ("plan", "sheet"),
    ("fine", "fine_bg"),
    ("fine", "sheet"),
    ("fine", "paper"),
    ("blank", "blank_bg"),
    ("blank", "sheet"),
)

# Pairs (edge or drawing, ground) checked at 3 : 1 (WCAG 2.2, success criterion 1.4.11).
EDGE_PAIRS: tuple[tuple[str, str], ...] = (("edge", "paper"), ("edge", "sheet"), ("mark", "band"))


def css_name(role: str) -> str:
    """Give the custom property's name of a role: `act_ink` is `--act-ink`."""
    return "--" + role.replace("_", "-")


def luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour.

    Parameters
    ----------
    colour : str
        "#rrggbb".

    Returns
    -------
    float
        0 (black) to 1 (white).

    Raises
    ------
    ValueError
        If `colour` is not of that form.

    Notes
    -----
    Source: Web Content Accessibility Guidelines (WCAG) 2.2, definition of relative luminance.
    """
    if len(colour) != 7 or colour[0] != "#":
        raise ValueError(f"not a colour of the form #rrggbb: {colour!r}")
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21.

    Parameters
    ----------
    one, other : str
        "#rrggbb".

    Returns
    -------
    float
        (lighter + 0.05) / (darker + 0.05).

    Notes
    -----
    Source: Web Content Accessibility Guidelines (WCAG) 2.2, definition of contrast ratio.
    """
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)
