"""Addresses of what is installed."""

from django.urls import path

from devices.views import catalogue, imports, receivers, slots, transmitters

SLOT = "receivers/<int:pk>/slots/<int:slot>/"

app_name = "devices"
urlpatterns = [
    path("receivers/", receivers.receiver_list, name="receiver_list"),
    path("sites/<int:site_pk>/receivers/", receivers.site_receivers, name="site_receivers"),
    path("sites/<int:site_pk>/receivers/new/", receivers.receiver_new, name="receiver_new"),
    path("receivers/<int:pk>/", receivers.slot_map, name="slot_map"),
    path("receivers/<int:pk>/heard/", receivers.slot_heard, name="slot_heard"),
    path("receivers/<int:pk>/slot-map.csv", receivers.slot_map_csv, name="slot_map_csv"),
    path("receivers/<int:pk>/edit/", receivers.receiver_edit, name="receiver_edit"),
    path("receivers/<int:pk>/remove/", receivers.receiver_remove, name="receiver_remove"),
    path("receivers/<int:pk>/log/", receivers.receiver_log, name="receiver_log"),
    path("receivers/<int:pk>/outputs/new/", receivers.output_new, name="output_new"),
    path("receivers/<int:pk>/outputs/<int:number>/", receivers.output_edit, name="output_edit"),
    path(SLOT, slots.slot_detail, name="slot_detail"),
    path(f"{SLOT}register/", slots.slot_register, name="slot_register"),
    path(f"{SLOT}change/", slots.slot_change, name="slot_change"),
    path(f"{SLOT}move/", slots.slot_move, name="slot_move"),
    path(f"{SLOT}remove/", slots.slot_remove, name="slot_remove"),
    path(f"{SLOT}put-back/<int:registration_pk>/", slots.slot_put_back, name="slot_put_back"),
    path(f"{SLOT}registered/", slots.slot_registered, name="slot_registered"),
    path(f"{SLOT}register-again/", slots.slot_again, name="slot_again"),
    path(f"{SLOT}away/", slots.slot_away, name="slot_away"),
    path(f"{SLOT}back/", slots.slot_back, name="slot_back"),
    path("transmitters/<int:pk>/", transmitters.transmitter_detail, name="transmitter_detail"),
    path("transmitters/<int:pk>/battery/", transmitters.battery_fit, name="battery_fit"),
    path("transmitters/<int:pk>/battery/remove/", transmitters.battery_remove, name="battery_remove"),
    path("catalogue/", catalogue.catalogue, name="catalogue"),
    path("catalogue/<slug:kind>/<slug:code>/", catalogue.catalogue_type, name="catalogue_type"),
    path("import/", imports.import_list, name="import_list"),
    path("import/new/", imports.import_new, name="import_new"),
    path("import/template/", imports.import_template, name="import_template"),
    path("import/<uuid:uuid>/", imports.import_detail, name="import_detail"),
    path("import/<uuid:uuid>/apply/", imports.import_apply, name="import_apply"),
    path("import/<uuid:uuid>/problems/", imports.import_problems, name="import_problems"),
]
