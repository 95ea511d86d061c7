"""The customer portal: my sites, slot maps, papers. Whatever is not the customer's own is not there."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any
from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from company.access import audience
from company.htmx import page
from company.lists import page_of
from company.models import Job
from devices.models import Receiver, Registration
from devices.querysets import end_of_day
from devices.rules.slot_map import OutputFacts, SlotRow, fill_slots, sum_up_outputs
from devices.rules.supervision import StandingFault, evidence_sentence, faults_of
from devices.rules.ways_in import PORTAL
from devices.rules.words import window_words
from maintenance.actions.reports import ask_for_slot_map, present_slot_map
from maintenance.models import IssuedReport
from maintenance.querysets.portal import tell_sites
from maintenance.rules.fault_words import portal_words
from maintenance.views.papers import day_of, paper_response, past_day
from sites.models import Site

SITES_PER_PAGE = 20
FAULTS_SHOWN = 10
"""So many standing faults are named on a site's page; all stand at their slots."""


@audience("portal")
@require_safe
def portal_home(request: HttpRequest) -> HttpResponse:
    words = request.GET.get("q", "").strip()
    sites = Site.objects.visible_to(request.user).current().select_related("customer").order_by("name", "pk")
    if words:
        sites = sites.matching(words)
    listed = page_of(sites, request, SITES_PER_PAGE)
    context = {
        "page": listed,
        "told": tell_sites(list(listed), request.user, timezone.now()),
        "q": words,
        "section": "sites",
    }
    return page(request, "maintenance/portal/home.html", context)


@audience("portal")
@require_safe
def portal_site(request: HttpRequest, uuid: UUID) -> HttpResponse:
    sites = Site.objects.visible_to(request.user).current().select_related("customer")
    site = get_object_or_404(sites, uuid=uuid)
    told = tell_sites([site], request.user, timezone.now())[0]
    reports = IssuedReport.objects.visible_to(request.user).filter(site=site).for_list()
    faults = [(row.receiver, words, do) for row in told.receivers for words, do in _what_to_do(row.faults, told.today)]
    context = {
        "site": site, "told": told, "reports": reports[:10], "section": "sites", "faults": faults[:FAULTS_SHOWN],
        "n_more_faults": max(0, len(faults) - FAULTS_SHOWN),
    }  # fmt: skip
    return page(request, "maintenance/portal/site.html", context)


def _what_to_do(faults: Sequence[StandingFault], today: date) -> list[tuple[str, str]]:
    """Standing faults in words, each with what people at the site can do; what is over waits for us alone."""
    return [(fault.words(today), _do(fault)) for fault in faults if not fault.is_over]


def _do(fault: StandingFault) -> str:
    return PORTAL.format(still=fault.still_by) if fault.still_by else portal_words(fault.code)


def _of_slot(row: SlotRow, faults: Sequence[StandingFault], today: date) -> list[tuple[str, str]]:
    """Faults of one slot in words, each with what people at the site can do while it stands."""
    return [
        (fault.words(today, with_place=False), "" if fault.is_over else _do(fault)) for fault in faults_of(row, faults)
    ]


def _folded(rows: Sequence[SlotRow]) -> list[tuple[SlotRow, int]]:
    """Slots, a run of spare ones told once; each with the last slot that it stands for."""
    folded: list[tuple[SlotRow, int]] = []
    for row in rows:
        if row.is_spare and folded and folded[-1][0].is_spare:
            folded[-1] = (folded[-1][0], row.slot)
        else:
            folded.append((row, row.slot))
    return folded


def _receiver(request: HttpRequest, code: str) -> Receiver:
    receivers = Receiver.objects.visible_to(request.user).open().select_related("site", "customer", "type")
    return get_object_or_404(receivers.filter(site__closed_at=None), code=code.upper())


