"""Planned changes on pages that others write: the slot page, the technician's sheet and site page."""

from __future__ import annotations

from typing import Any

from django import template
from django.template import Context

from devices.models import PlannedChange
from devices.views.plans_shown import shown_plans

register = template.Library()


@register.inclusion_tag("devices/plans/_of_slot.html", takes_context=True)
def planned_for_slot(context: Context, receiver: Any, slot: int, quiet: bool = False) -> dict[str, Any]:
    """What is planned for a slot, or the way to plan something; with `quiet` nothing where nothing is planned."""
    user = context["request"].user
    plans = PlannedChange.objects.visible_to(user).open().filter(receiver=receiver, slot=slot).for_list()
    shown = next(iter(shown_plans(plans, user)), None)
    return {"shown": shown, "receiver": receiver, "slot": slot, "quiet": quiet, "p": _place(user)}


@register.inclusion_tag("devices/plans/_here.html", takes_context=True)
def planned_here(context: Context, site: Any, visit: Any = None, done_url: str = "") -> dict[str, Any]:
    """Changes to make at a site, slot by slot; with a visit and the name of an address each can be reported done."""
    user = context["request"].user
    plans = PlannedChange.objects.visible_to(user).open().filter(site=site).for_list()
    rows = shown_plans(plans.order_by("receiver__label", "receiver_id", "slot", "pk"), user)
    return {
        "plans": rows, "p": _place(user), "visit": visit, "done_url": done_url if visit is not None else "",
        "csrf_token": context.get("csrf_token"),
    }  # fmt: skip


def _place(user: Any) -> str:
    return "devices:tech_" if getattr(user, "is_technician", False) else "devices:"
