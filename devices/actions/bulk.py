"""One change for many slots: judged slot by slot first, then written all or nothing, and taken back the same way."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from django.db import transaction
from django.utils.translation import gettext

from company.errors import Refused
from company.models import ChangeRow, User
from devices.actions.bulk_turn import Turn, facts_of_row, read_settings, set_words, turn_over, with_settings
from devices.actions.ledger import lock_receivers, refuse_stale, refuse_without_reason, touch
from devices.actions.plans_wish import plain
from devices.actions.slot_settings import (
    SETTING_FIELDS,
    WORDING_FIELDS,
    NoLongerThere,
    NothingChanged,
    OutputChoice,
    Settings,
    as_rule,
    asks_in_force,
    limits_of,
)
from devices.models import Output, Receiver, Registration
from devices.rules import legality
from devices.rules.bulk import Wish, settings_after, wording_problems
from devices.rules.findings_facts import SupervisionAsk

VERB = "bulk_change_slot"
MOST_SLOTS = 1000


class SomeSlotsRefused(Refused):
    """At least one slot cannot be set like that, so none was."""


@dataclass(frozen=True, slots=True)
class Preview:
    """One slot before and after, and what speaks against it. `again`: it must be registered again afterwards."""

    registration: Registration
    before: Settings
    after: Settings
    refusals: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    again: bool = False

    @property
    def changed(self) -> frozenset[str]:
        """Names of the settings that change."""
        names = (*SETTING_FIELDS, "outputs")
        return frozenset(name for name in names if getattr(self.before, name) != getattr(self.after, name))

    @property
    def is_wording(self) -> bool:
        """Whether only words change, which are corrected in place."""
        return self.changed <= WORDING_FIELDS


def preview(rows: Sequence[Registration], wish: Wish) -> list[Preview]:
    """What a wish does to each slot, read with `with_settings`. Two more queries for any number of slots; writes nothing."""
    outputs: dict[int, dict[int, Output]] = {}
    for output in Output.objects.filter(receiver__in={row.receiver_id for row in rows}):
        outputs.setdefault(output.receiver_id, {})[output.number] = output
    asks = asks_in_force()
    return [_preview(row, wish, outputs.get(row.receiver_id, {}), asks) for row in rows]


def _preview(row: Registration, wish: Wish, outputs: Mapping[int, Output], asks: Sequence[SupervisionAsk]) -> Preview:
    before = read_settings(row)
    facts = {
        "label": row.label, "slot": row.slot, "area": row.area if wish.area is None else wish.area,
        "serial": row.transmitter.serial if row.transmitter else "",
        "kind": row.transmitter.type.label if row.transmitter and row.transmitter.type else "",
    }  # fmt: skip
    values = settings_after(plain(before), wish, facts)
    missing = [number for number, _, _ in values["outputs"] if number not in outputs]
    if missing:
        text = gettext("%(receiver)s has no output %(missing)s.") % {
            "receiver": row.receiver.label,
            "missing": missing[0],
        }
        return Preview(row, before, before, [text])
    after = Settings(
        **{name: values[name] for name in SETTING_FIELDS},
        outputs=tuple(OutputChoice(outputs[number], how, seconds) for number, how, seconds in values["outputs"]),
    )
    rule = as_rule(after, slot=row.slot, transmitter=row.transmitter)
    old_rule = as_rule(before, slot=row.slot, transmitter=row.transmitter)
    found = legality.problems(rule, limits_of(row.receiver), asks=asks)
    return Preview(
        row, before, after,
        refusals=wording_problems(values) + [one.text for one in found if not one.is_warning],
        warnings=[one.text for one in found if one.is_warning],
        again=row.transmitter is not None and legality.must_register_again(old_rule, rule),
    )  # fmt: skip


@transaction.atomic
def change_slots(
    *,
    registrations: Sequence[Registration],
    wish: Wish,
    by: User,
    at: datetime,
    reason: str,
    seen_versions: Mapping[int, int] | None = None,
) -> list[ChangeRow]:
    """Set many slots in one go, all of them or none, as `change_slot` does one: only words are corrected in place, any
    setting ends a registration and begins another, one made on the transmitter asks for registering again. The number of
    queries does not grow with the slots. Returns the rows of the log, all of one batch.

    Raises
    ------
    SomeSlotsRefused, NothingChanged, NoLongerThere, OutOfOrder, StaleSlotMap, ReasonMissing
        Nothing is written.
    """
    reason = refuse_without_reason(reason)
    receivers = lock_receivers(*{row.receiver_id: Receiver(pk=row.receiver_id) for row in registrations}.values())
    if seen_versions is not None:
        for receiver in receivers:
            refuse_stale(receiver, seen_versions.get(receiver.pk, 0))
    rows = with_settings(Registration.objects.open().filter(pk__in=[row.pk for row in registrations]))
    if len(rows) != len({row.pk for row in registrations}):
        raise NoLongerThere(gettext("One of the slots was changed meanwhile. Choose the slots again."))
    seen = preview(rows, wish)
    wrong = [one for one in seen if one.refusals]
    if wrong:
        first = wrong[0]
        raise SomeSlotsRefused(
            gettext(
                "%(n_wrong)s of %(n)s slots cannot be set like that, so none was changed. The first: %(receiver)s, slot "
                "%(slot)s: %(why)s"
            )
            % {
                "n_wrong": len(wrong),
                "n": len(seen),
                "receiver": first.registration.receiver.label,
                "slot": first.registration.slot,
                "why": first.refusals[0],
            }
        )
    changing = [one for one in seen if one.changed]
    if not changing:
        raise NothingChanged(gettext("All of these slots are set like that already."))
    before = [facts_of_row(one.registration, one.before) for one in changing]
    after = _write(changing, at, reason)
    touched = {row.receiver_id for row in after}
    touch(*(receiver for receiver in receivers if receiver.pk in touched))
    versions = {receiver.pk: receiver.version for receiver in receivers}
    batch = uuid.uuid4()
    return ChangeRow.objects.bulk_create(
        ChangeRow(
            at=at, by=by, customer_id=row.customer_id, verb=VERB, subject_kind="registration", subject_id=row.pk,
            subject_text=str(row)[:200], before=facts, reason=reason[:300], batch=batch,
            after=facts_of_row(row, one.after) | {
                "receiver": row.receiver_id, "version": versions[row.receiver_id], "was": one.registration.pk,
            },
        )
        for one, row, facts in zip(changing, after, before, strict=True)
    )  # fmt: skip


def _write(changing: Sequence[Preview], at: datetime, reason: str) -> list[Registration]:
    """Write what changes; the registrations in force afterwards, in the same order."""
    turning = [one for one in changing if not one.is_wording]
    begun = turn_over(
        [
            Turn(
                one.registration, one.registration.receiver, one.registration.transmitter, one.after,
                one.registration.register_again_since or (at if one.again else None),
            )
            for one in turning
        ],
        at=at, why=reason,
    )  # fmt: skip
    followers = {one.registration.pk: row for one, row in zip(turning, begun, strict=True)}
    set_words([(one.registration, one.after) for one in changing if one.is_wording])
    return [followers.get(one.registration.pk, one.registration) for one in changing]
