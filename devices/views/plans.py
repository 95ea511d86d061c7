"""Pages of planned changes: the list, one plan beside what stands there, planning, adapting, dropping, done."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.http import require_POST, require_safe

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from company.lists import ordered, page_of
from company.models import ChangeRow
from company.toasts import said
from devices.actions import plans as actions
from devices.actions.bulk_turn import read_settings, with_settings
from devices.actions.plans_wish import Wish, settings_from
from devices.actions.slot_settings import Settings
from devices.forms.plans import (
    MoveTargetForm,
    PlanChangeForm,
    PlanMoveForm,
    PlanRegisterForm,
    PlanRemoveForm,
    WhyForm,
)
from devices.models import Output, PlannedChange, Receiver, Registration, Transmitter, TransmitterType
from devices.views.plans_shown import shown_plans
from devices.views.receivers import frame, here, refusal
from devices.views.slots import move_target, slot_of

LIST = "devices/plans/list.html"
DETAIL = "devices/plans/detail.html"
FORM = "devices/plans/form.html"
TARGET = "devices/plans/target.html"
COLUMNS = {"planned": "planned_at", "site": "site__name", "slot": "slot", "kind": "kind", "over": "done_at"}
SHOWS = ("open", "done", "dropped")
Kind = PlannedChange.Kind


def undo_url(request: HttpRequest, verb: str, pk: int) -> str:
    """Address that takes back the person's last change of a plan."""
    rows = ChangeRow.objects.visible_to(request.user).about("plannedchange", pk)
    change = rows.filter(verb=verb, by=request.user).first()
    return reverse("company:change_undo", args=[change.pk]) if change is not None else ""


@audience("office", "technician")
@require_safe
def plan_list(request: PersonRequest) -> HttpResponse:
    """Every planned change of the firm, of one site or of one receiver."""
    words, show = request.GET.get("q", "").strip(), request.GET.get("show", "")
    show = show if show in SHOWS else "open"
    kind = request.GET.get("kind", "")
    rows = PlannedChange.objects.visible_to(request.user).matching(words)
    rows = rows.open() if show == "open" else rows.filter(**{f"{show}_at__isnull": False})
    if kind in Kind.values:
        rows = rows.filter(kind=kind)
    about = None
    for name in ("site", "receiver"):
        if (asked := request.GET.get(name, "")).isdecimal() and len(asked) < 10:
            rows = rows.filter(**{name: int(asked)})
            about = name
    listed, sort = ordered(rows.for_list(), request, COLUMNS, default="site" if show == "open" else "-over")
    shown = page_of(listed, request)
    context = frame(request) | {
        "page": shown, "plans": shown_plans(shown.object_list, request.user), "q": words, "show": show, "kind": kind,
        "kinds": Kind.choices, "sort": sort, "about": about,
    }  # fmt: skip
    return page(request, LIST, context, part="rows")


def _plan(request: PersonRequest, pk: int) -> PlannedChange:
    plan: PlannedChange = get_object_or_404(PlannedChange.objects.visible_to(request.user).for_list(), pk=pk)
    return plan


def _detail(request: PersonRequest, plan: PlannedChange, **rest: Any) -> dict[str, Any]:
    (shown,) = shown_plans([plan], request.user)
    return frame(request) | {"shown": shown, "plan": plan, "receiver": plan.receiver, "site": plan.site} | rest


@audience("office", "technician")
@require_safe
def plan_detail(request: PersonRequest, pk: int) -> HttpResponse:
    """As planned beside as found."""
    return page(request, DETAIL, _detail(request, _plan(request, pk)))


@audience("office", "technician")
@require_POST
def plan_done(request: PersonRequest, pk: int) -> HttpResponse:
    plan = _plan(request, pk)
    try:
        plan, _ = actions.carry_out_plan(plan=plan, by=request.user, at=timezone.now())
    except Refused as why:
        return refused(request, DETAIL, _detail(request, _plan(request, pk), refused=str(why)))
    said(
        request,
        gettext("Slot %(slot)s is done as planned.") % {"slot": plan.slot},
        undo_url=undo_url(request, "carry_out_plan", pk),
    )
    return redirect(here(request, "plan_detail", pk))


