"""Pages of papers for the office: list, facts of one, issuing, the file itself."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from company.access import audience
from company.errors import Refused
from company.htmx import page, refused
from company.lists import page_of
from company.models import Customer
from devices.models import Receiver
from maintenance.actions.reports import (
    OF_RECEIVERS,
    ask_for_service_report,
    ask_for_slot_map,
    present_slot_map,
    release_to_portal,
)
from maintenance.models import IssuedReport, Visit
from maintenance.reports import lid_label, report_of
from maintenance.views.papers import day_of, paper_response, past_day


@audience("office")
@require_safe
def report_list(request: HttpRequest) -> HttpResponse:
    words, kind = request.GET.get("q", "").strip(), request.GET.get("kind", "")
    customer = request.GET.get("customer", "")
    first, last = day_of(request.GET.get("from")), day_of(request.GET.get("to"))
    rows = IssuedReport.objects.visible_to(request.user).for_list().matching(words).issued_between(first, last)
    if kind in IssuedReport.Kind.values:
        rows = rows.filter(kind=kind)
    if customer.isdecimal() and len(customer) < 10:
        rows = rows.filter(customer_id=int(customer))
    context = {
        "page": page_of(rows, request),
        "q": words,
        "kind": kind,
        "kinds": IssuedReport.Kind.choices,
        "customer": customer,
        "customers": Customer.objects.visible_to(request.user).order_by("name", "pk").values_list("pk", "name"),
        "from": first,
        "to": last,
        "is_filtered": bool(words or kind or customer or first or last),
    }
    return page(request, "maintenance/reports/list.html", context, part="rows")


@audience("office")
@require_safe
def report_detail(request: HttpRequest, pk: int) -> HttpResponse:
    report = get_object_or_404(_reports(request).for_list().select_related("visit"), pk=pk)
    revisions = list(_reports(request).numbered(report.kind, report.number).for_list().order_by("-revision", "-pk"))
    context = {"report": report, "revisions": revisions, "newest": revisions[0]}
    return page(request, "maintenance/reports/detail.html", context)


def _reports(request: HttpRequest) -> Any:
    return IssuedReport.objects.visible_to(request.user)


@audience("office")
@require_safe
def report_file(request: HttpRequest, pk: int) -> HttpResponse:
    return paper_response(request, get_object_or_404(_reports(request), pk=pk))


@audience("office")
@require_POST
def report_portal(request: HttpRequest, pk: int) -> HttpResponse:
    report = get_object_or_404(_reports(request).for_list(), pk=pk)
    is_shown = request.POST.get("show") == "yes"
    release_to_portal(report=report, is_shown=is_shown, by=request.user, at=timezone.now())  # type: ignore[arg-type]
    messages.success(
        request, gettext("The customer finds it in the portal.") if is_shown else gettext("Kept back from the portal.")
    )
    return redirect(report)


@audience("office")
@require_http_methods(["GET", "HEAD", "POST"])
def report_issue(request: HttpRequest, pk: int) -> HttpResponse:
    visits = Visit.objects.visible_to(request.user).select_related("site", "customer").prefetch_related("crew__user")
    visit = get_object_or_404(visits, pk=pk)
    template = "maintenance/reports/issue.html"
    context: dict[str, Any] = {
        "visit": visit,
        "issued": list(_reports(request).of_visit(visit).for_list().order_by("-revision", "-pk")),
    }
    if request.method != "POST":
        return page(request, template, context)
    what_changed = request.POST.get("what_changed", "")
    try:
        job = ask_for_service_report(visit=visit, by=request.user, at=timezone.now(), what_changed=what_changed)  # type: ignore[arg-type]
    except Refused as refusal:
        return refused(request, template, context | {"error": refusal.message, "what_changed": what_changed})
    return redirect(job)


@audience("office", "technician")
@require_http_methods(["GET", "HEAD", "POST"])
def slot_map_pdf(request: HttpRequest, pk: int) -> HttpResponse:
    """GET gives the issued map if it still says what the records say, else a page that asks; only POST makes a paper."""
    return _of_receiver(request, pk, "slot_map")


@audience("office", "technician")
@require_http_methods(["GET", "HEAD", "POST"])
def lid_label_pdf(request: HttpRequest, pk: int) -> HttpResponse:
    """As the slot map's."""
    return _of_receiver(request, pk, "lid_label")


def file_address(request: HttpRequest) -> str:
    """Name of the address of a paper's file for this person."""
    return "maintenance:report_file" if request.user.is_office else "maintenance:tech_report_file"  # type: ignore[union-attr]


@audience("technician")
@require_safe
def tech_report_file(request: HttpRequest, pk: int) -> HttpResponse:
    """Hand a technician a paper that belongs at a receiver; reports to customers stay the office's."""
    return paper_response(request, get_object_or_404(_reports(request).filter(kind__in=OF_RECEIVERS), pk=pk))


def _of_receiver(request: HttpRequest, pk: int, kind: str) -> HttpResponse:
    receivers = Receiver.objects.visible_to(request.user).select_related("site", "customer", "type")
    receiver = get_object_or_404(receivers, pk=pk)
    now = timezone.now()
    on = past_day(request, now.astimezone(receiver.site.zone).date()) if kind == "slot_map" else None
    asked = request.POST.get("paper") or request.GET.get("paper") or ""
    paper = asked if kind == "lid_label" and asked in lid_label.SIZES else ""
    if request.method == "POST":
        made = ask_for_slot_map(receiver=receiver, by=request.user, at=now, on=on, kind=kind, paper=paper)  # type: ignore[arg-type]
        if isinstance(made, IssuedReport) and not request.user.is_office:  # type: ignore[union-attr]
            return redirect(file_address(request), made.pk)
        return redirect(made)
    fresh, changed = present_slot_map(receiver=receiver, at=now, on=on, kind=kind, paper=paper)
    if fresh and not (kind == "lid_label" and "choose" in request.GET):
        return redirect(file_address(request), fresh.pk)
    other = None
    if fresh is None and kind == "lid_label":
        others = (size for size in lid_label.SIZES if size != (paper or receiver.customer.paper))
        shown = (present_slot_map(receiver=receiver, at=now, on=on, kind=kind, paper=size)[0] for size in others)
        other = next((one for one in shown if one is not None), None)
    sizes = [(code, words) for code, (_, words) in lid_label.SIZES.items()] if kind == "lid_label" else []
    context = {
        "fresh": fresh,
        "other": other,
        "sizes": sizes,
        "paper": paper or receiver.customer.paper,
        "receiver": receiver,
        "on": on,
        "changed": changed,
        "label": report_of(kind).label,
        "here": request.path,
        "file_address": file_address(request),
        "base": "base.html" if request.user.is_office else "base_phone.html",  # type: ignore[union-attr]
        "is_phone": not request.user.is_office,  # type: ignore[union-attr]
        "p": "maintenance:" if request.user.is_office else "maintenance:tech_",  # type: ignore[union-attr]
    }
    return page(request, "maintenance/reports/slot_map.html", context)
