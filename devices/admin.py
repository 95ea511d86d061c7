"""The managers' workshop: own types can be added and changed, the ledger can only be looked at (its writes are actions)."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.http import HttpRequest

from devices.models import (
    BatteryType,
    Fitting,
    Output,
    Receiver,
    ReceiverType,
    Registration,
    Transmitter,
    TransmitterType,
)
from devices.models.catalogue import Origin


class TypeAdmin(admin.ModelAdmin):
    """Shipped types are data of the release: only the firm's own rows may be changed, and none is deleted."""

    list_display = ("code", "label", "origin", "retired_at")
    list_filter = ("origin",)
    search_fields = ("code", "label")
    readonly_fields = ("origin",)

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return super().has_change_permission(request, obj) and (obj is None or obj.origin == Origin.OWN)

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


class LedgerAdmin(admin.ModelAdmin):
    """Rows of the ledger, to look at."""

    def has_add_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


@admin.register(Receiver)
class ReceiverAdmin(LedgerAdmin):
    list_display = ("label", "site", "customer", "type", "version", "removed_at")
    list_select_related = ("site", "customer", "type")
    search_fields = ("label", "serial", "site__name")


@admin.register(Output)
class OutputAdmin(LedgerAdmin):
    list_display = ("receiver", "number", "kind", "drives")
    list_select_related = ("receiver__site",)


@admin.register(Transmitter)
class TransmitterAdmin(LedgerAdmin):
    list_display = ("serial", "type", "customer", "retired_at")
    list_select_related = ("type", "customer")
    search_fields = ("serial",)


@admin.register(Registration)
class RegistrationAdmin(LedgerAdmin):
    list_display = ("receiver", "slot", "transmitter", "label", "registered_at", "removed_at")
    list_select_related = ("receiver__site", "transmitter")
    search_fields = ("label", "transmitter__serial")


@admin.register(Fitting)
class FittingAdmin(LedgerAdmin):
    list_display = ("transmitter", "battery_type", "fitted_at", "removed_at", "removed_why")
    list_select_related = ("transmitter", "battery_type")
    search_fields = ("transmitter__serial",)


for model in (BatteryType, TransmitterType, ReceiverType):
    admin.site.register(model, TypeAdmin)
