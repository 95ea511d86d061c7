"""Template tags and filters of the house: icons, urgency marks, menus; with those of days.py, lengths.py and words.py.

Nothing here reads the database. Drawings carry literal colours as attributes, because the PDF engine draws an inline
SVG without the page's style sheet; in the browser the class beside the attribute wins.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

import segno
from django import template
from django.http import QueryDict
from django.template import Context
from django.urls import NoReverseMatch, reverse
from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext, gettext_noop

from company import palette
from company.templatetags import days, lengths, words

register = template.Library()
for part in (days, lengths, words):
    # One line to load in a template, whichever module a filter stands in.
    register.filters.update(part.register.filters)

ICONS = Path(__file__).parents[2] / "templates" / "icons"

# Main menu of each audience: name of the address, label, section.
NAV: dict[str, tuple[tuple[str, str, str], ...]] = {
    "office": (
        ("maintenance:office_home", gettext_noop("Today"), "today"),
        ("maintenance:due_list", gettext_noop("Due and rounds"), "due"),
        ("sites:site_list", gettext_noop("Sites"), "sites"),
        ("devices:receiver_list", gettext_noop("Receivers"), "receivers"),
        ("maintenance:fault_list", gettext_noop("Check-ins"), "checkins"),
        ("maintenance:report_list", gettext_noop("Reports"), "reports"),
        ("devices:import_list", gettext_noop("Import"), "import"),
        ("company:settings_home", gettext_noop("Firm"), "firm"),
    ),
    "technician": (
        ("maintenance:tech_today", gettext_noop("Today"), "today"),
        ("maintenance:tech_sites", gettext_noop("Sites"), "sites"),
        ("maintenance:tech_fault_list", gettext_noop("Faults"), "faults"),
        ("maintenance:tech_search", gettext_noop("Search"), "search"),
    ),
    "portal": (
        ("maintenance:portal_home", gettext_noop("My sites"), "sites"),
        ("maintenance:portal_reports", gettext_noop("Reports"), "reports"),
    ),
}

DUE_MENU: tuple[tuple[str, str], ...] = (
    ("maintenance:due_list", gettext_noop("What is due")), ("maintenance:round_list", gettext_noop("Rounds")), ("maintenance:visit_list", gettext_noop("Visits")),
    ("maintenance:request_list", gettext_noop("Requests")), ("maintenance:lots", gettext_noop("Lots")), ("maintenance:recall_list", gettext_noop("Recalls")),
    ("maintenance:policy", gettext_noop("Policy")), ("maintenance:kinds", gettext_noop("Kinds")), ("maintenance:honesty", gettext_noop("Are we honest?")),
)  # fmt: skip
# Second row of the office's menu: the pages of a section, where it has more than one.
SUB_NAV: dict[str, tuple[tuple[str, str], ...]] = {
    "today": (
        ("maintenance:office_home", gettext_noop("Today")),
        ("maintenance:finding_list", gettext_noop("What needs a person")),
    ),
    "due": DUE_MENU,
    "sites": (("sites:site_list", gettext_noop("Sites")), ("company:customer_list", gettext_noop("Customers"))),
    "receivers": (
        ("devices:receiver_list", gettext_noop("Receivers")),
        ("devices:plan_list", gettext_noop("Planned changes")),
        ("devices:away_list", gettext_noop("Away")),
        ("devices:loan_list", gettext_noop("On loan")),
        ("devices:catalogue", gettext_noop("Catalogue")),
    ),
    "checkins": (
        ("maintenance:fault_list", gettext_noop("Faults")),
        ("devices:source_list", gettext_noop("Sources")),
        ("devices:batch_list", gettext_noop("Batches")),
        ("devices:set_aside_list", gettext_noop("Set aside")),
        ("devices:event_file_list", gettext_noop("Event logs")),
        ("devices:panel_list", gettext_noop("Panels")),
        ("maintenance:notice_list", gettext_noop("Mails")),
    ),
    "firm": (
        ("company:settings_home", gettext_noop("Settings")),
        ("company:person_list", gettext_noop("People")),
        ("maintenance:notice_rule_list", gettext_noop("Who is told of faults")),
        ("company:change_list", gettext_noop("Who changed what")),
        ("company:job_list", gettext_noop("Background work")),
    ),
}

# What an urgency mark says when the caller gives no words.
DUE_WORDS = {
    "late": gettext_noop("late"),
    "soon": gettext_noop("soon"),
    "later": gettext_noop("later"),
    "planned": gettext_noop("planned"),
    "fine": gettext_noop("fine"),
    "none": gettext_noop("no estimate"),
}


# --- drawings ---------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=256)
def _drawing(name: str) -> str:
    path = ICONS / f"{name}.svg"
    if not re.fullmatch(r"[a-z0-9_-]+", name) or not path.is_file():
        path = ICONS / "unknown.svg"
    text = re.sub(r"<!--.*?-->", "", path.read_text(encoding="utf-8"), flags=re.DOTALL).strip()
    return text.replace(' xmlns="http://www.w3.org/2000/svg"', "", 1)


@lru_cache(maxsize=512)
def icon_svg(name: str, *, title: str = "", colour: str = "ink", extra: str = "") -> SafeString:
    """Inline one icon file; a name without a file gives the "unknown" icon, since kinds come from data.

    `title` makes it a picture with a name for screen readers; without one it is decoration. `colour` is a role of the
    palette, used where no style sheet reaches (PDF); `extra` is a further class.
    """
    svg = _drawing(name).replace(palette.LIGHT["ink"], palette.LIGHT[colour])
    classes = f"icon {extra}".strip()
    if title:
        head = format_html('<svg class="{}" role="img">', classes)
        label = format_html("<title>{}</title>", title)
    else:
        head = format_html('<svg class="{}" aria-hidden="true" focusable="false">', classes)
        label = SafeString("")
    opening, rest = svg.split(">", 1)
    # The file is ours and the two inserted pieces are escaped above.
    return mark_safe(head[:-1] + opening.removeprefix("<svg") + ">" + label + rest)


@register.simple_tag
def icon(name: str, title: str = "", colour: str = "ink", extra: str = "") -> SafeString:
    """`{% icon "pendant" %}`, `{% icon row.kind title="pendant" %}`."""
    return icon_svg(str(name), title=title, colour=colour, extra=extra)


@register.simple_tag
def due_mark(state: str, text: str = "", duty: str = "") -> SafeString:
    """Urgency as shape, word and box: `{% due_mark "late" "late 12 d" duty="life_safety" %}`.

    Red is kept for what is late on a life-safety duty; every other late mark is ink. A day in the words follows the
    firm's style.
    """
    known = state if state in DUE_WORDS else "none"
    grave = known == "late" and duty == "life_safety"
    colour = {"late": "grave_ink" if grave else "late_ink", "fine": "fine", "planned": "plan", "none": "blank"}
    return format_html(
        '<span class="due due--{}{}">{}{}</span>',
        known,
        " due--grave" if grave else "",
        icon_svg(f"due-{known}", colour=colour.get(known, "ink")),
        days.dated(text) or gettext(DUE_WORDS[known]),
    )


@register.filter
def ticks(months_left: float | None) -> SafeString:
    """Draw the months an estimate leaves as up to twelve ticks; it is no gauge of a charge."""
    if months_left is None or months_left == "":
        shown, words = None, "no estimate"
    else:
        shown = max(0, min(12, int(months_left)))
        words = "about a year or more left" if shown == 12 else f"about {shown} month{'' if shown == 1 else 's'} left"
        words = f"estimate: {words}" if shown else "estimate: less than a month left"
    lines = []
    for i in range(12):
        kind, colour = ("none", "edge") if shown is None else ("on", "ink") if i < shown else ("gone", "line")
        top = 4 if kind != "on" else 1
        lines.append(
            f'<path class="tick tick--{kind}" d="M{3.5 + 5 * i:g} {top}V13" stroke="{palette.LIGHT[colour]}" '
            f'stroke-width="{3 if kind == "on" else 1.5}"/>'
        )
    return format_html(
        '<svg class="ticks" viewBox="0 0 62 14" width="62" height="14" role="img" fill="none"><title>{}</title>{}</svg>',
        words,
        mark_safe("".join(lines)),
    )


@register.simple_tag
def qr(data: str, title: str = "QR code") -> SafeString:
    """Draw a QR code as inline SVG with literal colours, medium error correction, quiet zone of four modules."""
    code = segno.make(data, error="m", micro=False)
    # Dark on white in both schemes: a camera wants it so.
    svg = code.svg_inline(border=4, dark="#000000", light="#ffffff", svgclass="qr", lineclass=None, omitsize=True)
    opening, rest = svg.split(">", 1)
    return mark_safe(opening + ' role="img">' + format_html("<title>{}</title>", title) + rest)


# --- links ------------------------------------------------------------------------------------------------------------


def _address(name: str) -> str:
    """Address of a menu entry; nothing for a part of the product that is not mounted (a test walks every entry)."""
    try:
        return reverse(name)
    except NoReverseMatch:
        return ""


def _nearest(here: str, addresses: Iterable[str]) -> str:
    """The longest address that the page's own begins with, or nothing."""
    fitting = (address for address in addresses if address and here.startswith(address) and address != "/")
    return max(fitting, key=len, default="")


