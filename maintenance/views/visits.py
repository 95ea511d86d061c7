"""The office's view of a visit: everything recorded, corrections in sight, the remark, the way to the report."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_POST

from company.access import audience
from company.errors import Refused
from company.htmx import page, refused
from maintenance.actions.visits import remark_visit, set_visit_crew, standing_gates
from maintenance.forms.visits import CrewForm, RemarkForm
from maintenance.models import Entry, IssuedReport, Visit
from maintenance.querysets.days import why_texts
from maintenance.querysets.office import RECENT_DAYS

PAGE_SIZE = 25
THE_VISIT = "The visit"
UNREPORTED = "unreported"
"""Word of the address for finished visits of the last `RECENT_DAYS` days without a report."""


@audience("office")
@require_GET
def visit_list(request: HttpRequest) -> HttpResponse:
    words, state = (request.GET.get("q") or "").strip(), request.GET.get("state") or ""
    rows = Visit.objects.visible_to(request.user).matching(words).for_day().prefetch_related("crew__user")
    if state == UNREPORTED:
        rows = rows.without_report(timezone.now() - timedelta(days=RECENT_DAYS))
    elif state in Visit.State.values:
        rows = rows.filter(state=state)
    paging = Paginator(rows.order_by("-planned_on", "-pk"), PAGE_SIZE).get_page(request.GET.get("page"))
    context = {
        "page": paging,
        "words": words,
        "state": state,
        "states": [*Visit.State.choices, (UNREPORTED, _("finished in the last 30 days, without a report"))],
        "section": "due",
    }
    return page(request, "maintenance/visits/list.html", context, part="rows")


@audience("office")
@require_GET
def visit_detail(request: HttpRequest, pk: int) -> HttpResponse:
    visit = get_object_or_404(Visit.objects.visible_to(request.user).for_sheet(), pk=pk)
    return page(request, "maintenance/visits/detail.html", _context(request, visit))


def _context(
    request: HttpRequest, visit: Visit, form: Any = None, crew: Any = None, refusal: str = ""
) -> dict[str, Any]:
    user = request.user
    entries = list(Entry.objects.visible_to(user).filter(visit=visit).for_log())
    replaced = {entry.corrects_id: entry for entry in entries if entry.corrects_id}
    groups: dict[str, list[dict[str, Any]]] = {}
    for entry in entries:
        name = entry.receiver.label if entry.receiver else THE_VISIT
        groups.setdefault(name, []).append({"entry": entry, "by_entry": replaced.get(entry.pk)})
    reports = IssuedReport.objects.visible_to(user).without_content().filter(visit=visit)
    return {
        # By label, as on the report; what is about the whole visit stands on top.
        "visit": visit, "groups": sorted(groups.items(), key=lambda group: (group[0] != THE_VISIT, group[0])), "whys": why_texts(visit), "section": "due",
        "gates": standing_gates(visit) if visit.state == Visit.State.OPEN else [],
        "reports": list(reports.order_by("-issued_at", "-pk")),
        "crew_form": crew or CrewForm(by=user, initial={"people": [row.user_id for row in visit.crew.all()]}),  # type: ignore[arg-type]
        "may_change": visit.state in (Visit.State.PLANNED, Visit.State.OPEN), "refused": refusal,
        "form": form or RemarkForm(initial={"remark": visit.remark}),
    }  # fmt: skip


@audience("office")
@require_POST
def visit_remark(request: HttpRequest, pk: int) -> HttpResponse:
    visit = get_object_or_404(Visit.objects.visible_to(request.user).for_sheet(), pk=pk)
    form = RemarkForm(request.POST)
    if not form.is_valid():
        return refused(request, "maintenance/visits/detail.html", _context(request, visit, form))
    remark_visit(visit=visit, remark=form.cleaned_data["remark"], by=request.user, at=timezone.now())  # type: ignore[arg-type]
    messages.success(request, _("The remark is saved."))
    return redirect(visit)


@audience("office")
@require_POST
def visit_crew(request: HttpRequest, pk: int) -> HttpResponse:
    visit = get_object_or_404(Visit.objects.visible_to(request.user).for_sheet(), pk=pk)
    form = CrewForm(request.POST, by=request.user)  # type: ignore[arg-type]
    if form.is_valid():
        try:
            set_visit_crew(
                visit=visit, people=list(form.cleaned_data["people"]), by=request.user, at=timezone.now()  # type: ignore[arg-type]
            )  # fmt: skip
        except Refused as error:
            context = _context(request, visit, crew=form, refusal=error.message)
            return refused(request, "maintenance/visits/detail.html", context)
        messages.success(request, _("Saved who goes."))
        return redirect(visit)
    return refused(request, "maintenance/visits/detail.html", _context(request, visit, crew=form))
