"""Floor plans with pins: the office places and moves them, a technician looks."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.http import require_POST, require_safe

from company import palette
from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused, wants_part
from company.toasts import said
from company.views.forms_page import FORM, form_context, posted
from devices.actions import pins as actions
from devices.forms.pins import PictureForm, PinForm
from devices.models import PlanPin, Receiver
from devices.views.plan_shown import Place, on_picture, pin_scale, places_of
from devices.views.receivers import frame
from sites.actions.floor_plans import PLAN_MAX_BYTES
from sites.models import FloorPlan
from sites.views.shown import undo_address

PLAN = "devices/pins/plan.html"
ZOOMS = (1, 2, 3, 4)


def _plan(request: PersonRequest, pk: int) -> FloorPlan:
    plans = FloorPlan.objects.visible_to(request.user).defer("picture").select_related("site__customer")
    plan: FloorPlan = get_object_or_404(plans, pk=pk)
    return plan


@audience("office", "technician")
@require_safe
def plan_page(request: PersonRequest, pk: int) -> HttpResponse:
    plan = _plan(request, pk)
    if plan.removed_at and request.user.is_technician:
        raise Http404
    return page(request, PLAN, _context(request, plan), part="work")


def _context(request: PersonRequest, plan: FloorPlan) -> dict[str, Any]:
    places = places_of(request.user, plan.site, timezone.now())
    wanted = request.GET.get("zoom", "")
    zoom = int(wanted) if wanted in {str(each) for each in ZOOMS} else 1
    siblings = FloorPlan.objects.visible_to(request.user).filter(site=plan.site, removed_at=None)
    choices = _groups(plan, places)
    return frame(request) | {
        "plan": plan,
        "site": plan.site,
        "siblings": siblings.defer("picture").order_by("walk_order", "name", "pk"),
        "pins": on_picture(plan, places),
        "here": [place for place in places if place.plan_pk == plan.pk],
        "unplaced": [place for place in places if place.plan_pk is None],
        "n_elsewhere": sum(1 for place in places if place.plan_pk not in (None, plan.pk)),
        "zoom": zoom,
        "zooms": ZOOMS,
        "scale": pin_scale(plan, zoom),
        "form": PinForm(groups=choices, initial={"place": request.GET.get("place", ""), "x": 50, "y": 50}),
        "may_place": request.user.is_office and not plan.removed_at,
        "colour": palette.LIGHT,
        "section": "sites",
    }


def _groups(plan: FloorPlan, places: list[Place]) -> list[tuple[str, list[tuple[str, str]]]]:
    """What can be chosen in the form: without a pin first."""
    groups: dict[str, list[tuple[str, str]]] = {
        gettext("Without a pin"): [], gettext("On this plan"): [], gettext("On another plan"): []
    }  # fmt: skip
    for place in places:
        title = (
            gettext("Without a pin")
            if place.plan_pk is None
            else gettext("On this plan")
            if place.plan_pk == plan.pk
            else gettext("On another plan")
        )
        groups[title].append((place.key, f"{place.what}: {place.label}" if place.slot else place.what))
    return list(groups.items())


@audience("office")
@require_POST
def pin_place(request: PersonRequest, pk: int) -> HttpResponse:
    """Put a pin on the plan, or move it there."""
    plan = _plan(request, pk)
    places = {place.key: place for place in places_of(request.user, plan.site, timezone.now())}
    form = PinForm(request.POST, groups=_groups(plan, list(places.values())))
    if not form.is_valid():
        return refused(request, PLAN, _context(request, plan) | {"form": form}, part="work")
    place = places[form.cleaned_data["place"]]
    receiver = get_object_or_404(Receiver.objects.visible_to(request.user), pk=place.receiver_pk)
    try:
        _pin, change = actions.place_pin(
            plan=plan, receiver=receiver, slot=place.slot, x_permille=form.permille("x"),
            y_permille=form.permille("y"), by=request.user, at=timezone.now(),
        )  # fmt: skip
    except Refused as refusal:
        context = _context(request, plan) | {"form": form, "refused": refusal.message}
        return refused(request, PLAN, context, part="work")
    if change:
        done = gettext("%(what)s is moved.") if change.before else gettext("%(what)s is placed.")
        said(request, done % {"what": place.what}, undo_url=undo_address(change))
    return _answer(request, plan, form.cleaned_data)


@audience("office")
@require_POST
def pin_remove(request: PersonRequest, pk: int) -> HttpResponse:
    """Take a pin off its plan."""
    pins = PlanPin.objects.visible_to(request.user).select_related("plan", "receiver__site")
    pin = get_object_or_404(pins, pk=pk)
    plan_pk = pin.plan_id
    change = actions.remove_pin(pin=pin, by=request.user, at=timezone.now())
    named = {"receiver": pin.receiver.label, "slot": pin.slot}
    what = (gettext("%(receiver)s, slot %(slot)s") if pin.slot else gettext("Receiver %(receiver)s")) % named
    said(request, gettext("The pin of %(what)s is off the plan.") % {"what": what}, undo_url=undo_address(change))
    return _answer(request, _plan(request, plan_pk))


def _answer(request: PersonRequest, plan: FloorPlan, placed: Mapping[str, Any] | None = None) -> HttpResponse:
    """The plan again for a script, its form saying what was placed where; the way back to it for a plain form."""
    if wants_part(request):
        context = _context(request, plan)
        context["form"].initial.update(placed or {})
        return page(request, PLAN, context, part="work")
    return redirect("devices:floor_plan", pk=plan.pk)


@audience("office")
def plan_replace(request: PersonRequest, pk: int) -> HttpResponse:
    """Put a new picture in the place of the old one; pins keep their places."""
    plan = _plan(request, pk)
    form = PictureForm(posted(request), request.FILES or None)
    context = form_context(
        form, gettext("A new picture of %(plan)s") % {"plan": plan.name}, plan.site, "sites", lead=str(plan.site)
    )
    context["back"] = reverse("devices:floor_plan", args=[plan.pk])
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    content = form.cleaned_data["picture"].read(PLAN_MAX_BYTES + 1)
    try:
        new, change = actions.replace_picture(plan=plan, content=content, by=request.user, at=timezone.now())
    except Refused as refusal:
        return refused(request, FORM, context | {"refused": refusal.message})
    said(request, gettext("The picture is replaced; the old one is kept."), undo_url=undo_address(change))
    return redirect("devices:floor_plan", pk=new.pk)