@audience("office", "technician")
def plan_drop(request: PersonRequest, pk: int) -> HttpResponse:
    plan = _plan(request, pk)
    form = WhyForm(request.POST or None)
    context = _detail(
        request,
        plan,
        form=form,
        title=gettext("Drop the plan for slot %(slot)s") % {"slot": plan.slot},
        button=gettext("Drop it"),
    )
    context |= {"danger": True, "back": here(request, "plan_detail", pk)}
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    try:
        actions.drop_plan(plan=plan, by=request.user, at=timezone.now(), reason=form.cleaned_data["reason"])
    except Refused as why:
        return refusal(request, FORM, context, why)
    said(
        request,
        gettext("The plan for slot %(slot)s is dropped.") % {"slot": plan.slot},
        undo_url=undo_url(request, "drop_plan", pk),
    )
    return redirect(here(request, "plan_detail", pk))


def _outputs(request: PersonRequest, receiver: Receiver) -> list[Output]:
    return list(Output.objects.visible_to(request.user).filter(receiver=receiver).order_by("number"))


def _standing(request: PersonRequest, receiver: Receiver, slot: int) -> Registration | None:
    rows = Registration.objects.visible_to(request.user).open().filter(receiver=receiver, slot=slot)
    return next(iter(with_settings(rows)), None)


def _kinds(registration: Registration | None) -> list[tuple[str, str]]:
    """What can be planned for a slot as it stands."""
    if registration is None:
        return [(Kind.REGISTER.value, str(Kind.REGISTER.label))]
    kinds = [Kind.CHANGE, Kind.MOVE, Kind.REMOVE]
    if registration.transmitter is None:
        kinds.remove(Kind.MOVE)
    return [(kind.value, str(kind.label)) for kind in kinds]


def _form_for(
    request: PersonRequest, kind: str, receiver: Receiver, begin: Settings | None, target: tuple[Receiver, int] | None,
    initial: dict[str, Any],
) -> Any:  # fmt: skip
    data: QueryDict | None = request.POST if request.method == "POST" else None
    if kind == Kind.REMOVE:
        return PlanRemoveForm(data, initial=initial)
    if kind == Kind.REGISTER:
        types = TransmitterType.objects.visible_to(request.user).offered()
        return PlanRegisterForm(
            data, receiver=receiver, outputs=_outputs(request, receiver), settings=begin, types=types, initial=initial,
            transmitters=Transmitter.objects.visible_to(request.user),
        )  # fmt: skip
    if target is not None:
        return PlanMoveForm(
            data, receiver=target[0], outputs=_outputs(request, target[0]), settings=begin, initial=initial,
            to_receiver=target[0], to_slot=target[1],
        )  # fmt: skip
    return PlanChangeForm(data, receiver=receiver, outputs=_outputs(request, receiver), settings=begin, initial=initial)


def _target_form(request: PersonRequest, receiver: Receiver, slot: int) -> MoveTargetForm:
    asked = request.POST if request.method == "POST" else request.GET if "to_slot" in request.GET else None
    return move_target(request, asked, receiver, slot)


@audience("office", "technician")
def slot_plan(request: PersonRequest, pk: int, slot: int) -> HttpResponse:
    """Plan a change of one slot; a plan that is open already is shown instead."""
    receiver, _ = slot_of(request, pk, slot)
    open_plan = PlannedChange.objects.visible_to(request.user).open().filter(receiver=receiver, slot=slot).first()
    if open_plan is not None:
        if request.method == "POST":
            messages.info(request, gettext("A change is planned for slot %(slot)s already.") % {"slot": slot})
        return redirect(here(request, "plan_detail", open_plan.pk))
    return _planning(request, receiver, slot, None)


