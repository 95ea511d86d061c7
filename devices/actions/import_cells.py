"""The part of an import that prepares cells: new sets, corrected ones, and those that gave way."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings

from company.actions import facts_of
from devices.actions.batteries import FITTING_FACTS
from devices.actions.fitting_ends import ends_to_state
from devices.actions.import_book import Book, chunks, json_of, moment, rows_by_key
from devices.actions.import_slots import touch_places
from devices.models import BatteryType, Fitting, FittingEnd, Receiver, Registration, Transmitter
from devices.rules.import_records import FittingWrite, Plan

CORRECTED = ("battery_type", "n_cells", "fitted_at", "removed_at", "removed_why", "removed_v", "lot", "made_on")


def prepare_fittings(book: Book, plan: Plan, transmitters: Mapping[str, Transmitter]) -> None:
    """Add cells, correct cells, and end those that gave way."""
    if not plan.fittings:
        return
    types = {kind.code: kind for kind in BatteryType.objects.all()}
    zones = _zones(book, transmitters)
    receivers = touch_places(book, [transmitters[write.serial].pk for write in plan.fittings])
    in_place = [write for write in plan.fittings if write.pk is not None]
    rows = rows_by_key(Fitting.objects.select_related("battery_type"), (write.pk or 0 for write in in_place))
    for write in in_place:
        fitting = rows[write.pk or 0]
        fitting.transmitter = transmitters[write.serial]
        before = facts_of(fitting, *FITTING_FACTS) | {"battery": _code(fitting)}
        for name, value in _cell_fields(write, types, zones, book.at).items():
            setattr(fitting, name, value)
        after = facts_of(fitting, *FITTING_FACTS) | {"battery": _code(fitting)}
        book.note("correct_fitting", fitting, fitting.customer_id, before=before, after=after)
    book.alter_rows(Fitting, CORRECTED, rows.values())
    _state(book, rows.values())
    _add_cells(book, [write for write in plan.fittings if write.pk is None], transmitters, types, zones, receivers)
    book.count("fittings", len(plan.fittings))


def _code(fitting: Fitting) -> str:
    return fitting.battery_type.code if fitting.battery_type else ""


def _state(book: Book, fittings: Iterable[Fitting]) -> None:
    """Keep what is said about how cells ended, as by hand."""
    made, back = ends_to_state(fittings, by=book.by, at=book.at)
    book.alter(FittingEnd, ("taken_back_at",), [(row.pk, (book.at,)) for row in back])
    book.insert(FittingEnd, made)


def _add_cells(
    book: Book,
    new: list[FittingWrite],
    transmitters: Mapping[str, Transmitter],
    types: Mapping[str, BatteryType],
    zones: Mapping[str, ZoneInfo],
    receivers: Mapping[int, Receiver],
) -> None:
    made = []
    ends: dict[int, datetime] = {}
    for write in new:
        unit = transmitters[write.serial]
        fields = _cell_fields(write, types, zones, book.at)
        made.append(Fitting(customer_id=unit.customer_id, transmitter=unit, entered_at=book.at, **fields))
        if write.ends is not None:
            ends[write.ends.pk] = fields.get("fitted_at") or book.at
    gone = rows_by_key(Fitting.objects.all(), ends)
    for pk, fitting in gone.items():
        fitting.removed_at, fitting.removed_why = ends[pk], "unknown"
    book.alter_rows(Fitting, ("removed_at", "removed_why"), gone.values())
    _state(book, gone.values())
    book.insert(Fitting, made)
    _state(book, made)
    for write, fitting in zip(new, made, strict=True):
        before = None
        if write.ends is not None:
            before = json_of({name: write.ends.facts[name] for name in ("battery", "n_cells", "fitted_at", "lot")})
            before["fitting"] = write.ends.pk
        book.note(
            "fit_battery", fitting, fitting.customer_id, before=before, after=facts_of(fitting, *FITTING_FACTS),
            receiver=receivers.get(fitting.transmitter_id),
        )  # fmt: skip


def _cell_fields(
    write: FittingWrite, types: Mapping[str, BatteryType], zones: Mapping[str, ZoneInfo], at: datetime
) -> dict[str, Any]:
    """Turn the words of a plan into fields: codes to types, days to moments."""
    fields = dict(write.fields)
    zone = zones[write.serial]
    if "battery" in fields:
        fields["battery_type"] = types[fields["battery"]] if fields["battery"] else None
        del fields["battery"]
    for day, name in (("fitted_on", "fitted_at"), ("removed_on", "removed_at")):
        if day in fields:
            value = fields.pop(day)
            fields[name] = moment(value, zone, at) if value else None
    return fields


def _zones(book: Book, transmitters: Mapping[str, Transmitter]) -> dict[str, ZoneInfo]:
    """The time zone in which each transmitter will stand."""
    zones = dict.fromkeys(transmitters, ZoneInfo(settings.TIME_ZONE))
    for some in chunks(sorted(transmitters)):
        rows = Registration.objects.open().filter(transmitter__serial__in=some).order_by("-pk")
        for pk, serial, zone in rows.values_list("pk", "transmitter__serial", "site__time_zone"):
            if pk not in book.ended:
                zones[serial] = ZoneInfo(zone)
    for _, row in reversed(book.begun):
        if row.transmitter is not None:
            zones[row.transmitter.serial] = row.receiver.site.zone
    return zones
