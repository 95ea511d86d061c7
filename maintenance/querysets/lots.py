"""Reads of lots: the fit's word about each, and where its cells are now. Rows come narrowed to what the person may see."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.apps import apps
from django.db.models import Case, Count, Exists, F, IntegerField, Max, Min, OuterRef, Q, QuerySet, Sum, When
from django.db.models.functions import ExtractMonth, ExtractYear

from devices.rules.slot_map import lots_of
from maintenance.querysets.recalls import lot_condition
from maintenance.rules.lot_words import half_year_days, lot_name

COLUMNS = {
    "lot": "code", "cells": "stratum__battery_type__iec_code", "seen": "n_seen", "expected": "n_expected",
    "life": "least_factor", "chance": "least_chance", "service": "n_there",
}  # fmt: skip
"""Words of the address to what they sort by."""
KEY = ("code", "is_half_year", "stratum__battery_type_id", "stratum__battery_type__iec_code")


@dataclass(frozen=True, slots=True)
class LotKey:
    """One lot over all kinds of transmitters: its code or half-year, and the cells."""

    code: str
    is_half_year: bool
    battery_type_id: int | None


def for_list(lots: QuerySet[Any]) -> Any:
    """One row per lot and type of cell, summed over the kinds of transmitters; its worst word counts."""
    return (
        lots.filter(fit__is_current=True)
        .order_by()
        .values(*KEY)
        .annotate(
            lot_pk=Min("pk"), n_known=Sum("n_batteries"), n_there=Sum("n_in_service"), n_seen=Sum("observed"),
            n_expected=Sum("expected"), least_factor=Min("factor"), least_chance=Min("chance_normal"),
            suspect=Max(Case(When(is_suspect=True, then=1), default=0, output_field=IntegerField())),
        )
    )  # fmt: skip


def in_order(rows: Any, sort: str) -> Any:
    """Suspect ones on top, then by a word of `COLUMNS` ("-" in front: backwards); ties by code, then cells.

    Not by key, as other lists end: that would take every lot of the sum apart again.
    """
    sign = "-" if sort.startswith("-") else ""
    return rows.order_by("-suspect", f"{sign}{COLUMNS[sort.removeprefix('-')]}", "code", "stratum__battery_type_id")


def narrowed(lots: QuerySet[Any], *, words: str, show: str, battery_type: str) -> QuerySet[Any]:
    """Lots whose code holds the words, only suspect ones or those with cells in service, only of one type of cell."""
    if words:
        lots = lots.filter(code__icontains=words)
    if battery_type.isdecimal() and len(battery_type) < 10:
        lots = lots.filter(stratum__battery_type_id=int(battery_type))
    if show == "suspect":
        # A lot is suspect as a whole when it is so in one kind of transmitter, and all its kinds are summed.
        suspect = apps.get_model("maintenance", "LotFit")._default_manager.filter(fit__is_current=True, is_suspect=True)
        same = ("code", "is_half_year", "stratum__battery_type_id")
        lots = lots.filter(Exists(suspect.filter(**{name: OuterRef(name) for name in same})))
    elif show == "service":
        lots = lots.filter(n_in_service__gt=0)
    return lots


def rows_of(lots: QuerySet[Any], key: LotKey) -> list[Any]:
    """The fit's word about one lot in each kind of transmitter, worst first."""
    rows = lots.filter(
        fit__is_current=True, code=key.code, is_half_year=key.is_half_year, stratum__battery_type_id=key.battery_type_id
    )
    rows = rows.select_related("stratum__transmitter_type", "stratum__battery_type", "fit")
    return list(rows.order_by("-is_suspect", "chance_normal", "-observed", "pk"))


def fittings_of(fittings: QuerySet[Any], key: LotKey) -> QuerySet[Any]:
    """Sets of cells of a lot, mixed sets included; without a code those fitted in the half-year."""
    rows = fittings.filter(battery_type_id=key.battery_type_id)
    if not key.is_half_year:
        noted = rows.filter(lot_condition([key.code])).values_list("pk", "lot")
        wanted = key.code.casefold()
        exact = [
            pk for pk, lot in noted if wanted == lot.casefold() or wanted in {one.casefold() for one in lots_of(lot)}
        ]
        return rows.filter(pk__in=exact)
    days = half_year_days(key.code)
    if days is None:
        return rows.none()
    # Days by UTC: a set fitted about midnight of New Year may show in the neighbouring half-year, which harms nobody.
    begins = datetime.combine(days[0], time(), ZoneInfo("UTC"))
    ends = datetime.combine(days[1] + timedelta(days=1), time(), ZoneInfo("UTC"))
    return rows.filter(lot="", fitted_at__gte=begins, fitted_at__lt=ends)


