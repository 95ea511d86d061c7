"""What events are called on pages."""

from __future__ import annotations

from datetime import datetime

from django import template
from django.utils import timezone
from django.utils.translation import gettext, gettext_noop

from company.templatetags.days import daytime

register = template.Library()

WORDS = {
    "check_in": gettext_noop("check-in"), "activation": gettext_noop("activation"), "restore": gettext_noop("contact back at rest"),
    "low_battery": gettext_noop("low battery"), "battery_restored": gettext_noop("battery good again"),
    "tamper": gettext_noop("tamper"), "tamper_restored": gettext_noop("tamper over"), "trouble": gettext_noop("trouble"),
    "trouble_restored": gettext_noop("trouble over"), "missing": gettext_noop("missing"),
    "missing_restored": gettext_noop("heard again"), "interference": gettext_noop("interference"),
    "interference_over": gettext_noop("interference over"), "power_fault": gettext_noop("power fault"),
    "power_restored": gettext_noop("power back"),
    "standby_low": gettext_noop("standby battery low"), "standby_restored": gettext_noop("standby battery good again"),
    "receiver_tamper": gettext_noop("tamper of the receiver"),
    "receiver_tamper_restored": gettext_noop("tamper of the receiver over"), "receiver_fault": gettext_noop("fault of the receiver"),
    "receiver_restored": gettext_noop("receiver well again"), "link_test": gettext_noop("link test"),
    "unregistered": gettext_noop("heard, but not registered"),
}  # fmt: skip


@register.filter
def event_words(kind: str) -> str:
    """The words for a kind of event; another code is read as it stands."""
    return gettext(WORDS[kind]) if kind in WORDS else str(kind).replace("_", " ")


@register.filter
def up_to(begin: datetime | None, end: datetime | None) -> str:
    """Two moments in few words: 26 Nov 2026, 06:19 – 08:17 within a day, one moment within a minute."""
    first, last = daytime(begin), daytime(end)
    if not last or first == last:
        return first
    day, _comma, clock = last.rpartition(", ")
    is_one_day = bool(begin and end) and timezone.localtime(begin).date() == timezone.localtime(end).date()
    return f"{first} – {clock if is_one_day and first.startswith(day) else last}"
