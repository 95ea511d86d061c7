"""Pages that add, copy, change and retire the firm's own catalogue rows."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from company.access import PersonRequest, audience
from company.errors import Refused
from company.forms import ReasonForm
from company.htmx import page, refused
from company.models import ChangeRow
from company.toasts import said
from devices.actions import own_types as actions
from devices.forms.catalogue import FORMS, TypeForm
from devices.models import BatteryType
from devices.models.catalogue import CatalogueRow, Origin
from devices.querysets.catalogue import transmitters_on
from devices.rules.words import count_words

FORM = "devices/catalogue/form.html"
ADDRESS = {"batterytype": "battery_type", "transmittertype": "transmitter_type", "receivertype": "receiver_type"}
NOUN = {"batterytype": "battery type", "transmittertype": "transmitter type", "receivertype": "receiver type"}
STARTS: dict[str, dict[str, Any]] = {
    # What a new form begins with: figures that most have; the ones that differ are asked.
    "batterytype": {"nominal_v": 3.0, "shelf_life_years": 10, "self_discharge_per_year": 0.015, "share_0c": 0.85,
                    "share_m10c": 0.7, "share_m20c": 0.5, "share_m40c": 0.2},
    "transmittertype": {"usable_share": 0.8, "cells_series": 1, "cells_parallel": 1, "default_interval_s": 3600,
                        "default_window_s": 14400, "n_inputs": 1, "unit_life_years": 0},
    "receivertype": {"n_slots": 16, "n_outputs": 4, "supply_v_nominal": 12.0, "supply_v_min": 10.5,
                     "windows_s": [3600, 14400, 86400], "default_window_s": 14400, "latched_faults": ["low_battery", "tamper"],
                     "behaviours": ["follower", "momentary", "latching"], "default_behaviour": "follower"},
}  # fmt: skip


def address(row: Any, deed: str = "") -> str:
    """Address of a type's page, or of a deed on it: "edit", "retire", "offer"."""
    name = ADDRESS[row._meta.model_name] + (f"_{deed}" if deed else "")
    return reverse(f"devices:{name}", args=[row.pk])


def new_address(row: Any) -> str:
    """Address of the page that adds a type of the same kind."""
    return reverse(f"devices:{ADDRESS[row._meta.model_name]}_new")


def _type(request: PersonRequest, kind: str, pk: Any) -> Any:
    model: Any = actions.MODELS[kind]
    return get_object_or_404(model.objects.visible_to(request.user), pk=pk)


def _form(request: PersonRequest, kind: str, instance: Any, base: Any, initial: dict[str, Any]) -> TypeForm:
    extra: dict[str, Any] = {}
    if kind == "transmittertype":
        kept = BatteryType.objects.visible_to(request.user)
        wanted = kept.filter(pk=base.battery_type_id) if base else kept.none()
        extra["batteries"] = (kept.filter(retired_at=None) | wanted).order_by("iec_code", "label", "pk")
    return FORMS[kind](request.POST or None, instance=instance, base=base, initial=initial, **extra)


def _context(kind: str, form: TypeForm, title: str, lead: str, back: str) -> dict[str, Any]:
    return {
        "form": form, "sections": form.sections(), "title": title, "lead": lead, "back": back, "section": "receivers",
        "noun": NOUN[kind],
    }  # fmt: skip


@audience("office")
def type_new(request: PersonRequest, kind: str) -> HttpResponse:
    """Add a type of our own, empty or as a copy of the type that `from` names."""
    model: Any = actions.MODELS[kind]
    asked = request.GET.get("from", "")
    base: CatalogueRow | None = _type(request, kind, asked) if asked.isascii() and asked.isdigit() else None
    initial = dict(STARTS[kind])
    if base:
        initial = {name: getattr(base, name) for name in FORMS[kind]._meta.fields or ()}
        initial["label"] = _("%(type)s, our own") % {"type": base.label}
    form = _form(request, kind, model(), base, initial)
    lead = (
        _("A copy of “%(type)s”: change what differs. Figures left as they are keep their source.")
        % {"type": base.label}
        if base
        else _(
            "Only what you really install. Every figure is asked where it comes from, so that a due date can be explained."
        )
    )
    context = _context(
        kind,
        form,
        _("Our own %(noun)s") % {"noun": NOUN[kind]},
        lead,
        address(base) if base else reverse("devices:catalogue"),
    )
    context["others"] = () if base else model.objects.visible_to(request.user).offered()
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    row = form.save(commit=False)
    row.code = form.cleaned_data["code"]
    try:
        actions.add_type(row=row, by=request.user, at=timezone.now())
    except Refused as why:
        return refused(request, FORM, context | {"refused": why.message})
    _tell(request, row, _("%(type)s is in the catalogue.") % {"type": row.label})
    return redirect(address(row))


