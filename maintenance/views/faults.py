"""Pages of faults: the firm's list, one fault with its story, acknowledging, and a line for a site's page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

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
from company.models import ChangeRow, Contact, Customer
from company.models.firm import Duty
from company.templatetags.days import site_time
from devices.actions.faults import acknowledge_faults, say_fault_over, why_not_over
from devices.models import Fault, Registration
from devices.querysets.silence import last_heard
from maintenance.forms.findings import read_pks
from maintenance.querysets import faults as read
from maintenance.querysets.fault_groups import LostSource, lost_sources
from maintenance.querysets.fault_places import state_of
from maintenance.querysets.fault_ways import with_ways
from maintenance.rules.fault_ends import ended_elsewhere, note_of
from maintenance.rules.fault_words import KINDS, LIFE_SAFETY, OF_RECEIVER, RECEIVER
from maintenance.views.fault_story import left_of, story
from maintenance.views.faults_listed import asked_words, by_site, one_by_one
from maintenance.views.faults_shown import own_zone, place_url, shown
from sites.models import Site

STATES = (
    ("", gettext_lazy("Standing or uncleared")), ("open", gettext_lazy("Standing")),
    ("new", gettext_lazy("Standing, not acknowledged")), ("latched", gettext_lazy("Over, to be cleared on site")), ("ended", gettext_lazy("Ended")),
)  # fmt: skip
GROUPS = (("", gettext_lazy("By site")), ("none", gettext_lazy("One by one")))
CONTACTS = 4
"""People to ring that are named beside a fault; all stand on the site's page."""


def _choice(request: PersonRequest) -> read.FaultChoice:
    ask = request.GET.get
    state = ask("state", "") if ask("state", "") in dict(STATES) else ""
    # Who comes by a link sees the last month of what ended; the choice above the list says so, and "No limit" is none.
    days = ask("days", str(read.ENDED_DAYS) if state == "ended" else "")
    return read.FaultChoice(
        state=state,
        kind=ask("kind", "") if ask("kind", "") in KINDS else "",
        duty=ask("duty", "") if ask("duty", "") in (*Duty.values, RECEIVER) else "",
        customer=ask("customer", "") if len(ask("customer", "")) < 10 else "",
        site=ask("site", "") if len(ask("site", "")) < 10 else "",
        days=days if days.isdecimal() and len(days) < 5 and int(days) in read.DAYS else "",
        words=ask("q", "").strip()[:80],
    )  # fmt: skip


def _group(request: PersonRequest, choice: read.FaultChoice) -> str:
    """By site unless asked otherwise; what ended stands one by one, the newest first, where nobody says how."""
    asked = request.GET.get("group", "none" if choice.state == "ended" else "")
    return asked if asked in dict(GROUPS) else ""


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
    group = _group(request, choice)
    faults = Fault.objects.visible_to(request.user)
    rows = read.narrowed(faults, choice, now)
    is_flat = group == "none"
    site = (
        Site.objects.visible_to(request.user).filter(pk=int(choice.site)).first() if choice.site.isdecimal() else None
    )
    zone = site.time_zone if site else own_zone()
    n = read.counted(read.narrowed(faults, replace(choice, state=""), now))
    context: dict[str, Any] = {
        "choice": choice, "group": group, "states": STATES, "groups": GROUPS, "asked": asked_words(choice), "is_flat": is_flat,
        "duties": [*Duty.choices, (RECEIVER, gettext("Receivers themselves"))],
        "kinds": [(code, Fault.Kind(code).label) for code in KINDS], "spans": read.DAYS,
        "customers": Customer.objects.visible_to(request.user).current().order_by("name", "pk"),
        "site": site, "zone": zone, "n": n,
        "asked_new": asked_words(choice, state="new"), "asked_latched": asked_words(choice, state="latched"),
        "asked_grave": asked_words(choice, state="open", duty=LIFE_SAFETY),
        "may_acknowledge": choice.state != "ended", "here": request.get_full_path(),
    } | _frame(request)  # fmt: skip
    context |= (
        one_by_one(request, rows, choice, zone) if is_flat else by_site(request, rows, choice, zone, n["n_latched"])
    )
    parts = [*context["sections"], *context.get("fold", {}).get("sections", ())]
    context["zones_differ"] = site is None and any(
        site_time(line.fault.site.time_zone) for part in parts for line in part["lines"]
    )
    return page(request, "maintenance/faults/list.html", context, part="rows")


@audience("office", "technician")
@require_safe
def fault_detail(request: PersonRequest, pk: int) -> HttpResponse:
    fault = get_object_or_404(read.for_lines(Fault.objects.visible_to(request.user)), pk=pk)
    return _detail_page(request, fault)


