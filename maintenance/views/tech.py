"""The technician's pages around the sheet: today, sites, one site, starting a visit. Everything lives under /tech/."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_variables
from django.views.decorators.http import require_GET, require_POST

from company.access import audience
from company.errors import Refused
from company.htmx import page, refused
from company.manner import weekday_said
from company.models import User
from devices.models import Receiver, Registration
from devices.rules.slot_map import due_words, fill_slots
from maintenance.actions.visits import AlreadyThere, start_call_out, start_visit
from maintenance.forms.visits import CallOutForm
from maintenance.models import Visit
from maintenance.querysets.days import place_of, shift_of, things_by_site, whys_now
from maintenance.rules.rounds.travel import Place, estimate_drive
from maintenance.rules.visits import is_on_test
from maintenance.views.round_page import due_by_site
from sites.actions import show_access_note
from sites.models import AccessNote, FloorPlan, Hazard, Site
from sites.rules.hours import week_lines
from sites.views.shown import week_of

PAGE_SIZE = 25
DAYS_AHEAD = 14
NOTE_DAYS = 2
"""Access notes are shown for a visit that is at most this many days off, before or after."""

PAST_DAYS = 60
"""Unfinished stops older than this are the office's business, not the technician's morning."""


@audience("technician")
@require_GET
def tech_today(request: HttpRequest) -> HttpResponse:
    user, today = request.user, timezone.localdate()
    rows = Visit.objects.visible_to(user).for_day().order_by("planned_on", "round__starts", "position", "pk")
    in_sight = Q(planned_on__gte=today - timedelta(days=PAST_DAYS), planned_on__lte=today + timedelta(days=DAYS_AHEAD))
    mine = rows.to_come().filter(in_sight | Q(state=Visit.State.OPEN))
    done = rows.filter(state=Visit.State.FINISHED, planned_on=today)
    visits = sorted([*mine, *done], key=lambda v: (v.planned_on, v.round_id or 0, v.position, v.pk))
    shift = shift_of(user, today)
    _work_out_whys(user, visits, today)
    context = {
        "open": [v for v in visits if v.state == "open"],
        "past": [stop_row(v) for v in visits if v.state == "planned" and v.planned_on < today],
        "today_rows": beads([v for v in visits if v.planned_on == today], shift.start),
        "next_days": _by_day([v for v in visits if v.planned_on > today]),
        "rounds": _rounds([v for v in visits if v.planned_on == today]),
        "today": today, "shift": shift, "section": "today",
    }  # fmt: skip
    return page(request, "maintenance/tech/today.html", context)


def _work_out_whys(user: Any, visits: Sequence[Visit], today: date) -> None:
    """Hang on each visit that is not over why it is made, as things stand now."""
    to_come = [visit for visit in visits if visit.state != Visit.State.FINISHED]
    items = due_by_site(user, [visit.site_id for visit in to_come])
    things = things_by_site(item for rows in items.values() for item in rows)
    for visit in to_come:
        visit.whys_now = whys_now(visit, things.get(visit.site_id, []), today)  # type: ignore[attr-defined]


def stop_row(visit: Visit) -> dict[str, Any]:
    """One stop as the lists show it."""
    return {"visit": visit, "whys": getattr(visit, "whys_now", [])}


def beads(visits: Sequence[Visit], start: Place | None) -> list[dict[str, Any]]:
    """Stops of a day with the drive before each, as an estimate."""
    rows, here, is_first = [], start, True
    for visit in visits:
        place = place_of(visit.site.latitude, visit.site.longitude)
        drive = None if is_first and start is None else estimate_drive(here, place)
        rows.append(stop_row(visit) | {"drive": drive})
        here, is_first = place, False
    return rows


def _by_day(visits: Sequence[Visit]) -> list[tuple[date, list[dict[str, Any]]]]:
    days: dict[date, list[dict[str, Any]]] = {}
    for visit in visits:
        days.setdefault(visit.planned_on, []).append(stop_row(visit))
    return sorted(days.items())


def _rounds(visits: Sequence[Visit]) -> list[Any]:
    return list({visit.round_id: visit.round for visit in visits if visit.round_id}.values())


@audience("technician")
@require_GET
def tech_sites(request: HttpRequest) -> HttpResponse:
    words = (request.GET.get("q") or "").strip()
    rows = Site.objects.visible_to(request.user).current().matching(words).for_list().order_by("name", "pk")
    paging = Paginator(rows, PAGE_SIZE).get_page(request.GET.get("page"))
    return page(
        request, "maintenance/tech/sites.html", {"page": paging, "words": words, "section": "sites"}, part="found"
    )


@audience("technician")
@require_GET
def tech_site(request: HttpRequest, pk: int) -> HttpResponse:
    site = get_object_or_404(Site.objects.visible_to(request.user).select_related("customer"), pk=pk)
    context = _site_context(request, site, CallOutForm())
    return page(request, "maintenance/tech/site.html", context)


def _site_context(request: HttpRequest, site: Site, form: CallOutForm, refusal: str = "") -> dict[str, Any]:
    user = request.user
    receivers = list(Receiver.objects.visible_to(user).open().filter(site=site).order_by("label", "pk"))
    asked = request.GET.get("r", "")
    shown = next((row for row in receivers if str(row.pk) == asked), receivers[0] if receivers else None)
    slots: list[dict[str, Any]] = []
    if shown is not None:
        now, today = timezone.now(), timezone.localdate(timezone=site.zone)
        rows = Registration.objects.visible_to(user).filter(receiver=shown).slot_rows(now, site.zone)
        slots = [
            {"row": row, "state": row.urgency(today), "words": due_words(row.due_on, today)}
            for row in fill_slots(shown.n_slots, rows)
        ]
    visits = Visit.objects.visible_to(user).filter(site=site).for_day().order_by("-planned_on", "-pk")[:8]
    plans = FloorPlan.objects.visible_to(user).filter(site=site, removed_at=None).defer("picture")
    return {
        **about_site(user, site), "receivers": receivers, "shown": shown, "slots": slots, "form": form,
        "visits": list(visits), "plans": list(plans.order_by("walk_order", "name", "pk")), "refused": refusal, "section": "sites",
        "n_taken": sum(1 for slot in slots if slot["row"].is_taken),
    }  # fmt: skip


def about_site(user: Any, site: Site) -> dict[str, Any]:
    """What a person needs at the door: hazards, hours, titles of access notes (their text is shown on asking only)."""
    return {
        "site": site,
        "hours": week_lines(week_of(site)),
        "hazards": list(Hazard.objects.visible_to(user).filter(site=site, cleared_on=None).order_by("noted_on", "pk")),
        "notes": list(AccessNote.objects.visible_to(user).filter(site=site).defer("cipher").order_by("title", "pk")),
    }


@audience("technician")
@require_POST
def tech_call_out(request: HttpRequest, pk: int) -> HttpResponse:
    site = get_object_or_404(Site.objects.visible_to(request.user).select_related("customer"), pk=pk)
    form = CallOutForm(request.POST)
    if not form.is_valid():
        return refused(request, "maintenance/tech/site.html", _site_context(request, site, form))
    facts = form.cleaned_data
    doubts = [] if _is_sure(request) else _under_way_elsewhere(request.user, site)
    if doubts:
        return _ask_again(request, site, doubts, facts | {"uuid": str(facts["uuid"])})
    try:
        visit = start_call_out(
            site=site, kind=facts["kind"], why=facts["why"], uuid=facts["uuid"], by=_user(request), at=timezone.now()
        )
    except AlreadyThere as there:
        messages.info(request, there.message)
        visit = there.visit
    except Refused as error:
        return refused(request, "maintenance/tech/site.html", _site_context(request, site, form, error.message))
    return redirect("maintenance:tech_visit", visit.pk)


@audience("technician")
@require_POST
def tech_start(request: HttpRequest, pk: int) -> HttpResponse:
    visit = get_object_or_404(Visit.objects.visible_to(request.user).for_day(), pk=pk)
    if visit.state == Visit.State.PLANNED and not _is_sure(request):
        doubts = _under_way_elsewhere(request.user, visit.site) + _other_day(visit)
        if doubts:
            return _ask_again(request, visit.site, doubts, {})
    try:
        start_visit(visit=visit, by=_user(request), at=timezone.now())
    except Refused as error:
        messages.error(request, error.message)
    return redirect("maintenance:tech_visit", pk)


def _is_sure(request: HttpRequest) -> bool:
    return request.POST.get("sure") == "1"


def _ask_again(request: HttpRequest, site: Site, doubts: list[str], fields: dict[str, Any]) -> HttpResponse:
    """Nothing is forbidden, but a visit started by a slip of the thumb is hard to explain: ask for a second press."""
    context = {"site": site, "doubts": doubts, "fields": fields, "action": request.path, "section": "today"}
    return refused(request, "maintenance/tech/start.html", context)


def _under_way_elsewhere(user: Any, site: Site) -> list[str]:
    """Sentences about the person's visits that are still under way at other sites."""
    rows = Visit.objects.visible_to(user).filter(state=Visit.State.OPEN, crew__user=user).exclude(site=site)
    here, on_test = _("You are still at %(site)s."), _("You are still at %(site)s, on test.")
    return [
        (on_test if is_on_test(visit.entries.as_said()) else here) % {"site": visit.site.name}
        for visit in rows.for_day().order_by("arrived_at", "pk")
    ]