def _section(context: Context, audience: str, here: str) -> str:
    """The section a page belongs to: what its view names as `section`, else the nearest address of the menus."""
    if context.get("section"):
        return str(context["section"])
    sections = {_address(name): section for name, _, section in NAV.get(audience, ())}
    if audience == "office":
        sections = {_address(name): key for key, links in SUB_NAV.items() for name, _ in links} | sections
    return sections.get(_nearest(here, sections), "")


def _who_and_where(context: Context) -> tuple[str, str]:
    request = context.get("request")
    return getattr(getattr(request, "user", None), "audience", ""), getattr(request, "path", "")


@register.inclusion_tag("parts/_nav.html", takes_context=True)
def main_nav(context: Context) -> dict[str, Any]:
    """The main menu of the person's audience, with the section marked that the page belongs to."""
    audience, here = _who_and_where(context)
    current = _section(context, audience, here)
    links = [
        {"url": _address(name), "label": gettext(label), "current": section == current}
        for name, label, section in NAV.get(audience, ())
    ]
    return {"links": [link for link in links if link["url"]]}


@register.inclusion_tag("parts/_sub_nav.html", takes_context=True)
def sub_nav(context: Context) -> dict[str, Any]:
    """The pages of the present section for the office, the nearest one marked; nothing where there is only one."""
    audience, here = _who_and_where(context)
    entries = SUB_NAV.get(_section(context, audience, here), ()) if audience == "office" else ()
    urls = {_address(name): label for name, label in entries}
    urls.pop("", None)
    current = _nearest(here, urls) or next(iter(urls), "")
    return {"links": [{"url": url, "label": gettext(label), "current": url == current} for url, label in urls.items()]}


