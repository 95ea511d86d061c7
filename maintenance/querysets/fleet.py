"""Reads what wears, as columns: some receivers for the immediate path, a range of transmitters for the night's run.

A dozen narrow SELECTs whatever the number of receivers, joined in numpy; what the columns mean is told in
`rules/fleet_columns.py`, and judged in `rules/wear.py` and `rules/due.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from django.apps import apps
from numpy.typing import NDArray

from maintenance.querysets import fleet_sql as sql
from maintenance.querysets.fleet_days import local_days
from maintenance.querysets.fleet_raw import DUTIES, Raw, Scope, Table, read_open
from maintenance.rules.fleet_columns import (
    NO_KEY,
    SHARES,
    FleetColumns,
    begins,
    least_of,
    most_harmful,
    picked,
    row_of,
    sorted_by,
)

__all__ = ["DUTIES", "KINDS", "Scope", "Table", "read_fleet"]

KINDS = ("cells", "standby", "unit")
_DUTY = "CASE {} WHEN 'life_safety' THEN 0 WHEN 'security' THEN 1 ELSE 2 END"


def read_fleet(scope: Scope, *, lot_codes: Sequence[str] = (), raw: Raw | None = None) -> FleetColumns:
    """Read everything that wears in a scope, and what its due dates rest on.

    Parameters
    ----------
    scope : Scope
        Which part of the fleet.
    lot_codes : sequence of str
        Lots that are to be told apart; column `lot` of the fittings is a place in it.
    raw : Raw
        What `read_open` gave for this scope, where the caller has it already.
    """
    rows = raw or read_open(scope)
    kinds, cells = read_kinds(), read_cells()
    names, zone_of_site = read_zones()
    closed = closed_sites()
    rows = _cared_for(rows, closed)
    units = _units(scope, rows, kinds, zone_of_site, names)
    fittings = _fittings(scope, rows, units, cells, names, lot_codes)
    standby = _standby(scope, zone_of_site, names, closed)
    return FleetColumns(
        kinds=kinds, cells=cells, units=units, fittings=fittings, periods=periods_of(rows, fittings["pk"]),
        standby=standby, recalls=_recalls(scope, units),
    )  # fmt: skip


def read_kinds() -> Table:
    """Transmitter types, by `pk`."""
    names = (
        "cells_parallel", "usable_share", "sleep_ua", "checkin_uas", "activation_uah", "typical_activations_per_day",
        "default_interval_s", "unit_life_years",
    )  # fmt: skip
    columns = [sql.key("pk", "id"), sql.flag("is_battery", "power = 'battery'"), sql.flag("is_welded", "welded_cell")]
    columns += [sql.real("cells_series"), *[sql.real(name) for name in names]]
    return sorted_by(sql.select(columns, "devices_transmittertype"), "pk")


def read_cells() -> Table:
    """Battery types, by `pk`."""
    names = ("capacity_mah", "self_discharge_per_year", "shelf_life_years", "nominal_v", *SHARES)
    return sorted_by(
        sql.select([sql.key("pk", "id"), *[sql.real(name) for name in names]], "devices_batterytype"), "pk"
    )


def read_zones() -> tuple[tuple[str, ...], Table]:
    """Names of time zones, and the zone of each site by `pk`."""
    pairs = list(apps.get_model("sites", "Site")._default_manager.order_by("pk").values_list("pk", "time_zone"))
    names = tuple(sorted({name for _, name in pairs}))
    place = {name: n for n, name in enumerate(names)}
    return names, {
        "pk": np.array([pk for pk, _ in pairs], dtype=np.int64),
        "zone": np.array([place[name] for _, name in pairs], dtype=np.int64),
    }


def zones_of(sites: NDArray[Any], zone_of_site: Table) -> NDArray[Any]:
    """Give the zone of each site, −1 where it is not known."""
    row = row_of(zone_of_site["pk"], sites)
    return np.where(row >= 0, zone_of_site["zone"][row] if len(zone_of_site["pk"]) else NO_KEY, NO_KEY)


def closed_sites() -> NDArray[np.int64]:
    """Sites that nobody looks after any more."""
    rows = apps.get_model("sites", "Site")._default_manager.filter(closed_at__isnull=False).order_by("pk")
    return np.array(rows.values_list("pk", flat=True), dtype=np.int64)


def _cared_for(raw: Raw, closed: NDArray[np.int64]) -> Raw:
    """Leave out what hangs at closed sites: nothing is due there. A transmitter that also stands elsewhere stays."""
    if not len(closed):
        return raw
    at = row_of(raw.receivers["pk"], raw.registrations["receiver"])
    is_closed = (at >= 0) & np.isin(raw.receivers["site"][at], closed)
    return replace(raw, registrations=picked(raw.registrations, ~is_closed))


def _units(scope: Scope, rows: Raw, kinds: Table, zone_of_site: Table, names: tuple[str, ...]) -> Table:
    """Transmitters in a slot, each with its most harmful place."""
    places = most_harmful(rows.registrations)
    # Each read stands for itself: what came or went between them is found by the next refresh.
    units = picked(rows.units, row_of(places["transmitter"], rows.units["pk"]) >= 0)
    places = picked(places, row_of(units["pk"], places["transmitter"]) >= 0)
    at = row_of(rows.receivers["pk"], places["receiver"])
    units, places, at = picked(units, at >= 0), picked(places, at >= 0), at[at >= 0]
    zone = zones_of(rows.receivers["site"][at], zone_of_site)
    found = {
        "pk": units["pk"],
        "kind": row_of(kinds["pk"], units["type"]),
        "registration": places["pk"],
        "receiver": places["receiver"],
        "site": rows.receivers["site"][at],
        "customer": rows.receivers["customer"][at],
        "duty": places["duty"].astype(np.int64),
        "interval_s": places["interval_s"],
        "zone": zone,
    }
    return found | _unit_days(scope, found, kinds, names)


def _unit_days(scope: Scope, units: Table, kinds: Table, names: tuple[str, ...]) -> Table:
    """When units were made, put in service and recorded: only of kinds that state an end of life, few as they are."""
    days = {name: np.full(len(units["pk"]), np.nan) for name in ("made_day", "since_day", "created_day")}
    ending = kinds["pk"][kinds["unit_life_years"] > 0]
    if not np.isin(units["kind"], np.flatnonzero(kinds["unit_life_years"] > 0)).any():
        return days
    rows = sql.select(
        [sql.key("pk", "id"), sql.day("made_day", "made_on"), sql.day("since_day", "unit_since"),
         sql.moment("created", "created_at")],
        f"devices_transmitter WHERE type_id IN ({sql.ids(ending.tolist())}) AND {scope.transmitters('id')}",
    )  # fmt: skip
    at = row_of(units["pk"], rows["pk"])
    rows, at = picked(rows, at >= 0), at[at >= 0]
    days["made_day"][at], days["since_day"][at] = rows["made_day"], rows["since_day"]
    days["created_day"][at] = local_days(rows["created"], units["zone"][at], names)
    return days


def _fittings(
    scope: Scope, raw: Raw, units: Table, cells: Table, names: tuple[str, ...], codes: Sequence[str]
) -> Table:
    """Open sets of cells, with the first low-battery signal that is theirs."""
    unit = row_of(units["pk"], raw.fittings["transmitter"])
    rows, unit = picked(raw.fittings, unit >= 0), unit[unit >= 0]
    zone = units["zone"][unit]
    low_day = np.fmin(local_days(rows["low"], zone, names), _open_lows(scope, rows, zone, names))
    return {
        "pk": rows["pk"],
        "unit": unit,
        "cell": row_of(cells["pk"], rows["battery_type"]),
        "fitted_day": local_days(rows["fitted"], zone, names),
        "entered_day": local_days(rows["entered"], zone, names),
        "made_day": rows["made_day"],
        "low_day": low_day,
        "has_code": rows["has_code"] != 0,
        "lot": lots_of(rows["pk"], codes, f"removed_at IS NULL AND {scope.transmitters('transmitter_id')}"),
    }


def _open_lows(scope: Scope, rows: Table, zone: NDArray[Any], names: tuple[str, ...]) -> NDArray[np.float64]:
    """Since when a low-battery fault stands that was raised after these cells were fitted [day]; NaN = none."""
    faults = sql.select(
        [sql.key("transmitter_id"), sql.moment("raised", "raised_at")],
        "devices_fault WHERE kind = 'low_battery' AND cleared_at IS NULL AND transmitter_id IS NOT NULL "
        f"AND {scope.transmitters('transmitter_id')}",
    )
    by_unit = np.argsort(rows["transmitter"], kind="stable")
    row = row_of(rows["transmitter"][by_unit], faults["transmitter"])
    row = np.where(row >= 0, by_unit[row] if len(by_unit) else NO_KEY, NO_KEY)
    # One from before the present cells says nothing of them.
    theirs = (row >= 0) & (faults["raised"] > (rows["fitted"][row] if len(by_unit) else 0))
    row, raised = row[theirs], faults["raised"][theirs]
    return least_of(row, local_days(raised, zone[row], names), len(zone))


def lots_of(fitting_pks: NDArray[Any], codes: Sequence[str], where: str = "1 = 1") -> NDArray[Any]:
    """Place of each fitting's lot in `codes`, −1 = none of them."""
    found = np.full(len(fitting_pks), NO_KEY, dtype=np.int64)
    if codes:
        place = {code: n for n, code in enumerate(codes)}
        rows = apps.get_model("devices", "Fitting")._default_manager.filter(lot__in=codes).extra(where=[where])
        pairs = list(rows.values_list("pk", "lot"))
        at = row_of(fitting_pks, np.array([pk for pk, _ in pairs], dtype=np.int64))
        found[at[at >= 0]] = np.array([place[code] for _, code in pairs], dtype=np.int64)[at >= 0]
    return found


