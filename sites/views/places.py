"""Pages of what belongs to one site: hours, closures, hazards, areas, monitoring centres, floor plans."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from company.access import PersonRequest, audience
from company.drawn import Overtaken
from company.errors import Refused
from company.forms.drawn import overtaken_words
from company.htmx import page, refused
from company.toasts import said
from company.views.forms_page import FORM, form_context, posted
from sites import actions
from sites.forms import (
    AreaForm,
    ClearHazardForm,
    ClosureForm,
    HazardForm,
    MonitoringCentreForm,
)
from sites.forms.hours import WeekForm
from sites.models import Area, Hazard, MonitoringCentre, Site, SiteClosure
from sites.views.shown import undo_of, week_of

HOURS = "sites/site/hours.html"


def _site(request: PersonRequest, pk: int) -> Site:
    return get_object_or_404(Site.objects.visible_to(request.user), pk=pk)


def _row(request: PersonRequest, model: Any, pk: int) -> Any:
    return get_object_or_404(model.objects.visible_to(request.user).select_related("site"), pk=pk)


def _edit(
    request: PersonRequest, form_class: Any, row: Any, title: str, initial: dict[str, Any] | None = None
) -> HttpResponse:
    """Show and take in the form of one row of a site."""
    form = form_class(posted(request), instance=row, initial=initial)
    context = form_context(form, title, row.site, "sites", lead=str(row.site))
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, FORM, context)
        try:
            saved = actions.save_place_row(
                row=form.save(commit=False), by=request.user, at=timezone.now(), drawn=form.drawn()
            )
        except ValidationError as error:
            # Two people at the same moment: the form had seen nothing wrong.
            return refused(request, FORM, context | {"refused": " ".join(error.messages)})
        except Refused as refusal:
            return refused(request, FORM, context | form.after(refusal))
        said(request, _("Saved."), undo_url=undo_of(request, saved))
        return redirect(row.site)
    return page(request, FORM, context)


def _remove(request: PersonRequest, model: Any, pk: int) -> HttpResponse:
    row = _row(request, model, pk)
    site, name, key = row.site, str(row), row.pk
    try:
        actions.remove_place_row(row=row, by=request.user, at=timezone.now())
    except Refused as refusal:
        messages.error(request, refusal.message)
    else:
        said(request, _("Removed: %(name)s.") % {"name": name}, undo_url=undo_of(request, row, key))
    return redirect(site)


@audience("office")
def hours_edit(request: PersonRequest, site_pk: int) -> HttpResponse:
    site = _site(request, site_pk)
    form = WeekForm(posted(request), week=week_of(site), facts=actions.hours_facts(site))
    context = {"hours": form, "site": site, "section": "sites"}
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, HOURS, context)
        try:
            is_new = actions.set_visiting_hours(
                site=site, hours=form.week(), by=request.user, at=timezone.now(), drawn=form.drawn()
            )
        except Overtaken as refusal:
            fresh = WeekForm(week=week_of(site), facts=refusal.now, initial=form.typed(refusal))
            return refused(
                request, HOURS, context | {"hours": fresh, "refused": overtaken_words(refusal, form.told(refusal))}
            )
        except Refused as refusal:
            return refused(request, HOURS, context | {"refused": refusal.message})
        if is_new:
            said(request, _("Saved."), undo_url=undo_of(request, site))
        else:
            messages.info(request, _("These hours were on record already."))
        return redirect(site)
    return page(request, HOURS, context)


@audience("office")
def closure_new(request: PersonRequest, site_pk: int) -> HttpResponse:
    return _edit(request, ClosureForm, SiteClosure(site=_site(request, site_pk)), _("Days without or with easy access"))


@audience("office")
def closure_edit(request: PersonRequest, pk: int) -> HttpResponse:
    return _edit(request, ClosureForm, _row(request, SiteClosure, pk), _("Days without or with easy access"))


@audience("office")
@require_POST
def closure_remove(request: PersonRequest, pk: int) -> HttpResponse:
    return _remove(request, SiteClosure, pk)


@audience("office")
def hazard_new(request: PersonRequest, site_pk: int) -> HttpResponse:
    site = _site(request, site_pk)
    today = {"noted_on": timezone.localdate(timezone=site.zone)}
    return _edit(request, HazardForm, Hazard(site=site), _("A danger at this site"), today)


@audience("office")
def hazard_edit(request: PersonRequest, pk: int) -> HttpResponse:
    return _edit(request, HazardForm, _row(request, Hazard, pk), _("A danger at this site"))


@audience("office")
def hazard_clear(request: PersonRequest, pk: int) -> HttpResponse:
    hazard = _row(request, Hazard, pk)
    form = ClearHazardForm(posted(request), initial={"on": timezone.localdate(timezone=hazard.site.zone)})
    context = form_context(form, _("The danger is gone"), hazard.site, "sites", lead=str(hazard))
    if request.method == "POST":
        if not form.is_valid():
            return refused(request, FORM, context)
        try:
            actions.clear_hazard(hazard=hazard, on=form.cleaned_data["on"], by=request.user, at=timezone.now())
        except Refused as refusal:
            return refused(request, FORM, context | {"refused": refusal.message})
        said(request, _("Saved."), undo_url=undo_of(request, hazard))
        return redirect(hazard.site)
    return page(request, FORM, context)


@audience("office")
def area_new(request: PersonRequest, site_pk: int) -> HttpResponse:
    site = _site(request, site_pk)
    last = site.areas.order_by("-walk_order").values_list("walk_order", flat=True).first() or 0
    return _edit(request, AreaForm, Area(site=site), _("New area"), {"walk_order": last + 10})


@audience("office")
def area_edit(request: PersonRequest, pk: int) -> HttpResponse:
    return _edit(request, AreaForm, _row(request, Area, pk), _("Edit the area"))


@audience("office")
@require_POST
def area_remove(request: PersonRequest, pk: int) -> HttpResponse:
    return _remove(request, Area, pk)


@audience("office")
def centre_new(request: PersonRequest, site_pk: int) -> HttpResponse:
    return _edit(request, MonitoringCentreForm, MonitoringCentre(site=_site(request, site_pk)), "Monitoring centre")


@audience("office")
def centre_edit(request: PersonRequest, pk: int) -> HttpResponse:
    return _edit(request, MonitoringCentreForm, _row(request, MonitoringCentre, pk), "Monitoring centre")


@audience("office")
@require_POST
def centre_remove(request: PersonRequest, pk: int) -> HttpResponse:
    return _remove(request, MonitoringCentre, pk)