def in_service(fittings: QuerySet[Any]) -> QuerySet[Any]:
    """Sets in a transmitter today, worst harm first, then by date, with their place (none: the due item is closed or missing)."""
    return (
        fittings.filter(removed_at=None)
        .select_related(
            "transmitter__type", "battery_type", "due_item__site__customer", "due_item__receiver", "due_item__registration"
        )
        .order_by(
            F("due_item__is_closed").asc(nulls_last=True), F("due_item__harm").asc(nulls_last=True),
            F("due_item__due_on").asc(nulls_last=True), "pk",
        )
    )  # fmt: skip


def ended(fittings: QuerySet[Any]) -> QuerySet[Any]:
    """Sets that have come out, newest first."""
    return fittings.filter(removed_at__isnull=False).select_related("transmitter__type").order_by("-removed_at", "-pk")


def site_counts(fittings: QuerySet[Any]) -> list[tuple[int, str, str]]:
    """Site, its name and duty of each set that stands in a slot today."""
    rows = fittings.filter(removed_at=None, due_item__is_closed=False)
    return list(rows.values_list("due_item__site_id", "due_item__site__name", "due_item__duty"))


def spread(keys: Iterable[LotKey], *, but_recalled: bool = False) -> dict[LotKey, tuple[int, int, int]]:
    """Sets in service, sites, and sets on life safety of each lot today; two queries for any number of lots.

    `but_recalled` leaves out what an open recall takes care of.
    """
    wanted = set(keys)
    fittings = apps.get_model("devices", "Fitting")._default_manager.filter(
        removed_at=None, battery_type_id__in={key.battery_type_id for key in wanted}
    )
    if but_recalled:
        listed = apps.get_model("maintenance", "RecallItem")._default_manager.open().filter(fitting__isnull=False)
        fittings = fittings.exclude(pk__in=listed.values("fitting_id"))
    grave = Q(due_item__harm=0, due_item__is_closed=False)
    counts = {
        "n": Count("pk"), "sites": Count("due_item__site_id", filter=Q(due_item__is_closed=False), distinct=True),
        "grave": Count("pk", filter=grave),
    }  # fmt: skip
    found: dict[LotKey, tuple[int, int, int]] = {}
    codes = {key.code for key in wanted if not key.is_half_year}
    rows = fittings.filter(lot__in=codes).order_by().values_list("lot", "battery_type_id").annotate(**counts)
    for lot, cell, n, sites, n_grave in rows:
        found[LotKey(lot, False, cell)] = (n, sites, n_grave)
    if any(key.is_half_year for key in wanted):
        rows = fittings.filter(lot="", fitted_at__isnull=False).order_by().annotate(
            year=ExtractYear("fitted_at", tzinfo=ZoneInfo("UTC")),
            half=(ExtractMonth("fitted_at", tzinfo=ZoneInfo("UTC")) + 5) / 6,
        )  # fmt: skip
        for year, half, cell, n, sites, n_grave in rows.values_list("year", "half", "battery_type_id").annotate(
            **counts
        ):
            found[LotKey(f"{year}-H{int(half)}", True, cell)] = (n, sites, n_grave)
    return {key: value for key, value in found.items() if key in wanted}


def grave_left(lots: QuerySet[Any]) -> list[dict[str, Any]]:
    """Suspect lots with cells on life safety that are in no open recall: key of a record, name, and how many."""
    rows = list(in_order(for_list(narrowed(lots, words="", show="suspect", battery_type="")), "chance"))
    keys = {row["lot_pk"]: LotKey(row["code"], row["is_half_year"], row["stratum__battery_type_id"]) for row in rows}
    there = spread(keys.values(), but_recalled=True)
    left = []
    for pk, key in keys.items():
        _, _, n_grave = there.get(key, (0, 0, 0))
        if n_grave:
            left.append({"pk": pk, "name": lot_name(key.code, is_half_year=key.is_half_year), "n": n_grave})
    return left