def _detail_page(request: PersonRequest, fault: Fault, *, over_wrong: str = "") -> HttpResponse:
    """One fault with its story; `over_wrong` says why it could not be ended."""
    line = shown(fault, request, timezone.now())
    line = replace(line, told=with_ways(line.told, fault, timezone.now()))
    grave = Registration.objects.visible_to(request.user).filter(
        receiver=fault.receiver_id, removed_at=None, duty=LIFE_SAFETY
    )
    context = _frame(request) | {
        "line": line, "fault": fault, "story": story(fault, request), "slot_url": place_url(fault, request),
        "left": left_of(fault, request) if line.state != "stands" else None, "cause": note_of(fault.cause),
        "is_elsewhere": ended_elsewhere(fault.cause),
        "answered": _answered(fault, request), "is_mine": fault.acknowledged_by_id == request.user.pk,
        "contacts": Contact.objects.visible_to(request.user).filter(customer=fault.customer_id).exclude(phone="")
        .order_by("name", "pk")[:CONTACTS],
        "n_hanging": grave.count() if fault.kind in OF_RECEIVER and fault.cleared_at is None else 0,
        "heard_at": _heard_at(fault), "here": reverse(_frame(request)["p"] + "fault_detail", args=[fault.pk]),
        "together": _lost_with(fault, request),
        "why_not_over": why_not_over(fault) if line.state == "stands" else "", "over_wrong": over_wrong,
    }  # fmt: skip
    return page(request, "maintenance/faults/detail.html", context, status=422 if over_wrong else 200)


@audience("office", "technician")
@require_POST
def fault_over(request: PersonRequest, pk: int) -> HttpResponse:
    """End a reported fault, for a reason; what cannot be ended so comes back with why."""
    fault = get_object_or_404(read.for_lines(Fault.objects.visible_to(request.user)), pk=pk)
    try:
        change = say_fault_over(fault=fault, reason=request.POST.get("reason", ""), by=request.user, at=timezone.now())
    except Refused as why:
        return _detail_page(request, fault, over_wrong=str(why))
    toasts.said(
        request,
        gettext("Over now, for the reason that you gave."),
        undo_url=reverse("company:change_undo", args=[change.pk]),
    )
    return redirect(_frame(request)["p"] + "fault_detail", pk)


def _lost_with(fault: Fault, request: PersonRequest) -> LostSource | None:
    """The silent source that this and other lost links follow from, if it is one of several."""
    if fault.kind != Fault.Kind.LINK_LOST or fault.cleared_at is not None:
        return None
    found = lost_sources(Fault.objects.visible_to(request.user).filter(read.CARED_FOR), timezone.now())
    return next((one for one in found if fault.pk in one.pks), None)


def _heard_at(fault: Fault) -> datetime | None:
    """When what is missing was last heard; None for any other fault, and where it never was."""
    if fault.kind != Fault.Kind.MISSING or fault.transmitter_id is None:
        return None
    return last_heard([fault.transmitter_id], fault.raised_at.astimezone(UTC).date()).get(fault.transmitter_id)


def _answered(fault: Fault, request: PersonRequest) -> ChangeRow | None:
    """The acknowledging that this person may take back, if there is one."""
    rows = ChangeRow.objects.visible_to(request.user).filter(
        verb="acknowledge_fault", subject_kind="fault", subject_id=fault.pk, undoes=None, undone_by=None
    )
    row = rows.order_by("-pk").first() if fault.acknowledged_at else None
    return row if row and (request.user.is_office or row.by_id == request.user.pk) else None


@audience("office", "technician")
@require_POST
def fault_acknowledge(request: PersonRequest) -> HttpResponse:
    """Acknowledge the faults ticked, or all that the pressed button names; `take_over` takes them from somebody else."""
    asked = read_pks(request.POST.get("these", "")) or read_pks(",".join(request.POST.getlist("fault")))
    mine = list(Fault.objects.visible_to(request.user).filter(pk__in=asked).values_list("pk", flat=True))
    try:
        done = acknowledge_faults(
            faults=mine, note=request.POST.get("note", ""), by=request.user, at=timezone.now(),
            take_over="take_over" in request.POST,
        )  # fmt: skip
    except Refused as why:
        messages.warning(request, str(why))
        return redirect(_back(request))
    if done.faults:
        words = _acknowledged_words(done.faults, len(mine))
        toasts.said(request, words, undo_url=reverse("company:change_undo_batch", args=[done.deed]))
    elif len(mine) > 1:
        messages.info(request, gettext("All of these had been acknowledged already; that stands."))
    else:
        messages.info(request, gettext("Somebody had acknowledged this already; that stands."))
    return redirect(_back(request))


def _acknowledged_words(done: Sequence[Fault], n_asked: int) -> str:
    """How many were acknowledged, how many of them only wait to be cleared, and how many somebody else had before."""
    n, n_before = len(done), n_asked - len(done)
    words = [ngettext("%(n)s fault acknowledged.", "%(n)s faults acknowledged.", n) % {"n": n}]
    if n_over := sum(state_of(fault) == "latched" for fault in done):
        text = ngettext(
            "%(n)s of them is over and waits to be cleared on site.",
            "%(n)s of them are over and wait to be cleared on site.", n_over,
        )  # fmt: skip
        words.append(text % {"n": n_over})
    if n_before > 0:
        text = ngettext(
            "%(n)s had been acknowledged before; that stands.", "%(n)s had been acknowledged before; that stands.", n_before
        )  # fmt: skip
        words.append(text % {"n": n_before})
    return " ".join(words)


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
