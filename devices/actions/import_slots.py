"""The part of an import that prepares transmitters and registrations: the same rules as by hand, in bulk."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from django.db.models import Max
from django.utils.translation import gettext as _

from company.actions import facts_of
from company.errors import Refused
from company.manner import day_said
from devices.actions.import_book import Book, change_rows, chunks, json_of, moment
from devices.actions.ledger import REGISTRATION_FACTS
from devices.models import Away, Receiver, Registration, RegistrationOutput, Transmitter, TransmitterType
from devices.rules.import_records import Plan, SlotWrite


def prepare_transmitters(book: Book, plan: Plan) -> dict[str, Transmitter]:
    """Add new transmitters, correct types; gives every transmitter that the rest of the plan names, by serial."""
    types = {kind.code: kind for kind in TransmitterType.objects.select_related("battery_type")}
    new = [
        Transmitter(
            serial=write.key,
            type=types.get(write.fields["type"]),
            customer_id=book.sites[write.fields["site"]].customer_id,
            created_at=book.at,
        )
        for write in plan.transmitters
        if write.pk is None
    ]
    book.insert(Transmitter, new)
    for unit in new:
        book.note("add_transmitter", unit, unit.customer_id, after=facts_of(unit, "serial", "type"))
    changed = [write for write in plan.transmitters if write.pk is not None]
    rows = change_rows(book, Transmitter, changed, lambda write: {"type": types[write.fields["type"]]})
    for write in changed:
        unit = rows[write.pk or 0]
        book.note("edit_transmitter", unit, unit.customer_id, before=dict(write.before), after=dict(write.fields))
    book.count("transmitters", len(plan.transmitters))
    found = {unit.serial: unit for unit in [*new, *rows.values()]}
    serials = {slot.serial for slot in plan.slots if slot.serial} | {fitting.serial for fitting in plan.fittings}
    for some in chunks(sorted(serials - found.keys())):
        for unit in Transmitter.objects.select_related("type").filter(serial__in=some):
            found[unit.serial] = unit
    if changed:
        touch_places(book, [rows[write.pk or 0].pk for write in changed])
    return found


def touch_places(book: Book, transmitter_ids: Iterable[int]) -> dict[int, Receiver]:
    """Raise the version of each receiver in which one of these transmitters will stand; gives one of them for each."""
    by_pk = {receiver.pk: receiver for receiver in book.receivers.values()}
    wanted = set(transmitter_ids)
    at: dict[int, Receiver] = {}
    for transmitter_id, row in book.begun:
        if transmitter_id in wanted:
            at[transmitter_id] = book.touch(by_pk[row.receiver_id])
    for some in chunks(sorted(wanted)):
        rows = Registration.objects.open().filter(transmitter_id__in=some).order_by("-pk")
        for pk, transmitter_id, receiver_id in rows.values_list("pk", "transmitter_id", "receiver_id"):
            if receiver_id in by_pk and pk not in book.ended:
                at[transmitter_id] = book.touch(by_pk[receiver_id])
    return at


def prepare_slots(book: Book, plan: Plan, transmitters: Mapping[str, Transmitter]) -> None:
    """Correct the words of registrations, end those that give way, begin the new ones with what they drive."""
    words = [write for _, write in plan.slot_words]
    rows = change_rows(book, Registration, words, lambda write: write.fields)
    for place, write in plan.slot_words:
        row = rows[write.pk or 0]
        receiver = row.receiver = book.receivers[place]
        before, after = json_of(write.before), json_of(write.fields)
        book.note("change_slot", row, row.customer_id, before=before, after=after, receiver=receiver)
    begun = [_begin(book, write, transmitters) for write in plan.slots]
    _not_before_the_last(plan.slots, begun)
    _end(book, plan.slots, begun)
    book.insert(Registration, begun)
    _drive(book, plan.slots, begun)
    absences = _carry_away(book, plan.slots, begun)
    for slot, row in zip(plan.slots, begun, strict=True):
        after = facts_of(row, *REGISTRATION_FACTS) | {"outputs": _outputs_json(slot.outputs)}
        verb = "register_transmitter" if slot.old is None else "change_slot"
        book.note(
            verb,
            row,
            row.customer_id,
            before=_facts_before(slot, absences[slot.old.pk] if slot.old else []),
            after=after,
            receiver=row.receiver,
        )
    book.begun = [(row.transmitter_id, row) for row in begun if row.transmitter_id is not None]
    book.count("slots", len(plan.slots) + len(words))


def _facts_before(write: SlotWrite, away: list[int]) -> dict[str, Any] | None:
    """What stood in the slot, with the keys of the rows that ended: from them the import can be taken back."""
    if write.old is None:
        return None
    facts = write.old.facts
    named = json_of({name: facts[name] for name in REGISTRATION_FACTS if name in facts})
    return named | {
        "transmitter": facts["serial"] or None, "outputs": _outputs_json(facts["outputs"]),
        "registration": write.old.pk, "away": away,
    }  # fmt: skip


def _outputs_json(outputs: Iterable[Any]) -> list[list[Any]]:
    return [[driven.number, driven.behaviour or "unknown", driven.seconds] for driven in outputs]


def _begin(book: Book, write: SlotWrite, transmitters: Mapping[str, Transmitter]) -> Registration:
    receiver = book.receivers[write.place]
    again = write.old.facts["register_again_since"] if write.old and write.is_same else None
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
        note=write.old.facts["note"] if write.old else "",
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
                    _(
                        "%(receiver)s, slot %(slot)s: the workbook says registered on %(day)s, but the slot or its "
                        "transmitter was in use until %(ended)s. Correct the day, or take the row out."
                    )
                    % {
                        "receiver": row.receiver,
                        "slot": row.slot,
                        "day": day_said(write.begins_on),
                        "ended": day_said(local),
                    }
                )
            row.registered_at = max(row.registered_at, ended)


def _last_ends(one: str, two: str, keys: set[int]) -> dict[tuple[int, int], datetime]:
    """Last end of registrations by a pair of columns."""
    last: dict[tuple[int, int], datetime] = {}
    for some in chunks(sorted(keys)):
        ended = Registration.objects.filter(**{f"{one}__in": some}, removed_at__isnull=False).order_by()
        for first, second, at in ended.values_list(one, two).annotate(last=Max("removed_at")):
            last[first, second] = at
    return last


def _end(book: Book, writes: list[SlotWrite], begun: list[Registration]) -> None:
    why = book.reason[:200]
    pairs = zip(writes, begun, strict=True)
    ends = [(write.old.pk, (row.registered_at, why)) for write, row in pairs if write.old is not None]
    book.alter(Registration, ("removed_at", "removed_why"), ends)
    book.ended = {pk for pk, _ in ends}


def _drive(book: Book, writes: list[SlotWrite], begun: list[Registration]) -> None:
    driven = [
        RegistrationOutput(
            customer_id=row.customer_id,
            registration=row,
            output=book.outputs[row.receiver_id, use.number],
            behaviour=use.behaviour or "unknown",
            seconds=use.seconds,
        )
        for write, row in zip(writes, begun, strict=True)
        for use in write.outputs
    ]
    book.insert(RegistrationOutput, driven)


def _carry_away(book: Book, writes: list[SlotWrite], begun: list[Registration]) -> dict[int, list[int]]:
    """An absence ends with its registration, and goes on under the new one where it is the same transmitter.

    Gives the absences that ended, by the registration they ended with.
    """
    by_old = {write.old.pk: (write, row) for write, row in zip(writes, begun, strict=True) if write.old is not None}
    ended, going_on = [], []
    for away in (a for some in chunks(sorted(by_old)) for a in _open_absences(some)):
        write, row = by_old[away.registration_id]
        away.ended_on = max(row.registered_at.astimezone(row.receiver.site.zone).date(), away.from_on)
        ended.append(away)
        if write.is_same:
            going_on.append(Away(
                customer_id=away.customer_id, site_id=away.site_id, registration=row, from_on=away.ended_on,
                agreed_until_on=away.agreed_until_on, reason=away.reason, agreed_with=away.agreed_with,
                interim=away.interim,
            ))  # fmt: skip
    book.alter_rows(Away, ["ended_on"], ended)
    book.insert(Away, going_on)
    by_registration: dict[int, list[int]] = defaultdict(list)
    for away in ended:
        by_registration[away.registration_id].append(away.pk)
    return by_registration


def _open_absences(registration_ids: list[int]) -> Iterable[Away]:
    return Away.objects.filter(registration_id__in=registration_ids, ended_on=None)
