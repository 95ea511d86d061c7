"""Pages of swaps: another transmitter, another receiver, and how far the new receiver is proved again."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.contrib import messages
from django.db.models import Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST, require_safe

from company.access import PersonRequest, audience
from company.errors import Refused
from company.htmx import page, refused
from company.models import ChangeRow
from company.toasts import said
from devices.actions import swaps_receiver, swaps_transmitter
from devices.actions.slots import mark_registered
from devices.forms.swaps import ReceiverSwapForm, TransmitterSwapForm, WorksAgainForm
from devices.models import BatteryType, Output, Receiver, ReceiverType, Registration, Transmitter, TransmitterType
from devices.rules.legality import contact_misfits
from devices.rules.slot_life import never_stood
from devices.rules.words import CONTACT_WORDS
from devices.views.receivers import frame, here, receiver_for, refusal

TRANSMITTER = "devices/swaps/transmitter.html"
RECEIVER = "devices/swaps/receiver.html"
PROGRESS = "devices/swaps/progress.html"


def _undo_url(request: HttpRequest, verb: str, kind: str, pk: int) -> str:
    change = ChangeRow.objects.visible_to(request.user).about(kind, pk).filter(verb=verb, by=request.user).first()
    return reverse("company:change_undo", args=[change.pk]) if change is not None else ""


@audience("office", "technician")
def transmitter_swap(request: PersonRequest, pk: int) -> HttpResponse:
    """Another unit in every slot of a transmitter."""
    rows = Transmitter.objects.visible_to(request.user).select_related("type", "customer")
    transmitter = get_object_or_404(rows, pk=pk)
    slots = list(
        Registration.objects.visible_to(request.user)
        .open()
        .filter(transmitter=transmitter)
        .select_related("receiver__site")
        .order_by("receiver_id", "slot")
    )
    receivers = list({row.receiver_id: row.receiver for row in slots}.values())
    kept = Q(retired_at=None) | Q(pk=transmitter.type_id)
    form = TransmitterSwapForm(
        request.POST or None, transmitter=transmitter, receivers=receivers,
        transmitters=Transmitter.objects.visible_to(request.user),
        types=TransmitterType.objects.visible_to(request.user).filter(kept).order_by("label", "pk"),
        cells=BatteryType.objects.visible_to(request.user).offered(),
    )  # fmt: skip
    back = here(request, "transmitter_detail", pk)
    context = frame(request) | {
        "form": form, "transmitter": transmitter, "slots": slots, "back": back,
        "receiver": receivers[0] if receivers else None, "title": _("Swap %(name)s") % {"name": transmitter.serial},
        "lead": _("Another unit takes its place; settings, name, pins and history of the slot stay."),
    }  # fmt: skip
    if request.method != "POST":
        return page(request, TRANSMITTER, context)
    if not form.is_valid():
        return refused(request, TRANSMITTER, context)
    try:
        begun = swaps_transmitter.swap_transmitter(
            transmitter=transmitter, new=form.unit(), by=request.user, at=form.cleaned_data["at"],
            reason=form.cleaned_data["reason"], seen_versions=form.seen_versions, entered_at=timezone.now(),
        )  # fmt: skip
    except Refused as why:
        return refusal(request, TRANSMITTER, context, why)
    _warn_of_contacts(request, begun)
    row = begun[0]
    n = len(begun)
    done = ngettext(
        "%(unit)s stands in %(n)s slot now. Register it again at the receiver.",
        "%(unit)s stands in %(n)s slots now. Register it again at the receiver.",
        n,
    )
    said(
        request, done % {"unit": row.transmitter, "n": n},
        undo_url=_undo_url(request, "swap_transmitter", "registration", row.pk),
    )  # fmt: skip
    return redirect(here(request, "slot_detail", row.receiver_id, row.slot))


def _warn_of_contacts(request: PersonRequest, rows: Sequence[Registration]) -> None:
    """The settings went along with the slot; a unit of another kind may have another contact."""
    for row in rows:
        kind = row.transmitter.type if row.transmitter is not None else None
        if kind is not None and contact_misfits(row.contact, kind.contact):
            named = {"slot": row.slot, "contact": CONTACT_WORDS[row.contact], "kind": kind.label}
            text = _("Slot %(slot)s still says “%(contact)s”, which does not go with %(kind)s: change the slot.")
            messages.warning(request, text % named)


@audience("office", "technician")
def receiver_swap(request: PersonRequest, pk: int) -> HttpResponse:
    """Another unit in a receiver's place."""
    receiver = receiver_for(request, pk)
    kept = Q(retired_at=None) | Q(pk=receiver.type_id)
    types = ReceiverType.objects.visible_to(request.user).filter(kept).order_by("label", "pk")
    form = ReceiverSwapForm(request.POST or None, receiver=receiver, types=types)
    successor = Receiver.objects.visible_to(request.user).filter(replaces=receiver).order_by("-pk").first()
    context = frame(request) | {
        "form": form, "receiver": receiver, "site": receiver.site, "back": here(request, "slot_map", pk),
        "n_used": Registration.objects.visible_to(request.user).open().filter(receiver=receiver).count(),
        "outputs": Output.objects.visible_to(request.user).filter(receiver=receiver).in_use().order_by("number"),
        "successor": successor if receiver.removed_at is not None else None, "title": _("Swap %(name)s") % {"name": receiver.label},
        "lead": str(receiver),
    }  # fmt: skip
    if request.method != "POST":
        return page(request, RECEIVER, context)
    if not form.is_valid():
        return refused(request, RECEIVER, context)
    try:
        unit = swaps_receiver.swap_receiver(
            receiver=receiver, new=form.unit(), by=request.user, at=form.cleaned_data["at"],
            reason=form.cleaned_data["reason"], seen_version=form.seen_version, entered_at=timezone.now(),
        )  # fmt: skip
    except Refused as why:
        context["reasons"] = getattr(why, "reasons", [])
        return refusal(request, RECEIVER, context, why)
    said(
        request,
        _("%(receiver)s is another unit now. Register its slots again and test its outputs.") % {"receiver": unit.label},
        undo_url=_undo_url(request, "swap_receiver", "receiver", unit.pk),
    )  # fmt: skip
    return redirect(here(request, "receiver_progress", unit.pk))