@audience("portal")
@require_safe
def portal_slot_map(request: HttpRequest, code: str) -> HttpResponse:
    receiver = _receiver(request, code)
    now = timezone.now()
    zone = receiver.site.zone
    today = now.astimezone(zone).date()
    on = past_day(request, today)
    at = end_of_day(on, zone) if on else now.astimezone(zone)
    taken = Registration.objects.visible_to(request.user).filter(receiver=receiver).slot_rows(at, zone)
    rows = fill_slots(receiver.n_slots, taken)
    outputs = [
        OutputFacts(number=row.number, kind=row.kind, drives=row.drives, cleared_by=row.clears)
        for row in receiver.outputs.order_by("number")
    ]
    said = None
    faults: tuple[StandingFault, ...] = ()
    if on is None:
        facts = Receiver.objects.visible_to(request.user).filter(pk=receiver.pk).evidence({receiver.pk: taken}, now)
        said, faults = evidence_sentence(facts[receiver.pk], today), facts[receiver.pk].faults
    context = {
        "receiver": receiver,
        "site": receiver.site,
        "rows": [(row, window_words(row.window_s), _of_slot(row, faults, today), last) for row, last in _folded(rows)],
        "outputs": sum_up_outputs(outputs, rows),
        "of_receiver": _what_to_do([fault for fault in faults if fault.is_of_receiver], today),
        "n_used": sum(1 for row in rows if not row.is_spare),
        "said": said,
        "on": on,
        "today": today,
        "asked_for": day_of(request.GET.get("on")),
        "section": "sites",
    }
    return page(request, "maintenance/portal/slot_map.html", context)


@audience("portal")
@require_http_methods(["GET", "HEAD", "POST"])
def portal_slot_map_pdf(request: HttpRequest, code: str) -> HttpResponse:
    """As the office's: GET gives the issued paper if it still holds, only POST makes one."""
    receiver = _receiver(request, code)
    now = timezone.now()
    on = past_day(request, now.astimezone(receiver.site.zone).date())
    fresh, _ = present_slot_map(receiver=receiver, at=now, on=on)
    if fresh and fresh.in_portal:
        return redirect("maintenance:portal_report_file", fresh.uuid)
    if request.method == "POST" and fresh is None:
        made = ask_for_slot_map(receiver=receiver, by=request.user, at=now, on=on)  # type: ignore[arg-type]
        return redirect("maintenance:portal_job", made.uuid)
    context = {
        "receiver": receiver, "site": receiver.site, "on": on, "section": "sites", "is_kept_back": fresh is not None,
    }  # fmt: skip
    return page(request, "maintenance/portal/slot_map_pdf.html", context)


@audience("portal")
@require_safe
def portal_job(request: HttpRequest, uuid: UUID) -> HttpResponse:
    job = get_object_or_404(Job.objects.visible_to(request.user), uuid=uuid)
    return page(request, "maintenance/portal/job.html", {"job": job, "section": "sites"}, part="progress")


def _reports(request: HttpRequest) -> Any:
    return IssuedReport.objects.visible_to(request.user)


@audience("portal")
@require_safe
def portal_reports(request: HttpRequest) -> HttpResponse:
    kind, site = request.GET.get("kind", ""), request.GET.get("site", "")
    first, last = day_of(request.GET.get("from")), day_of(request.GET.get("to"))
    rows = _reports(request).for_list().issued_between(first, last)
    if kind in IssuedReport.Kind.values:
        rows = rows.filter(kind=kind)
    sites = Site.objects.visible_to(request.user).order_by("name", "pk")
    if any(str(row.uuid) == site for row in sites):
        rows = rows.filter(site__uuid=site)
    context = {
        "page": page_of(rows, request),
        "kind": kind,
        "kinds": IssuedReport.Kind.choices,
        "site": site,
        "sites": sites,
        "from": first,
        "to": last,
        "is_filtered": bool(kind or site or first or last),
        "section": "reports",
    }
    return page(request, "maintenance/portal/reports.html", context, part="rows")


@audience("portal")
@require_safe
def portal_report(request: HttpRequest, uuid: UUID) -> HttpResponse:
    report = get_object_or_404(_reports(request).for_list(), uuid=uuid)
    revisions = _reports(request).numbered(report.kind, report.number).for_list().order_by("-revision", "-pk")
    context = {"report": report, "revisions": list(revisions), "section": "reports"}
    return page(request, "maintenance/portal/report.html", context)


@audience("portal")
@require_safe
def portal_report_file(request: HttpRequest, uuid: UUID) -> HttpResponse:
    return paper_response(request, get_object_or_404(_reports(request), uuid=uuid))
