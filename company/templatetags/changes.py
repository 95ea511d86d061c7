"""Template filters for the rows of the change log; the words are `company.change_words`."""

from __future__ import annotations

from datetime import datetime, tzinfo
from typing import Any
from zoneinfo import ZoneInfo

from django import template
from django.urls import NoReverseMatch, reverse

from company import change_words, undo
from company.templatetags.days import dated

register = template.Library()

# Kind of record → the address of its page; only those whose key is the record's own.
PAGES = {
    "customer": "company:customer_detail", "user": "company:person_edit", "contact": "company:contact_edit",
    "site": "sites:site_detail", "receiver": "devices:slot_map", "transmitter": "devices:transmitter_detail",
    "round": "maintenance:round_detail", "visit": "maintenance:visit_detail",
}  # fmt: skip
# Records without a page of their own or that a removal may have taken are named, not linked.
GONE = frozenset({"remove_contact", "take_back_fitting", "remove_output"})


@register.filter
def deed(row: Any) -> str:
    """What was done; of a row that takes another back, what was taken back."""
    back = getattr(row, "undoes", None) if row.undoes_id else None
    words = change_words.deed_words(row.verb)
    return f"{words}: {change_words.deed_words(back.verb)}" if back else words


@register.filter
def goes_back_whole(row: Any) -> bool:
    """Whether the button beside a row takes back more than this row says."""
    return undo.goes_back_whole(row)


@register.filter
def deed_of_verb(verb: str) -> str:
    """The name of an action as what was done: "change_slot" is "slot changed"."""
    return change_words.deed_words(verb)


@register.filter
def said(value: Any) -> str:
    """One value as a person reads it: days in words, nothing as "nothing"."""
    return change_words.value_words("", value, in_style=dated)


@register.filter
def subject_kind(row: Any) -> str:
    """Kind of record that a change was about."""
    return change_words.kind_words(row.subject_kind)


@register.filter
def deed_lines(row: Any, zone: str | tzinfo | None = None) -> list[tuple[str, str, str]]:
    """What a change changed: name, before, after."""
    known = ZoneInfo(zone) if isinstance(zone, str) and zone else zone or None
    zone_known = known if not isinstance(known, str) else None
    return change_words.lines_of(row.before, row.after, zone_known, row.subject_kind, in_style=dated)


@register.filter
def recorded_later(row: Any) -> datetime | None:
    """Moment at which a change was entered, where that was more than a minute after it is said to have happened."""
    text = (row.after or {}).get("recorded_at")
    if not text:
        return None
    at = datetime.fromisoformat(text)
    return at if (at - row.at).total_seconds() > 60 else None


@register.filter
def subject_url(row: Any) -> str:
    """Page of the record that was changed, or nothing."""
    facts = row.after or {}
    try:
        if row.verb in GONE or getattr(row, "is_gone", False):
            return ""
        if row.subject_kind == "registration" and facts.get("receiver") and facts.get("slot"):
            return reverse("devices:slot_detail", args=[facts["receiver"], facts["slot"]])
        if row.subject_kind in ("registration", "output") and facts.get("receiver"):
            return reverse("devices:slot_map", args=[facts["receiver"]])
        name = PAGES.get(row.subject_kind)
        return reverse(name, args=[row.subject_id]) if name else ""
    except NoReverseMatch:
        return ""
