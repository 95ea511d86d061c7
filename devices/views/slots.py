"""Every change of one slot; what it is and was stands in `slot_page`."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.db.models import Case, When
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from devices.actions import away as away_actions
from devices.actions import slots as actions
from devices.actions.slot_settings import Settings, problems_with, settings_of
from devices.forms import AwayForm, BackForm, MoveTargetForm, NameForm, ReasonForm, RegisterForm, SettingsForm
from devices.models import Away, Output, Receiver, Registration, Transmitter, TransmitterType
from devices.rules.legality import REGISTER_AGAIN_FIELDS
from devices.rules.slot_life import next_free
from devices.views.heard_before import propose_since, waiting_in_slot
from devices.views.receivers import FORM, frame, here, receiver_for, refusal
from devices.views.undo_offer import said_with_undo

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


def next_free_slot(request: PersonRequest, receiver: Receiver, after: int = 0) -> int | None:
    """The next spare slot of a receiver behind `after`; None where all are taken or the receiver is down."""
    if receiver.removed_at is not None:
        return None
    rows = Registration.objects.visible_to(request.user).open().filter(receiver=receiver)
    return next_free(set(rows.values_list("slot", flat=True)), receiver.n_slots, after)


@audience("office", "technician")
@require_safe
def register_next(request: PersonRequest, pk: int) -> HttpResponse:
    """Register a transmitter without choosing a slot: the next spare one is chosen."""
    receiver = receiver_for(request, pk)
    slot = next_free_slot(request, receiver)
    if slot is None:
        messages.error(request, _("No slot is spare here. Free one, or choose another receiver."))
        return redirect(here(request, "slot_map", pk))
    # A unit that was heard before anybody registered it brings its serial along.
    kept = {name: request.GET.get(name, "")[:40] for name in ("serial", "since")}
    asked = urlencode({name: value for name, value in kept.items() if value})
    return redirect(here(request, "slot_register", pk, slot) + (f"?{asked}" if asked else ""))


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
            "lead": _("%(receiver)s, slot %(slot)s") % {"receiver": receiver, "slot": slot},
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
        initial={"serial": request.GET.get("serial", "")[:40]},
    )
    waiting = waiting_in_slot(request, receiver, slot)
    propose_since(form, request, receiver, slot, waiting)
    context = _context(request, form, receiver, slot, title=_("Register a transmitter"), button=_("Register it"))
    other = next_free_slot(request, receiver, slot)
    context["next_free"] = other if other != slot else None
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
            entered_at=timezone.now(),
        )  # fmt: skip
    except Refused as why:
        return refusal(request, SETTINGS_FORM, context, why)
    _warn(request, found)
    named = {"transmitter": row.transmitter or _("A transmitter nobody knows"), "slot": slot}
    said_with_undo(request, _("%(transmitter)s stands in slot %(slot)s.") % named, row)
    if (event := waiting.order_by("-pk").first()) is not None and request.user.is_office:
        return redirect("devices:set_aside_detail", event.pk)
    return redirect(here(request, "slot_detail", row.receiver_id, row.slot) + "?done=registered")


def _is_set_on_it(before: Settings, after: Settings) -> bool:
    """Whether something changes that is set on the transmitter itself, so that it must be registered again."""
    return any(getattr(before, name) != getattr(after, name) for name in REGISTER_AGAIN_FIELDS)


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
    title = _("Change slot %(slot)s") % {"slot": slot}
    context = _context(request, form, receiver, slot, title=title, button=_("Save the change"))
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
    waited_before, settings_before = registration.register_again_since is not None, settings_of(registration)
    try:
        row = actions.change_slot(
            registration=registration, settings=settings, transmitter=transmitter, by=request.user,
            at=form.cleaned_data["at"], reason=form.cleaned_data["reason"], seen_version=form.seen_version,
            entered_at=timezone.now(),
        )  # fmt: skip
    except Refused as why:
        return refusal(request, SETTINGS_FORM, context, why)
    _warn(request, found)
    # A slot that waited before goes on waiting under another name; nobody touched its set-up for that.
    if row.register_again_since is not None and (not waited_before or _is_set_on_it(settings_before, settings)):
        messages.warning(request, _("The set-up on the transmitter changed: register it again at the receiver."))
    said_with_undo(request, _("Slot %(slot)s is changed.") % {"slot": slot}, row)
    return redirect(here(request, "slot_detail", row.receiver_id, row.slot))


def move_target(request: PersonRequest, asked: Any, receiver: Receiver, slot: int) -> MoveTargetForm:
    """The form of where to: this receiver first chosen, those of its own site before the customer's others."""
    receivers = (
        Receiver.objects.visible_to(request.user)
        .open()
        .filter(customer_id=receiver.customer_id)
        .select_related("site", "type", "customer")
        .order_by(Case(When(site=receiver.site_id, then=0), default=1), "site__name", "label", "pk")
    )
    return MoveTargetForm(
        asked, receivers=receivers, initial={"to_receiver": receiver.pk}, stands_in=(receiver.pk, slot),
        must_be_free=request.method != "POST",
    )  # fmt: skip


