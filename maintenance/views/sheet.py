"""The sheet of one visit on the phone: slots, entries, last steps of each receiver, finish."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from company.models import User
from devices.models import Receiver, Registration
from maintenance.actions.entries import Saying, correct_entry, record_entry, withdraw_entry
from maintenance.actions.visits import GateShut, finish_visit, gates_to_show, left_undone
from maintenance.forms import visits as visit_forms
from maintenance.models import Entry, Visit
from maintenance.rules.visits import in_the_way_words
from maintenance.views.sheet_page import SHOWS, entry_initial, finish_context, sheet_context

SHEET = "maintenance/tech/visit.html"
FINISH = "maintenance/tech/finish.html"
ENTRY = "maintenance/visits/entry.html"


def _visit(request: PersonRequest, pk: int) -> Visit:
    return get_object_or_404(Visit.objects.visible_to(request.user).for_sheet(), pk=pk)


def _place(source: Any) -> dict[str, str]:
    """Where on the sheet one is: receiver, filter, open slot. Anything odd counts as not given."""
    place = {name: str(source.get(name, "")) for name in ("r", "show", "slot")}
    for name in ("r", "slot"):
        if not place[name].isdecimal() or len(place[name]) > 9:
            place[name] = ""
    if place["show"] not in SHOWS:
        place["show"] = "todo"
    return place


@audience("technician")
@require_GET
def tech_visit(request: PersonRequest, pk: int) -> HttpResponse:
    visit = _visit(request, pk)
    return page(request, SHEET, sheet_context(request.user, visit, _place(request.GET)), part="sheet")


@audience("technician")
@require_POST
def tech_record(request: PersonRequest, pk: int, kind: str) -> HttpResponse:
    """Record one thing; the answer is the sheet as it stands then."""
    visit = _visit(request, pk)
    if kind not in visit_forms.ENTRY_FORMS:
        raise Http404("No such kind of entry.")
    user, place = request.user, _place(request.POST)
    receiver, registration = _about(request, visit)
    is_standby = kind == "battery" and registration is None
    form = visit_forms.StandbyForm(request.POST) if is_standby else visit_forms.entry_form(kind, user, request.POST)  # type: ignore[arg-type]
    refusal = ""
    if form.is_valid():
        saying = Saying(kind, form.facts(), receiver, registration)
        now = timezone.now()
        made_at = form.made_at(visit, now) if isinstance(form, visit_forms.TestForm) else now
        try:
            entry = record_entry(
                visit=visit, saying=saying, key=form.cleaned_data["key"], by=user, at=now, made_at=made_at
            )  # type: ignore[misc]
        except Refused as error:
            refusal = error.message
        else:
            done = _("Recorded: %(what)s.") % {"what": f"{entry.get_kind_display()}{_of_slot(registration)}"}
            messages.success(request, done)
            if entry.facts.get("lot_why"):
                messages.warning(
                    request, _("We warn of this lot. Put the other cells of it aside and tell the office.")
                )
            return _answer(request, pk, place)
    context = sheet_context(user, _visit(request, pk), place, refused_kind=kind, bound=form, refusal=refusal)
    return refused(request, SHEET, context, part="sheet")


def _of_slot(registration: Registration | None) -> str:
    return f", slot {registration.slot}" if registration else ""


def _about(request: PersonRequest, visit: Visit) -> tuple[Receiver | None, Registration | None]:
    """What an entry is about; only things of the visit's own site are found."""
    receiver = registration = None
    if any(not (request.POST.get(name) or "0").isdecimal() for name in ("receiver", "registration")):
        raise Http404("No such thing at this site.")
    if request.POST.get("receiver", "").isdecimal():
        rows = Receiver.objects.visible_to(request.user).filter(site=visit.site_id)
        receiver = get_object_or_404(rows, pk=int(request.POST["receiver"][:18]))
    if request.POST.get("registration", "").isdecimal():
        places = Registration.objects.visible_to(request.user).filter(site=visit.site_id)
        registration = get_object_or_404(
            places.select_related("receiver", "transmitter"), pk=int(request.POST["registration"][:18])
        )
    return receiver, registration


def _answer(request: PersonRequest, pk: int, place: dict[str, str]) -> HttpResponse:
    if request.htmx:  # type: ignore[attr-defined]
        return page(request, SHEET, sheet_context(request.user, _visit(request, pk), place), part="sheet")
    query = urlencode({name: value for name, value in place.items() if value})
    anchor = f"#slot-{place['slot']}" if place["slot"] else ""
    return redirect(f"{reverse('maintenance:tech_visit', args=[pk])}?{query}{anchor}")


