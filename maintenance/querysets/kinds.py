"""Reads of what is known of each kind: transmitter type × battery type × counted or assumed. Rows come narrowed by the door."""

from __future__ import annotations

from typing import Any

from django.db.models import CharField, F, Q, QuerySet, Sum, Value
from django.db.models.functions import Coalesce

COLUMNS = {
    "type": "type_label",
    "cells": "battery_type__iec_code",
    "service": "n_in_service",
    "ends": "n_ends",
    "u1": "u_1",
    "u5": "u_5",
    "u10": "u_10",
    "sleep": "sleep_multiplier",
}
"""Words of the address to what they sort by."""


def for_list(strata: QuerySet[Any]) -> QuerySet[Any]:
    """Kinds with their types, and a label to sort by; without the two that stand for kinds that no record knows."""
    known = strata.exclude(transmitter_type=None, battery_type=None)
    return known.select_related("transmitter_type", "battery_type").annotate(
        type_label=Coalesce(F("transmitter_type__label"), Value(""), output_field=CharField()),
    )


def matching(strata: QuerySet[Any], words: str) -> QuerySet[Any]:
    """Kinds whose transmitter or cells hold the words."""
    if not words:
        return strata
    return strata.filter(
        Q(transmitter_type__label__icontains=words)
        | Q(battery_type__iec_code__icontains=words)
        | Q(battery_type__ansi_code__icontains=words)
        | Q(battery_type__label__icontains=words)
    )


def narrowed(strata: QuerySet[Any], show: str) -> QuerySet[Any]:
    """Kinds with ends seen, in alarm, or in service now; another word narrows nothing."""
    conditions = {"ended": Q(n_ends__gt=0), "alarm": Q(in_alarm=True), "service": Q(n_in_service__gt=0)}
    return strata.filter(conditions[show]) if show in conditions else strata


def same_kind(strata: QuerySet[Any], kind: Any) -> Any | None:
    """The kind's record in the fit that is in use; a night later every record is a new one."""
    return (
        strata.filter(
            fit__is_current=True, transmitter_type=kind.transmitter_type_id, battery_type=kind.battery_type_id,
            is_measured=kind.is_measured,
        )
        .first()
    )  # fmt: skip


def other_cause_sums(strata: QuerySet[Any]) -> list[tuple[int | None, int, float]]:
    """For each battery type: its key, ends that were not wear, and days lived, over all kinds with it."""
    rows = strata.order_by("battery_type_id").values_list("battery_type_id")
    return [
        (pk, int(n or 0), float(days or 0.0))
        for pk, n, days in rows.annotate(n=Sum("n_other"), days=Sum("device_days"))
    ]
