"""Pages of the catalogue: every type with its figures, and where each figure comes from."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.utils.translation import gettext, gettext_lazy
from django.views.decorators.http import require_safe

from company.access import PersonRequest, audience
from company.htmx import page
from company.lists import ordered, page_of
from company.models import ChangeRow
from devices.models import BatteryType, Fault, Receiver, ReceiverType, Registration, TransmitterType
from devices.querysets.catalogue import places_of, transmitters_on
from devices.rules.words import BEHAVIOUR_WORDS, DUTY_WORDS, count_words, list_words, span_words
from devices.views.own_types import address, new_address
from devices.views.receivers import frame

NO_SOURCE = gettext_lazy("no source recorded")
SHOWN = (
    ("", gettext_lazy("What is offered")),
    ("own", gettext_lazy("Our own")),
    ("retired", gettext_lazy("No longer offered")),
    ("all", gettext_lazy("All")),
)
TABLES: tuple[tuple[str, Any, dict[str, str]], ...] = (
    ("transmitters", TransmitterType, {"t-label": "label", "t-cells": "battery_type__iec_code", "t-interval": "default_interval_s",
                                       "t-used": "n_used"}),
    ("receivers", ReceiverType, {"r-slots": "n_slots", "r-label": "label", "r-used": "n_used"}),
    ("batteries", BatteryType, {"b-code": "iec_code", "b-label": "label", "b-charge": "capacity_mah", "b-used": "n_used"}),
)  # fmt: skip
"""Table, model, words for the order → column; the first is the order it has by itself."""
USES = {
    "batterytype": ("set of cells", "sets of cells"), "transmittertype": ("transmitter", "transmitters"),
    "receivertype": ("receiver", "receivers"),
}  # fmt: skip

Figures = tuple[tuple[str, Any, str], ...]

# Figure, what it is called, its unit. The order is that of the page.
BATTERY_FIGURES = (
    ("iec_code", gettext_lazy("IEC code"), ""), ("ansi_code", gettext_lazy("ANSI code"), ""), ("chemistry", gettext_lazy("Chemistry"), ""),
    ("nominal_v", gettext_lazy("Nominal voltage"), "V"), ("capacity_mah", gettext_lazy("Capacity"), "mAh"),
    ("self_discharge_per_year", gettext_lazy("Self-discharge at 20 °C"), "a year"),
    ("shelf_life_years", gettext_lazy("Shelf life"), "years"), ("share_0c", gettext_lazy("Usable share at 0 °C"), "share"),
    ("share_m10c", gettext_lazy("Usable share at −10 °C"), "share"), ("share_m20c", gettext_lazy("Usable share at −20 °C"), "share"),
    ("share_m40c", gettext_lazy("Usable share at −40 °C"), "share"),
)  # fmt: skip
TRANSMITTER_FIGURES = (
    ("battery_type", gettext_lazy("Battery"), ""), ("cells_series", gettext_lazy("Cells in series"), ""), ("cells_parallel", gettext_lazy("Cells in parallel"), ""),
    ("usable_share", gettext_lazy("Usable share of the charge"), "share"), ("sleep_ua", gettext_lazy("Draws asleep"), "µA"),
    ("checkin_uas", gettext_lazy("Charge of one check-in"), "µA·s"), ("activation_uah", gettext_lazy("Charge of one activation"), "µAh"),
    ("typical_activations_per_day", gettext_lazy("Activations a day, typical"), ""), ("default_interval_s", gettext_lazy("Checks in every"), "span"),
    ("default_window_s", gettext_lazy("Supervision window it comes with"), "span"), ("default_duty", gettext_lazy("Duty class it comes with"), "duty"),
    ("n_inputs", gettext_lazy("Inputs"), ""), ("contact", gettext_lazy("Contact"), ""), ("unit_life_years", gettext_lazy("End of life of the whole unit"), "years"),
    ("welded_cell", gettext_lazy("Cell is welded in"), "yes"), ("is_portable", gettext_lazy("Leaves the site"), "yes"),
)  # fmt: skip
RECEIVER_FIGURES = (
    ("n_slots", gettext_lazy("Slots"), ""), ("n_outputs", gettext_lazy("Outputs"), ""), ("supply_v_nominal", gettext_lazy("Supply"), "V"),
    ("supply_v_min", gettext_lazy("Least supply at its terminals"), "V"), ("supply_ma", gettext_lazy("Needs"), "mA"),
    ("windows_s", gettext_lazy("Windows it can be set to"), "spans"), ("default_window_s", gettext_lazy("Window it comes with"), "span"),
    ("can_switch_supervision_off", gettext_lazy("Supervision can be switched off"), "yes"), ("behaviours", gettext_lazy("Output behaviours"), "behaviours"),
    ("latched_faults", gettext_lazy("Stays until a person clears it"), "faults"),
    ("momentary_min_s", gettext_lazy("Shortest set time"), "s"), ("momentary_max_s", gettext_lazy("Longest set time"), "s"),
    ("momentary_default_s", gettext_lazy("Set time it comes with"), "s"),
    ("has_standby_battery", gettext_lazy("Standby battery"), "yes"), ("standby_life_years", gettext_lazy("Life of the standby battery"), "years"),
)  # fmt: skip


def _shown(value: Any, unit: str) -> str:
    if value is None or value == "":
        return "none"
    if unit in ("years", "s") and not value:
        return "none"
    if unit in ("share", "a year"):
        return f"{100 * value:.3g} %" + (" a year" if unit == "a year" else "")
    if unit == "span":
        return span_words(int(value)) if value else "none"
    if unit == "spans":
        return list_words([span_words(int(each)) for each in sorted(value) if each]) or "none"
    if unit == "behaviours":
        return list_words([BEHAVIOUR_WORDS.get(each, each) for each in value])
    if unit == "faults":
        return list_words([str(Fault.Kind(each).label) for each in value if each in Fault.Kind]) or "none"
    if unit == "duty":
        return DUTY_WORDS.get(value, str(value))
    if unit == "yes":
        return "yes" if value else "no"
    text = f"{value:g}" if isinstance(value, float) else str(value).replace("_", " ")
    return f"{text} {unit}".strip()


@audience("office", "technician")
@require_safe
def catalogue(request: PersonRequest) -> HttpResponse:
    words, show = request.GET.get("q", "").strip(), request.GET.get("show", "")
    tables = {}
    for name, model, columns in TABLES:
        rows = model.objects.visible_to(request.user).matching(words).showing(show).with_use()
        rows = rows.select_related("battery_type") if name == "transmitters" else rows
        tables[name], _ = ordered(rows, request, columns, default=next(iter(columns)))
    context = frame(request) | tables | {"q": words, "show": show, "shows": SHOWN}
    context["n_found"] = sum(len(rows) for rows in tables.values())
    return page(request, "devices/catalogue/list.html", context, part="rows")


@audience("office", "technician")
@require_safe
def battery_type(request: PersonRequest, pk: int) -> HttpResponse:
    return _type_page(request, pk, BatteryType, BATTERY_FIGURES, gettext("Battery type"))


@audience("office", "technician")
@require_safe
def transmitter_type(request: PersonRequest, pk: int) -> HttpResponse:
    return _type_page(request, pk, TransmitterType, TRANSMITTER_FIGURES, gettext("Transmitter type"))


@audience("office", "technician")
@require_safe
def receiver_type(request: PersonRequest, pk: int) -> HttpResponse:
    return _type_page(request, pk, ReceiverType, RECEIVER_FIGURES, gettext("Receiver type"))


def _type_page(request: PersonRequest, pk: int, model: Any, figures: Figures, noun: str) -> HttpResponse:
    row = get_object_or_404(model.objects.visible_to(request.user).with_use(), pk=pk)
    names = {name for name, _, _ in figures}
    things: Any = Receiver if model is ReceiverType else Registration
    context = frame(request) | {
        "type": row,
        "noun": noun,
        "is_receiver": model is ReceiverType,
        "is_battery": model is BatteryType,
        "figures": [
            (words, _shown(getattr(row, name), unit), row.sources.get(name, NO_SOURCE)) for name, words, unit in figures
        ],
        "other_sources": [(name, source) for name, source in row.sources.items() if name not in names],
        "places": page_of(places_of(row, things.objects.visible_to(request.user)), request),
        "n_used_words": count_words(row.n_used, *USES[row._meta.model_name]),
        "n_used_elsewhere": 0 if model is ReceiverType else transmitters_on(row),
        "takers": _takers(request, row) if model is BatteryType else (),
    }
    if request.user.is_office:
        context["edit_url"], context["copy_url"] = address(row, "edit"), f"{new_address(row)}?from={row.pk}"
        context["turn_url"] = address(row, "offer" if row.retired_at else "retire")
        context["changes"] = ChangeRow.objects.visible_to(request.user).about(row._meta.model_name, row.pk)[:30]
    return page(request, "devices/catalogue/detail.html", context)


def _takers(request: PersonRequest, row: BatteryType) -> Any:
    """Transmitter types that take these cells."""
    types = TransmitterType.objects.visible_to(request.user).filter(battery_type=row)
    return types.with_use().order_by("retired_at", "label", "pk")
