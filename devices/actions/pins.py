"""Every write of pins on floor plans. A pin is the place of a slot (or of the receiver), not of one registration."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from company.actions import record_change
from company.errors import Refused
from company.models import ChangeRow, User
from devices.models import PlanPin, Receiver
from sites.actions.floor_plans import draw, log_plan, plan_facts
from sites.models import FloorPlan

PERMILLE = 1000


class NotOnThisPlan(Refused):
    """The receiver, slot or position does not belong on this plan."""


@transaction.atomic
def place_pin(
    *, plan: FloorPlan, receiver: Receiver, slot: int | None, x_permille: int, y_permille: int, by: User, at: datetime
) -> tuple[PlanPin, ChangeRow | None]:
    """Say where a slot's transmitter (slot None: the receiver itself) stands; a pin elsewhere moves here.

    Parameters
    ----------
    x_permille, y_permille : int
        From the left and from the top, in thousandths of width and height, 0 to 1000.

    Returns
    -------
    tuple
        The pin, and the row of the change log; None for the row where the pin was there already.

    Raises
    ------
    NotOnThisPlan
        A plan out of use, a receiver of another site, a slot it does not have, a position outside. Nothing is written.
    """
    _refuse(plan, receiver, slot, x_permille, y_permille)
    # The receiver's row is the lock: two first pins for one slot at once would be two rows.
    Receiver.objects.select_for_update(of=("self",)).get(pk=receiver.pk)
    pin = PlanPin.objects.filter(receiver=receiver, slot=slot).select_related("plan").first()
    before = pin_facts(pin) if pin else None
    if pin is None:
        pin = PlanPin(receiver=receiver, slot=slot, customer_id=receiver.customer_id, site_id=receiver.site_id)
    pin.plan, pin.x_permille, pin.y_permille = plan, x_permille, y_permille
    if before == pin_facts(pin):
        return pin, None
    pin.save()
    return pin, log_pin("place_pin", pin, by, at, before=before, after=pin_facts(pin))


def _refuse(plan: FloorPlan, receiver: Receiver, slot: int | None, x_permille: int, y_permille: int) -> None:
    # Asked of the table: somebody may have taken the plan out of use since the page was made.
    if not FloorPlan.objects.filter(pk=plan.pk, removed_at=None).exists():
        raise NotOnThisPlan(_("This plan was removed. Open the site again and choose another plan."))
    if receiver.site_id != plan.site_id:
        raise NotOnThisPlan(_("This receiver is at another site. Choose one of this site."))
    if receiver.removed_at:
        raise NotOnThisPlan(_("This receiver was taken down. Choose one that hangs there."))
    if slot is not None and not 1 <= slot <= receiver.n_slots:
        raise NotOnThisPlan(
            _("%(receiver)s has slots 1 to %(n_slots)s. Choose one of them.")
            % {"receiver": receiver.label, "n_slots": receiver.n_slots}
        )
    if not (0 <= x_permille <= PERMILLE and 0 <= y_permille <= PERMILLE):
        raise NotOnThisPlan(_("The place is outside the picture. Give 0 to 100 per cent."))


@transaction.atomic
def remove_pin(*, pin: PlanPin, by: User, at: datetime) -> ChangeRow:
    """Take a pin off its plan; the change log keeps where it was."""
    row = log_pin("remove_pin", pin, by, at, before=pin_facts(pin))
    pin.delete()
    return row


@transaction.atomic
def replace_picture(*, plan: FloorPlan, content: bytes, by: User, at: datetime) -> tuple[FloorPlan, ChangeRow]:
    """Put a new picture in the place of a plan's; the pins keep their places, the old picture stays on record.

    Raises
    ------
    NoPicture, NotOnThisPlan
        Nothing is written.
    """
    if not FloorPlan.objects.filter(pk=plan.pk, removed_at=None).exists():
        raise NotOnThisPlan(_("This plan was removed. Open the site again and choose another plan."))
    new = draw(site=plan.site, name=plan.name, content=content, walk_order=plan.walk_order, at=at)
    PlanPin.objects.filter(plan=plan).update(plan=new)
    FloorPlan.objects.filter(pk=plan.pk).update(removed_at=at)
    before, after = plan_facts(plan) | {"plan": plan.pk}, plan_facts(new) | {"plan": new.pk}
    return new, log_plan("replace_floor_plan", new, by, at, before=before, after=after)


def pin_facts(pin: PlanPin) -> dict[str, Any]:
    """What the change log keeps of a pin."""
    return {
        "plan": pin.plan_id,
        "on": pin.plan.name,
        "receiver": pin.receiver_id,
        "slot": pin.slot,
        "x_permille": pin.x_permille,
        "y_permille": pin.y_permille,
    }


def log_pin(verb: str, pin: PlanPin, by: User, at: datetime, **facts: Any) -> ChangeRow:
    """Write one change of a pin."""
    return record_change(by=by, at=at, verb=verb, subject=pin, customer_id=pin.customer_id, **facts)
