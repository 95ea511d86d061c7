"""Filters that write days and times in the firm's style. `{% load house %}` brings them along."""

from __future__ import annotations

import re
from datetime import date, datetime, tzinfo
from zoneinfo import ZoneInfo

from django import template
from django.utils import timezone
from django.utils.dateformat import format as date_format
from django.utils.safestring import SafeString

from company.days import DAY_MONTH, ISO, MONTH_DAY
from company.manner import dated as _dated
from company.manner import manner, weekday_said

register = template.Library()

# Django's letters for dates know every language; the plain style is the one that is not listed.
USUAL = {MONTH_DAY: "M j, Y", ISO: "Y-m-d"}
WEEK = {MONTH_DAY: "D M j", ISO: "D Y-m-d"}


def _style() -> str:
    return manner().date_style


def _local(value: date | datetime) -> date | datetime:
    return timezone.localtime(value) if isinstance(value, datetime) and timezone.is_aware(value) else value


@register.filter
def day(value: date | datetime | None) -> str:
    """23 Mar 2027; nothing for None. A datetime is taken in the current time zone."""
    if value is None or value == "":
        return ""
    return date_format(_local(value), USUAL.get(_style(), "j M Y"))


@register.filter
def day_short(value: date | None) -> str:
    """Tue 23 Mar; nothing for None."""
    if not value:
        return ""
    return date_format(_local(value), WEEK.get(_style(), "D j M"))


@register.filter
def day_long(value: date | None) -> str:
    """Tuesday 23 March 2027, for the head of a page; nothing for None."""
    return weekday_said(_local(value)) if value else ""


@register.filter
def daytime(value: datetime | None, zone: str | tzinfo | None = None) -> str:
    """23 Mar 2027, 14:05 in the time zone given (`site.time_zone`), else in the current one.

    In the hour that a clock goes through twice, the second time is told from the first: "01:30 (second time)".
    """
    if not value:
        return ""
    if timezone.is_aware(value):
        value = timezone.localtime(value, ZoneInfo(zone) if isinstance(zone, str) and zone else zone or None)
    said = date_format(value, USUAL.get(_style(), "j M Y") + ", H:i")
    return f"{said} (second time)" if timezone.is_aware(value) and value.fold else said


@register.filter
def dated(sentence: object) -> str:
    """A sentence of the rules with its days in the firm's style: `{{ told.headline|dated }}`. Marked-up text stays so."""
    if sentence is None or _style() == DAY_MONTH:
        return "" if sentence is None else sentence  # type: ignore[return-value]
    written = _dated(str(sentence))
    return SafeString(written) if isinstance(sentence, SafeString) else written


@register.filter
def day_tick(word: str) -> str:
    """A day without its year under an axis, where there is little room: 2 Mar, Mar 2, 03-02. Other words stay."""
    written = str(dated(word))
    return written[5:] if _style() == ISO and re.fullmatch(r"\d{4}-\d\d-\d\d", written) else written


def _differs(zone: str) -> bool:
    """Whether clocks in the zone and in the present one ever differ within this year."""
    here = timezone.get_current_timezone()
    if not zone or str(here) == zone:
        return False
    now = timezone.now()
    months = (now.replace(month=month, day=1, hour=12) for month in (1, 4, 7, 10))
    return any(one.astimezone(ZoneInfo(zone)).utcoffset() != one.astimezone(here).utcoffset() for one in months)


@register.filter
def site_time(zone: str) -> str:
    """Two words behind an hour of a site whose clocks are not ours, else nothing: `09:30{{ site.time_zone|site_time }}`."""
    return " site time" if _differs(zone) else ""


@register.filter
def zone_words(zone: str) -> str:
    """Say which clock a site's hours are by, where it is not ours: "site time, New York"."""
    return f"site time, {zone_place(zone)}" if _differs(zone) else ""


@register.filter
def zone_place(zone: str) -> str:
    """A time zone by its place, as a reader knows it: "New York"."""
    return zone.rpartition("/")[2].replace("_", " ")
