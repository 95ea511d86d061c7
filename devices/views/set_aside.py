"""What nobody could place: units heard that are not on record, adopted with one click or dismissed with a reason."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.db.models import Count, Max, Min, Q, QuerySet
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST, require_safe
from django_htmx.http import HttpResponseClientRefresh

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused, wants_part
from company.lists import page_of
from company.models import Customer, Job
from company.toasts import said
from company.views.forms_page import FORM, form_context, posted
from devices.actions.adoption import Adopted
from devices.actions.set_aside import dismiss_set_aside
from devices.actions.set_aside_later import MOST_AT_ONCE, adopt_or_ask, place_or_ask
from devices.forms.sources import DismissForm
from devices.models import Fault, IntakeSource, PanelAccount, Receiver, Registration, SetAside, Transmitter
from devices.querysets.set_aside import (
    alike_on_record,
    dismissed_before,
    group_of,
    heard_of,
    newest_of_units,
    of_another,
    slot_states,
)
from devices.rules.panel_state import number_of
from devices.rules.serials import serial_key
from devices.views.set_aside_shown import being_counted, counting_of

SECTION = "checkins"
LIST, DETAIL = "devices/intake/set_aside.html", "devices/intake/set_aside_unit.html"
SHOWS = ("open", "again", "adopted", "dismissed")
UNITS_A_PAGE = 15
MOST_RECEIVERS = 10


def _every(request: PersonRequest) -> Any:
    return SetAside.objects.visible_to(request.user)


def _rows(request: PersonRequest, show: str) -> QuerySet[Any]:
    """Events of one fate: waiting, adopted, dismissed."""
    rows = _every(request)
    if show == "adopted":
        return rows.filter(adopted_at__isnull=False).waited()
    return rows.filter(dismissed_at__isnull=False) if show == "dismissed" else rows.open()


def _units(request: PersonRequest, rows: QuerySet[Any], show: str) -> QuerySet[Any]:
    """The newest event of each unit; of those that wait, the ones that somebody has dismissed before stand apart."""
    newest = newest_of_units(_every(request), rows)
    if show not in ("open", "again"):
        return newest
    was_dismissed = dismissed_before(_every(request))
    return newest.filter(was_dismissed if show == "again" else ~was_dismissed)


def units_shown(request: PersonRequest, show: str, words: str) -> tuple[QuerySet[Any], QuerySet[Any]]:
    """Events of one fate with some words, and the newest event of each of their units."""
    rows = _rows(request, show)
    if words and words.isprintable():
        in_place = Q(receiver__label__icontains=words) | Q(receiver__site__name__icontains=words)
        rows = rows.filter(Q(unit__contains=serial_key(words)) | Q(unit__contains=words.casefold()) | in_place)
    return rows, _units(request, rows, show)


@audience("office")
@require_safe
def set_aside_list(request: PersonRequest) -> HttpResponse:
    """One line for each unit, the last heard first."""
    show = request.GET.get("show", "open")
    show, words = show if show in SHOWS else "open", request.GET.get("q", "").strip()[:40]
    rows, units = units_shown(request, show, words)
    units = units.select_related("customer", "receiver__site", "batch__source")
    # An answer names every row of its batch that was set aside, and would be read with each line.
    units = units.defer("batch__answer")
    shown = page_of(units, request, UNITS_A_PAGE)
    lines = list(shown.object_list)
    heard = heard_of(rows, lines)
    alike = alike_on_record(Transmitter.objects.visible_to(request.user), (one.serial for one in lines))
    states = slot_states(Registration.objects.visible_to(request.user).open(), lines)
    counted = being_counted(request, lines) if show in ("open", "again") else set()
    for one in lines:
        one.is_being_counted = (one.customer_id, one.unit) in counted
        one.slot_state = states.get((one.receiver_id, one.slot), "")
        one.heard = heard[one.customer_id, one.unit]
        # Of its own customer first: a unit of somebody else's is rarely the one that was meant.
        one.alike = sorted(alike.get(one.serial, ()), key=lambda unit: unit.customer_id != one.customer_id)
        one.elsewhere = of_another(one, one.alike)
    context = {"section": SECTION, "page": shown, "lines": lines, "show": show, "q": words}
    return page(request, LIST, context, part="rows")


def _event(request: PersonRequest, pk: int) -> SetAside:
    rows = _every(request).select_related("customer", "receiver__site", "batch__source", "transmitter")
    rows = rows.defer("batch__answer")
    event: SetAside = get_object_or_404(rows, pk=pk)
    return event


def _on_record(request: PersonRequest, event: SetAside) -> Transmitter | None:
    """The transmitter that adopting would take: spelt like it, of the same customer first."""
    if not event.serial:
        return None
    alike = Transmitter.objects.visible_to(request.user).select_related("customer").looking_like(event.serial)
    mine = [unit for unit in alike if unit.customer_id == event.customer_id] or alike
    exact = [unit for unit in mine if unit.serial.casefold() == event.serial.casefold()] or mine
    return exact[0] if exact else None


def _stands(request: PersonRequest, event: SetAside, known: Transmitter | None) -> Registration | None:
    """Where the transmitter stands today; of an event without a serial, what stands in its slot."""
    rows = Registration.objects.visible_to(request.user).open().select_related("receiver__site", "transmitter")
    if event.serial:
        rows = rows.filter(transmitter=known) if known else rows.none()
    else:
        rows = rows.filter(receiver=event.receiver, slot=event.slot) if event.receiver and event.slot else rows.none()
    found: Registration | None = rows.order_by("receiver_id", "slot").first()
    return found


def _panel(request: PersonRequest, event: SetAside) -> PanelAccount | None:
    """The panel that sent the event, where it does so under a number."""
    if event.batch.source.kind != IntakeSource.Kind.PANEL:
        return None
    number = number_of(event.batch.batch_id)
    rows = PanelAccount.objects.visible_to(request.user).filter(number=number, customer=event.customer)
    found: PanelAccount | None = rows.select_related("site").order_by("closed_at", "-pk").first()
    return found


def _who_could_be_meant(request: PersonRequest, event: SetAside, panel: PanelAccount | None, words: str) -> Any:
    """Receivers that an unknown name could mean, as far as somebody asked; of a panel those at its site."""
    rows = Receiver.objects.visible_to(request.user).open().select_related("site", "customer")
    if event.customer_id is not None:
        rows = rows.filter(customer_id=event.customer_id)
    if words:
        rows = rows.matching(words)
    elif panel is not None:
        rows = rows.filter(site_id=panel.site_id)
    else:
        return ()
    return rows.order_by("site__name", "label", "pk")[:MOST_RECEIVERS]


@audience("office")
@require_safe
def set_aside_detail(request: PersonRequest, pk: int) -> HttpResponse:
    """One unit: what it said, where it was heard, what on record looks like it, and what to do."""
    event = _event(request, pk)
    counting = counting_of(request, event)
    if wants_part(request) and request.htmx.target == "progress":
        # Once the counting is over, the whole page is wanted in the place of its progress.
        context = {"counting": counting, "event": event}
        return page(request, DETAIL, context, part="progress") if counting.at_work else HttpResponseClientRefresh()
    rows = group_of(_every(request), event)
    waiting = group_of(_every(request).open(), event)
    known, sums = _on_record(request, event), rows.aggregate(first=Min("at"))
    sums |= waiting.aggregate(n=Count("pk"), newest=Max("pk"))
    stands, panel = _stands(request, event, known), _panel(request, event)
    words = request.GET.get("find", "").strip()[:40]
    words = words if words.isprintable() else ""
    units = Transmitter.objects.visible_to(request.user)
    heard_at = (
        Receiver.objects.visible_to(request.user)
        .open()
        .filter(pk__in=rows.exclude(receiver=None).values("receiver_id"))
    )
    alike = alike_on_record(units, [event.serial]).get(event.serial, ())
    states = slot_states(Registration.objects.visible_to(request.user).open(), [event])
    is_unnamed = not event.serial and event.receiver is None
    context = {
        "section": SECTION, "event": event, "one": event, "slot_state": next(iter(states.values()), ""), "newest": sums["newest"],
        "n_waiting": 0 if counting.at_work else sums["n"], "counting": counting, "is_long": sums["n"] > MOST_AT_ONCE,
        "page": _events_of(request, rows),
        "known": known, "is_ours": known is not None and event.customer_id in (None, known.customer_id),
        "stands": stands, "since": _day_there(event, stands, sums["first"]),
        "is_older": bool(stands and sums["first"] and sums["first"] < stands.registered_at),
        "alike": [one for one in alike if one != known],
        "customers": () if event.customer else Customer.objects.visible_to(request.user).current().order_by("name", "pk"),
        "receivers": heard_at.select_related("site").order_by("site__name", "label", "pk")[:MOST_RECEIVERS],
        "is_unnamed": is_unnamed, "panel": panel, "q": words,
        "meant": _who_could_be_meant(request, event, panel, words) if is_unnamed else (),
    }  # fmt: skip
    return page(request, DETAIL, context)


def _events_of(request: PersonRequest, rows: QuerySet[Any]) -> Any:
    """A page of events, the newest first. Sorted by their keys alone: there may be thousands, and each is long."""
    shown = page_of(rows.order_by("-pk").values_list("pk", flat=True), request)
    full = _every(request).filter(pk__in=list(shown.object_list)).order_by("-pk")
    full = full.select_related("receiver__site", "batch__source", "adopted_by", "dismissed_by")
    shown.object_list = full.defer("batch__answer")
    return shown


def _day_there(event: SetAside, stands: Registration | None, first_at: Any) -> Any:
    """Day of the first event at the site where it was heard; what is registered from then on, counts."""
    receiver = event.receiver or (stands.receiver if stands else None)
    zone = receiver.site.zone if receiver else timezone.get_current_timezone()
    return first_at.astimezone(zone).date() if first_at else None


@audience("office")
@require_POST
def set_aside_adopt(request: PersonRequest, pk: int) -> HttpResponse:
    """Put the unit on record and count what it said; with `transmitter` as events of a known one, with `receiver` as
    events of the receiver that its name means.
    """
    event = _event(request, pk)
    back = redirect("devices:set_aside_detail", event.pk)
    unit = receiver = None
    if wanted := request.POST.get("transmitter", ""):
        units = Transmitter.objects.visible_to(request.user)
        units = units.filter(customer_id=event.customer_id) if event.customer_id is not None else units
        unit = get_object_or_404(units.select_related("customer"), pk=_key(wanted))
    if wanted := request.POST.get("receiver", ""):
        receivers = Receiver.objects.visible_to(request.user)
        receivers = receivers.filter(customer_id=event.customer_id) if event.customer_id is not None else receivers
        receiver = get_object_or_404(receivers, pk=_key(wanted))
    customers = Customer.objects.visible_to(request.user).current()
    customer = event.customer or (unit.customer if unit else None)
    customer = customer or customers.filter(pk=_key(request.POST.get("customer", ""))).first()
    if customer is None and event.serial:
        messages.error(request, _("Choose whose it is, then adopt it."))
        return back
    try:
        done = _adopted(request, event, customer, unit, receiver)
    except Refused as why:
        messages.error(request, why.message)
        return back
    if isinstance(done, Adopted):
        said(request, _told(done, event))
    return back


def _told(done: Adopted, event: SetAside) -> str:
    text = ngettext("%(n)s event is counted now.", "%(n)s events are counted now.", done.n_events) % {
        "n": done.n_events
    }
    if done.n_left:
        more = ngettext("%(n)s still waits.", "%(n)s still wait.", done.n_left) % {"n": done.n_left}
        text = f"{text} {more}"
    if done.faults:
        kinds = ", ".join(str(Fault.Kind(kind).label) for kind in done.faults)
        more = _("Reported and not taken back: %(kinds)s. It stands as a fault once it is registered in a slot.")
        if done.has_slot:
            more = _("Reported and not taken back: %(kinds)s. See the faults.")
        text = f"{text} {more % {'kinds': kinds}}"
    return f"{event.serial}: {text}" if event.serial else text


def _adopted(
    request: PersonRequest, event: SetAside, customer: Customer | None, unit: Transmitter | None, receiver: Receiver | None
) -> Adopted | Job:  # fmt: skip
    """What came of it, or the job that counts, where there are very many."""
    now = timezone.now()
    if event.serial and customer is not None:
        return adopt_or_ask(serial=event.serial, customer=customer, transmitter=unit, by=request.user, at=now)
    return place_or_ask(event=event, receiver=receiver, by=request.user, at=now)


def _key(word: str) -> int:
    """A key out of a form; 0, which no record has, for anything else."""
    return int(word) if word.isascii() and word.isdigit() and len(word) < 19 else 0


@audience("office")
def set_aside_dismiss(request: PersonRequest, pk: int) -> HttpResponse:
    """Say why nobody needs to look at this unit."""
    event = _event(request, pk)
    name = event.serial or (_("the slot") if event.receiver_id else event.named) or _("the receiver")
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
