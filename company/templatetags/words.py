"""Filters that say settings and numbers in words. `{% load house %}` brings them along."""

from __future__ import annotations

import re
from typing import Any

from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext, gettext_noop

register = template.Library()

BEHAVIOUR_WORDS = {
    "follower": gettext_noop("follows the contact"),
    "momentary": gettext_noop("on for a set time"),
    "toggle": gettext_noop("changes over each time"),
    "latching": gettext_noop("stays on until cleared"),
    "unknown": gettext_noop("behaviour unknown"),
}
DUTY_WORDS = {
    "life_safety": gettext_noop("life safety"),
    "security": gettext_noop("security"),
    "convenience": gettext_noop("convenience"),
    "unknown": gettext_noop("duty unknown"),
}


@register.filter
def window_words(seconds: int | None) -> str:
    """Say a length of time as people say a supervision window: 14400 is "4 h", 3600 "60 min", 200 "200 s".

    None is "unknown"; 0 is "not supervised".
    """
    if seconds is None or seconds == "":
        return "unknown"
    whole = int(seconds)
    if whole == 0:
        return "not supervised"
    if whole >= 7200 and whole % 3600 == 0:
        return f"{whole // 3600} h"
    if whole >= 120 and whole % 60 == 0:
        return f"{whole // 60} min"
    return f"{whole} s"


@register.filter
def behaviour_words(behaviour: str, seconds: float | None = None) -> str:
    """Say an output's behaviour; the seconds belong to a momentary one."""
    if behaviour == "momentary" and seconds:
        return f"on for {seconds:g} s"
    return gettext(BEHAVIOUR_WORDS.get(behaviour, BEHAVIOUR_WORDS["unknown"]))


@register.filter
def percent(share: float | None) -> str:
    """A share as a percentage with no more digits than it needs: 0.015 is "1.5 %"."""
    return "unknown" if share is None or share == "" else f"{100 * share:.3g} %"


@register.filter
def years(days: int | None) -> str:
    """Days as years, whole or with one digit, or as days when under a year."""
    if not days:
        return "unknown"
    if days < 365:
        return f"{days} days"
    return f"{days / 365.25:.1f}".removesuffix(".0") + " years"


@register.filter
def duty_words(duty: str) -> str:
    """Say a duty class."""
    return gettext(DUTY_WORDS.get(duty, DUTY_WORDS["unknown"]))


@register.filter
def duty_tag(duty: str) -> SafeString:
    """The duty class as a small word with its class, life safety in bold."""
    return format_html(
        '<span class="duty duty--{}">{}</span>', str(duty).replace("_", "-") or "unknown", duty_words(duty)
    )


@register.filter
def known(value: Any) -> Any:
    """Show the value, or the word "unknown": a gap in the records is said, never left blank."""
    if value is None or value == "":
        return mark_safe('<span class="unknown">unknown</span>')
    return value


@register.filter
def tel(phone: str | None) -> str:
    """Give the address behind a written telephone number: "+44 (0)1632 960 499 ext. 3" is "tel:+441632960499".

    Only the first number of several counts, and nothing after a word: an address may hold no space. Empty without digits.
    """
    number = re.split(r"[^\W\d_]|[,;]|\s/\s", (phone or "").strip(), maxsplit=1)[0]
    if number.startswith("+"):
        # The zero in brackets is dialled only at home.
        number = number.replace("(0)", "", 1)
    digits = re.sub(r"[^0-9]", "", number)
    return f"tel:{'+' if number.startswith('+') else ''}{digits}" if digits else ""
