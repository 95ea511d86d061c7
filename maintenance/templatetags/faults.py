"""Faults on pages that others write: a technician's page of a site and the sheet of a visit."""

from __future__ import annotations

from typing import Any

from django import template
from django.db.models import Count, Window
from django.template import Context
from django.utils import timezone

from devices.models import Fault
from maintenance.querysets import faults as read
from maintenance.views.faults_shown import shown

register = template.Library()

SHOWN = 8
"""So many faults stand open on a page that is about something else; the rest are on the list."""


@register.inclusion_tag("maintenance/faults/_here.html", takes_context=True)
def faults_here(context: Context, site: Any) -> dict[str, Any]:
    """What stands at a site, and what is over but to be cleared there, worst first; nothing where nothing does."""
    request, now = context["request"], timezone.now()
    rows = Fault.objects.visible_to(request.user).filter(read.STANDS, site=site)
    # Counted with the rows, for the price of no further query.
    found = list(read.worst_first(read.for_lines(rows)).annotate(n_all=Window(Count("pk")))[:SHOWN])
    n_more = found[0].n_all - len(found) if found else 0
    return {
        "lines": [shown(row, request, now) for row in found], "n_more": n_more, "site": site,
        "at": now, "is_grave": any(row.is_grave_place and row.cleared_at is None for row in found),
    }  # fmt: skip
