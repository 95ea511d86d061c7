"""Addresses of what is installed."""

from collections.abc import Callable

from django.http import HttpResponse
from django.urls import path

from devices import api
from devices.views import (
    again,
    areas,
    away,
    bulk,
    catalogue,
    exports,
    history,
    imports,
    loans,
    maps,
    own_types,
    pins,
    plans,
    receivers,
    slot_page,
    slots,
    swaps,
    transmitter_page,
    transmitters,
    workbooks,
)

SLOT = "receivers/<int:pk>/slots/<int:slot>/"

# What office and technician both use. The same view answers both; a technician's addresses all live under /tech/.
SHARED: list[tuple[str, Callable[..., HttpResponse], str]] = [
    ("receivers/<int:pk>/", maps.slot_map, "slot_map"),
    ("receivers/<int:pk>/heard/", maps.slot_heard, "slot_heard"),
    ("receivers/<int:pk>/slot-map.csv", exports.slot_map_csv, "slot_map_csv"),
    ("receivers/<int:pk>/outputs/<int:number>/", receivers.output_edit, "output_edit"),
    ("receivers/<int:pk>/changes/", history.receiver_changes, "receiver_changes"),
    ("receivers/<int:pk>/changes.csv", history.receiver_changes_csv, "receiver_changes_csv"),
    ("sites/<int:site_pk>/changes/", history.site_changes, "site_changes"),
    ("sites/<int:site_pk>/changes.csv", history.site_changes_csv, "site_changes_csv"),
    ("receivers/<int:pk>/register-again/", again.register_again, "register_again"),
    ("transmitters/<int:pk>/life.csv", transmitter_page.transmitter_csv, "transmitter_csv"),
    ("receivers/<int:pk>/register/", slots.register_next, "register_next"),
    (SLOT, slot_page.slot_detail, "slot_detail"),
    (f"{SLOT}register/", slots.slot_register, "slot_register"),
    (f"{SLOT}change/", slots.slot_change, "slot_change"),
    (f"{SLOT}move/", slots.slot_move, "slot_move"),
    (f"{SLOT}remove/", slots.slot_remove, "slot_remove"),
    (f"{SLOT}put-back/<int:registration_pk>/", slots.slot_put_back, "slot_put_back"),
    (f"{SLOT}registered/", slots.slot_registered, "slot_registered"),
    (f"{SLOT}register-again/", slots.slot_again, "slot_again"),
    (f"{SLOT}away/", slots.slot_away, "slot_away"),
    (f"{SLOT}back/", slots.slot_back, "slot_back"),
    ("transmitters/<int:pk>/", transmitter_page.transmitter_detail, "transmitter_detail"),
    ("transmitters/<int:pk>/battery/", transmitters.battery_fit, "battery_fit"),
    ("transmitters/<int:pk>/battery/remove/", transmitters.battery_remove, "battery_remove"),
    ("sites/plans/<int:pk>/", pins.plan_page, "floor_plan"),
    (f"{SLOT}plan/", plans.slot_plan, "slot_plan"),
    ("plans/", plans.plan_list, "plan_list"),
    ("plans/<int:pk>/", plans.plan_detail, "plan_detail"),
    ("plans/<int:pk>/done/", plans.plan_done, "plan_done"),
    ("plans/<int:pk>/adapt/", plans.plan_adapt, "plan_adapt"),
    ("plans/<int:pk>/drop/", plans.plan_drop, "plan_drop"),
    ("transmitters/<int:pk>/swap/", swaps.transmitter_swap, "transmitter_swap"),
    ("receivers/<int:pk>/swap/", swaps.receiver_swap, "receiver_swap"),
    ("receivers/<int:pk>/swap/progress/", swaps.receiver_progress, "receiver_progress"),
    ("receivers/<int:pk>/swap/registered/<int:slot>/", swaps.receiver_registered, "receiver_registered"),
    ("receivers/<int:pk>/swap/outputs/<int:number>/", swaps.output_works, "output_works"),
    ("away/", away.away_list, "away_list"),
    ("away/back/", away.away_back, "away_back"),
    ("away/<int:pk>/extend/", away.away_extend, "away_extend"),
    ("catalogue/", catalogue.catalogue, "catalogue"),
    ("catalogue/batteries/<int:pk>/", catalogue.battery_type, "battery_type"),
    ("catalogue/transmitters/<int:pk>/", catalogue.transmitter_type, "transmitter_type"),
    ("catalogue/receivers/<int:pk>/", catalogue.receiver_type, "receiver_type"),
]