@audience("office", "technician")
def slot_move(request: PersonRequest, pk: int, slot: int) -> HttpResponse:
    """First step without a target: where to. Second step: the settings it has there."""
    receiver, registration = taken_slot_of(request, pk, slot)
    asked = request.POST if request.method == "POST" else request.GET if "to_slot" in request.GET else None
    target = move_target(request, asked, receiver, slot)
    title = _("Move slot %(slot)s") % {"slot": slot}
    context = _context(request, target, receiver, slot, title=title, button=_("Go on"))
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
        "lead": _("From %(receiver)s, slot %(slot)s to %(to_receiver)s, slot %(to_slot)s")
        % {"receiver": receiver, "slot": slot, "to_receiver": to_receiver, "to_slot": to_slot},
        "button": _("Move it"),
    }
    if request.method != "POST":
        return page(request, SETTINGS_FORM, context)
    if not form.is_valid():
        return refused(request, SETTINGS_FORM, context)
    try:
        row = actions.move_transmitter(
            registration=registration, to_receiver=to_receiver, to_slot=to_slot, settings=form.settings(),
            by=request.user, at=form.cleaned_data["at"], reason=form.cleaned_data["reason"],
            seen_version=form.seen_version, entered_at=timezone.now(),
        )  # fmt: skip
    except Refused as why:
        return refusal(request, SETTINGS_FORM, context, why)
    done = _("It stands in slot %(slot)s of %(receiver)s now. Register it there.")
    said_with_undo(request, done % {"slot": to_slot, "receiver": to_receiver}, row)
    return redirect(here(request, "slot_detail", row.receiver_id, row.slot))


@audience("office", "technician")
def slot_remove(request: PersonRequest, pk: int, slot: int) -> HttpResponse:
    receiver, registration = taken_slot_of(request, pk, slot)
    form = ReasonForm(request.POST or None, receiver=receiver)
    what = registration.transmitter or _("whatever stands there")
    title = _("Free slot %(slot)s") % {"slot": slot}
    context = _context(request, form, receiver, slot, title=title, button=_("Remove it"), danger=True)
    named = {"receiver": receiver, "slot": slot, "what": what, "label": registration.label}
    context["lead"] = _("%(receiver)s, slot %(slot)s: %(what)s, %(label)s. It can be put back.") % named
    if registration.duty == "life_safety":
        context["caution"] = _("A life-safety slot: tell the person in charge before it stands without a transmitter.")
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    try:
        actions.remove_transmitter(
            registration=registration, by=request.user, at=form.cleaned_data["at"],
            reason=form.cleaned_data["reason"], seen_version=form.seen_version, entered_at=timezone.now(),
        )  # fmt: skip
    except Refused as why:
        return refusal(request, FORM, context, why)
    done = _("Slot %(slot)s is spare now. You can put it back from its history.") % {"slot": slot}
    said_with_undo(request, done, registration)
    return redirect(here(request, "slot_detail", receiver.pk, slot))


