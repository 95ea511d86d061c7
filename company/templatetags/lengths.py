"""Filters that write lengths and distances in the firm's unit. `{% load house %}` brings them along."""

from __future__ import annotations

from django import template

from company.lengths import FEET, distance_words, length_words, price_per_mi
from company.manner import manner

register = template.Library()


@register.filter
def length_said(value_m: float | None) -> str:
    """85 m, or 278.9 ft; nothing for None."""
    return "" if value_m is None or value_m == "" else length_words(float(value_m), manner().units)


@register.filter
def distance_said(value_km: float | None) -> str:
    """12.0 km, or 7.5 mi where the firm's lengths are in feet; nothing for None."""
    return "" if value_km is None or value_km == "" else distance_words(float(value_km), manner().units)


@register.filter
def per_mile(price_per_km: float | None) -> str:
    """Price of a mile where the firm counts in miles, to a hundredth; nothing for a firm that counts in kilometres."""
    if price_per_km is None or manner().units != FEET:
        return ""
    return f"{price_per_mi(float(price_per_km)):.2f}"
