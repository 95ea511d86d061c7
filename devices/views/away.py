"""Everything in the firm that is out of use or off site by agreement: who is late, another day, back again."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.http import HttpRequest, HttpResponse
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
from company.models import ChangeRow
from company.toasts import said
from devices.actions import away as actions
from devices.forms.plans import ExtendForm
from devices.models import Away
from devices.views.receivers import frame, here

LIST = "devices/away/list.html"
FORM = "devices/slots/form.html"
SHOWS = {"late": "late", "portable": "portable units", "back": "back again"}
ORDERS = {"return": None, "site": "site__name", "since": "from_on"}


def _undo_url(change: ChangeRow) -> str:
    return reverse("company:change_undo", args=[change.pk])


def _listed(request: PersonRequest) -> dict[str, Any]:
    words, show = request.GET.get("q", "").strip(), request.GET.get("show", "")
    now = timezone.now()
    rows = Away.objects.visible_to(request.user).matching(words)
    if show == "back":
        rows = rows.filter(ended_on__isnull=False)
    elif show == "late":
        rows = rows.late_at(now)
    else:
        rows = rows.open()
    if show == "portable":
        rows = rows.filter(registration__is_portable=True)
    sort = request.GET.get("sort", "")
    column = ORDERS.get(sort.removeprefix("-"))
    if show == "back":
        rows = rows.order_by("-ended_on", "-pk")
    elif column:
        rows = rows.order_by(f"-{column}" if sort.startswith("-") else column, "pk")
    else:
        rows = rows.by_return()
    return frame(request) | {
        "page": page_of(rows.for_list().with_lateness(now), request), "q": words, "show": show, "shows": SHOWS.items(),
        "sort": sort or "return",
        "n_late": Away.objects.visible_to(request.user).late_at(now).count(),
    }  # fmt: skip


@audience("office", "technician")
@require_safe
def away_list(request: PersonRequest) -> HttpResponse:
    """Late ones first."""
    return page(request, LIST, _listed(request), part="rows")


def _away(request: HttpRequest, pk: int) -> Away:
    away: Away = get_object_or_404(
        Away.objects.visible_to(request.user).open().select_related("registration__receiver__site", "site"), pk=pk
    )
    return away


@audience("office", "technician")
def away_extend(request: PersonRequest, pk: int) -> HttpResponse:
    """Another agreed day of return."""
    away = _away(request, pk)
    until = away.agreed_until_on
    form = ExtendForm(request.POST or None, initial={"agreed_until_on": until, "seen_until": until})
    context = frame(request) | {
        "form": form, "title": _("Agree on another day"), "button": _("Save the day"), "back": here(request, "away_list"),
        "lead": _("%(registration)s, %(site)s; agreed with %(with)s") % {
            "registration": away.registration.label, "site": away.site.name, "with": away.agreed_with,
        },
        "receiver": away.registration.receiver,
    }  # fmt: skip
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    try:
        change = actions.extend_away(
            away=away, agreed_until_on=form.cleaned_data["agreed_until_on"], by=request.user, at=timezone.now(),
            reason=form.cleaned_data["reason"], seen_until=form.cleaned_data["seen_until"],
        )  # fmt: skip
    except Refused as why:
        return refused(request, FORM, context | {"refused": str(why)})
    said(
        request,
        _("%(registration)s: another day is agreed.") % {"registration": away.registration.label},
        undo_url=_undo_url(change),
    )
    return redirect(here(request, "away_list"))


@audience("office", "technician")
@require_POST
def away_back(request: PersonRequest) -> HttpResponse:
    """Those that were ticked are back today."""
    keys = {int(one) for one in request.POST.getlist("away") if one.isdecimal() and len(one) < 19}
    rows = list(
        Away.objects.visible_to(request.user)
        .filter(pk__in=keys)
        .select_related("registration__receiver__site", "site")
        .order_by("pk")
    )
    now = timezone.now()
    days: dict[int, date] = {
        row.registration.receiver_id: now.astimezone(row.site.zone).date() for row in rows
    }  # fmt: skip
    try:
        log = actions.end_several(
            aways=rows, ended_on=days, by=request.user, at=now, reason=request.POST.get("reason", "").strip()[:120]
        )
    except Refused as why:
        return refused(request, LIST, _listed(request) | {"refused": str(why), "chosen": keys})
    done = ngettext("%(n)s transmitter back.", "%(n)s transmitters back.", len(log)) % {"n": len(log)}
    said(request, done, undo_url=_batch_url(log))
    return redirect(here(request, "away_list"))


def _batch_url(log: list[ChangeRow]) -> str:
    return reverse("company:change_undo_batch", args=[log[0].batch])
