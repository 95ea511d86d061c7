"""Pages of receivers: the list, the slot map as of any day, what was heard, and the receiver's own facts."""

from __future__ import annotations

from typing import Any

from django.db.models import Q
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from company.lists import ordered, page_of
from devices.actions import receivers as actions
from devices.actions.ledger import StaleSlotMap
from devices.forms import OutputForm, ReasonForm, ReceiverForm
from devices.models import Fault, Output, Receiver, ReceiverType, Registration
from devices.models.receivers import Evidence
from devices.querysets import end_of_day
from devices.rules.slot_map import SlotRow
from devices.rules.supervision import StandingFault, evidence_sentence
from devices.views.undo_offer import said_with_undo
from sites.models import Site

FORM = "devices/slots/form.html"


def place_of(request: PersonRequest) -> str:
    """First part of the names of addresses: a technician's pages all live under /tech/."""
    return "devices:tech_" if request.user.is_technician else "devices:"


def here(request: PersonRequest, name: str, *args: int) -> str:
    """Address of a page in the frame of the person who asks."""
    return reverse(f"{place_of(request)}{name}", args=args)


def frame(request: PersonRequest) -> dict[str, Any]:
    """Context that chooses the frame: the technician's phone or the office."""
    is_phone = request.user.is_technician
    return {
        "p": place_of(request),
        "base": "base_phone.html" if is_phone else "base.html",
        "is_phone": is_phone,
        "section": "sites" if is_phone else "receivers",
    }


def receiver_for(request: PersonRequest, pk: int) -> Receiver:
    """The receiver with what every page of it says, or 404."""
    rows = Receiver.objects.visible_to(request.user).select_related("site", "customer", "type")
    receiver: Receiver = get_object_or_404(rows, pk=pk)
    return receiver


@audience("office")
@require_safe
def receiver_list(request: PersonRequest) -> HttpResponse:
    words, evidence = request.GET.get("q", "").strip(), request.GET.get("evidence", "")
    show = request.GET.get("show", "")
    today = timezone.localdate()
    receivers = Receiver.objects.visible_to(request.user).matching(words)
    receivers = receivers.filter(removed_at__isnull=False) if show == "removed" else receivers.open()
    if evidence in Evidence.values:
        receivers = receivers.filter(evidence=evidence)
    listed = receivers.for_list().with_due().late_on(today)
    if show == "late":
        listed = listed.filter(n_late__gt=0)
    elif show in ("full", "spare"):
        listed = listed.filter(n_spare=0) if show == "full" else listed.filter(n_spare__gt=0)
    columns = {"site": "site__name", "label": "label", "due": "first_due_on", "late": "n_late", "used": "n_used"}
    columns |= {"spare": "n_spare", "customer": "customer__name", "type": "type__label", "evidence": "evidence"}
    rows, sort = ordered(listed, request, columns, default="site")
    context = {
        "page": page_of(rows, request),
        "q": words,
        "evidence": evidence,
        "evidences": Evidence.choices,
        "show": show,
        "sort": sort,
        "today": today,
        "section": "receivers",
    }
    return page(request, "devices/receivers/list.html", context, part="rows")


def standing_faults(request: PersonRequest, receiver: Receiver) -> list[StandingFault]:
    """Open and latched faults of one receiver that the person may see."""
    faults = Fault.objects.visible_to(request.user).filter(receiver=receiver)
    return faults.told().get(receiver.pk, [])


@audience("office", "technician")
@require_safe
def site_receivers(request: PersonRequest, site_pk: int) -> HttpResponse:
    """Panel of a site's receivers, each with its one honest sentence."""
    site = get_object_or_404(Site.objects.visible_to(request.user), pk=site_pk)
    zone, now = site.zone, timezone.now()
    today = now.astimezone(zone).date()
    receivers = Receiver.objects.visible_to(request.user).filter(site=site).open()
    rows: dict[int, list[SlotRow]] = {}
    registrations = Registration.objects.visible_to(request.user).filter(site=site, receiver__removed_at=None)
    for row in registrations.slot_rows(end_of_day(today, zone), zone):
        rows.setdefault(row.receiver_pk or 0, []).append(row)
    facts = receivers.evidence(rows, now)
    listed = receivers.select_related("type", "replaces").with_due().late_on(today).order_by("label", "pk")
    context = frame(request) | {
        "site": site,
        "today": today,
        "receivers": [(row, len(rows.get(row.pk, ())), evidence_sentence(facts[row.pk], today)) for row in listed],
    }
    return page(request, "devices/receivers/site.html", context, part="receivers")


def refusal(request: PersonRequest, template: str, context: dict[str, Any], why: Refused) -> HttpResponse:
    """422 with the form, the words of the refusal, and what changed meanwhile where the form was stale.

    A stale form takes on today's version: whoever has read what changed may save what they typed, and loses none of it.
    """
    form, version = context.get("form"), getattr(why, "version", None)
    if version is not None and form is not None and "version" in form.fields:
        form.data = form.data.copy()
        form.data[form.add_prefix("version")] = version
    context |= {
        "refused": str(why),
        "changes": getattr(why, "changes", None),
        "is_stale": isinstance(why, StaleSlotMap),
    }
    return refused(request, template, context)


