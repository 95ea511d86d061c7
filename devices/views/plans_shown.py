"""What pages say of planned changes: the plan beside what stands there, line by line."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _

from devices.actions.bulk_turn import read_settings, with_settings
from devices.actions.plans_wish import plain
from devices.models import PlannedChange, Receiver, Registration
from devices.rules.plans import Line, compare, has_changed, words_of


@dataclass(frozen=True, slots=True)
class ShownPlan:
    """One plan with what stands in its slot, as pages show it."""

    plan: PlannedChange
    stands: Registration | None
    lines: list[Line]
    is_outdated: bool
    target: str

    @property
    def differing(self) -> list[Line]:
        """Lines in which plan and slot differ."""
        return [line for line in self.lines if line.differs]

    @property
    def needs_serial(self) -> bool:
        """Whether the plan leaves open which unit is registered: the person on site must say it first."""
        return self.plan.kind == PlannedChange.Kind.REGISTER and not self.plan.wanted.get("serial")

    @property
    def title(self) -> str:
        """What is to be done, in a few words."""
        kind = PlannedChange.Kind
        serial = self.plan.wanted.get("serial") or _("a transmitter")
        words = {
            kind.REGISTER: _("Register %(serial)s") % {"serial": serial},
            kind.CHANGE: _("Change the settings"),
            kind.MOVE: _("Move it to %(target)s") % {"target": self.target},
            kind.REMOVE: _("Take it out of the slot"),
        }
        return words.get(kind(self.plan.kind), self.plan.get_kind_display())

    @property
    def place(self) -> str:
        """Label of the slot: as it stands, else as it is planned."""
        if self.stands is not None:
            return self.stands.label
        return str((self.plan.wanted.get("settings") or {}).get("label", ""))


def shown_plans(plans: Iterable[PlannedChange], user: Any) -> list[ShownPlan]:
    """Plans with what stands there; a number of queries that does not grow with them."""
    rows = list(plans)
    if not rows:
        return []
    receivers = {row.receiver_id for row in rows}
    slots = {row.slot for row in rows}
    standing = {
        (row.receiver_id, row.slot): row
        for row in with_settings(
            Registration.objects.visible_to(user).open().filter(receiver__in=receivers, slot__in=slots)
        )
    }
    targets = {row.wanted.get("to_receiver") for row in rows} - {None}
    names = {one.pk: one.label for one in Receiver.objects.visible_to(user).filter(pk__in=targets)} if targets else {}
    return [_shown(row, standing.get((row.receiver_id, row.slot)), names) for row in rows]


def _shown(plan: PlannedChange, stands: Registration | None, names: dict[int, str]) -> ShownPlan:
    found = plain(read_settings(stands)) if stands is not None else None
    serial = stands.transmitter.serial if stands is not None and stands.transmitter is not None else ""
    wanted = plan.wanted.get("settings")
    to_serial = plan.wanted.get("serial", "") if plan.kind == PlannedChange.Kind.REGISTER else serial
    target = ""
    if plan.kind == PlannedChange.Kind.MOVE:
        label = names.get(plan.wanted.get("to_receiver") or 0, _("a receiver that is gone"))
        target = f"{label}, slot {plan.wanted.get('to_slot')}"
    return ShownPlan(
        plan,
        stands,
        compare(words_of(wanted, serial=to_serial), words_of(found, serial=serial)),
        plan.done_at is None and plan.dropped_at is None and has_changed(
            planned_on=plan.registration_id, stands=stands.pk if stands is not None else None,
            stood=plan.wanted.get("stood"), settings=found,
        ),
        target,
    )  # fmt: skip
