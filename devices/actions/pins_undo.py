"""How changes of pins and of plans' pictures are taken back (see company/undo.py)."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.utils.translation import gettext as _

from company.access import OFFICE
from company.models import ChangeRow, User
from company.undo import CannotUndo, Undone, undoes
from devices.actions.pins import pin_facts
from devices.models import PlanPin, Receiver
from sites.actions.floor_plans import plan_facts
from sites.models import FloorPlan


def _plan_in_use(pk: Any) -> FloorPlan:
    plan = FloorPlan.objects.filter(pk=pk, removed_at=None).defer("picture").first()
    if plan is None:
        raise CannotUndo(_("The plan it stood on is not in use any more. Place the pin by hand."))
    return plan


@undoes("place_pin", audiences=(OFFICE,))
def undo_place(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Move a pin back to where it was; a new one is taken off."""
    pin = PlanPin.objects.select_for_update(of=("self",)).select_related("plan").filter(pk=change.subject_id).first()
    if pin is None:
        raise CannotUndo(_("The pin is not on a plan any more."))
    facts, was, then = pin_facts(pin), change.before, change.after or {}
    if not was:
        pin.delete()
        return Undone(facts, None)
    if was["plan"] != then.get("plan"):
        # Within one plan it stays on what is in use now: its picture may have been replaced meanwhile.
        pin.plan = _plan_in_use(was["plan"])
    pin.x_permille, pin.y_permille = was["x_permille"], was["y_permille"]
    pin.save()
    return Undone(facts, pin_facts(pin))


@undoes("remove_pin", audiences=(OFFICE,))
def undo_remove(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Put a pin back on its plan. Refused where the slot has another pin by now, or the plan is out of use."""
    was = change.before or {}
    plan = _plan_in_use(was.get("plan"))
    receiver = Receiver.objects.select_for_update(of=("self",)).get(pk=was["receiver"])
    if PlanPin.objects.filter(receiver=receiver, slot=was["slot"]).exists():
        raise CannotUndo(_("The slot has another pin by now. Move that one."))
    pin = PlanPin(
        pk=change.subject_id, plan=plan, receiver=receiver, slot=was["slot"], customer_id=receiver.customer_id,
        site_id=receiver.site_id, x_permille=was["x_permille"], y_permille=was["y_permille"],
    )  # fmt: skip
    pin.save(force_insert=True)
    return Undone(None, pin_facts(pin))


@undoes("replace_floor_plan", audiences=(OFFICE,))
def undo_replace(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Show the former picture again; pins placed since stay where they are."""
    # Not for their keys: whoever places a pin names its plan, and holds the pin meanwhile.
    new = FloorPlan.objects.select_for_update(no_key=True).defer("picture").get(pk=change.subject_id)
    old = FloorPlan.objects.select_for_update(no_key=True).defer("picture").get(pk=(change.before or {})["plan"])
    if new.removed_at or not old.removed_at:
        raise CannotUndo(_("The plan was taken out of use meanwhile. Use the former one again from its page."))
    facts = plan_facts(new)
    PlanPin.objects.filter(plan=new).update(plan=old)
    FloorPlan.objects.filter(pk=new.pk).update(removed_at=at)
    FloorPlan.objects.filter(pk=old.pk).update(removed_at=None, name=new.name, walk_order=new.walk_order)
    old.refresh_from_db(fields=["removed_at", "name", "walk_order"])
    return Undone(facts, plan_facts(old))