@audience("office")
def receiver_new(request: PersonRequest, site_pk: int) -> HttpResponse:
    site = get_object_or_404(Site.objects.visible_to(request.user).select_related("customer"), pk=site_pk)
    receiver = Receiver(site=site, customer=site.customer)
    types = ReceiverType.objects.visible_to(request.user).offered()
    form = ReceiverForm(request.POST or None, instance=receiver, types=types)
    context = frame(request) | {
        "form": form, "title": _("New receiver"), "lead": str(site), "button": _("Save the receiver"),
        "back": site.get_absolute_url(),
    }  # fmt: skip
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    try:
        receiver = actions.add_receiver(
            receiver=form.save(commit=False), by=request.user, at=timezone.now(), reason=form.cleaned_data["reason"]
        )
    except Refused as why:
        return refusal(request, FORM, context, why)
    said_with_undo(request, _("%(receiver)s is saved.") % {"receiver": receiver}, receiver)
    return redirect(receiver)


@audience("office")
def receiver_edit(request: PersonRequest, pk: int) -> HttpResponse:
    receiver = receiver_for(request, pk)
    kept = Q(retired_at=None) | Q(pk=receiver.type_id)
    types = ReceiverType.objects.visible_to(request.user).filter(kept).order_by("label", "pk")
    # An account number that an event log gave for it, and that nobody knew.
    named = {"serial": request.GET["serial"][:40]} if request.GET.get("serial") and not receiver.serial else None
    form = ReceiverForm(request.POST or None, instance=receiver, types=types, initial=named)
    context = frame(request) | {
        "form": form, "title": _("Edit the receiver"), "lead": str(receiver), "button": _("Save"),
        "back": receiver.get_absolute_url(),
    }  # fmt: skip
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    try:
        actions.edit_receiver(
            receiver=form.save(commit=False), by=request.user, at=timezone.now(), reason=form.cleaned_data["reason"],
            seen_version=form.seen_version,
        )  # fmt: skip
    except Refused as why:
        return refusal(request, FORM, context, why)
    said_with_undo(request, _("%(receiver)s is saved.") % {"receiver": receiver}, receiver)
    return redirect(receiver)


@audience("office")
def receiver_remove(request: PersonRequest, pk: int) -> HttpResponse:
    receiver = receiver_for(request, pk)
    form = ReasonForm(request.POST or None, receiver=receiver)
    context = frame(request) | {
        "form": form, "title": _("Take the receiver down"),
        "lead": _("%(receiver)s. Its history stays readable.") % {"receiver": receiver},
        "button": _("Take it down"), "danger": True, "back": receiver.get_absolute_url(),
    }  # fmt: skip
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    try:
        actions.remove_receiver(
            receiver=receiver, by=request.user, at=form.cleaned_data["at"], reason=form.cleaned_data["reason"],
            seen_version=form.seen_version,
        )  # fmt: skip
    except Refused as why:
        return refusal(request, FORM, context, why)
    said_with_undo(request, _("%(receiver)s is taken down.") % {"receiver": receiver}, receiver)
    return redirect(receiver)


@audience("office")
def output_new(request: PersonRequest, pk: int) -> HttpResponse:
    receiver = receiver_for(request, pk)
    taken = set(receiver.outputs.values_list("number", flat=True))
    free = next(number for number in range(1, len(taken) + 2) if number not in taken)
    return _output_page(request, receiver, Output(receiver=receiver, number=free), _("New output"))


@audience("office", "technician")
def output_edit(request: PersonRequest, pk: int, number: int) -> HttpResponse:
    receiver = receiver_for(request, pk)
    output = get_object_or_404(Output.objects.visible_to(request.user), receiver=receiver, number=number)
    return _output_page(request, receiver, output, f"Output {number}")


def _output_page(request: PersonRequest, receiver: Receiver, output: Output, title: str) -> HttpResponse:
    form = OutputForm(request.POST or None, instance=output, receiver=receiver)
    context = frame(request) | {
        "form": form, "title": title, "lead": str(receiver), "button": _("Save the output"),
        "back": here(request, "slot_map", receiver.pk) + "#outputs",
    }  # fmt: skip
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    try:
        saved = form.save(commit=False)
        saved.receiver = receiver
        actions.save_output(
            output=saved, by=request.user, at=timezone.now(), reason=form.cleaned_data["reason"],
            seen_version=form.seen_version,
        )  # fmt: skip
    except Refused as why:
        return refusal(request, FORM, context, why)
    said_with_undo(request, _("Output %(number)s is saved.") % {"number": saved.number}, saved)
    return redirect(here(request, "slot_map", receiver.pk))
