"""Areas of a site in walking order, with what stands in each: move, rename, merge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.db.models import Count
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST, require_safe

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused, wants_part
from company.toasts import said
from company.views.forms_page import posted
from devices.actions import areas as actions
from devices.models import Receiver, Registration
from sites.forms import AreaNameForm, MergeAreaForm
from sites.models import Area, Site
from sites.views.shown import undo_address

LIST = "devices/areas/list.html"
AREA = "devices/areas/area.html"


@dataclass(frozen=True, slots=True)
class AreaRow:
    """One area with what stands there now."""

    area: Area
    n_slots: int
    n_receivers: int


def _site(request: PersonRequest, pk: int) -> Site:
    site: Site = get_object_or_404(Site.objects.visible_to(request.user).select_related("customer"), pk=pk)
    return site


def _area(request: PersonRequest, pk: int) -> Area:
    area: Area = get_object_or_404(Area.objects.visible_to(request.user).select_related("site__customer"), pk=pk)
    return area


def _counts(request: PersonRequest, site: Site) -> tuple[dict[str, int], dict[str, int]]:
    """Area text to taken slots, and to receivers, that name it."""
    slots = Registration.objects.visible_to(request.user).open().filter(site=site)
    receivers = Receiver.objects.visible_to(request.user).open().filter(site=site)
    return (
        dict(slots.order_by().values_list("area").annotate(Count("pk"))),
        dict(receivers.order_by().values_list("area").annotate(Count("pk"))),
    )


def _context(request: PersonRequest, site: Site) -> dict[str, Any]:
    slots, receivers = _counts(request, site)
    areas = Area.objects.visible_to(request.user).filter(site=site).order_by("walk_order", "path", "pk")
    rows = [AreaRow(area, slots.get(area.path, 0), receivers.get(area.path, 0)) for area in areas]
    known = {row.area.path for row in rows}
    return {
        "site": site,
        "rows": rows,
        # Words on slots that no area of the list has: typed by hand, and in nobody's walk.
        "loose": sorted((path, n) for path, n in slots.items() if path and path not in known),
        "n_without": slots.get("", 0),
        "section": "sites",
    }


@audience("office")
@require_safe
def area_list(request: PersonRequest, site_pk: int) -> HttpResponse:
    return page(request, LIST, _context(request, _site(request, site_pk)), part="areas")


@audience("office")
@require_POST
def area_move(request: PersonRequest, pk: int) -> HttpResponse:
    """One up, one down, or before another area (`before`; empty: last)."""
    area = _area(request, pk)
    rows = [row.pk for row in actions.in_order(area.site)]
    was, to, before = rows.index(area.pk), request.POST.get("to", ""), request.POST.get("before", "")
    place = was + {"up": -1, "down": 1}.get(to, 0)
    if to == "before":
        others = [pk for pk in rows if pk != area.pk]
        place = others.index(int(before)) if before.isdecimal() and int(before) in others else len(others)
    change = actions.move_area(area=area, place=place, by=request.user, at=timezone.now())
    if change:
        place = (change.after or {})["place"]
        said(
            request,
            _("“%(path)s” is walked at place %(place)s.") % {"path": area.path, "place": place},
            undo_url=undo_address(change),
        )
    if wants_part(request):
        return page(request, LIST, _context(request, area.site), part="areas")
    return redirect("devices:area_list", site_pk=area.site_id)


@audience("office")
@require_safe
def area_page(request: PersonRequest, pk: int) -> HttpResponse:
    area = _area(request, pk)
    return page(request, AREA, _forms(request, area))


def _forms(request: PersonRequest, area: Area) -> dict[str, Any]:
    slots, receivers = _counts(request, area.site)
    others = Area.objects.visible_to(request.user).filter(site=area.site).exclude(pk=area.pk)
    return {
        "area": area,
        "site": area.site,
        "n_slots": slots.get(area.path, 0),
        "n_receivers": receivers.get(area.path, 0),
        "name_form": AreaNameForm(initial={"path": area.path}),
        "merge_form": MergeAreaForm(areas=others.order_by("walk_order", "path", "pk")),
        "has_others": others.exists(),
        "section": "sites",
    }


@audience("office")
@require_POST
def area_rename(request: PersonRequest, pk: int) -> HttpResponse:
    area = _area(request, pk)
    form = AreaNameForm(posted(request))
    if not form.is_valid():
        return refused(request, AREA, _forms(request, area) | {"name_form": form})
    try:
        change = actions.rename_area(area=area, path=form.cleaned_data["path"], by=request.user, at=timezone.now())
    except Refused as refusal:
        area.refresh_from_db()
        return refused(request, AREA, _forms(request, area) | {"name_form": form, "refused": refusal.message})
    if change:
        n = len((change.after or {})["slots"])
        done = ngettext("Renamed, with %(n)s slot that stand there.", "Renamed, with %(n)s slots that stand there.", n)
        said(request, done % {"n": n}, undo_url=undo_address(change))
    return redirect("devices:area_list", site_pk=area.site_id)


@audience("office")
@require_POST
def area_merge(request: PersonRequest, pk: int) -> HttpResponse:
    area = _area(request, pk)
    others = Area.objects.visible_to(request.user).filter(site=area.site).exclude(pk=area.pk)
    form = MergeAreaForm(posted(request), areas=others)
    if not form.is_valid():
        return refused(request, AREA, _forms(request, area) | {"merge_form": form})
    path, into = area.path, form.cleaned_data["into"]
    try:
        change = actions.merge_area(area=area, into=into, by=request.user, at=timezone.now())
    except Refused as refusal:
        messages.error(request, refusal.message)
    else:
        said(
            request,
            _("“%(path)s” is now part of “%(into)s”.") % {"path": path, "into": into.path},
            undo_url=undo_address(change),
        )
    return redirect("devices:area_list", site_pk=area.site_id)