@audience("office", "technician")
def slot_put_back(request: PersonRequest, pk: int, slot: int, registration_pk: int) -> HttpResponse:
    receiver = slot_of(request, pk, slot)[0]
    rows = Registration.objects.visible_to(request.user).filter(receiver=receiver, slot=slot, removed_at__isnull=False)
    registration = get_object_or_404(rows.select_related("transmitter", "receiver__site"), pk=registration_pk)
    form = ReasonForm(request.POST or None, receiver=receiver)
    what = registration.transmitter or _("what stood there")
    title = _("Put %(what)s back into slot %(slot)s") % {"what": what, "slot": slot}
    context = _context(request, form, receiver, slot, title=title, button=_("Put it back"))
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    try:
        row = actions.put_back(
            registration=registration, by=request.user, at=form.cleaned_data["at"],
            reason=form.cleaned_data["reason"], seen_version=form.seen_version, entered_at=timezone.now(),
        )  # fmt: skip
    except Refused as why:
        return refusal(request, FORM, context, why)
    said_with_undo(request, _("%(what)s stands in slot %(slot)s again.") % {"what": what, "slot": slot}, row)
    return redirect(here(request, "slot_detail", row.receiver_id, row.slot))


@audience("office", "technician")
@require_POST
def slot_registered(request: PersonRequest, pk: int, slot: int) -> HttpResponse:
    """Registered again: one button, no form to fill."""
    registration = taken_slot_of(request, pk, slot)[1]
    try:
        actions.mark_registered(registration=registration, by=request.user, at=timezone.now())
    except Refused as why:
        messages.error(request, str(why))
    else:
        said_with_undo(request, _("Slot %(slot)s is registered again. Walk-test it.") % {"slot": slot}, registration)
    return redirect(here(request, "slot_detail", pk, slot))


@audience("office", "technician")
def slot_again(request: PersonRequest, pk: int, slot: int) -> HttpResponse:
    """Somebody changed a jumper or a setting on the transmitter: it must be registered again."""
    receiver, registration = taken_slot_of(request, pk, slot)
    form = ReasonForm(request.POST or None, receiver=receiver)
    context = _context(request, form, receiver, slot, title=_("Must be registered again"), button=_("Save"))
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
    said_with_undo(request, _("Slot %(slot)s stands at “register again”.") % {"slot": slot}, registration)
    return redirect(here(request, "slot_detail", pk, slot))


@audience("office", "technician")
def slot_away(request: PersonRequest, pk: int, slot: int) -> HttpResponse:
    receiver, registration = taken_slot_of(request, pk, slot)
    today = timezone.now().astimezone(receiver.site.zone).date()
    form = AwayForm(request.POST or None, receiver=receiver, initial={"from_on": today})
    title = _("Slot %(slot)s: out of use or off the site") % {"slot": slot}
    context = _context(request, form, receiver, slot, title=title, button=_("Save"))
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
    said_with_undo(
        request,
        _("Slot %(slot)s is away, agreed with %(agreed_with)s.")
        % {"slot": slot, "agreed_with": cleaned["agreed_with"]},
        registration,
    )
    return redirect(here(request, "slot_detail", pk, slot))


@audience("office", "technician")
def slot_back(request: PersonRequest, pk: int, slot: int) -> HttpResponse:
    receiver, registration = taken_slot_of(request, pk, slot)
    rows = Away.objects.visible_to(request.user).filter(registration=registration, ended_on=None)
    away = get_object_or_404(rows.select_related("registration__receiver"))
    today = timezone.now().astimezone(receiver.site.zone).date()
    form = BackForm(request.POST or None, receiver=receiver, initial={"ended_on": today})
    title = _("Slot %(slot)s is back") % {"slot": slot}
    context = _context(request, form, receiver, slot, title=title, button=_("Save"))
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
    said_with_undo(request, _("Slot %(slot)s is back.") % {"slot": slot}, registration)
    return redirect(here(request, "slot_detail", pk, slot))