@audience("office", "technician")
def plan_adapt(request: PersonRequest, pk: int) -> HttpResponse:
    """Plan something else for the same slot, on what stands there now."""
    plan = _plan(request, pk)
    if plan.done_at is not None or plan.dropped_at is not None:
        messages.info(request, gettext("This plan is over. Plan another change instead."))
        return redirect(here(request, "plan_detail", pk))
    return _planning(request, plan.receiver, plan.slot, plan)


def _begin_with(
    plan: PlannedChange | None, kind: str, receiver: Receiver, stands: Registration | None
) -> Settings | None:
    """What a form begins with: the plan itself, else what stands there."""
    values = plan.wanted.get("settings") if plan is not None and plan.kind == kind else None
    if values is not None:
        try:
            return settings_from(values, receiver)
        except Refused:
            pass
    return read_settings(stands) if stands is not None else None


def _planning(request: PersonRequest, receiver: Receiver, slot: int, plan: PlannedChange | None) -> HttpResponse:
    stands = _standing(request, receiver, slot)
    kinds = _kinds(stands)
    kind = request.GET.get("kind", plan.kind if plan is not None else "")
    kind = kind if kind in dict(kinds) else kinds[0][0]
    back = (
        here(request, "plan_detail", plan.pk) if plan is not None else here(request, "slot_detail", receiver.pk, slot)
    )
    context = frame(request) | {
        "receiver": receiver, "site": receiver.site, "slot": slot, "kinds": kinds, "kind": kind, "plan": plan,
        "stands": stands, "back": back,
        "lead": gettext("%(receiver)s, slot %(slot)s") % {"receiver": receiver, "slot": slot},
        "title": (gettext("Adapt the plan for slot %(slot)s") if plan else gettext("Plan a change of slot %(slot)s"))
        % {"slot": slot},
        "button": gettext("Save the plan"),
    }  # fmt: skip
    target = None
    if kind == Kind.MOVE:
        chosen = _target_form(request, receiver, slot)
        if not chosen.is_bound or not chosen.is_valid():
            context |= {"form": chosen, "button": gettext("Go on")}
            return refused(request, TARGET, context) if chosen.is_bound else page(request, TARGET, context)
        target = (chosen.cleaned_data["to_receiver"], chosen.cleaned_data["to_slot"])
        context["target"], context["lead"] = (
            target,
            gettext("%(receiver)s, slot %(slot)s to %(to_receiver)s, slot %(to_slot)s")
            % {"receiver": receiver, "slot": slot, "to_receiver": target[0], "to_slot": target[1]},
        )
    initial: dict[str, Any] = {"version": receiver.version}
    if plan is not None:
        initial |= {"reason": plan.reason, "serial": plan.wanted.get("serial", "")}
    begin = _begin_with(plan, kind, target[0] if target else receiver, stands)
    form = _form_for(request, kind, receiver, begin, target, initial)
    context["form"] = form
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    return _save(request, receiver, slot, plan, form, context, stands)


def _save(
    request: PersonRequest, receiver: Receiver, slot: int, plan: PlannedChange | None, form: Any,
    context: dict[str, Any], stands: Registration | None,
) -> HttpResponse:  # fmt: skip
    wish: Wish = form.wish()
    facts: dict[str, Any] = {
        "wish": wish, "by": request.user, "at": timezone.now(), "reason": form.cleaned_data["reason"],
        "seen_version": form.seen_version,
    }  # fmt: skip
    warnings = actions.problems_of(wish, receiver=receiver, slot=slot, stands=stands)
    try:
        if plan is None:
            row, verb = actions.plan_change(receiver=receiver, slot=slot, **facts), "plan_change"
        else:
            row, verb = actions.adapt_plan(plan=plan, **facts), "adapt_plan"
    except Refused as why:
        return refusal(request, FORM, context, why)
    for problem in warnings:
        if problem.is_warning:
            messages.warning(request, problem.text)
    said(
        request,
        gettext("Planned: slot %(slot)s waits for a visit.") % {"slot": slot},
        undo_url=undo_url(request, verb, row.pk),
    )
    return redirect(here(request, "plan_detail", row.pk))
