"""How changes of plans and of absences are taken back."""

from __future__ import annotations

from datetime import date, datetime

from company.models import ChangeRow, User
from company.undo import Undone, undoes
from devices.actions.ledger import lock_receivers, touch
from devices.actions.plans import drop_plan, put_plan_back, reopen_plan, take_plan_back
from devices.models import Away, PlannedChange, Registration

TAKEN_BACK = "taken back"


@undoes("plan_change")
def undo_plan(change: ChangeRow, *, by: User, at: datetime) -> Undone | None:
    """The plan is dropped; it stays on record."""
    drop_plan(plan=PlannedChange.objects.get(pk=change.subject_id), by=by, at=at, reason=TAKEN_BACK)
    return None


@undoes("adapt_plan")
def undo_adapt(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """The plan is again what it was before it was adapted, with its reason."""
    plan = PlannedChange.objects.get(pk=change.subject_id)
    earlier = ChangeRow.objects.filter(
        subject_kind=change.subject_kind, subject_id=change.subject_id, verb__in=("plan_change", "adapt_plan"),
        pk__lt=change.pk, undone_by=None,
    )  # fmt: skip
    said = earlier.order_by("-pk").values_list("reason", flat=True).first()
    plan, receiver, before, after = put_plan_back(
        plan=plan, was=change.before or {}, made=change.after or {}, former_reason=said or plan.reason
    )
    told = {"receiver": receiver.pk, "version": receiver.version, "recorded_at": at.isoformat()}
    return Undone(before, after | told)


@undoes("drop_plan")
def undo_drop(change: ChangeRow, *, by: User, at: datetime) -> Undone | None:
    """The plan waits again."""
    reopen_plan(plan=PlannedChange.objects.get(pk=change.subject_id), by=by, at=at, reason=TAKEN_BACK)
    return None


@undoes("carry_out_plan")
def undo_carry_out(change: ChangeRow, *, by: User, at: datetime) -> Undone | None:
    """The slot is set back through the ordinary actions, and the plan waits again."""
    plan = PlannedChange.objects.select_related("receiver").get(pk=change.subject_id)
    registration = Registration.objects.select_related("receiver").get(pk=(change.after or {})["registration"])
    take_plan_back(plan=plan, registration=registration, by=by, at=at, reason=TAKEN_BACK)
    return None


@undoes("extend_away")
def undo_extend(change: ChangeRow, *, by: User, at: datetime) -> Undone | None:
    """The agreed day is the former one again."""
    away = Away.objects.open().select_related("registration__receiver").get(pk=(change.after or {})["away"])
    (receiver,) = lock_receivers(away.registration.receiver)
    until = (change.before or {})["agreed_until"]
    away.agreed_until_on = date.fromisoformat(until) if until else None
    away.save(update_fields=["agreed_until_on"])
    touch(receiver)
    return None
