"""One slot of the grid as markup. Sixty-four times a page, so it is put together here and not by the template engine.

The escaping is Python's own, which the template engine's wraps: it makes the same of every text for half the price.
"""

from __future__ import annotations

from functools import lru_cache
from html import escape

from django.utils.safestring import SafeString, mark_safe

from company.templatetags.house import due_mark, icon_svg
from company.templatetags.words import duty_tag
from devices.views.shown import Cell

duty_drawn = lru_cache(maxsize=16)(duty_tag)


@lru_cache(maxsize=2048)
def due_drawn(language: str, state: str, text: str, duty: str) -> SafeString:
    """An urgency mark; its words are in the language given."""
    return due_mark(state, text, duty=duty)


def draw(one: Cell, *, is_today: bool, language: str, register_url: str = "", receiver: str = "") -> SafeString:
    """A slot as an item of the grid.

    Parameters
    ----------
    one : Cell
        What it shows; every text of it is escaped here.
    register_url : str
        Where a spare slot is registered; empty where nobody may, or of a past day.
    receiver : str
        Named for whoever only hears the page, where slots of several receivers stand on it; its slots then carry no
        place for when they were heard.
    """
    said = f'<span class="vh">, {escape(receiver)} slot {one.slot}</span>' if receiver else ""
    anchor = "" if receiver else f' id="slot-{one.slot}"'
    head = f'<li class="slot {one.css}"{anchor}><div class="slot__no">{one.slot}</div><div class="slot__body">'
    if one.css == "slot--spare":
        span = f"{one.slot}–{one.spare_to} " if one.spare_to else ""
        register = (
            f'<a class="small" href="{escape(register_url)}">register in slot {one.slot}</a>' if register_url else ""
        )
        return mark_safe(f'{head}<a href="{escape(one.url)}">{span}spare{said}</a>{register}</div></li>')
    area = f'<span class="small soft"> · {escape(one.area)}</span>' if one.area else ""
    warning = icon_svg("warning")
    faults = "".join(f'<div class="small">{warning} <b>{escape(fault)}</b></div>' for fault in one.faults)
    due = due_drawn(language, one.due_state, one.due_text, one.duty) if one.due_state else ""
    heard = f'<div class="small soft" id="heard-{one.slot}"></div>' if is_today and not receiver else ""
    flags = "".join(f'<span class="badge">{escape(flag)}</span>' for flag in one.flags)
    return mark_safe(
        f'{head}<div><a href="{escape(one.url)}"><b>{escape(one.label)}</b>{said}</a></div>'
        f"<div>{duty_drawn(one.duty)}{area}</div>"
        f'<div>{icon_svg(one.kind)} {escape(one.what)} <span class="num nowrap">{escape(one.serial)}</span></div>{faults}'
        f'<div class="slot__line"><span class="soft">{escape(one.window)} · {escape(one.outputs)}</span>{due}</div>{heard}'
        + (f'<div class="cluster">{flags}</div>' if flags else "")
        + "</div></li>"
    )
