"""Floor plans of a site: add, rename, put in order, take out of use. Pins have pages of their own in the app above."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from company.toasts import said
from company.views.forms_page import FORM, form_context, posted
from sites.actions import floor_plans as actions
from sites.forms import FloorPlanForm, PlanNameForm
from sites.models import FloorPlan, Site
from sites.views.shown import undo_address

PICTURE_KEPT_S = 24 * 3600
"""A picture of one plan never changes (a new one is a new row), so a browser may keep it for the day."""


def _plan(request: PersonRequest, pk: int) -> FloorPlan:
    plans = FloorPlan.objects.visible_to(request.user).defer("picture").select_related("site")
    plan: FloorPlan = get_object_or_404(plans, pk=pk)
    return plan


def _at_plans(site: Site) -> HttpResponse:
    return redirect(f"{site.get_absolute_url()}#plans")


@audience("office")
def plan_new(request: PersonRequest, site_pk: int) -> HttpResponse:
    site = get_object_or_404(Site.objects.visible_to(request.user), pk=site_pk)
    form = FloorPlanForm(posted(request), request.FILES or None)
    context = form_context(form, _("Add a floor plan"), site, "sites", lead=str(site))
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    content = form.cleaned_data["picture"].read(actions.PLAN_MAX_BYTES + 1)
    name = form.cleaned_data["name"]
    try:
        plan = actions.add_floor_plan(site=site, name=name, content=content, by=request.user, at=timezone.now())
    except Refused as refusal:
        return refused(request, FORM, context | {"refused": refusal.message})
    messages.success(request, _("%(plan)s is added. Say where the slots are.") % {"plan": plan.name})
    return redirect(reverse("devices:floor_plan", args=[plan.pk]))


@audience("office")
def plan_edit(request: PersonRequest, pk: int) -> HttpResponse:
    plan = _plan(request, pk)
    form = PlanNameForm(posted(request), initial={"name": plan.name})
    context = form_context(form, _("Rename the floor plan"), plan.site, "sites", lead=str(plan.site))
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    try:
        change = actions.rename_floor_plan(
            plan=plan, name=form.cleaned_data["name"], by=request.user, at=timezone.now()
        )
    except Refused as refusal:
        return refused(request, FORM, context | {"refused": refusal.message})
    said(request, _("Saved."), undo_url=undo_address(change))
    return _at_plans(plan.site)


@audience("office")
@require_POST
def plan_move(request: PersonRequest, pk: int) -> HttpResponse:
    """Change places with the plan before (`to` = "up") or after it."""
    plan = _plan(request, pk)
    actions.move_floor_plan(plan=plan, is_earlier=request.POST.get("to") == "up", by=request.user, at=timezone.now())
    return _at_plans(plan.site)


@audience("office", "technician")
@require_safe
def plan_picture(request: PersonRequest, pk: int) -> HttpResponse:
    plan = get_object_or_404(FloorPlan.objects.visible_to(request.user), pk=pk)
    response = HttpResponse(bytes(plan.picture), content_type=plan.media_type)
    response.headers["Cache-Control"] = f"private, max-age={PICTURE_KEPT_S}"
    return response


@audience("office")
@require_POST
def plan_remove(request: PersonRequest, pk: int) -> HttpResponse:
    plan = _plan(request, pk)
    try:
        change = actions.remove_floor_plan(plan=plan, by=request.user, at=timezone.now())
    except Refused as refusal:
        messages.error(request, refusal.message)
    else:
        done = _("%(plan)s is out of use; it is kept with its pins.") % {"plan": plan.name}
        said(request, done, undo_url=undo_address(change))
    return _at_plans(plan.site)


@audience("office")
@require_POST
def plan_put_back(request: PersonRequest, pk: int) -> HttpResponse:
    plan = _plan(request, pk)
    try:
        actions.put_back_floor_plan(plan=plan, by=request.user, at=timezone.now())
    except Refused as refusal:
        messages.error(request, refusal.message)
    else:
        messages.success(request, _("%(plan)s is in use again.") % {"plan": plan.name})
    return _at_plans(plan.site)
