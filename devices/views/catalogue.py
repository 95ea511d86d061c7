"""Pages of the catalogue: every type with its figures, and where each figure comes from."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_safe

from company.access import PersonRequest, audience
from company.htmx import page
from company.lists import ordered, page_of
from company.models import ChangeRow
from devices.models import BatteryType, Receiver, ReceiverType, Registration, TransmitterType
from devices.querysets.catalogue import places_of, transmitters_on
from devices.rules.words import BEHAVIOUR_WORDS, DUTY_WORDS, count_words, list_words, span_words
from devices.views.own_types import address, new_address
from devices.views.receivers import frame

NO_SOURCE = "no source recorded"
SHOWN = (("", "What is offered"), ("own", "Our own"), ("retired", "No longer offered"), ("all", "All"))
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

Figures = tuple[tuple[str, str, str], ...]

# Figure, what it is called, its unit. The order is that of the page.
BATTERY_FIGURES = (
    ("iec_code", "IEC code", ""), ("ansi_code", "ANSI code", ""), ("chemistry", "Chemistry", ""),
    ("nominal_v", "Nominal voltage", "V"), ("capacity_mah", "Capacity", "mAh"),
    ("self_discharge_per_year", "Self-discharge at 20 °C", "a year"),
    ("shelf_life_years", "Shelf life", "years"), ("share_0c", "Usable share at 0 °C", "share"),
    ("share_m10c", "Usable share at −10 °C", "share"), ("share_m20c", "Usable share at −20 °C", "share"),
    ("share_m40c", "Usable share at −40 °C", "share"),
)  # fmt: skip
TRANSMITTER_FIGURES = (
    ("battery_type", "Battery", ""), ("cells_series", "Cells in series", ""), ("cells_parallel", "Cells in parallel", ""),
    ("usable_share", "Usable share of the charge", "share"), ("sleep_ua", "Draws asleep", "µA"),
    ("checkin_uas", "Charge of one check-in", "µA·s"), ("activation_uah", "Charge of one activation", "µAh"),
    ("typical_activations_per_day", "Activations a day, typical", ""), ("default_interval_s", "Checks in every", "span"),
    ("default_window_s", "Supervision window it comes with", "span"), ("default_duty", "Duty class it comes with", "duty"),
    ("n_inputs", "Inputs", ""), ("contact", "Contact", ""), ("unit_life_years", "End of life of the whole unit", "years"),
    ("welded_cell", "Cell is welded in", "yes"), ("is_portable", "Leaves the site", "yes"),
)  # fmt: skip
RECEIVER_FIGURES = (
    ("n_slots", "Slots", ""), ("n_outputs", "Outputs", ""), ("supply_v_nominal", "Supply", "V"),
    ("supply_v_min", "Least supply at its terminals", "V"), ("supply_ma", "Needs", "mA"),
    ("windows_s", "Windows it can be set to", "spans"), ("default_window_s", "Window it comes with", "span"),
    ("can_switch_supervision_off", "Supervision can be switched off", "yes"), ("behaviours", "Output behaviours", "behaviours"),
    ("momentary_min_s", "Shortest set time", "s"), ("momentary_max_s", "Longest set time", "s"),
    ("momentary_default_s", "Set time it comes with", "s"),
    ("has_standby_battery", "Standby battery", "yes"), ("standby_life_years", "Life of the standby battery", "years"),
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
    return _type_page(request, pk, BatteryType, BATTERY_FIGURES, "Battery type")


@audience("office", "technician")
@require_safe
def transmitter_type(request: PersonRequest, pk: int) -> HttpResponse:
    return _type_page(request, pk, TransmitterType, TRANSMITTER_FIGURES, "Transmitter type")


@audience("office", "technician")
@require_safe
def receiver_type(request: PersonRequest, pk: int) -> HttpResponse:
    return _type_page(request, pk, ReceiverType, RECEIVER_FIGURES, "Receiver type")


def _type_page(request: PersonRequest, pk: int, model: Any, figures: Figures, noun: str) -> HttpResponse:
    row = get_object_or_404(model.objects.visible_to(request.user).with_use(), pk=pk)
    names = {name for name, _, _ in figures}
    things: Any = Receiver if model is ReceiverType else Registration
    context = frame(request) | {
        "type": row,
        "noun": noun,
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
