"""Reads what wears: cells, standby batteries and whole units of some receivers, with the raw facts of their due dates.

A handful of queries whatever the number of receivers; rows come as plain mappings, judged elsewhere (`rules/due.py`).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo

from django.apps import apps

from maintenance.rules import wear

DUTIES = ("life_safety", "security", "convenience")


@dataclass(slots=True)
class Worn:
    """One thing that wears: whose and where it is, and the facts for the rules."""

    kind: str
    customer_id: int
    site_id: int
    receiver_id: int
    registration_id: int | None
    transmitter_id: int | None
    fitting_id: int | None
    duty: str
    facts: dict[str, float] = field(default_factory=dict)

    @property
    def key(self) -> tuple[str, int | None]:
        """What makes it one thing over time."""
        owner = {"cells": self.fitting_id, "unit": self.transmitter_id, "standby": self.receiver_id}
        return self.kind, owner[self.kind]


@cache
def _zone(name: str) -> ZoneInfo:
    return ZoneInfo(name)


def _local_day(at: datetime | None, zone: str) -> float:
    """Day at the site, as a number; NaN where the time is not known."""
    return wear.day_number(at.astimezone(_zone(zone)).date()) if at else float("nan")


def _day(on: date | None) -> float:
    return wear.day_number(on) if on else float("nan")


def _rows(model: str, **where: Any) -> Any:
    app, name = model.split(".")
    return apps.get_model(app, name)._default_manager.filter(**where)


def receiver_versions(receiver_ids: list[int]) -> dict[int, int]:
    """Version of each receiver: a change of slots, fittings or settings bumps it."""
    return dict(_rows("devices.Receiver", pk__in=receiver_ids).values_list("pk", "version"))


def read_worn(receiver_ids: list[int]) -> list[Worn]:
    """Everything that wears at these receivers, one entry per thing, by its most harmful place.

    A transmitter that stands in several slots is one thing; it counts for the slot whose failure would harm most.
    """
    receivers = {
        row["pk"]: row
        for row in _rows("devices.Receiver", pk__in=receiver_ids, removed_at=None).values(
            "pk", "customer_id", "site_id", "site__time_zone", "standby_fitted_on", "created_at",
            "type__has_standby_battery", "type__standby_life_years",
        )
    }  # fmt: skip
    here = _rows("devices.Registration", receiver_id__in=receiver_ids, removed_at=None, transmitter__isnull=False)
    transmitter_ids = here.values("transmitter_id")
    places = _places(transmitter_ids)
    fittings = {
        row["transmitter_id"]: row
        for row in _rows("devices.Fitting", transmitter_id__in=transmitter_ids, removed_at=None).values(
            "pk", "transmitter_id", "fitted_at", "entered_at", "made_on", "first_low_at",
            "battery_type__capacity_mah", "battery_type__self_discharge_per_year", "battery_type__shelf_life_years",
            "battery_type__share_0c", "battery_type__share_m10c", "battery_type__share_m20c",
            "battery_type__share_m40c",
        )
    }  # fmt: skip
    totals = _totals([row["pk"] for row in fittings.values()])
    lows = _open_low_battery(transmitter_ids)
    worn = []
    for unit in _units(transmitter_ids):
        place = places[unit["pk"]]
        worn += _of_transmitter(unit, place, fittings.get(unit["pk"]), totals, lows.get(unit["pk"]))
    duties: dict[int, str] = {}
    for receiver_id, duty in here.values_list("receiver_id", "duty"):
        duties[receiver_id] = min(duties.get(receiver_id, duty), duty, key=DUTIES.index)
    worn += [
        _standby(row, duties.get(row["pk"], "convenience"))
        for row in receivers.values()
        if row["type__has_standby_battery"] or row["standby_fitted_on"]
    ]
    return worn


def _places(transmitter_ids: Any) -> dict[int, dict[str, Any]]:
    """The most harmful open registration of each transmitter, with the shortest check-in interval of all of them."""
    places: dict[int, dict[str, Any]] = {}
    rows = _rows("devices.Registration", transmitter_id__in=transmitter_ids, removed_at=None).order_by("pk")
    for row in rows.values(
        "pk", "transmitter_id", "receiver_id", "site_id", "customer_id", "duty", "interval_s", "site__time_zone"
    ):
        best = places.get(row["transmitter_id"])
        if best is None:
            places[row["transmitter_id"]] = row
            continue
        interval = min((x for x in (best["interval_s"], row["interval_s"]) if x), default=None)
        worse = min(best, row, key=lambda r: DUTIES.index(r["duty"]))
        places[row["transmitter_id"]] = {**worse, "interval_s": interval}
    return places


def _units(transmitter_ids: Any) -> Any:
    return (
        _rows("devices.Transmitter", pk__in=transmitter_ids)
        .order_by("pk")
        .values(
            "pk", "made_on", "unit_since", "created_at", "type__power", "type__cells_parallel", "type__usable_share",
            "type__sleep_ua", "type__checkin_uas", "type__activation_uah", "type__typical_activations_per_day",
            "type__default_interval_s", "type__unit_life_years", "type__welded_cell",
        )
    )  # fmt: skip


def _totals(fitting_ids: list[int]) -> Mapping[int, list[dict[str, Any]]]:
    """Setting-periods of each fitting, oldest first."""
    periods = defaultdict(list)
    for row in _rows("devices.FittingTotals", fitting_id__in=fitting_ids).order_by("from_on").values():
        periods[row["fitting_id"]].append(row)
    return periods


def _open_low_battery(transmitter_ids: Any) -> dict[int, datetime]:
    """Since when an open low-battery fault stands, per transmitter."""
    rows = _rows("devices.Fault", transmitter_id__in=transmitter_ids, kind="low_battery", cleared_at=None)
    return dict(rows.values_list("transmitter_id", "raised_at"))


def _of_transmitter(
    unit: dict[str, Any],
    place: dict[str, Any],
    fitting: dict[str, Any] | None,
    totals: Mapping[int, list[dict[str, Any]]],
    low_since: datetime | None,
) -> list[Worn]:
    """Cells and, where its type states an end of life, the whole unit. A welded cell is changed with its unit."""

    def worn(kind: str, fitting_id: int | None, facts: dict[str, float]) -> Worn:
        return Worn(
            kind, place["customer_id"], place["site_id"], place["receiver_id"], place["pk"], unit["pk"], fitting_id,
            place["duty"], facts,
        )  # fmt: skip

    zone = place["site__time_zone"]
    found, cells = [], {}
    if fitting:
        cells = _cell_facts(unit, place, fitting, totals.get(fitting["pk"], []))
        fitted_at = fitting["fitted_at"]
        signals = [
            fitting["first_low_at"],
            low_since if fitted_at is None or (low_since or fitted_at) > fitted_at else None,
        ]
        cells["first_low_day"] = min((_local_day(at, zone) for at in signals if at), default=float("nan"))
        if not unit["type__welded_cell"]:
            found.append(worn("cells", fitting["pk"], cells))
    life_years = unit["type__unit_life_years"] or 0
    if life_years > 0:
        own = {
            "kind": 2.0,
            "fitted_day": _day(unit["unit_since"]),
            "entered_day": _local_day(unit["created_at"], zone),
            "made_day": _day(unit["made_on"]),
            "unit_life_days": life_years * wear.DAYS_PER_YEAR,
        }
        if unit["type__welded_cell"] and cells:
            cells.pop("shelf_life_days", None)
            fitted_day = own["fitted_day"]
            own = {**cells, **own, "fitted_day": cells["fitted_day"] if fitted_day != fitted_day else fitted_day}
        found.append(worn("unit", None, own))
    return found


def _cell_facts(
    unit: dict[str, Any], place: dict[str, Any], fitting: dict[str, Any], periods: list[dict[str, Any]]
) -> dict[str, float]:
    zone = place["site__time_zone"]
    facts = {
        "kind": 0.0,
        "fitted_day": _local_day(fitting["fitted_at"], zone),
        "entered_day": _local_day(fitting["entered_at"], zone),
        "made_day": _day(fitting["made_on"]),
    }
    if fitting["battery_type__capacity_mah"] is not None:
        shelf = fitting["battery_type__shelf_life_years"]
        facts["shelf_life_days"] = shelf * wear.DAYS_PER_YEAR if shelf else float("nan")
    interval = place["interval_s"] or unit["type__default_interval_s"]
    return facts | wear.use_of_cells(unit, fitting, interval, periods, facts["fitted_day"])


def _standby(row: dict[str, Any], duty: str) -> Worn:
    """A receiver's standby battery: no counts, only its years."""
    facts = {
        "kind": 1.0,
        "fitted_day": _day(row["standby_fitted_on"]),
        "entered_day": _local_day(row["created_at"], row["site__time_zone"]),
        "unit_life_days": (row["type__standby_life_years"] or wear.STANDBY_LIFE_YEARS) * wear.DAYS_PER_YEAR,
    }
    return Worn("standby", row["customer_id"], row["site_id"], row["pk"], None, None, None, duty, facts)
