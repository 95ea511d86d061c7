"""Pages of rounds for the office: list, new, one round with its stops, packing list."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import timedelta
from typing import Any

from django import forms
from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from company.manner import day_in_year_said
from maintenance.actions import rounds as rounds_actions
from maintenance.actions import stops as stops_actions
from maintenance.actions.stops import horizon_of
from maintenance.forms import rounds as round_forms
from maintenance.models import LotFit, Recall, Round, Visit
from maintenance.querysets.days import things_by_site
from maintenance.querysets.new_cells import BadLot, bad_lots
from maintenance.rules.rounds.packing import PackingLine, packing_list, why_stop
from maintenance.views.round_page import board_of, chosen_rows, due_by_site, other_rounds
from sites.models import Site

PAGE_SIZE = 25
FOUND_SITES = 12
"""A search for a site to add shows at most this many."""


@audience("office")
@require_GET
def round_list(request: PersonRequest) -> HttpResponse:
    form = round_forms.RoundFilterForm(request.GET or None, by=request.user)
    chosen = form.cleaned_data if form.is_bound and form.is_valid() else {}
    rows = Round.objects.visible_to(request.user).matching(chosen.get("q") or "")
    state = chosen.get("state") or "open"
    if state == "open":
        rows = rows.open()
    elif state == "to_publish":
        rows = rows.to_publish(timezone.localdate())
    elif state != "all":
        rows = rows.filter(state=state)
    if chosen.get("technician"):
        rows = rows.filter(technician=chosen["technician"])
    order = ("day", "number") if state in ("open", "draft", "to_publish", "published") else ("-day", "-number")
    paging = Paginator(rows.for_list().order_by(*order), PAGE_SIZE).get_page(request.GET.get("page"))
    context = {"form": form, "page": paging, "today": timezone.localdate(), "state": state, "section": "due"}
    return page(request, "maintenance/rounds/list.html", context, part="rows")


@audience("office")
@require_http_methods(["GET", "POST"])
def round_new(request: PersonRequest) -> HttpResponse:
    asked = request.POST if request.method == "POST" else request.GET
    ids = [int(text) for text in asked.getlist("site") if text.isdecimal() and len(text) < 10]
    sites = {site.pk: site for site in Site.objects.visible_to(request.user).current().filter(pk__in=ids)}
    chosen = [sites[pk] for pk in dict.fromkeys(ids) if pk in sites]
    if request.method == "POST":
        form = round_forms.RoundForm(request.POST, by=request.user)
        if form.is_valid():
            try:
                round = rounds_actions.plan_round(
                    plan=form.plan(), sites=chosen, by=request.user, at=timezone.now(), today=timezone.localdate()
                )
            except Refused as error:
                return refused(
                    request, "maintenance/rounds/new.html", _new_context(request, form, chosen, error.message)
                )
            messages.success(request, _("%(round)s is planned. Look at the day, then publish it.") % {"round": round})
            return redirect(round)
        return refused(request, "maintenance/rounds/new.html", _new_context(request, form, chosen))
    form = round_forms.RoundForm(by=request.user, initial=_first_guess(request, chosen))
    return page(request, "maintenance/rounds/new.html", _new_context(request, form, chosen))


def _first_guess(request: PersonRequest, chosen: list[Site]) -> dict[str, Any]:
    """Next weekday, half past eight, named after its first site."""
    day = timezone.localdate() + timedelta(days=1)
    while day.weekday() > 4:
        day += timedelta(days=1)
    name = chosen[0].town or chosen[0].name if chosen else _("Round of %(day)s") % {"day": day_in_year_said(day)}
    guess = {"day": day, "name": name, "starts": "08:30"}
    # The page of what is due hands its own choices on.
    return guess | {
        key: request.GET[key] for key in ("day", "technician", "name", "horizon_weeks") if key in request.GET
    }


def _new_context(request: PersonRequest, form: Any, chosen: list[Site], refusal: str = "") -> dict[str, Any]:
    today = timezone.localdate()
    until = today + timedelta(weeks=4)
    items = due_by_site(request.user, [site.pk for site in chosen])
    others = other_rounds(request.user, [site.pk for site in chosen])
    words = (request.GET.get("q") or "").strip()
    rows = []
    for site in chosen:
        things = things_by_site(items.get(site.pk, [])).get(site.pk, [])
        rows.append({"site": site, "whys": why_stop(things, day=today, until=until), "others": others.get(site.pk, [])})
    return {
        "form": form, "rows": rows, "refused": refusal, "words": words, "section": "due",
        "found": _found(request, words, [site.pk for site in chosen]),
    }  # fmt: skip


def _found(request: PersonRequest, words: str, but: list[int]) -> list[Site]:
    if not words:
        return []
    rows = Site.objects.visible_to(request.user).current().matching(words).exclude(pk__in=but)
    return list(rows.select_related("customer").order_by("name", "pk")[:FOUND_SITES])


@audience("office")
@require_GET
def round_detail(request: PersonRequest, pk: int) -> HttpResponse:
    round = get_object_or_404(Round.objects.visible_to(request.user).for_plan(), pk=pk)
    return page(request, "maintenance/rounds/detail.html", _detail_context(request, round), part="board")


def _detail_context(request: PersonRequest, round: Round, refusal: str = "") -> dict[str, Any]:
    words = (request.GET.get("q") or "").strip()
    board = board_of(request.user, round)
    movable = Round.objects.visible_to(request.user).open().exclude(pk=round.pk).order_by("day", "number")
    return {
        **board, "round": round, "refused": refusal, "words": words, "section": "due", "today": timezone.localdate(),
        "horizon_weeks": horizon_of(round.stops), "movable": list(movable.select_related("technician")[:40]),
        "found": _found(request, words, [visit.site_id for visit in round.stops]),
        "may_change": round.state in ("draft", "published"),
        "has_begun": any(visit.state != "planned" for visit in round.stops),
    }  # fmt: skip


@audience("office")
@require_http_methods(["GET", "POST"])
def round_edit(request: PersonRequest, pk: int) -> HttpResponse:
    round = get_object_or_404(Round.objects.visible_to(request.user).for_plan(), pk=pk)
    initial = {
        "name": round.name, "day": round.day, "technician": round.technician, "starts": round.starts,
        "note": round.note, "horizon_weeks": horizon_of(round.stops),
    }  # fmt: skip
    form = round_forms.RoundForm(request.POST or None, by=request.user, initial=initial)
    version = round_forms.VersionForm(request.POST or None, initial={"version": round.version})
    context = {"form": form, "round": round, "version": version, "section": "due"}
    if request.method == "POST":
        if form.is_valid() and version.is_valid():
            try:
                rounds_actions.edit_round(
                    round=round, plan=form.plan(), seen_version=version.cleaned_data["version"], by=request.user,
                    at=timezone.now(), today=timezone.localdate(),
                )  # fmt: skip
            except Refused as error:
                return refused(request, "maintenance/rounds/edit.html", context | {"refused": error.message})
            messages.success(request, _("Saved; times and reasons are worked out anew."))
            return redirect(round)
        return refused(request, "maintenance/rounds/edit.html", context)
    return page(request, "maintenance/rounds/edit.html", context)


# --- the buttons of a round: each loads, calls one action, and shows the round again ------------------------------------


def _press(
    request: PersonRequest, round: Round, form: forms.Form, act: Callable[[dict[str, Any]], Any]
) -> HttpResponse:
    """Answer a button: 422 with the page when the action refuses or something needed is missing."""
    refusal = ""
    if form.is_valid():
        try:
            act({"by": request.user, "at": timezone.now(), "seen_version": form.cleaned_data["version"]})
        except Refused as error:
            refusal = error.message
    else:
        texts = [
            f"{form.fields[name].label or name}: {' '.join(str(text) for text in errors)}"
            for name, errors in form.errors.items()
        ]
        refusal = " ".join([_("Nothing was saved."), *texts])
    fresh = Round.objects.visible_to(request.user).for_plan().get(pk=round.pk)
    if refusal:
        context = _detail_context(request, fresh, refusal)
        return refused(request, "maintenance/rounds/detail.html", context, part="board")
    if request.htmx:  # type: ignore[attr-defined]
        return page(request, "maintenance/rounds/detail.html", _detail_context(request, fresh), part="board")
    return redirect(fresh)


def _round(request: PersonRequest, pk: int) -> Round:
    return get_object_or_404(Round.objects.visible_to(request.user), pk=pk)


def _stop(request: PersonRequest, pk: int) -> tuple[Visit, Round]:
    visit = get_object_or_404(
        Visit.objects.visible_to(request.user).filter(round__isnull=False).select_related("round", "site"), pk=pk
    )
    return visit, visit.round


@audience("office")
@require_POST
def round_publish(request: PersonRequest, pk: int) -> HttpResponse:
    round = _round(request, pk)
    form = round_forms.VersionForm(request.POST)
    return _press(request, round, form, lambda who: rounds_actions.publish_round(round=round, **who))


@audience("office")
@require_POST
def round_cancel(request: PersonRequest, pk: int) -> HttpResponse:
    round = _round(request, pk)
    form = round_forms.CancelForm(request.POST)
    return _press(
        request, round, form,
        lambda who: rounds_actions.cancel_round(round=round, reason=form.cleaned_data["reason"], **who),
    )  # fmt: skip


@audience("office")
@require_POST
def round_order(request: PersonRequest, pk: int) -> HttpResponse:
    round = _round(request, pk)
    form = round_forms.VersionForm(request.POST)
    return _press(request, round, form, lambda who: stops_actions.order_stops(round=round, **who))


@audience("office")
@require_POST
def stop_add(request: PersonRequest, pk: int) -> HttpResponse:
    round = _round(request, pk)
    form = round_forms.AddStopForm(request.POST)

    def act(who: dict[str, Any]) -> None:
        site = get_object_or_404(Site.objects.visible_to(request.user).current(), pk=form.cleaned_data["site"])
        stops_actions.add_stop(round=round, site=site, horizon_weeks=form.cleaned_data["horizon_weeks"], **who)

    return _press(request, round, form, act)


@audience("office")
@require_POST
def stop_shift(request: PersonRequest, pk: int) -> HttpResponse:
    visit, round = _stop(request, pk)
    form = round_forms.ShiftForm(request.POST)
    return _press(
        request, round, form,
        lambda who: stops_actions.shift_stop(visit=visit, by_places=form.cleaned_data["by_places"], **who),
    )  # fmt: skip


@audience("office")
@require_POST
def stop_minutes(request: PersonRequest, pk: int) -> HttpResponse:
    visit, round = _stop(request, pk)
    form = round_forms.MinutesForm(request.POST)
    return _press(
        request, round, form,
        lambda who: stops_actions.set_stop_minutes(visit=visit, minutes=form.cleaned_data["minutes"], **who),
    )  # fmt: skip


@audience("office")
@require_POST
def stop_move(request: PersonRequest, pk: int) -> HttpResponse:
    visit, round = _stop(request, pk)
    form = round_forms.MoveStopForm(request.POST, by=request.user)
    return _press(
        request, round, form, lambda who: stops_actions.move_stop(visit=visit, to=form.cleaned_data["to"], **who)
    )  # fmt: skip


@audience("office")
@require_POST
def stop_remove(request: PersonRequest, pk: int) -> HttpResponse:
    visit, round = _stop(request, pk)
    form = round_forms.VersionForm(request.POST)
    return _press(request, round, form, lambda who: stops_actions.remove_stop(visit=visit, **who))


@audience("office", "technician")
@require_GET
def round_packing(request: PersonRequest, pk: int) -> HttpResponse:
    """Packing list on screen and on paper; the technician's own address gives the same in the phone's frame."""
    round = get_object_or_404(Round.objects.visible_to(request.user).for_plan(), pk=pk)
    spares = round_forms.SparesForm(request.GET or None)
    percent = spares.percent()
    stops, chosen = [], []
    by_site = due_by_site(request.user, [visit.site_id for visit in round.stops])
    for visit in round.stops:
        rows = chosen_rows(visit, by_site.get(visit.site_id, []))
        things = [row["thing"] for row in rows]
        stops.append({"visit": visit, "rows": rows, "lines": packing_list(things, spares_percent=0)})
        chosen += things
    lines = packing_list(chosen, spares_percent=percent)
    context = {
        "round": round, "stops": stops, "lines": lines, "bad_lots": _bad_among(request, lines), "percent": percent,
        "form": round_forms.SparesForm(initial={"spares": percent}), "section": "due",
        "base": "base.html" if request.user.is_office else "base_phone.html",  # type: ignore[union-attr]
    }  # fmt: skip
    return page(request, "maintenance/rounds/packing.html", context)


def _bad_among(request: PersonRequest, lines: Sequence[PackingLine]) -> list[BadLot]:
    """Lots of which none is to be loaded, of the cells that are."""
    loaded = {line.cells for line in lines if not line.is_piece}
    if not loaded:
        return []
    bad = bad_lots(LotFit.objects.visible_to(request.user), Recall.objects.visible_to(request.user))
    return [lot for lot in bad if not lot.iec_code or lot.iec_code in loaded]