def periods_of(raw: Raw, fitting_pks: NDArray[Any]) -> Table:
    """Setting-periods of these sets of cells (sorted keys), each with the row of its set."""
    row = row_of(fitting_pks, raw.periods["fitting"])
    return picked(raw.periods, row >= 0) | {"fitting": row[row >= 0]}


def _standby(scope: Scope, zone_of_site: Table, names: tuple[str, ...], closed: NDArray[np.int64]) -> Table:
    """Receivers with a standby battery at sites that are looked after, each with the most harmful duty that hangs on it."""
    least = (
        f"(SELECT min({_DUTY.format('g.duty')}) FROM devices_registration g "
        "WHERE g.receiver_id = r.id AND g.removed_at IS NULL AND g.transmitter_id IS NOT NULL)"
    )
    rows = sorted_by(
        sql.select(
            [sql.key("pk", "r.id"), sql.key("customer_id", "r.customer_id"), sql.key("site_id", "r.site_id"),
             sql.key("duty", least), sql.day("fitted_day", "r.standby_fitted_on"),
             sql.moment("created", "r.created_at"), sql.real("life_years", "t.standby_life_years")],
            "devices_receiver r LEFT JOIN devices_receivertype t ON t.id = r.type_id WHERE r.removed_at IS NULL "
            f"AND (t.has_standby_battery OR r.standby_fitted_on IS NOT NULL) AND {scope.at_receivers('r.id')}",
        ),
        "pk",
    )  # fmt: skip
    rows = picked(rows, ~np.isin(rows["site"], closed))
    created = rows.pop("created")
    rows["created_day"] = local_days(created, zones_of(rows["site"], zone_of_site), names)
    rows["duty"] = np.where(rows["duty"] >= 0, rows["duty"], len(DUTIES) - 1)
    return rows