def _query(context: Context, changes: Mapping[str, str | None]) -> str:
    request = context.get("request")
    query = request.GET.copy() if request is not None else QueryDict(mutable=True)
    for key, value in changes.items():
        if value is None:
            query.pop(key, None)
        else:
            query[key] = value
    return "?" + query.urlencode()


@register.simple_tag(takes_context=True)
def sort_head(context: Context, key: str, label: str, css: str = "") -> SafeString:
    """Column head that sorts by `key`, and backwards on the second click; the page number starts again.

    The present order is the context's `sort`, else that of the address.
    """
    request = context.get("request")
    now = context.get("sort") or (request.GET.get("sort", "") if request is not None else "")
    attributes = format_html(' class="{}"', css) if css else SafeString("")
    mark = SafeString("")
    if now.lstrip("-") == key:
        backwards = now.startswith("-")
        attributes += format_html(' aria-sort="{}"', "descending" if backwards else "ascending")
        mark = icon_svg("sort-down" if backwards else "sort-up")
    url = _query(context, {"sort": f"-{key}" if now == key else key, "page": None})
    return format_html('<th scope="col"{}><a href="{}">{}{}</a></th>', attributes, url, label, mark)


@register.simple_tag(takes_context=True)
def page_url(context: Context, number: int) -> str:
    """Address of another page of the same list, with filters and order kept."""
    return _query(context, {"page": str(number)})
