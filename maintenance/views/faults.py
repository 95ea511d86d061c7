"""Pages of faults: the firm's list, one fault with its story, acknowledging, and a line for a site's page."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import gettext, gettext_lazy, ngettext
from django.views.decorators.http import require_POST, require_safe

from company import toasts
from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page
from company.lists import ordered, page_of
from company.models import Customer
from company.models.firm import Duty
from devices.actions.faults import acknowledge_faults
from devices.models import Fault, Registration
from maintenance.forms.findings import read_pks
from maintenance.querysets import faults as read
from maintenance.rules.fault_words import KINDS, LIFE_SAFETY, OF_RECEIVER, RECEIVER
from maintenance.views.faults_shown import place_url, shown, story
from sites.models import Site

STATES = (
    ("", gettext_lazy("Standing")), ("new", gettext_lazy("Not acknowledged")),
    ("latched", gettext_lazy("Over, to be cleared on site")), ("ended", gettext_lazy("Ended")),
)  # fmt: skip
GROUPS = (("", gettext_lazy("By site")), ("none", gettext_lazy("One by one")))
COLUMNS = {"harm": "harm", "since": "raised_at", "site": "site__name", "kind": "kind_at", "reached": "recorded_at"}
SHOWN_OF_A_SITE = 12
SITES_A_PAGE = 20


def _choice(request: PersonRequest) -> read.FaultChoice:
    ask = request.GET.get
    days = ask("days", "")
    return read.FaultChoice(
        state=ask("state", "") if ask("state", "") in dict(STATES) else "",
        kind=ask("kind", "") if ask("kind", "") in KINDS else "",
        duty=ask("duty", "") if ask("duty", "") in (*Duty.values, RECEIVER) else "",
        customer=ask("customer", "") if len(ask("customer", "")) < 10 else "",
        site=ask("site", "") if len(ask("site", "")) < 10 else "",
        days=days if days.isdecimal() and len(days) < 5 and int(days) in read.DAYS else "",
        words=ask("q", "").strip()[:80],
    )  # fmt: skip


def _asked(choice: read.FaultChoice, **over: str) -> str:
    """The choice as the query of an address."""
    words = {
        "state": choice.state, "kind": choice.kind, "duty": choice.duty, "customer": choice.customer,
        "site": choice.site, "days": choice.days, "q": choice.words,
    } | over  # fmt: skip
    return urlencode({name: word for name, word in words.items() if word})


def _frame(request: PersonRequest) -> dict[str, Any]:
    """What chooses between the office's page and the technician's."""
    is_phone = request.user.is_technician
    return {
        "base": "base_phone.html" if is_phone else "base.html", "is_phone": is_phone,
        "section": "faults" if is_phone else "checkins", "p": "maintenance:tech_" if is_phone else "maintenance:",
    }  # fmt: skip


@audience("office", "technician")
@require_safe
def fault_list(request: PersonRequest) -> HttpResponse:
    choice, now = _choice(request), timezone.now()
    group = request.GET.get("group", "") if request.GET.get("group", "") in dict(GROUPS) else ""
    faults = Fault.objects.visible_to(request.user)
    rows = read.narrowed(faults, choice, now)
    is_flat = group == "none" or choice.state == "ended"
    context: dict[str, Any] = {
        "choice": choice, "group": group, "states": STATES, "groups": GROUPS, "asked": _asked(choice), "is_flat": is_flat,
        "duties": [*Duty.choices, (RECEIVER, gettext("Receivers themselves"))],
        "kinds": [(code, Fault.Kind(code).label) for code in KINDS], "spans": read.DAYS,
        "customers": Customer.objects.visible_to(request.user).current().order_by("name", "pk"),
        "site": Site.objects.visible_to(request.user).filter(pk=int(choice.site)).first()
        if choice.site.isdecimal() else None,
        "n": read.counted(read.narrowed(faults, replace(choice, state=""), now)),
        "asked_new": _asked(choice, state="new"), "asked_latched": _asked(choice, state="latched"),
        "may_acknowledge": choice.state != "ended", "here": request.get_full_path(),
        "ended_days": read.ENDED_DAYS,
    } | _frame(request)  # fmt: skip
    context |= _one_by_one(request, rows, choice) if is_flat else _by_site(request, rows, choice)
    return page(request, "maintenance/faults/list.html", context, part="rows")


def _one_by_one(request: PersonRequest, rows: Any, choice: read.FaultChoice) -> dict[str, Any]:
    default = "-since" if choice.state == "ended" else "harm"
    listed, sort = ordered(read.for_lines(read.with_harm(rows)), request, COLUMNS, default)
    if sort == "harm":
        listed = read.worst_first(read.for_lines(rows))
    paging = page_of(listed, request, 50)
    now = timezone.now()
    lines = [shown(row, request, now) for row in paging.object_list]
    section = {"lines": lines, "pks": _unanswered(lines)}
    return {"page": paging, "sort": sort, "sections": [section] if lines else []}


def _by_site(request: PersonRequest, rows: Any, choice: read.FaultChoice) -> dict[str, Any]:
    paging = page_of(read.by_site(rows), request, SITES_A_PAGE)
    now = timezone.now()
    found: dict[int, list[Any]] = {}
    listed = read.worst_first(read.for_lines(rows)).filter(site__in=[site["site_id"] for site in paging.object_list])
    for row in listed:
        found.setdefault(row.site_id, []).append(row)
    sections = []
    for site in paging.object_list:
        lines = [shown(row, request, now) for row in found.get(site["site_id"], [])]
        asked = _asked(choice, site=str(site["site_id"]))
        sections.append(
            site | {
                "lines": lines[:SHOWN_OF_A_SITE], "n_more": max(0, len(lines) - SHOWN_OF_A_SITE),
                "pks": _unanswered(lines), "all_url": f"{reverse('maintenance:fault_list')}?group=none&{asked}",
            }
        )  # fmt: skip
    return {"page": paging, "sections": sections}


def _unanswered(lines: Any) -> str:
    return ",".join(str(line.pk) for line in lines if line.fault.acknowledged_at is None)


@audience("office", "technician")
@require_safe
def fault_detail(request: PersonRequest, pk: int) -> HttpResponse:
    fault = get_object_or_404(read.for_lines(Fault.objects.visible_to(request.user)), pk=pk)
    line = shown(fault, request, timezone.now())
    grave = Registration.objects.visible_to(request.user).filter(
        receiver=fault.receiver_id, removed_at=None, duty=LIFE_SAFETY
    )
    context = _frame(request) | {
        "line": line, "fault": fault, "story": story(fault, request), "slot_url": place_url(fault, request),
        "n_hanging": grave.count() if fault.kind in OF_RECEIVER and fault.cleared_at is None else 0,
        "here": request.get_full_path(),
    }  # fmt: skip
    return page(request, "maintenance/faults/detail.html", context)


@audience("office", "technician")
@require_POST
def fault_acknowledge(request: PersonRequest) -> HttpResponse:
    """Acknowledge the faults ticked, or all that the pressed button names."""
    asked = read_pks(request.POST.get("these", "")) or read_pks(",".join(request.POST.getlist("fault")))
    mine = Fault.objects.visible_to(request.user).filter(pk__in=asked).values_list("pk", flat=True)
    try:
        done = acknowledge_faults(
            faults=list(mine), note=request.POST.get("note", ""), by=request.user, at=timezone.now()
        )  # fmt: skip
    except Refused as why:
        messages.warning(request, str(why))
        return redirect(_back(request))
    n = len(done.faults)
    if n:
        text = ngettext("%(n)s fault acknowledged.", "%(n)s faults acknowledged.", n) % {"n": n}
        toasts.said(request, text, undo_url=reverse("company:change_undo_batch", args=[done.deed]))
    else:
        messages.info(request, gettext("Somebody had acknowledged this already; that stands."))
    return redirect(_back(request))


def _back(request: PersonRequest) -> str:
    """Where to go on: the page that was named, if it is one of ours."""
    asked = request.POST.get("back", "")
    if asked and url_has_allowed_host_and_scheme(asked, {request.get_host()}, request.is_secure()):
        return asked
    return reverse("maintenance:tech_fault_list" if request.user.is_technician else "maintenance:fault_list")


@audience("office", "technician")
@require_safe
def fault_panel(request: PersonRequest, site_pk: int) -> HttpResponse:
    """How many faults stand at a site: a line of its page, and a page of its own."""
    site = get_object_or_404(Site.objects.visible_to(request.user).select_related("customer"), pk=site_pk)
    faults = Fault.objects.visible_to(request.user).filter(site=site)
    address = reverse("maintenance:tech_fault_list" if request.user.is_technician else "maintenance:fault_list")
    context = {
        "site": site, "n": read.counted(faults), "list_url": f"{address}?site={site.pk}", "section": "sites",
    }  # fmt: skip
    return page(request, "maintenance/faults/panel.html", context, part="fault_panel")
