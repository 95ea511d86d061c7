"""Every write to planned changes: planned, adapted, dropped, carried out, and each of these taken back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from company.errors import Refused
from company.manner import moment_said
from company.models import User
from devices.actions.ledger import first_refusal, lock_receivers, log, refuse_stale, refuse_without_reason, touch
from devices.actions.plans_wish import (
    NotPlannable,
    Wish,
    facts_of_plan,
    is_outdated,
    plain_of,
    settings_from,
    stands_in,
    transmitter_of,
    wanted_of,
    wish_of,
)
from devices.actions.slot_settings import NothingChanged, NotSettable, SlotTaken, problems_with
from devices.actions.slots import change_slot, move_transmitter, put_back, register_transmitter, remove_transmitter
from devices.models import PlannedChange, Receiver, Registration
from devices.rules.legality import Problem

Kind = PlannedChange.Kind


class PlanStands(Refused):
    """A change is planned for this slot already."""


class PlanOver(Refused):
    """The plan was done or dropped already."""


class PlanChangedSince(Refused):
    """The plan is no longer what it was a moment ago, or what adapting had left."""


class SlotChangedSince(Refused):
    """The slot is no longer as it was when the change was planned."""


def problems_of(wish: Wish, *, receiver: Receiver, slot: int, stands: Registration | None) -> list[Problem]:
    """Everything that speaks against a wish as things stand, warnings too. Reads only."""
    if wish.settings is None:
        return []
    if wish.kind == Kind.REGISTER:
        transmitter = transmitter_of(wish.serial, wish.type)
        return problems_with(wish.settings, receiver=receiver, slot=slot, transmitter=transmitter)
    known = stands.transmitter if stands is not None else None
    if wish.kind == Kind.MOVE and wish.to_receiver is not None and wish.to_slot is not None:
        receiver, slot = wish.to_receiver, wish.to_slot
    return problems_with(wish.settings, receiver=receiver, slot=slot, transmitter=known, besides=stands)


def _refuse_misfit(wish: Wish, receiver: Receiver, slot: int, stands: Registration | None) -> None:
    """Refuse a wish that does not fit what stands in the slot."""
    if wish.kind == Kind.REGISTER:
        if stands is not None:
            raise SlotTaken(
                _("Slot %(slot)s is taken by %(stands)s: plan to change, move or remove that.")
                % {"slot": slot, "stands": stands.label}
            )
    elif stands is None:
        raise NotPlannable(
            _("Slot %(slot)s is spare, so only registering a transmitter can be planned.") % {"slot": slot}
        )
    if wish.kind != Kind.REMOVE and wish.settings is None:
        raise NotPlannable(_("Say how the slot shall be set."))
    if wish.kind == Kind.MOVE:
        if wish.to_receiver is None or wish.to_slot is None:
            raise NotPlannable(_("Say where it shall be moved to."))
        if wish.to_receiver.customer_id != receiver.customer_id:
            raise NotPlannable(_("A transmitter cannot be moved to another customer."))
        if wish.to_receiver.pk == receiver.pk and wish.to_slot == slot:
            raise NothingChanged(_("It stands in this slot already."))
        if stands is not None and stands.transmitter is None:
            raise NotPlannable(_("Nobody knows what stands in this slot, so it cannot be moved."))
    if wish.kind == Kind.CHANGE and wish.settings is not None and plain_of(stands) == wanted_of(wish, None)["settings"]:
        raise NothingChanged(_("The slot is already set like this."))
    hard = [one for one in problems_of(wish, receiver=receiver, slot=slot, stands=stands) if not one.is_warning]
    if hard:
        raise NotSettable(first_refusal(hard))


def _lock_plan(plan: PlannedChange) -> tuple[PlannedChange, Receiver]:
    """Its receiver first, with the one that it leads to, then the plan, all fresh; refuse a plan that is over."""
    seen = PlannedChange.objects.get(pk=plan.pk)
    wanted = Receiver.objects.filter(pk__in={seen.receiver_id, seen.wanted.get("to_receiver")} - {None})
    receivers = {row.pk: row for row in lock_receivers(*wanted)}
    fresh = PlannedChange.objects.select_for_update(of=("self",)).get(pk=plan.pk)
    if (fresh.receiver_id, fresh.wanted.get("to_receiver")) != (seen.receiver_id, seen.wanted.get("to_receiver")):
        # A swap of one of the receivers came between.
        raise PlanChangedSince(_("The plan was changed this very moment. Look at it, then try again."))
    receiver = receivers[fresh.receiver_id]
    fresh.receiver = receiver
    zone = receiver.site.zone
    if fresh.done_at is not None:
        name = fresh.done_by.name if fresh.done_by else "somebody"
        raise PlanOver(
            _("%(name)s did this on %(moment)s already.")
            % {"name": name, "moment": moment_said(fresh.done_at.astimezone(zone))}
        )
    if fresh.dropped_at is not None:
        raise PlanOver(
            _("This was dropped on %(moment)s: %(dropped_why)s.")
            % {"moment": moment_said(fresh.dropped_at.astimezone(zone)), "dropped_why": fresh.dropped_why}
        )
    return fresh, receiver


@transaction.atomic
def plan_change(
    *,
    receiver: Receiver,
    slot: int,
    wish: Wish,
    by: User,
    at: datetime,
    reason: str,
    seen_version: int | None = None,
) -> PlannedChange:
    """Decide about a slot what a technician shall do there. The ledger of slots itself stays as it is until then.

    Raises
    ------
    PlanStands, NotPlannable, NotSettable, SlotTaken, NothingChanged, StaleSlotMap, ReasonMissing
        Nothing is written.
    """
    reason = refuse_without_reason(reason)
    (receiver,) = lock_receivers(receiver)
    refuse_stale(receiver, seen_version)
    if not 1 <= slot <= receiver.n_slots:
        raise NotPlannable(
            _("The receiver has no slot %(slot)s. It has slots 1 to %(n_slots)s.")
            % {"slot": slot, "n_slots": receiver.n_slots}
        )
    if receiver.removed_at is not None:
        raise NotPlannable(_("This receiver was taken down, so nothing can be done there."))
    if PlannedChange.objects.open().filter(receiver=receiver, slot=slot).exists():
        raise PlanStands(_("A change is planned for slot %(slot)s already: adapt or drop that one.") % {"slot": slot})
    stands = stands_in(receiver, slot)
    _refuse_misfit(wish, receiver, slot, stands)
    plan = PlannedChange.objects.create(
        customer_id=receiver.customer_id, site_id=receiver.site_id, receiver=receiver, slot=slot, registration=stands,
        kind=wish.kind, wanted=wanted_of(wish, stands), reason=reason[:200], planned_at=at, planned_by=by,
    )  # fmt: skip
    touch(receiver)
    log(
        by=by, at=at, verb="plan_change", subject=plan, receiver=receiver, reason=reason, after=facts_of_plan(plan)
    )  # fmt: skip
    return plan


@transaction.atomic
def adapt_plan(
    *, plan: PlannedChange, wish: Wish, by: User, at: datetime, reason: str, seen_version: int | None = None
) -> PlannedChange:
    """Plan something else for the same slot, on what stands there now.

    Raises
    ------
    PlanOver, NotPlannable, NotSettable, SlotTaken, NothingChanged, StaleSlotMap, ReasonMissing
        Nothing is written.
    """
    reason = refuse_without_reason(reason)
    plan, receiver = _lock_plan(plan)
    refuse_stale(receiver, seen_version)
    stands = stands_in(receiver, plan.slot)
    _refuse_misfit(wish, receiver, plan.slot, stands)
    before = _all_of(plan)
    plan.kind, plan.wanted, plan.registration, plan.reason = wish.kind, wanted_of(wish, stands), stands, reason[:200]
    plan.save(update_fields=["kind", "wanted", "registration", "reason"])
    touch(receiver)
    log(
        by=by, at=at, verb="adapt_plan", subject=plan, receiver=receiver, reason=reason, before=before,
        after=_all_of(plan),
    )  # fmt: skip
    return plan


def _all_of(plan: PlannedChange) -> dict[str, Any]:
    """What adapting changes of a plan, as the log keeps it: enough to put it back."""
    return facts_of_plan(plan) | {"reason": plan.reason, "registration": plan.registration_id}


@transaction.atomic
def put_plan_back(
    *, plan: PlannedChange, was: Mapping[str, Any], made: Mapping[str, Any], former_reason: str
) -> tuple[PlannedChange, Receiver, dict[str, Any], dict[str, Any]]:
    """Plan again what was planned before it was adapted; `was` and `made` are the facts that adapting logged.

    The plan, its receiver with the version it leads to, and the facts of the plan before and after, for the log, which
    the caller writes. A slot that has changed meanwhile is compared when the plan is carried out, as with any plan.

    Raises
    ------
    PlanOver, PlanChangedSince
        Nothing is written.
    """
    plan, receiver = _lock_plan(plan)
    now = _all_of(plan)
    if any(now[name] != made.get(name) for name in ("kind", "settings", "serial", "type", "to_receiver", "to_slot")):
        raise PlanChangedSince(_("The plan was changed again since. Adapt it by hand."))
    plan.kind = was["kind"]
    plan.wanted = {name: was[name] for name in plan.wanted if name in was}
    if was.get("registration") != made.get("registration"):
        plan.registration = Registration.objects.filter(pk=was.get("registration") or 0).first()
    plan.reason = (was.get("reason") or former_reason)[:200]
    plan.save(update_fields=["kind", "wanted", "registration", "reason"])
    touch(receiver)
    return plan, receiver, now, _all_of(plan)


@transaction.atomic
def drop_plan(*, plan: PlannedChange, by: User, at: datetime, reason: str) -> PlannedChange:
    """Give a plan up; it stays on record with why.

    Raises
    ------
    PlanOver, ReasonMissing
        Nothing is written.
    """
    reason = refuse_without_reason(reason)
    plan, receiver = _lock_plan(plan)
    plan.dropped_at, plan.dropped_why = at, reason[:200]
    plan.save(update_fields=["dropped_at", "dropped_why"])
    touch(receiver)
    log(
        by=by, at=at, verb="drop_plan", subject=plan, receiver=receiver, reason=reason, before=facts_of_plan(plan),
        after={"dropped": True},
    )  # fmt: skip
    return plan


@transaction.atomic
def carry_out_plan(
    *, plan: PlannedChange, by: User, at: datetime, visit_id: int | None = None
) -> tuple[PlannedChange, Registration]:
    """Do what was planned, through the same action as if the person had done it by hand, and mark the plan as done.

    Raises
    ------
    PlanOver, SlotChangedSince, NotPlannable, and what the action itself refuses
        Nothing is written.
    """
    plan, receiver = _lock_plan(plan)
    stands = stands_in(receiver, plan.slot)
    if is_outdated(plan, stands):
        raise SlotChangedSince(
            _(
                "Slot %(slot)s was changed after this was planned. Compare the plan with what stands there now, then "
                "adapt it or drop it."
            )
            % {"slot": plan.slot}
        )
    registration = _do(plan, receiver, stands, by=by, at=at)
    plan.done_at, plan.done_by, plan.visit_id = at, by, visit_id
    plan.save(update_fields=["done_at", "done_by", "visit_id"])
    # The action has bumped the version already, on its own copy of the receiver.
    (receiver,) = lock_receivers(receiver)
    log(
        by=by, at=at, verb="carry_out_plan", subject=plan, receiver=receiver, reason=plan.reason,
        before=facts_of_plan(plan), after={"registration": registration.pk, "visit": visit_id},
    )  # fmt: skip
    return plan, registration


def _do(
    plan: PlannedChange, receiver: Receiver, stands: Registration | None, *, by: User, at: datetime
) -> Registration:
    if receiver.removed_at is not None:
        raise NotPlannable(_("This receiver was taken down, so nothing can be done there any more. Drop the plan."))
    wish = wish_of(plan)
    reason = f"as planned: {plan.reason}"[:200]
    if stands is None:
        if wish.settings is None or wish.kind != Kind.REGISTER:
            raise NotPlannable(
                _("Only registering a transmitter can be planned for a spare slot. Adapt the plan, or drop it.")
            )
        if not wish.serial:
            raise NotPlannable(
                _("The plan leaves open which unit it is. Adapt the plan and give its serial number first.")
            )
        return register_transmitter(
            receiver=receiver, slot=plan.slot, transmitter=transmitter_of(wish.serial, wish.type),
            settings=wish.settings, by=by, at=at, reason=reason,
        )  # fmt: skip
    if wish.kind == Kind.REMOVE:
        return remove_transmitter(registration=stands, by=by, at=at, reason=reason)
    if wish.settings is None:
        raise NotPlannable(_("The plan does not say how the slot shall be set. Adapt it, or drop it."))
    if wish.kind == Kind.MOVE:
        if wish.to_receiver is None or wish.to_slot is None or wish.to_receiver.removed_at is not None:
            raise NotPlannable(_("The receiver it should move to is not there any more. Adapt the plan, or drop it."))
        return move_transmitter(
            registration=stands, to_receiver=wish.to_receiver, to_slot=wish.to_slot, settings=wish.settings, by=by,
            at=at, reason=reason,
        )  # fmt: skip
    return change_slot(registration=stands, settings=wish.settings, by=by, at=at, reason=reason)


@transaction.atomic
def reopen_plan(*, plan: PlannedChange, by: User, at: datetime, reason: str) -> PlannedChange:
    """Take the dropping of a plan back.

    Raises
    ------
    PlanStands, PlanOver, ReasonMissing
        If another change is planned for the slot by now, or the plan was never dropped.
    """
    reason = refuse_without_reason(reason)
    (receiver,) = lock_receivers(plan.receiver)
    fresh = PlannedChange.objects.select_for_update(of=("self",)).get(pk=plan.pk)
    if fresh.dropped_at is None:
        raise PlanOver(_("This plan was not dropped."))
    _refuse_another(fresh)
    fresh.dropped_at, fresh.dropped_why = None, ""
    fresh.save(update_fields=["dropped_at", "dropped_why"])
    touch(receiver)
    log(
        by=by, at=at, verb="reopen_plan", subject=fresh, receiver=receiver, reason=reason, after=facts_of_plan(fresh)
    )  # fmt: skip
    return fresh


def _refuse_another(plan: PlannedChange) -> None:
    if PlannedChange.objects.open().filter(receiver=plan.receiver_id, slot=plan.slot).exists():
        raise PlanStands(
            _("Another change is planned for slot %(slot)s by now: adapt or drop that one.") % {"slot": plan.slot}
        )


@transaction.atomic
def take_plan_back(
    *, plan: PlannedChange, registration: Registration, by: User, at: datetime, reason: str
) -> PlannedChange:
    """Take back that a plan was done: the slot is set back through the ordinary actions, the plan waits again.

    `registration` is what the plan led to. Nothing of the history goes away.

    Raises
    ------
    PlanStands, PlanOver, NoLongerThere, SlotTaken, OutOfOrder, ReasonMissing
        If somebody has changed the slot since.
    """
    reason = refuse_without_reason(reason)
    receivers: Sequence[Receiver] = lock_receivers(plan.receiver, registration.receiver)
    fresh = PlannedChange.objects.select_for_update(of=("self",)).get(pk=plan.pk)
    if fresh.done_at is None:
        raise PlanOver(_("This plan was not done."))
    _refuse_another(fresh)
    stands = _set_back(fresh, registration, by=by, at=at, reason=reason)
    fresh.registration = stands
    fresh.wanted = fresh.wanted | {"stood": plain_of(stands)}
    fresh.done_at = fresh.done_by = fresh.visit_id = None
    fresh.save(update_fields=["registration", "wanted", "done_at", "done_by", "visit_id"])
    (receiver,) = lock_receivers(receivers[0])
    log(
        by=by, at=at, verb="take_plan_back", subject=fresh, receiver=receiver, reason=reason,
        after=facts_of_plan(fresh),
    )  # fmt: skip
    return fresh


def _set_back(
    plan: PlannedChange, registration: Registration, *, by: User, at: datetime, reason: str
) -> Registration | None:
    """Put the slot back as it stood before the plan was carried out; the registration in force then, None if spare."""
    if plan.kind == Kind.REGISTER:
        remove_transmitter(registration=registration, by=by, at=at, reason=reason)
        return None
    if plan.kind == Kind.REMOVE:
        return put_back(registration=registration, by=by, at=at, reason=reason)
    stood = plan.wanted.get("stood")
    if stood is None:
        raise NotPlannable(_("Nobody knows how the slot was set before, so it cannot be set back by itself."))
    settings = settings_from(stood, plan.receiver)
    if plan.kind == Kind.MOVE:
        return move_transmitter(
            registration=registration, to_receiver=plan.receiver, to_slot=plan.slot, settings=settings, by=by, at=at,
            reason=reason,
        )  # fmt: skip
    return change_slot(registration=registration, settings=settings, by=by, at=at, reason=reason)
