"""A planned change reported done from the sheet of a visit."""

from __future__ import annotations

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import refused
from company.toasts import said
from devices.models import PlannedChange
from devices.views.plans import DETAIL, undo_url
from devices.views.plans_shown import shown_plans
from devices.views.receivers import frame
from maintenance.actions.plans import do_on_visit
from maintenance.models import Visit


@audience("technician")
@require_POST
def tech_plan_done(request: PersonRequest, pk: int, plan_pk: int) -> HttpResponse:
    """Do it and go back to the sheet; refused: the plan beside what stands there."""
    visit = get_object_or_404(Visit.objects.visible_to(request.user).for_sheet(), pk=pk)
    plans = PlannedChange.objects.visible_to(request.user).filter(site=visit.site_id).for_list()
    plan = get_object_or_404(plans, pk=plan_pk)
    try:
        do_on_visit(visit=visit, plan=plan, by=request.user, at=timezone.now())
    except Refused as why:
        plan = get_object_or_404(plans, pk=plan_pk)
        (shown,) = shown_plans([plan], request.user)
        context = frame(request) | {"shown": shown, "plan": plan, "receiver": plan.receiver, "site": plan.site}
        return refused(request, DETAIL, context | {"refused": str(why)})
    said(
        request,
        _("Slot %(slot)s is done as planned.") % {"slot": plan.slot},
        undo_url=undo_url(request, "carry_out_plan", plan_pk),
    )
    return redirect("maintenance:tech_visit", pk)