@audience("office")
def type_edit(request: PersonRequest, kind: str, pk: int) -> HttpResponse:
    """Change a type of our own. Figures that dates rest on are changed only after a question that says how many they are."""
    row = _type(request, kind, pk)
    if row.origin != Origin.OWN:
        messages.warning(request, _("This type comes with the program. Make our own version of it to change a figure."))
        return redirect(address(row))
    stamp, n_used = actions.seen(row), transmitters_on(row)
    form = _form(request, kind, row, _type(request, kind, pk), {"seen": stamp})
    context = _context(kind, form, f"Change {row.label}", "", address(row)) | {"n_used": n_used}
    if request.method != "POST":
        return page(request, FORM, context)
    if not form.is_valid():
        return refused(request, FORM, context)
    try:
        actions.change_type(
            row=form.save(commit=False), by=request.user, at=timezone.now(), reason=form.cleaned_data["reason"],
            seen_as=form.cleaned_data["seen"], is_sure=_is_sure(form),
        )  # fmt: skip
    except actions.DatesWouldMove as why:
        return _ask(request, form, context, why.figures)
    except Refused as why:
        return refused(request, FORM, context | {"refused": why.message})
    _tell(request, row, _("%(type)s is saved.") % {"type": row.label})
    return redirect(address(row))


def _is_sure(form: TypeForm) -> bool:
    """Whether the question was answered for exactly these figures: other ones typed meanwhile are asked again."""
    return bool(form.cleaned_data["sure"]) and form.cleaned_data["sure"] == actions.seen(form.instance)


def _ask(request: PersonRequest, form: TypeForm, context: dict[str, Any], figures: list[str]) -> HttpResponse:
    """The form again with the question. It is no fault, so the answer is an ordinary page."""
    data = request.POST.copy()
    data["sure"] = actions.seen(form.instance)
    form.data = data
    labels = [str(form.fields[name].label or name) for name in figures if name in form.fields]
    things = "receiver" if form.instance._meta.model_name == "receivertype" else "transmitter"
    asked = {"moving": labels, "n_used_words": count_words(context["n_used"], things)}
    return page(request, FORM, context | asked)


@audience("office")
def type_retire(request: PersonRequest, kind: str, pk: int) -> HttpResponse:
    row = _type(request, kind, pk)
    n_used = transmitters_on(row)
    if kind == "receivertype":
        keeping = ngettext("%(n)s receiver in use keeps it.", "%(n)s receivers in use keep it.", n_used)
    else:
        keeping = ngettext("%(n)s transmitter in use keeps it.", "%(n)s transmitters in use keep it.", n_used)
    lead = _("It is offered for nothing new any more.") + " " + keeping % {"n": n_used}
    words = {
        "title": _("Retire %(type)s") % {"type": row.label},
        "lead": lead,
        "button": _("Retire it"),
        "done": _("%(type)s is not offered any more."),
    }
    return _turn(request, row, actions.retire_type, words)


@audience("office")
def type_offer(request: PersonRequest, kind: str, pk: int) -> HttpResponse:
    row = _type(request, kind, pk)
    words = {
        "title": _("Offer %(type)s again") % {"type": row.label},
        "lead": "",
        "button": _("Offer it again"),
        "done": _("%(type)s is offered again."),
    }
    return _turn(request, row, actions.offer_type, words)


def _turn(request: PersonRequest, row: Any, action: Any, words: dict[str, str]) -> HttpResponse:
    if request.method != "POST" and row.origin != Origin.OWN:
        messages.warning(request, _("This type comes with the program: it is always offered, and cannot be retired."))
        return redirect(address(row))
    form = ReasonForm(request.POST or None)
    context = words | {"form": form, "back": address(row), "section": "receivers"}
    if request.method != "POST":
        return page(request, "parts/form_page.html", context)
    if not form.is_valid():
        return refused(request, "parts/form_page.html", context)
    try:
        action(row=row, by=request.user, at=timezone.now(), reason=form.cleaned_data["reason"])
    except Refused as why:
        return refused(request, "parts/form_page.html", context | {"refused": why.message})
    _tell(request, row, words["done"] % {"type": row.label})
    return redirect(address(row))


def _tell(request: PersonRequest, row: Any, text: str) -> None:
    """Say what was done, with a button that takes it back."""
    change = ChangeRow.objects.visible_to(request.user).about(row._meta.model_name, row.pk).first()
    said(request, text, undo_url=reverse("company:change_undo", args=[change.pk]) if change else "")


KINDS = (
    ("batteries", "batterytype", "battery_type"), ("transmitters", "transmittertype", "transmitter_type"),
    ("receivers", "receivertype", "receiver_type"),
)  # fmt: skip
"""First part of the address, kind, first part of the address's name."""
DEEDS = (
    ("new/", type_new, "new"), ("<int:pk>/edit/", type_edit, "edit"), ("<int:pk>/retire/", type_retire, "retire"),
    ("<int:pk>/offer/", type_offer, "offer"),
)  # fmt: skip
