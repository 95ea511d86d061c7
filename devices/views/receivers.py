"""Pages of receivers: the list, the slot map as of any day, what was heard, and the receiver's own facts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from datetime import date, datetime
from typing import Any

from django.contrib import messages
from django.db.models import Q
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_safe

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from company.lists import ordered, page_of
from company.models import ChangeRow, RiskPolicy
from devices.actions import receivers as actions
from devices.actions.ledger import StaleSlotMap
from devices.forms import OutputForm, ReasonForm, ReceiverForm
from devices.models import Fault, Output, Receiver, ReceiverType, Registration
from devices.models.receivers import Evidence
from devices.querysets import end_of_day, heard_moment
from devices.rules import findings
from devices.rules.slot_map import SlotRow, day_asked, day_refused, fill_slots, sum_up_outputs
from devices.rules.supervision import StandingFault, TransmitterEvidence, evidence_sentence, faults_of, judge
from devices.views.shown import SHOWS, asks_of, cell, fold_spares, group_findings, output_facts
from sites.models import Site

TALLY = (
    ("silent", "silent"),
    ("awaited", "not heard yet"),
    ("heard", "heard"),
    ("unknown", "without check-ins"),
    ("away", "away"),
)
FORM = "devices/slots/form.html"
MAP = "devices/slots/map.html"


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
    columns = {"site": "site__name", "label": "label", "due": "first_due_on", "late": "n_late", "used": "n_used"}
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


def _facts(
    receiver: Receiver,
    rows: list[SlotRow],
    outputs: list[Output],
    policies: Iterable[RiskPolicy],
    today: date,
    faults: list[StandingFault],
) -> findings.ReceiverFacts:
    return findings.ReceiverFacts(
        where=str(receiver),
        n_slots=receiver.n_slots,
        rows=rows,
        outputs=[output_facts(output) for output in outputs],
        today=today,
        asks=asks_of(policies),
        faults=faults,
    )


@audience("office", "technician")
@require_safe
def slot_map(request: PersonRequest, pk: int) -> HttpResponse:
    receiver = receiver_for(request, pk)
    zone, now = receiver.site.zone, timezone.now()
    today = now.astimezone(zone).date()
    on = day_asked(request.GET.get("on", ""), today)
    if refusal := day_refused(request.GET.get("on", ""), today):
        messages.warning(request, f"{refusal} This is today.")
    is_today = on == today
    taken = (
        Registration.objects.visible_to(request.user).filter(receiver=receiver).slot_rows(end_of_day(on, zone), zone)
    )
    outputs = list(Output.objects.visible_to(request.user).filter(receiver=receiver).order_by("number"))
    policies = RiskPolicy.objects.visible_to(request.user)
    faults = standing_faults(request, receiver) if is_today else []
    found = findings.find(_facts(receiver, taken, outputs, policies, today, faults)) if is_today else ()
    past = "" if is_today else f"?on={on.isoformat()}"
    troubled = frozenset(one.slot for one in found if one.slot)
    cells = [
        cell(
            row,
            url=here(request, "slot_detail", receiver.pk, row.slot) + past,
            today=today,
            is_today=is_today,
            troubled=troubled,
            faults=faults,
        )
        for row in fill_slots(receiver.n_slots, taken)
    ]
    show = request.GET.get("show", "all") if request.GET.get("show") in SHOWS else "all"
    context = frame(request) | {
        "receiver": receiver,
        "site": receiver.site,
        "on": on,
        "today": today,
        "is_today": is_today,
        "cells": fold_spares(one for one in cells if show in one.shows),
        "counts": [
            (name, sum(1 for one in cells if name in one.shows))
            for name in SHOWS
            if is_today or name in ("all", "spare")
        ],
        "show": show,
        "n_used": len(taken),
        "outputs": sum_up_outputs([output_facts(output) for output in outputs], taken),
        "output_pks": {output.number: output.pk for output in outputs},
        "findings": group_findings(found, lambda slot: here(request, "slot_detail", receiver.pk, slot)),
        "n_findings": len(found),
        "receiver_faults": faults,
        "said": _said(request, receiver, taken, now) if is_today else None,
    }
    return page(request, MAP, context, part="slots")


def standing_faults(request: PersonRequest, receiver: Receiver) -> list[StandingFault]:
    """Open and latched faults of one receiver that the person may see."""
    faults = Fault.objects.visible_to(request.user).filter(receiver=receiver)
    return faults.standing().told().get(receiver.pk, [])


def _said(request: PersonRequest, receiver: Receiver, rows: list[SlotRow], now: datetime) -> Any:
    facts = Receiver.objects.visible_to(request.user).filter(pk=receiver.pk).evidence({receiver.pk: rows}, now)
    return evidence_sentence(facts[receiver.pk], now.astimezone(receiver.site.zone).date())


@audience("office", "technician")
@require_safe
def slot_heard(request: PersonRequest, pk: int) -> HttpResponse:
    """When each transmitter was last heard, apart from the slot map so that check-ins do not spoil its copy."""
    receiver = receiver_for(request, pk)
    zone, now = receiver.site.zone, timezone.now()
    today = now.astimezone(zone).date()
    registrations = Registration.objects.visible_to(request.user).filter(receiver=receiver)
    rows = registrations.slot_rows(end_of_day(today, zone), zone)
    heard = {
        slot: heard_moment(day, seconds)
        for slot, day, seconds in registrations.open().with_last_check_in().values_list("slot", "heard_day", "heard_s")
    }
    missing = set(
        Fault.objects.visible_to(request.user)
        .open()
        .filter(receiver=receiver, kind=Fault.Kind.MISSING)
        .values_list("transmitter_id", flat=True)
    )
    faults = standing_faults(request, receiver)
    states = []
    for row in rows:
        if row.nothing_answers or row.registered_at is None:
            continue
        at = heard.get(row.slot)
        state = judge(
            TransmitterEvidence(
                grade=receiver.evidence,
                window_s=row.window_s,
                interval_s=row.interval_s,
                registered_at=row.registered_at,
                heard_at=at.astimezone(zone) if at else None,
                watermark_at=receiver.heard_until.astimezone(zone) if receiver.heard_until else None,
                has_missing_fault=row.transmitter_pk in missing,
                is_away=row.is_away,
                found_on=row.walk_tested_at.date() if row.walk_tested_at else None,
                fault="; ".join(fault.words(today, with_place=False) for fault in faults_of(row, faults)),
            ),
            today,
        )
        states.append((row.slot, row.label, row.serial, row.duty, state.code, state.words))
    order = {"silent": 0, "awaited": 1, "unknown": 2, "heard": 3, "away": 4}
    states.sort(key=lambda one: (order[one[4]], one[3] != "life_safety", one[0]))
    codes = Counter(one[4] for one in states)
    context = frame(request) | {
        "receiver": receiver,
        "site": receiver.site,
        "states": states,
        "tally": [(words, codes[code]) for code, words in TALLY],
    }
    return page(request, "devices/slots/heard.html", context, part="heard")


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
    listed = receivers.select_related("type").with_due().late_on(today).order_by("label", "pk")
    context = frame(request) | {
        "site": site,
        "today": today,
        "receivers": [(row, len(rows.get(row.pk, ())), evidence_sentence(facts[row.pk], today)) for row in listed],
    }
    return page(request, "devices/receivers/site.html", context, part="receivers")


def refusal(request: PersonRequest, template: str, context: dict[str, Any], why: Refused) -> HttpResponse:
    """422 with the form, the words of the refusal, and what changed meanwhile where the form was stale.

    The form keeps the version it was made from: only a page opened anew may be saved.
    """
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
        "form": form, "title": "New receiver", "lead": str(site), "button": "Save the receiver",
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
    messages.success(request, f"{receiver} is saved.")
    return redirect(receiver)


@audience("office")
def receiver_edit(request: PersonRequest, pk: int) -> HttpResponse:
    receiver = receiver_for(request, pk)
    kept = Q(retired_at=None) | Q(pk=receiver.type_id)
    types = ReceiverType.objects.visible_to(request.user).filter(kept).order_by("label", "pk")
    form = ReceiverForm(request.POST or None, instance=receiver, types=types)
    context = frame(request) | {
        "form": form, "title": "Edit the receiver", "lead": str(receiver), "button": "Save",
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
    messages.success(request, f"{receiver} is saved.")
    return redirect(receiver)


@audience("office")
def receiver_remove(request: PersonRequest, pk: int) -> HttpResponse:
    receiver = receiver_for(request, pk)
    form = ReasonForm(request.POST or None, receiver=receiver)
    context = frame(request) | {
        "form": form, "title": "Take the receiver down", "lead": f"{receiver}. Its history stays readable.",
        "button": "Take it down", "danger": True, "back": receiver.get_absolute_url(),
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
    messages.success(request, f"{receiver} is taken down.")
    return redirect(receiver)


@audience("office")
def output_new(request: PersonRequest, pk: int) -> HttpResponse:
    receiver = receiver_for(request, pk)
    taken = set(receiver.outputs.values_list("number", flat=True))
    free = next(number for number in range(1, len(taken) + 2) if number not in taken)
    return _output_page(request, receiver, Output(receiver=receiver, number=free), "New output")


@audience("office", "technician")
def output_edit(request: PersonRequest, pk: int, number: int) -> HttpResponse:
    receiver = receiver_for(request, pk)
    output = get_object_or_404(Output.objects.visible_to(request.user), receiver=receiver, number=number)
    return _output_page(request, receiver, output, f"Output {number}")


def _output_page(request: PersonRequest, receiver: Receiver, output: Output, title: str) -> HttpResponse:
    form = OutputForm(request.POST or None, instance=output, receiver=receiver)
    context = frame(request) | {
        "form": form, "title": title, "lead": str(receiver), "button": "Save the output",
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
    messages.success(request, f"Output {saved.number} is saved.")
    return redirect(here(request, "slot_map", receiver.pk))


@audience("office")
@require_safe
def receiver_log(request: PersonRequest, pk: int) -> HttpResponse:
    """Everything that was changed on a receiver, newest first."""
    receiver = receiver_for(request, pk)
    changes = (
        ChangeRow.objects.visible_to(request.user)
        .filter(customer_id=receiver.customer_id, after__receiver=receiver.pk)
        .select_related("by")
        .order_by("-at", "-pk")
    )
    context = frame(request) | {"receiver": receiver, "site": receiver.site, "page": page_of(changes, request)}
    return page(request, "devices/receivers/log.html", context)
