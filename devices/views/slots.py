"""Pages of one slot: its dated history, and every change to it."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.views.decorators.http import require_POST, require_safe

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from company.models import ChangeRow
from devices.actions import away as away_actions
from devices.actions import slots as actions
from devices.actions.slot_settings import problems_with, settings_of
from devices.forms import AwayForm, BackForm, MoveTargetForm, NameForm, ReasonForm, RegisterForm, SettingsForm
from devices.models import Away, Fitting, Output, Receiver, Registration, Transmitter, TransmitterType
from devices.querysets import end_of_day
from devices.rules.slot_map import day_asked, due_words, ticks_left
from devices.rules.supervision import faults_of
from devices.views.receivers import FORM, frame, here, receiver_for, refusal, standing_faults
from devices.views.shown import registration_lines

SETTINGS_FORM = "devices/slots/settings.html"


def slot_of(request: PersonRequest, pk: int, slot: int) -> tuple[Receiver, Registration | None]:
    """Receiver and the registration in force in one slot, or 404 where the receiver has no such slot."""
    receiver = receiver_for(request, pk)
    rows = Registration.objects.visible_to(request.user).open().filter(receiver=receiver, slot=slot)
    registration = rows.select_related("transmitter__type", "receiver__site", "site").first()
    if registration is None and not 1 <= slot <= receiver.n_slots:
        raise Http404("No such slot.")
    return receiver, registration


def taken_slot_of(request: PersonRequest, pk: int, slot: int) -> tuple[Receiver, Registration]:
    """As `slot_of`, and 404 where nothing is registered."""
    receiver, registration = slot_of(request, pk, slot)
    if registration is None:
        raise Http404("This slot is spare.")
    return receiver, registration


@audience("office", "technician")
@require_safe
def slot_detail(request: PersonRequest, pk: int, slot: int) -> HttpResponse:
    receiver, registration = slot_of(request, pk, slot)
    zone = receiver.site.zone
    today = timezone.now().astimezone(zone).date()
    on = day_asked(request.GET.get("on", ""), today)
    then = end_of_day(on, zone)
    past = list(Registration.objects.visible_to(request.user).in_slot(receiver, slot))
    changes = _changes_by_registration(request, [row.pk for row in past])
    rows = Registration.objects.visible_to(request.user).filter(receiver=receiver, slot=slot)
    row = next(iter(rows.slot_rows(end_of_day(today, zone), zone)), None)
    standing = standing_faults(request, receiver)
    fittings: list[Fitting] = []
    away, is_sealed = None, False
    if registration is not None:
        away = Away.objects.visible_to(request.user).filter(registration=registration, ended_on=None).first()
        if registration.transmitter is not None:
            kind = registration.transmitter.type
            is_sealed = kind is not None and kind.welded_cell
            fittings = list(
                Fitting.objects.visible_to(request.user).newest_first().filter(transmitter=registration.transmitter)
            )
    context = frame(request) | {
        "receiver": receiver,
        "site": receiver.site,
        "slot": slot,
        "row": row,
        "registration": registration,
        "settings": registration_lines(past[0], zone) if registration is not None else [],
        "due_state": row.urgency(today) if row else "",
        "due_text": due_words(row.due_on, today) if row else "",
        "ticks": ticks_left(row.due_on, today) if row and row.due_on else None,
        "away": away,
        "is_sealed": is_sealed,
        "on": on if on != today else None,
        "pk_then": next(
            (one.pk for one in past if one.registered_at <= then and (one.removed_at is None or one.removed_at > then)),
            0,
        ),
        "faults": [fault.words(today, with_place=False) for fault in faults_of(row, standing)] if row else [],
        "fittings": fittings,
        "past": [(one, registration_lines(one, zone), changes.get(one.pk, ())) for one in past],
        "neighbours": (slot - 1 if slot > 1 else None, slot + 1 if slot < receiver.n_slots else None),
        "last": past[0] if past and registration is None else None,
    }
    return page(request, "devices/slots/detail.html", context)


def _changes_by_registration(request: PersonRequest, pks: list[int]) -> dict[int, list[ChangeRow]]:
    changes: dict[int, list[ChangeRow]] = {}
    rows = ChangeRow.objects.visible_to(request.user).filter(subject_kind="registration", subject_id__in=pks)
    for change in rows.select_related("by").order_by("-at", "-pk"):
        changes.setdefault(change.subject_id, []).append(change)
    return changes


def _outputs(request: PersonRequest, receiver: Receiver) -> list[Output]:
    return list(Output.objects.visible_to(request.user).filter(receiver=receiver).order_by("number"))


def _context(request: PersonRequest, form: Any, receiver: Receiver, slot: int, **rest: Any) -> dict[str, Any]:
    return (
        frame(request)
        | {
            "form": form,
            "receiver": receiver,
            "site": receiver.site,
            "slot": slot,
            "lead": f"{receiver}, slot {slot}",
            "back": here(request, "slot_detail", receiver.pk, slot),
        }
        | rest
    )


def _warn(request: PersonRequest, warnings: list[Any]) -> None:
    for problem in warnings:
        if problem.is_warning:
            messages.warning(request, problem.text)


@audience("office", "technician")
def slot_register(request: PersonRequest, pk: int, slot: int) -> HttpResponse:
    receiver, registration = slot_of(request, pk, slot)
    form = RegisterForm(
        request.POST or None,
        receiver=receiver,
        outputs=_outputs(request, receiver),
        transmitters=Transmitter.objects.visible_to(request.user),
        types=TransmitterType.objects.visible_to(request.user).offered(),
    )
    context = _context(request, form, receiver, slot, title="Register a transmitter", button="Register it")
    if request.method != "POST":
        return redirect(context["back"]) if registration is not None else page(request, SETTINGS_FORM, context)
    if not form.is_valid():
        return refused(request, SETTINGS_FORM, context)
    settings, transmitter = form.settings(), form.transmitter()
    found = problems_with(settings, receiver=receiver, slot=slot, transmitter=transmitter)
    try:
        row = actions.register_transmitter(
            receiver=receiver, slot=slot, transmitter=transmitter, settings=settings, by=request.user,
            at=form.cleaned_data["at"], reason=form.cleaned_data["reason"], seen_version=form.seen_version,
        )  # fmt: skip
    except Refused as why:
        return refusal(request, SETTINGS_FORM, context, why)
    _warn(request, found)
    messages.success(request, f"{row.transmitter or 'A transmitter nobody knows'} stands in slot {slot}.")
    return redirect(here(request, "slot_detail", row.receiver_id, row.slot))


@audience("office", "technician")
def slot_change(request: PersonRequest, pk: int, slot: int) -> HttpResponse:
    receiver, registration = taken_slot_of(request, pk, slot)
    form = NameForm(
        request.POST or None,
        receiver=receiver,
        outputs=_outputs(request, receiver),
        settings=settings_of(registration),
        transmitters=Transmitter.objects.visible_to(request.user),
        is_named=registration.transmitter is not None,
    )
    context = _context(request, form, receiver, slot, title=f"Change slot {slot}", button="Save the change")
    context["registration"] = registration
    if request.method != "POST":
        return page(request, SETTINGS_FORM, context)
    if not form.is_valid():
        return refused(request, SETTINGS_FORM, context)
    settings, transmitter = form.settings(), form.transmitter()
    found = problems_with(
        settings,
        receiver=receiver,
        slot=slot,
        transmitter=registration.transmitter or transmitter,
        besides=registration,
    )
    try:
        row = actions.change_slot(
            registration=registration, settings=settings, transmitter=transmitter, by=request.user,
            at=form.cleaned_data["at"], reason=form.cleaned_data["reason"], seen_version=form.seen_version,
        )  # fmt: skip
    except Refused as why:
        return refusal(request, SETTINGS_FORM, context, why)
    _warn(request, found)
    if row.register_again_since is not None:
        messages.warning(request, "The set-up on the transmitter changed: register it again at the receiver.")
    messages.success(request, f"Slot {slot} is changed.")
    return redirect(here(request, "slot_detail", row.receiver_id, row.slot))


@audience("office", "technician")
def slot_move(request: PersonRequest, pk: int, slot: int) -> HttpResponse:
    """First step without a target: where to. Second step: the settings it has there."""
    receiver, registration = taken_slot_of(request, pk, slot)
    receivers = (
        Receiver.objects.visible_to(request.user)
        .open()
        .filter(customer_id=receiver.customer_id)
        .select_related("site", "type", "customer")
        .order_by("site__name", "label", "pk")
    )
    asked = request.POST if request.method == "POST" else request.GET if "to_slot" in request.GET else None
    target = MoveTargetForm(asked, receivers=receivers, initial={"to_receiver": receiver.pk})
    context = _context(request, target, receiver, slot, title=f"Move slot {slot}", button="Go on")
    if asked is None or not target.is_valid():
        context["is_get"] = True
        return page(request, FORM, context) if asked is None else refused(request, FORM, context)
    to_receiver, to_slot = target.cleaned_data["to_receiver"], target.cleaned_data["to_slot"]
    outputs = _outputs(request, to_receiver)
    form = SettingsForm(
        request.POST or None, receiver=to_receiver, outputs=outputs, settings=settings_of(registration),
        initial={"version": receiver.version},
    )  # fmt: skip
    context |= {
        "form": form,
        "target": (to_receiver.pk, to_slot),
        "lead": f"From {receiver}, slot {slot} to {to_receiver}, slot {to_slot}",
        "button": "Move it",
    }
    if request.method != "POST":
        return page(request, SETTINGS_FORM, context)
    if not form.is_valid():
        return refused(request, SETTINGS_FORM, context)
    try:
        row = actions.move_transmitter(
            registration=registration, to_receiver=to_receiver, to_slot=to_slot, settings=form.settings(),
            by=request.user, at=form.cleaned_data["at"], reason=form.cleaned_data["reason"],
            seen_version=form.seen_version,
        )  # fmt: skip
    except Refused as why:
        return refusal(request, SETTINGS_FORM, context, why)
    messages.success(request, f"It stands in slot {to_slot} of {to_receiver} now. Register it there.")
    return redirect(here(request, "slot_detail", row.receiver_id, row.slot))


@audience("office", "technician")
def slot_remove(request: PersonRequest, pk: int, slot: int) -> HttpResponse:
    receiver, registration = taken_slot_of(request, pk, slot)
    form = ReasonForm(request.POST or None, receiver=receiver)
    what = registration.transmitter or "whatever stands there"
    context = _context(request, form, receiver, slot, title=f"Free slot {slot}", button="Remove it", danger=True)
    context["lead"] = f"{receiver}, slot {slot}: {what}, {registration.label}. It can be put back."
    if registration.duty == "life_safety":
        context["caution"] = "A life-safety slot: tell the person in charge before it stands without a transmitter."
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    try:
        actions.remove_transmitter(
            registration=registration, by=request.user, at=form.cleaned_data["at"],
            reason=form.cleaned_data["reason"], seen_version=form.seen_version,
        )  # fmt: skip
    except Refused as why:
        return refusal(request, FORM, context, why)
    messages.success(request, f"Slot {slot} is spare now. You can put it back from its history.")
    return redirect(here(request, "slot_detail", receiver.pk, slot))


@audience("office", "technician")
def slot_put_back(request: PersonRequest, pk: int, slot: int, registration_pk: int) -> HttpResponse:
    receiver, _ = slot_of(request, pk, slot)
    rows = Registration.objects.visible_to(request.user).filter(receiver=receiver, slot=slot, removed_at__isnull=False)
    registration = get_object_or_404(rows.select_related("transmitter", "receiver__site"), pk=registration_pk)
    form = ReasonForm(request.POST or None, receiver=receiver)
    what = registration.transmitter or "what stood there"
    context = _context(request, form, receiver, slot, title=f"Put {what} back into slot {slot}", button="Put it back")
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    try:
        row = actions.put_back(
            registration=registration, by=request.user, at=form.cleaned_data["at"],
            reason=form.cleaned_data["reason"], seen_version=form.seen_version,
        )  # fmt: skip
    except Refused as why:
        return refusal(request, FORM, context, why)
    messages.success(request, f"{what} stands in slot {slot} again.")
    return redirect(here(request, "slot_detail", row.receiver_id, row.slot))


@audience("office", "technician")
@require_POST
def slot_registered(request: PersonRequest, pk: int, slot: int) -> HttpResponse:
    """Registered again: one button, no form to fill."""
    _, registration = taken_slot_of(request, pk, slot)
    try:
        actions.mark_registered(registration=registration, by=request.user, at=timezone.now())
    except Refused as why:
        messages.error(request, str(why))
    else:
        messages.success(request, f"Slot {slot} is registered again. Walk-test it.")
    return redirect(here(request, "slot_detail", pk, slot))


@audience("office", "technician")
def slot_again(request: PersonRequest, pk: int, slot: int) -> HttpResponse:
    """Somebody changed a jumper or a setting on the transmitter: it must be registered again."""
    receiver, registration = taken_slot_of(request, pk, slot)
    form = ReasonForm(request.POST or None, receiver=receiver)
    context = _context(request, form, receiver, slot, title="Must be registered again", button="Save")
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    try:
        actions.ask_to_register_again(
            registration=registration, by=request.user, at=form.cleaned_data["at"],
            reason=form.cleaned_data["reason"], seen_version=form.seen_version,
        )  # fmt: skip
    except Refused as why:
        return refusal(request, FORM, context, why)
    messages.success(request, f"Slot {slot} stands at “register again”.")
    return redirect(here(request, "slot_detail", pk, slot))


@audience("office", "technician")
def slot_away(request: PersonRequest, pk: int, slot: int) -> HttpResponse:
    receiver, registration = taken_slot_of(request, pk, slot)
    today = timezone.now().astimezone(receiver.site.zone).date()
    form = AwayForm(request.POST or None, receiver=receiver, initial={"from_on": today})
    context = _context(request, form, receiver, slot, title=f"Slot {slot}: out of use or off the site", button="Save")
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    cleaned = form.cleaned_data
    try:
        away_actions.start_away(
            registration=registration, from_on=cleaned["from_on"], agreed_until_on=cleaned["agreed_until_on"],
            agreed_with=cleaned["agreed_with"], interim=cleaned["interim"], by=request.user, at=timezone.now(),
            reason=cleaned["reason"], seen_version=form.seen_version,
        )  # fmt: skip
    except Refused as why:
        return refusal(request, FORM, context, why)
    messages.success(request, f"Slot {slot} is away, agreed with {cleaned['agreed_with']}.")
    return redirect(here(request, "slot_detail", pk, slot))


@audience("office", "technician")
def slot_back(request: PersonRequest, pk: int, slot: int) -> HttpResponse:
    receiver, registration = taken_slot_of(request, pk, slot)
    rows = Away.objects.visible_to(request.user).filter(registration=registration, ended_on=None)
    away = get_object_or_404(rows.select_related("registration__receiver"))
    today = timezone.now().astimezone(receiver.site.zone).date()
    form = BackForm(request.POST or None, receiver=receiver, initial={"ended_on": today})
    context = _context(request, form, receiver, slot, title=f"Slot {slot} is back", button="Save")
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    try:
        away_actions.end_away(
            away=away, ended_on=form.cleaned_data["ended_on"], by=request.user, at=timezone.now(),
            reason=form.cleaned_data["reason"], seen_version=form.seen_version,
        )  # fmt: skip
    except Refused as why:
        return refusal(request, FORM, context, why)
    messages.success(request, f"Slot {slot} is back.")
    return redirect(here(request, "slot_detail", pk, slot))