def _hangs_instead(request: PersonRequest, receiver: Receiver) -> Receiver | None:
    """The unit that hangs where this one hung: along the swaps, before it and after it."""
    family = {receiver.pk} | ({receiver.replaces_id} if receiver.replaces_id else set())
    seen = Receiver.objects.visible_to(request.user).select_related("site", "customer").order_by("-pk")
    while True:
        rows = list(seen.filter(Q(replaces__in=family) | Q(pk__in=family)))
        if hung := next((row for row in rows if row.removed_at is None), None):
            return hung
        known = {row.pk for row in rows} | {row.replaces_id for row in rows if row.replaces_id}
        if known <= family:
            return None
        family |= known


def _gone(request: PersonRequest, receiver: Receiver) -> HttpResponse | None:
    """Refuse to prove anything on a unit that was taken down."""
    if receiver.removed_at is None:
        return None
    text = _("This unit hangs there no more, so nothing can be proved on it. Go on at the unit that hangs there now.")
    return refused(request, PROGRESS, _progress(request, receiver, refused=text))


def _progress(request: PersonRequest, receiver: Receiver, **rest: Any) -> dict[str, Any]:
    slots = Registration.objects.visible_to(request.user).open().filter(receiver=receiver)
    outputs = Output.objects.visible_to(request.user).filter(receiver=receiver)
    if receiver.removed_at is not None:
        rest |= {"hangs": _hangs_instead(request, receiver)}
        outputs = outputs.none()
    waiting = slots.filter(register_again_since__isnull=False).select_related("transmitter__type").order_by("slot")
    return (
        frame(request)
        | {
            "receiver": receiver, "site": receiver.site, "never_hung": never_stood(receiver.created_at, receiver.removed_at),
            "progress": swaps_receiver.progress_of(slots, outputs),
            "waiting": waiting, "outputs": outputs.filter(test_again_since__isnull=False).order_by("number"),
            "form": WorksAgainForm(initial={"version": receiver.version, "seen_by": request.user.name}),
        }
        | rest
    )  # fmt: skip


@audience("office", "technician")
@require_safe
def receiver_progress(request: PersonRequest, pk: int) -> HttpResponse:
    """What is proved again and what still waits."""
    return page(request, PROGRESS, _progress(request, receiver_for(request, pk)))


@audience("office", "technician")
@require_POST
def receiver_registered(request: PersonRequest, pk: int, slot: int) -> HttpResponse:
    """A slot is registered again; back to what still waits."""
    receiver = receiver_for(request, pk)
    if (gone := _gone(request, receiver)) is not None:
        return gone
    rows = Registration.objects.visible_to(request.user).open().filter(receiver=receiver, slot=slot)
    registration = get_object_or_404(rows.select_related("receiver"))
    try:
        mark_registered(registration=registration, by=request.user, at=timezone.now())
    except Refused as why:
        return refused(request, PROGRESS, _progress(request, receiver, refused=str(why)))
    said(
        request, _("Slot %(slot)s is registered again.") % {"slot": slot},
        undo_url=_undo_url(request, "mark_registered", "registration", registration.pk),
    )  # fmt: skip
    return redirect(here(request, "receiver_progress", pk))


@audience("office", "technician")
@require_POST
def output_works(request: PersonRequest, pk: int, number: int) -> HttpResponse:
    """The end effect of an output was seen again."""
    receiver = receiver_for(request, pk)
    output = get_object_or_404(Output.objects.visible_to(request.user), receiver=receiver, number=number)
    if (gone := _gone(request, receiver)) is not None:
        return gone
    form = WorksAgainForm(request.POST)
    if not form.is_valid():
        return refused(request, PROGRESS, _progress(request, receiver, form=form, refused_output=number))
    now = timezone.now()
    try:
        swaps_receiver.output_works_again(
            output=output, seen_by=form.cleaned_data["seen_by"], by=request.user, at=now,
            seen_on=now.astimezone(receiver.site.zone).date(),
        )  # fmt: skip
    except Refused as why:
        return refused(request, PROGRESS, _progress(request, receiver, refused=str(why)))
    said(request, _("Output %(number)s is seen to work again.") % {"number": number})
    return redirect(here(request, "receiver_progress", pk))