def _recalls(scope: Scope, units: Table) -> Table:
    """What is still to be done of recalls that are open: the earliest day by transmitter and kind of thing."""
    rows = sql.select(
        [sql.key("transmitter", "i.transmitter_id"), sql.flag("is_cells", "r.what = 'cells'"),
         sql.day("due_day", "r.due_on")],
        "maintenance_recallitem i JOIN maintenance_recall r ON r.id = i.recall_id WHERE i.state = 'open' "
        f"AND r.closed_at IS NULL AND {scope.transmitters('i.transmitter_id')}",
    )  # fmt: skip
    rows["unit"] = row_of(units["pk"], rows.pop("transmitter"))
    return picked(rows, rows["unit"] >= 0)


def read_published(scope: Scope) -> Table:
    """What is published in a scope, one row per open due item, by `pk`; also what has left its receivers."""
    where = f"({scope.transmitters('transmitter_id')} AND transmitter_id IS NOT NULL)"
    if scope.receivers is not None:
        where += f" OR {scope.at_receivers('receiver_id')}"
    elif scope.with_standby:
        where += " OR kind = 'standby'"
    return _items(f"NOT is_closed AND ({where})")


def read_closed(kind: str, keys: Sequence[int]) -> Table:
    """Items of these things (fittings, transmitters or receivers, by kind) that were closed earlier."""
    column = {"cells": "fitting_id", "unit": "transmitter_id", "standby": "receiver_id"}[kind]
    tables = [
        _items(f"is_closed AND kind = '{kind}' AND {column} IN ({sql.ids(keys[n : n + 5000])})")
        for n in range(0, len(keys), 5000)
    ]
    found = (
        {name: np.concatenate([table[name] for table in tables]) for name in tables[0]} if tables else _items("1 = 0")
    )
    # Where a thing was closed more than once, its first row is taken up again.
    found = sorted_by(found, "owner", "pk")
    return picked(found, begins(found["owner"]))


def _items(where: str) -> Table:
    """Published rows as columns; `owner` is what makes a thing one thing over time."""
    owner = "CASE kind WHEN 'cells' THEN fitting_id WHEN 'unit' THEN transmitter_id ELSE receiver_id END"
    return sorted_by(
        sql.select(
            [sql.key("pk", "id"), sql.code("kind", "kind", KINDS), sql.key("owner", owner), sql.day("due_day", "due_on"),
             sql.key("signature"), sql.real("exposure_limit"), sql.real("chance_ahead")],
            f"maintenance_dueitem WHERE {where}",
        ),
        "pk",
    )  # fmt: skip