def _other_day(visit: Visit) -> list[str]:
    """A sentence where the stop is planned for another day than today at the site."""
    if visit.planned_on == timezone.localdate(timezone=visit.site.zone):
        return []
    return [_("This stop is planned for %(day)s, not for today.") % {"day": weekday_said(visit.planned_on)}]


@audience("technician")
@require_POST
@sensitive_variables("text", "context")
def tech_access_note(request: HttpRequest, pk: int, note_pk: int) -> HttpResponse:
    """Show a code on asking, for a visit of one's own that is under way or at most two days off; it is logged."""
    visit = get_object_or_404(Visit.objects.visible_to(request.user).to_come().for_day(), pk=pk)
    note = get_object_or_404(AccessNote.objects.visible_to(request.user).filter(site=visit.site), pk=note_pk)
    context = {"visit": visit, "note": note, "section": "today"}
    try:
        _refuse_codes_far_off(visit)
        text = show_access_note(note=note, to=_user(request), at=timezone.now(), visit_id=visit.pk)
    except Refused as error:
        return refused(request, "maintenance/tech/access_note.html", context | {"refused": error.message})
    response = page(request, "maintenance/tech/access_note.html", context | {"text": text})
    response.headers["Cache-Control"] = "no-store"
    return response


def _refuse_codes_far_off(visit: Visit) -> None:
    """A stop that nobody has closed for weeks must not open a door for ever, nor one of next month open it now."""
    days_off = abs((visit.planned_on - timezone.localdate(timezone=visit.site.zone)).days)
    if visit.state != Visit.State.OPEN and days_off > NOTE_DAYS:
        raise Refused(
            _(
                "Codes are shown for a visit that is under way or within %(days)s days of its day. Start the visit "
                "at the door, or ask the office."
            )
            % {"days": NOTE_DAYS}
        )


def _user(request: HttpRequest) -> User:
    assert isinstance(request.user, User)
    return request.user
