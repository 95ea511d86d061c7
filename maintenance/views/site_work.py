"""What is planned and what was done at one site: a part of the site's page, and a page of its own without JavaScript."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.utils import timezone
from django.views.decorators.http import require_safe

from company.access import audience
from company.htmx import page
from maintenance.models import IssuedReport, Request, Visit
from sites.models import Site

SHOWN = 5
"""Visits, papers and requests beyond these are one press away."""


@audience("office")
@require_safe
def site_work_panel(request: HttpRequest, site_pk: int) -> HttpResponse:
    site = get_object_or_404(Site.objects.visible_to(request.user).select_related("customer"), pk=site_pk)
    today = timezone.localdate(timezone=site.zone)
    visits = Visit.objects.visible_to(request.user).filter(site=site).for_day().select_related("finished_by")
    visits = visits.prefetch_related("crew__user")
    reports = IssuedReport.objects.visible_to(request.user).without_content().filter(site=site)
    requests = Request.objects.visible_to(request.user).filter(site=site).exclude(state=Request.State.DONE)
    done = list(visits.filter(state=Visit.State.FINISHED).order_by("-finished_at", "-pk")[:SHOWN])
    papers = {report.visit_id: report for report in _papers(reports, done)}
    context: dict[str, Any] = {
        "site": site,
        "to_come": [_stop(visit, today) for visit in visits.to_come().order_by("planned_on", "pk")[:SHOWN]],
        "done": [(visit, papers.get(visit.pk)) for visit in done],
        "reports": list(reports.select_related("receiver").order_by("-issued_at", "-pk")[:SHOWN]),
        "requests": list(requests.select_related("by").order_by("-at", "-pk")[:SHOWN]),
        "section": "sites",
    }
    return page(request, "maintenance/visits/site_work.html", context, part="site_work")


def _papers(reports: Any, done: list[Visit]) -> list[IssuedReport]:
    """The newest service report of each visit, oldest first, so that a later revision wins."""
    wanted = reports.filter(visit__in=[visit.pk for visit in done], kind=IssuedReport.Kind.SERVICE)
    return list(wanted.order_by("revision", "issued_at", "pk"))


def _stop(visit: Visit, today: date) -> dict[str, Any]:
    """One visit to come, and whether its day has passed without it."""
    days = (visit.planned_on - today).days
    near = {0: "today", 1: "tomorrow"}.get(days, "")
    return {"visit": visit, "near": near, "is_past": days < 0 and visit.state == Visit.State.PLANNED}