app_name = "devices"
urlpatterns = [
    *(path(route, view, name=name) for route, view, name in SHARED),
    *(path(f"tech/{route}", view, name=f"tech_{name}") for route, view, name in SHARED),
    path("sites/<int:site_pk>/areas/", areas.area_list, name="area_list"),
    path("sites/areas/<int:pk>/order/", areas.area_move, name="area_move"),
    path("sites/areas/<int:pk>/slots/", areas.area_page, name="area"),
    path("sites/areas/<int:pk>/rename/", areas.area_rename, name="area_rename"),
    path("sites/areas/<int:pk>/merge/", areas.area_merge, name="area_merge"),
    path("sites/plans/<int:pk>/pins/", pins.pin_place, name="floor_plan_pin"),
    path("sites/plans/<int:pk>/replace/", pins.plan_replace, name="floor_plan_replace"),
    path("sites/pins/<int:pk>/remove/", pins.pin_remove, name="pin_remove"),
    path("loans/", loans.loan_list, name="loan_list"),
    path("loans/transmitters/<int:pk>/", loans.loan_transmitter, name="loan_transmitter"),
    path("loans/receivers/<int:pk>/", loans.loan_receiver, name="loan_receiver"),
    path("receivers/", receivers.receiver_list, name="receiver_list"),
    path("sites/<int:site_pk>/receivers/", receivers.site_receivers, name="site_receivers"),
    path("sites/<int:site_pk>/slot-map/", maps.site_map, name="site_map"),
    path("sites/<int:site_pk>/slot-map.csv", exports.site_map_csv, name="site_map_csv"),
    path("sites/<int:site_pk>/receivers/new/", receivers.receiver_new, name="receiver_new"),
    path("receivers/<int:pk>/edit/", receivers.receiver_edit, name="receiver_edit"),
    path("receivers/<int:pk>/remove/", receivers.receiver_remove, name="receiver_remove"),
    path("receivers/<int:pk>/log/", history.receiver_log, name="receiver_log"),
    path("receivers/<int:pk>/outputs/new/", receivers.output_new, name="output_new"),
    path("receivers/<int:pk>/bulk/", bulk.receiver_bulk, name="receiver_bulk"),
    path("sites/<int:site_pk>/bulk/", bulk.site_bulk, name="site_bulk"),
    path("cells/<int:pk>/end/", transmitters.battery_end, name="battery_end"),
    path("api/receivers/<slug:code>/slot-map/", api.slot_map_json, name="slot_map_json"),
    path("import/", imports.import_list, name="import_list"),
    path("import/new/", imports.import_new, name="import_new"),
    path("import/template/", imports.import_template, name="import_template"),
    path("import/<uuid:uuid>/", imports.import_detail, name="import_detail"),
    path("import/<uuid:uuid>/apply/", imports.import_apply, name="import_apply"),
    path("import/<uuid:uuid>/problems/", imports.import_problems, name="import_problems"),
    path("import/<uuid:uuid>/undo/", imports.import_undo, name="import_undo"),
    path("export/", workbooks.export, name="export"),
    path("export/<uuid:uuid>/", workbooks.export_download, name="export_download"),
    *(
        path(f"catalogue/{folder}/{route}", view, {"kind": kind}, name=f"{name}_{deed}")
        for folder, kind, name in own_types.KINDS
        for route, view, deed in own_types.DEEDS
    ),
]
