"""A planned change done on a visit: the slot, the plan and the visit's log in one transaction."""

from __future__ import annotations

import uuid
from datetime import datetime

from django.db import transaction
from django.utils.translation import gettext as _

from company.errors import Refused
from company.models import User
from devices.actions.plans import carry_out_plan
from devices.models import PlannedChange
from maintenance.actions.entries import Saying, record_entry
from maintenance.models import Visit


class NotOnThisVisit(Refused):
    """The visit is not under way, or goes to another site."""


@transaction.atomic
def do_on_visit(*, visit: Visit, plan: PlannedChange, by: User, at: datetime) -> PlannedChange:
    """Carry a plan out and note it in the visit, so that the service report says it.

    Raises
    ------
    NotOnThisVisit, and what `carry_out_plan` and `record_entry` refuse
        Nothing is written.
    """
    # The visit before any receiver, as `record_entry` has it.
    visit = Visit.objects.select_for_update(of=("self",)).select_related("site").get(pk=visit.pk)
    if visit.state != Visit.State.OPEN:
        raise NotOnThisVisit(_("Start the visit first, then report what you have done."))
    if plan.site_id != visit.site_id:
        raise NotOnThisVisit(_("This change is planned at another site."))
    what = f"{plan.get_kind_display()}: {plan.reason}"
    plan, registration = carry_out_plan(plan=plan, by=by, at=at, visit_id=visit.pk)
    text = f"Slot {plan.slot} done as planned. {what[:1].upper()}{what[1:]}"
    saying = Saying("note", {"text": text}, registration.receiver, registration)
    record_entry(visit=visit, saying=saying, key=uuid.uuid4(), by=by, at=at, made_at=at)
    return plan
