"""The part of an import that writes transmitters, registrations and fittings: the same rules as by hand, in bulk."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db.models import Max

from company.actions import facts_of
from company.errors import Refused
from devices.actions.batteries import FITTING_FACTS
from devices.actions.fitting_ends import state_many
from devices.actions.import_book import BATCH, Book, change_rows, json_of, moment
from devices.actions.ledger import REGISTRATION_FACTS
from devices.actions.rollups import rebuild_totals
from devices.models import (
    Away,
    BatteryType,
    Fitting,
    Output,
    Receiver,
    Registration,
    RegistrationOutput,
    Transmitter,
    TransmitterType,
)
from devices.rules.import_records import FittingWrite, Plan, SlotWrite

CHUNK = 1000


def _chunks(values: Iterable[Any]) -> Iterator[list[Any]]:
    listed = list(values)
    for start in range(0, len(listed), CHUNK):
        yield listed[start : start + CHUNK]


def write_transmitters(book: Book, plan: Plan) -> dict[str, Transmitter]:
    """Add new transmitters, correct types; gives every transmitter that the rest of the plan names, by serial."""
    types = {kind.code: kind for kind in TransmitterType.objects.select_related("battery_type")}
    new = [write for write in plan.transmitters if write.pk is None]
    Transmitter.objects.bulk_create(
        [
            Transmitter(
                serial=write.key,
                type=types.get(write.fields["type"]),
                customer_id=book.sites[write.fields["site"]].customer_id,
                created_at=book.at,
            )
            for write in new
        ],
        batch_size=BATCH,
    )
    changed = [write for write in plan.transmitters if write.pk is not None]
    rows = change_rows(Transmitter, changed, lambda write: {"type": types[write.fields["type"]]})
    for write in changed:
        unit = rows[write.pk or 0]
        book.note("edit_transmitter", unit, unit.customer_id, before=dict(write.before), after=dict(write.fields))
    book.count("transmitters", len(plan.transmitters))
    serials = {slot.serial for slot in plan.slots if slot.serial} | {fitting.serial for fitting in plan.fittings}
    found = {}
    for some in _chunks(sorted(serials | {write.key for write in changed})):
        for unit in Transmitter.objects.select_related("type").filter(serial__in=some):
            found[unit.serial] = unit
    if changed:
        _touch_places(book, [rows[write.pk or 0].pk for write in changed])
    return found


def _touch_places(book: Book, transmitter_ids: Iterable[int]) -> dict[int, Receiver]:
    """Raise the version of each receiver in which one of these transmitters stands; gives one of them for each."""
    by_pk = {receiver.pk: receiver for receiver in book.receivers.values()}
    at: dict[int, Receiver] = {}
    for some in _chunks(sorted(set(transmitter_ids))):
        rows = Registration.objects.open().filter(transmitter_id__in=some).order_by("-pk")
        for transmitter_id, receiver_id in rows.values_list("transmitter_id", "receiver_id"):
            if receiver_id in by_pk:
                at[transmitter_id] = book.touch(by_pk[receiver_id])
    return at


def write_slots(book: Book, plan: Plan, transmitters: Mapping[str, Transmitter]) -> None:
    """Correct the words of registrations, end those that give way, begin the new ones with what they drive."""
    words = [write for _, write in plan.slot_words]
    rows = change_rows(Registration, words, lambda write: write.fields)
    for place, write in plan.slot_words:
        row = rows[write.pk or 0]
        receiver = row.receiver = book.receivers[place]
        before, after = json_of(write.before), json_of(write.fields)
        book.note("change_slot", row, row.customer_id, before=before, after=after, receiver=receiver)
    begun = [_begin(book, write, transmitters) for write in plan.slots]
    _not_before_the_last(plan.slots, begun)
    _end(book, plan.slots, begun)
    Registration.objects.bulk_create(begun, batch_size=BATCH)
    _drive(plan.slots, begun)
    _carry_away(book, plan.slots, begun)
    for slot, row in zip(plan.slots, begun, strict=True):
        after = facts_of(row, *REGISTRATION_FACTS) | {"outputs": _outputs_json(slot.outputs)}
        verb = "register_transmitter" if slot.old is None else "change_slot"
        book.note(verb, row, row.customer_id, before=_facts_before(slot), after=after, receiver=row.receiver)
    rebuild_totals(transmitter_ids=(row.transmitter_id for row in begun if row.transmitter_id is not None))
    book.count("slots", len(plan.slots) + len(words))


def _facts_before(write: SlotWrite) -> dict[str, Any] | None:
    if write.old is None:
        return None
    facts = write.old.facts
    named = json_of({name: facts[name] for name in REGISTRATION_FACTS if name in facts})
    return named | {"transmitter": facts["serial"] or None, "outputs": _outputs_json(facts["outputs"])}


def _outputs_json(outputs: Iterable[Any]) -> list[list[Any]]:
    return [[driven.number, driven.behaviour or "unknown", driven.seconds] for driven in outputs]


def _begin(book: Book, write: SlotWrite, transmitters: Mapping[str, Transmitter]) -> Registration:
    receiver = book.receivers[write.place]
    old = write.old.facts if write.old and write.is_same else {}
    again = old.get("register_again_since")
    if write.must_register_again:
        again = again or book.at
    begins = moment(write.begins_on, receiver.site.zone, book.at) if write.begins_on else book.at
    return Registration(
        customer_id=receiver.customer_id,
        site_id=receiver.site_id,
        receiver=receiver,
        slot=write.slot,
        transmitter=transmitters[write.serial] if write.serial else None,
        registered_at=begins,
        register_again_since=again,
        replaces_id=write.old.pk if write.old and write.is_same else None,
        note=old.get("note", ""),
        **write.fields,
    )


class DatedTooEarly(Refused):
    """A row puts something into a slot at a time when the slot, or the transmitter, was in use elsewhere."""


def _not_before_the_last(writes: list[SlotWrite], begun: list[Registration]) -> None:
    """Refuse a day on which the slot or the transmitter was still in use; on the very day, begin at that moment.

    Raises
    ------
    DatedTooEarly
        Nothing is written.
    """
    pairs = [(write, row) for write, row in zip(writes, begun, strict=True) if write.old is None]
    by_slot = _last_ends("receiver_id", "slot", {row.receiver_id for _, row in pairs})
    by_unit = _last_ends(
        "transmitter_id", "input_number", {row.transmitter_id for _, row in pairs if row.transmitter_id}
    )
    for write, row in pairs:
        ends = [by_slot.get((row.receiver_id, row.slot))]
        if not row.is_shared:
            ends.append(by_unit.get((row.transmitter_id or 0, row.input_number)))
        for ended in filter(None, ends):
            local = ended.astimezone(row.receiver.site.zone).date()
            if write.begins_on is not None and write.begins_on < local:
                raise DatedTooEarly(
                    f"{row.receiver}, slot {row.slot}: the workbook says registered on {write.begins_on:%d %B %Y}, but the "
                    f"slot or its transmitter was in use until {local:%d %B %Y}. Correct the day, or take the row out."
                )
            row.registered_at = max(row.registered_at, ended)


def _last_ends(one: str, two: str, keys: set[int]) -> dict[tuple[int, int], datetime]:
    """Last end of registrations by a pair of columns."""
    last: dict[tuple[int, int], datetime] = {}
    for some in _chunks(sorted(keys)):
        ended = Registration.objects.filter(**{f"{one}__in": some}, removed_at__isnull=False).order_by()
        for first, second, at in ended.values_list(one, two).annotate(last=Max("removed_at")):
            last[first, second] = at
    return last


def _end(book: Book, writes: list[SlotWrite], begun: list[Registration]) -> None:
    ending: dict[datetime, list[int]] = defaultdict(list)
    for write, row in zip(writes, begun, strict=True):
        if write.old is not None:
            ending[row.registered_at].append(write.old.pk)
    for at, pks in ending.items():
        for some in _chunks(pks):
            Registration.objects.filter(pk__in=some).update(removed_at=at, removed_why=book.reason[:200])


def _drive(writes: list[SlotWrite], begun: list[Registration]) -> None:
    receivers = {row.receiver_id for row in begun}
    outputs: dict[tuple[int, int], int] = {}
    for some in _chunks(sorted(receivers)):
        for pk, receiver, number in Output.objects.filter(receiver_id__in=some).values_list(
            "pk", "receiver_id", "number"
        ):
            outputs[receiver, number] = pk
    RegistrationOutput.objects.bulk_create(
        [
            RegistrationOutput(
                customer_id=row.customer_id,
                registration=row,
                output_id=outputs[row.receiver_id, driven.number],
                behaviour=driven.behaviour or "unknown",
                seconds=driven.seconds,
            )
            for write, row in zip(writes, begun, strict=True)
            for driven in write.outputs
        ],
        batch_size=BATCH,
    )


def _carry_away(book: Book, writes: list[SlotWrite], begun: list[Registration]) -> None:
    """An absence ends with its registration, and goes on under the new one where it is the same transmitter."""
    by_old = {write.old.pk: (write, row) for write, row in zip(writes, begun, strict=True) if write.old is not None}
    open_rows: list[Away] = []
    for some in _chunks(sorted(by_old)):
        open_rows.extend(Away.objects.filter(registration_id__in=some, ended_on=None))
    for away in open_rows:
        write, row = by_old[away.registration_id]
        day = max(row.registered_at.astimezone(row.receiver.site.zone).date(), away.from_on)
        away.ended_on = day
        away.save(update_fields=["ended_on"])
        if write.is_same:
            Away.objects.create(
                customer_id=away.customer_id, site_id=away.site_id, registration=row, from_on=day,
                agreed_until_on=away.agreed_until_on, reason=away.reason, agreed_with=away.agreed_with,
                interim=away.interim,
            )  # fmt: skip


def write_fittings(book: Book, plan: Plan, transmitters: Mapping[str, Transmitter]) -> None:
    """Add cells, correct cells, and end those that gave way."""
    if not plan.fittings:
        return
    types = {kind.code: kind for kind in BatteryType.objects.all()}
    zones = _zones(transmitters)
    receivers = _touch_places(book, [transmitters[write.serial].pk for write in plan.fittings])
    in_place = [write for write in plan.fittings if write.pk is not None]
    rows: dict[int, Fitting] = Fitting.objects.select_related("battery_type").in_bulk([write.pk for write in in_place])
    for write in in_place:
        fitting = rows[write.pk or 0]
        fitting.transmitter = transmitters[write.serial]
        before = facts_of(fitting, *FITTING_FACTS)
        for name, value in _cell_fields(write, types, zones, book.at).items():
            setattr(fitting, name, value)
        after = facts_of(fitting, *FITTING_FACTS)
        book.note("correct_fitting", fitting, fitting.customer_id, before=before, after=after)
    names = ["battery_type", "n_cells", "fitted_at", "removed_at", "removed_why", "removed_v", "lot", "made_on"]
    Fitting.objects.bulk_update(list(rows.values()), names, batch_size=200)
    state_many(rows.values(), by=book.by, at=book.at)
    _add_cells(book, plan, transmitters, types, zones, receivers)
    rebuild_totals(transmitter_ids=(transmitters[write.serial].pk for write in plan.fittings))
    book.count("fittings", len(plan.fittings))


def _add_cells(
    book: Book,
    plan: Plan,
    transmitters: Mapping[str, Transmitter],
    types: Mapping[str, BatteryType],
    zones: Mapping[str, ZoneInfo],
    receivers: Mapping[int, Receiver],
) -> None:
    new = [write for write in plan.fittings if write.pk is None]
    made = []
    ending: dict[datetime, list[int]] = defaultdict(list)
    for write in new:
        unit = transmitters[write.serial]
        fields = _cell_fields(write, types, zones, book.at)
        made.append(Fitting(customer_id=unit.customer_id, transmitter=unit, entered_at=book.at, **fields))
        if write.ends is not None:
            ending[fields.get("fitted_at") or book.at].append(write.ends.pk)
    for at, pks in ending.items():
        for some in _chunks(pks):
            Fitting.objects.filter(pk__in=some).update(removed_at=at, removed_why="unknown")
            state_many(Fitting.objects.filter(pk__in=some), by=book.by, at=book.at)
    state_many(Fitting.objects.bulk_create(made, batch_size=BATCH), by=book.by, at=book.at)
    for write, fitting in zip(new, made, strict=True):
        before = None
        if write.ends is not None:
            before = json_of({name: write.ends.facts[name] for name in ("battery", "n_cells", "fitted_at", "lot")})
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


def _zones(transmitters: Mapping[str, Transmitter]) -> dict[str, ZoneInfo]:
    """The time zone in which each transmitter stands."""
    zones = dict.fromkeys(transmitters, ZoneInfo(settings.TIME_ZONE))
    for some in _chunks(sorted(transmitters)):
        rows = Registration.objects.open().filter(transmitter__serial__in=some).order_by("-pk")
        for serial, zone in rows.values_list("transmitter__serial", "site__time_zone"):
            zones[serial] = ZoneInfo(zone)
    return zones
