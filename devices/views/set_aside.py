"""What nobody could place: units heard that are not on record, adopted with one click or dismissed with a reason."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST, require_safe

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from company.lists import page_of
from company.models import Customer
from company.toasts import said
from company.views.forms_page import FORM, form_context, posted
from devices.actions.adoption import Adopted, adopt, place_again
from devices.actions.set_aside import dismiss_set_aside
from devices.forms.sources import DismissForm
from devices.models import Receiver, Registration, SetAside, Transmitter
from devices.querysets.set_aside import (
    GROUP,
    alike_on_record,
    as_groups,
    dismissed_before,
    group_of,
    heard_by,
    slot_states,
)

SECTION = "checkins"
LIST, DETAIL = "devices/intake/set_aside.html", "devices/intake/set_aside_unit.html"
SHOWS = ("open", "again", "adopted", "dismissed")
UNITS_A_PAGE = 15


def _every(request: PersonRequest) -> Any:
    return SetAside.objects.visible_to(request.user)


def _shown(request: PersonRequest, show: str) -> QuerySet[Any]:
    """Events of one fate: waiting, heard again after somebody dismissed the unit, adopted, dismissed."""
    rows = _every(request)
    if show == "adopted":
        return rows.filter(adopted_at__isnull=False)
    if show == "dismissed":
        return rows.filter(dismissed_at__isnull=False)
    was_dismissed = dismissed_before(_every(request))
    return rows.open().filter(was_dismissed if show == "again" else ~was_dismissed)


@audience("office")
@require_safe
def set_aside_list(request: PersonRequest) -> HttpResponse:
    """One line for each unit, the last heard first."""
    show = request.GET.get("show", "open")
    show = show if show in SHOWS else "open"
    rows, words = _shown(request, show), request.GET.get("q", "").strip()[:40]
    if words and words.isprintable():
        rows = rows.filter(serial__icontains=words)
    shown = page_of(as_groups(rows), request, UNITS_A_PAGE)
    groups = list(shown.object_list)
    heard = heard_by(rows, groups)
    alike = alike_on_record(Transmitter.objects.visible_to(request.user), (one["serial"] for one in groups))
    customers = Customer.objects.visible_to(request.user).in_bulk({one["customer_id"] for one in groups} - {None})
    receivers = (
        Receiver.objects.visible_to(request.user)
        .select_related("site")
        .in_bulk({one["at_receiver"] for one in groups} - {None})
    )
    places = [
        (receivers[one["at_receiver"]], one["at_slot"]) for one in groups if one["at_slot"] and one["at_receiver"] in receivers
    ]  # fmt: skip
    states = slot_states(Registration.objects.visible_to(request.user).open(), places)
    for one in groups:
        one["slot_state"] = states.get((one["at_receiver"], one["at_slot"]), "")
        one["heard"] = heard.get(tuple(one[name] for name in GROUP))
        one["alike"] = alike.get(one["serial"], ())
        one["customer"], one["receiver"] = customers.get(one["customer_id"]), receivers.get(one["at_receiver"])
    context = {"section": SECTION, "page": shown, "groups": groups, "show": show, "q": words}
    return page(request, LIST, context, part="rows")


def _event(request: PersonRequest, pk: int) -> SetAside:
    rows = _every(request).select_related("customer", "receiver__site", "batch__source", "transmitter")
    event: SetAside = get_object_or_404(rows, pk=pk)
    return event


@audience("office")
@require_safe
def set_aside_detail(request: PersonRequest, pk: int) -> HttpResponse:
    """One unit: what it said, where it was heard, what on record looks like it, and what to do."""
    event = _event(request, pk)
    rows = group_of(_every(request), event)
    waiting = group_of(_every(request).open(), event).order_by("-pk")
    units = Transmitter.objects.visible_to(request.user)
    known = units.filter(serial__iexact=event.serial).select_related("customer").first() if event.serial else None
    stands = (
        Registration.objects.visible_to(request.user).open().filter(transmitter=known).select_related("receiver__site")
    )
    receivers = (
        Receiver.objects.visible_to(request.user)
        .open()
        .filter(pk__in=rows.exclude(receiver=None).values("receiver_id"))
    )
    places = [(event.receiver, event.slot)] if event.receiver and event.slot and not event.serial else []
    states = slot_states(Registration.objects.visible_to(request.user).open(), places)
    context = {
        "section": SECTION, "event": event, "slot_state": next(iter(states.values()), ""), "n_waiting": waiting.count(), "newest": waiting.first(),
        "page": page_of(rows.select_related("receiver__site", "batch__source", "adopted_by", "dismissed_by").order_by("-pk"), request),
        "known": known, "stands": stands.order_by("receiver_id", "slot").first() if known else None,
        "alike": [one for one in alike_on_record(units, [event.serial]).get(event.serial, ()) if one != known],
        "customers": () if event.customer else Customer.objects.visible_to(request.user).current().order_by("name", "pk"),
        "receivers": receivers.select_related("site").order_by("site__name", "label", "pk")[:10],
    }  # fmt: skip
    return page(request, DETAIL, context)


@audience("office")
@require_POST
def set_aside_adopt(request: PersonRequest, pk: int) -> HttpResponse:
    """Put the unit on record and count what it said; or, with `transmitter`, as events of a known one."""
    event = _event(request, pk)
    back = redirect("devices:set_aside_detail", event.pk)
    customers = Customer.objects.visible_to(request.user).current()
    customer = event.customer or customers.filter(pk=_key(request.POST.get("customer", ""))).first()
    units = Transmitter.objects.visible_to(request.user).filter(customer=customer)
    wanted = request.POST.get("transmitter", "")
    unit = get_object_or_404(units, pk=_key(wanted)) if wanted else None
    if customer is None and event.serial:
        messages.error(request, _("Choose whose it is, then adopt it."))
        return back
    try:
        done = _adopted(request, event, customer, unit)
    except Refused as why:
        messages.error(request, why.message)
        return back
    text = ngettext("%(n)s event is counted now.", "%(n)s events are counted now.", done.n_events) % {
        "n": done.n_events
    }
    if done.n_left:
        more = ngettext("%(n)s still waits.", "%(n)s still wait.", done.n_left) % {"n": done.n_left}
        text = f"{text} {more}"
    said(request, f"{event.serial}: {text}" if event.serial else text)
    return back


def _adopted(request: PersonRequest, event: SetAside, customer: Customer | None, unit: Transmitter | None) -> Adopted:
    now = timezone.now()
    if event.serial and customer is not None:
        return adopt(serial=event.serial, customer=customer, transmitter=unit, by=request.user, at=now)
    return place_again(rows=group_of(_every(request).open(), event), by=request.user, at=now)


def _key(word: str) -> int:
    """A key out of a form; 0, which no record has, for anything else."""
    return int(word) if word.isascii() and word.isdigit() and len(word) < 19 else 0


@audience("office")
def set_aside_dismiss(request: PersonRequest, pk: int) -> HttpResponse:
    """Say why nobody needs to look at this unit."""
    event = _event(request, pk)
    name = event.serial or _("the slot")
    newest = group_of(_every(request).open(), event).order_by("-pk").first()
    lead = _("The events stay on record, set aside. Should it be heard again, it stands under “Heard again”.")
    form = DismissForm(posted(request), initial={"newest": newest.pk if newest else event.pk})
    context = form_context(
        form, _("Dismiss %(unit)s") % {"unit": name}, reverse("devices:set_aside_detail", args=[pk]), SECTION,
        button=_("Dismiss it"), lead=lead,
    )  # fmt: skip
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    try:
        change = dismiss_set_aside(
            event=event, newest_pk=form.cleaned_data["newest"], by=request.user, at=timezone.now(),
            reason=form.cleaned_data["reason"],
        )  # fmt: skip
    except Refused as why:
        return refused(request, FORM, context | {"refused": why.message})
    undo_url = reverse("company:change_undo", args=[change.pk])
    said(request, _("%(unit)s is dismissed.") % {"unit": name}, undo_url=undo_url)
    return redirect("devices:set_aside_list")
