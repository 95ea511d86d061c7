"""Pages of background work."""

from __future__ import annotations

from datetime import timedelta
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from company import jobs
from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page
from company.lists import page_of
from company.models import Job

RECENT, RECENT_DAYS = "recent", 30
"""Word of the address for work that broke lately, as the home page counts it."""


@audience("office")
@require_safe
def job_list(request: PersonRequest) -> HttpResponse:
    state = request.GET.get("state", "")
    rows = Job.objects.visible_to(request.user).select_related("requested_by").order_by("-created_at", "-pk")
    if state == RECENT:
        rows = rows.failed_since(timezone.now() - timedelta(days=RECENT_DAYS))
    elif state in Job.State.values:
        rows = rows.filter(state=state)
    states = [*Job.State.choices, (RECENT, _("failed by a fault in the last 30 days"))]
    context = {"page": page_of(rows, request), "state": state, "states": states, "section": "firm"}
    return page(request, "company/jobs/list.html", context)


@audience("office", "technician")
@require_safe
def job_detail(request: PersonRequest, uuid: UUID) -> HttpResponse:
    job = get_object_or_404(Job.objects.visible_to(request.user).select_related("requested_by"), uuid=uuid)
    # A fault of the program is for the log, not for the person who waits; a refusal is written for them.
    in_words = bool(job.error) and not job.error.startswith("Traceback")
    context = {"job": job, "error_text": job.error if in_words else ""}
    return page(request, "company/jobs/detail.html", context, part="progress")


@audience("office")
@require_POST
def job_retry(request: PersonRequest, uuid: UUID) -> HttpResponse:
    job = get_object_or_404(Job.objects.visible_to(request.user), uuid=uuid)
    try:
        jobs.retry(job)
    except Refused as refusal:
        messages.error(request, refusal.message)
    else:
        messages.success(request, _("Started again."))
    return redirect(job)