@audience("technician")
@require_http_methods(["GET", "POST"])
def tech_finish(request: PersonRequest, pk: int) -> HttpResponse:
    visit = _visit(request, pk)
    if visit.state != Visit.State.OPEN:
        return redirect("maintenance:tech_visit", pk)
    items = left_undone(visit, visit.entries.as_said())
    if request.method == "GET":
        form = visit_forms.FinishForm(items=items, initial={"signed_name": visit.site.person_to_meet})
        return page(request, FINISH, finish_context(request.user, visit, form, gates_to_show(visit, timezone.now())))
    form = visit_forms.FinishForm(request.POST, items=items)
    refusal = ""
    if form.is_valid():
        try:
            finish_visit(
                visit=visit, signing=form.signing(), not_done=form.not_done(), by=request.user, at=timezone.now()  # type: ignore[arg-type]
            )  # fmt: skip
        except GateShut as error:
            refusal = in_the_way_words(len(error.gates))
        except Refused as error:
            refusal = error.message
        else:
            messages.success(request, _("The visit to %(site)s is finished.") % {"site": visit.site.name})
            return redirect("maintenance:tech_today")
    context = finish_context(request.user, visit, form, gates_to_show(visit, timezone.now()), refusal)
    return refused(request, FINISH, context)


# --- corrections: the same pages under /tech/ and for the office --------------------------------------------------------


def _entry(request: PersonRequest, pk: int) -> Entry:
    user = request.user
    rows = Entry.objects.visible_to(user).filter(visit__in=Visit.objects.visible_to(user))
    return get_object_or_404(
        rows.select_related("visit__site", "receiver", "registration__receiver", "registration__transmitter", "by"),
        pk=pk,
    )


def _back_url(user: Any, entry: Entry) -> str:
    if user.is_office:
        return entry.visit.get_absolute_url()
    place = {"r": entry.receiver_id or "", "show": "all"}
    if entry.registration:
        place["slot"] = entry.registration.slot
    return f"{reverse('maintenance:tech_visit', args=[entry.visit_id])}?{urlencode(place)}"


def _entry_context(
    user: Any, entry: Entry, form: Any = None, withdraw: Any = None, refusal: str = ""
) -> dict[str, Any]:
    is_office = user.is_office
    if form is None and entry.kind in visit_forms.CORRECTABLE and not entry.facts.get("standby"):
        form = visit_forms.entry_form(entry.kind, user, initial=entry_initial(entry))
    return {
        "entry": entry, "form": form, "withdraw": withdraw or visit_forms.WithdrawForm(auto_id="withdraw_%s"),
        "refused": refusal, "base": "base.html" if is_office else "base_phone.html", "back": _back_url(user, entry),
        "action_correct": "maintenance:visit_entry" if is_office else "maintenance:tech_entry",
        "action_withdraw": "maintenance:visit_entry_withdraw" if is_office else "maintenance:tech_entry_withdraw",
    }  # fmt: skip


@audience("office", "technician")
@require_http_methods(["GET", "POST"])
def entry_correct(request: PersonRequest, pk: int) -> HttpResponse:
    """Enter something anew; the old entry stays on record and is no longer in force."""
    entry, user = _entry(request, pk), request.user
    if request.method == "GET":
        return page(request, ENTRY, _entry_context(user, entry))
    if entry.kind not in visit_forms.CORRECTABLE:
        raise Http404("This kind is withdrawn, not corrected.")
    form = visit_forms.entry_form(entry.kind, user, request.POST)  # type: ignore[arg-type]
    if not form.is_valid():
        return refused(request, ENTRY, _entry_context(user, entry, form))
    saying = Saying(entry.kind, form.facts(), entry.receiver, entry.registration)
    try:
        correct_entry(entry=entry, saying=saying, key=form.cleaned_data["key"], by=user, at=timezone.now())  # type: ignore[arg-type]
    except Refused as error:
        return refused(request, ENTRY, _entry_context(user, entry, form, refusal=error.message))
    messages.success(request, _("Corrected. The old entry stays on record beside it."))
    return redirect(_back_url(user, entry))


@audience("office", "technician")
@require_POST
def entry_withdraw(request: PersonRequest, pk: int) -> HttpResponse:
    entry, user = _entry(request, pk), request.user
    form = visit_forms.WithdrawForm(request.POST, auto_id="withdraw_%s")
    if not form.is_valid():
        return refused(request, ENTRY, _entry_context(user, entry, withdraw=form))
    facts = form.cleaned_data
    assert isinstance(user, User)
    try:
        withdraw_entry(entry=entry, reason=facts["reason"], key=facts["key"], by=user, at=timezone.now())
    except Refused as error:
        return refused(request, ENTRY, _entry_context(user, entry, withdraw=form, refusal=error.message))
    messages.success(request, _("Withdrawn. It stays on record, and its effect is taken back."))
    return redirect(_back_url(user, entry))
