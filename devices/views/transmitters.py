"""Cells of one transmitter in and out, and how ended ones ended; its whole life stands in `transmitter_page`."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.utils.translation import gettext

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from devices.actions import batteries as actions
from devices.actions.fitting_corrections import correct_end
from devices.forms import BatteryForm, CorrectEndForm, TakeOutForm
from devices.models import BatteryType, Fitting, FittingEnd, Receiver, Registration, Transmitter
from devices.signals import cells_fitted_by_hand
from devices.views.receivers import FORM, frame, here, refusal
from devices.views.undo_offer import said_with_undo

CORRECT_END = "devices/transmitters/end.html"


def transmitter_for(request: PersonRequest, pk: int) -> tuple[Transmitter, Registration | None, Receiver | None]:
    """The transmitter, the first slot it stands in now, and that slot's receiver."""
    transmitter = get_object_or_404(
        Transmitter.objects.visible_to(request.user).select_related("type__battery_type", "customer"), pk=pk
    )
    registration = (
        Registration.objects.visible_to(request.user)
        .open()
        .filter(transmitter=transmitter)
        .select_related("receiver__site", "receiver__type", "receiver__customer")
        .order_by("pk")
        .first()
    )
    return transmitter, registration, registration.receiver if registration else None


def back_to(request: PersonRequest, transmitter: Transmitter, registration: Registration | None) -> str:
    """The slot it stands in, else its own page."""
    if registration is None:
        return here(request, "transmitter_detail", transmitter.pk)
    return here(request, "slot_detail", registration.receiver_id, registration.slot)


@audience("office", "technician")
def battery_fit(request: PersonRequest, pk: int) -> HttpResponse:
    transmitter, registration, receiver = transmitter_for(request, pk)
    has_cells = Fitting.objects.visible_to(request.user).open().filter(transmitter=transmitter).exists()
    form = BatteryForm(
        request.POST or None,
        receiver=receiver,
        transmitter=transmitter,
        types=BatteryType.objects.visible_to(request.user).offered(),
        has_cells=has_cells,
    )
    place = f", {registration.label}" if registration else ""
    context = frame(request) | {
        "form": form,
        "title": gettext("Change the cells") if has_cells else gettext("Record cells"),
        "lead": f"{transmitter.serial}{place}",
        "button": gettext("Save"),
        "back": back_to(request, transmitter, registration),
    }
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    cleaned = form.cleaned_data
    try:
        fitting = actions.fit_battery(
            transmitter=transmitter, battery_type=cleaned["battery_type"], by=request.user, at=cleaned["at"],
            n_cells=cleaned["n_cells"], lot=cleaned["lot"], made_on=cleaned["made_on"],
            is_age_known=not cleaned["is_age_unknown"], reason=cleaned["reason"], receiver=receiver,
            seen_version=form.seen_version if receiver else None, **form.end_facts(cleaned["at"]),
        )  # fmt: skip
    except Refused as why:
        return refusal(request, FORM, context, why)
    wanted = transmitter.type.battery_type if transmitter.type else None
    if wanted and cleaned["battery_type"] and cleaned["battery_type"] != wanted:
        messages.warning(
            request,
            gettext("This type takes %(iec_code)s; you recorded %(given)s.")
            % {"iec_code": wanted.iec_code, "given": cleaned["battery_type"].iec_code},
        )
    for _, words in cells_fitted_by_hand.send_robust(sender=Fitting, fitting=fitting, user=request.user):
        for sentence in words if isinstance(words, list) else ():
            messages.warning(request, sentence)
    said_with_undo(request, gettext("The cells are recorded."), fitting)
    return redirect(back_to(request, transmitter, registration))


@audience("office", "technician")
def battery_remove(request: PersonRequest, pk: int) -> HttpResponse:
    transmitter, registration, receiver = transmitter_for(request, pk)
    form = TakeOutForm(request.POST or None, receiver=receiver)
    context = frame(request) | {
        "form": form, "title": gettext("Take the cells out"), "lead": transmitter.serial, "button": gettext("Take them out"),
        "danger": True, "back": back_to(request, transmitter, registration),
    }  # fmt: skip
    if registration is not None and registration.duty == "life_safety":
        context["caution"] = gettext("A life-safety slot: tell the person in charge before it stands without cells.")
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    cleaned = form.cleaned_data
    try:
        actions.remove_battery(
            transmitter=transmitter, by=request.user, at=cleaned["at"], reason=cleaned["reason"], receiver=receiver,
            seen_version=form.seen_version if receiver else None, **form.end_facts(cleaned["at"]),
        )  # fmt: skip
    except Refused as why:
        return refusal(request, FORM, context, why)
    messages.success(
        request,
        gettext("%(serial)s holds no cells now (%(time)s).")
        % {"serial": transmitter.serial, "time": f"{timezone.localtime():%H:%M}"},
    )
    return redirect(back_to(request, transmitter, registration))


@audience("office")
def battery_end(request: PersonRequest, pk: int) -> HttpResponse:
    """Correct how a set of cells ended; what was said before stays on the page."""
    ended = Fitting.objects.visible_to(request.user).filter(removed_at__isnull=False)
    fitting = get_object_or_404(ended.select_related("battery_type", "transmitter"), pk=pk)
    _, registration, receiver = transmitter_for(request, fitting.transmitter_id)
    said = list(FittingEnd.objects.visible_to(request.user).filter(fitting=fitting).newest_first())
    end = next((row for row in said if row.taken_back_at is None), None)
    form = CorrectEndForm(request.POST or None, receiver=receiver, fitting=fitting, end=end)
    context = frame(request) | {
        "form": form, "fitting": fitting, "said": said, "end": end, "zone": form.zone, "receiver": receiver,
        "registration": registration, "back": here(request, "transmitter_detail", fitting.transmitter_id),
    }  # fmt: skip
    if request.method != "POST":
        return page(request, CORRECT_END, context)
    if not form.is_valid():
        return refused(request, CORRECT_END, context)
    try:
        correct_end(fitting=fitting, by=request.user, at=timezone.now(), **form.corrected())
    except Refused as why:
        return refusal(request, CORRECT_END, context, why)
    messages.success(
        request,
        gettext("Corrected. What was said before stays on record; due dates that it moves are worked out anew."),
    )
    return redirect(context["back"])
