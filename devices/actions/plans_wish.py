"""What is planned for a slot, between settings as actions take them and the plain values that a plan keeps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _

from company.errors import Refused
from devices.actions.slot_settings import SETTING_FIELDS, OutputChoice, Settings, settings_of
from devices.models import Output, PlannedChange, Receiver, Registration, Transmitter, TransmitterType
from devices.rules.plans import has_changed


class NotPlannable(Refused):
    """The plan does not fit the slot."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What the office wants. `serial` and `type` go with registering, `to_receiver` and `to_slot` with moving."""

    kind: str
    settings: Settings | None = None
    serial: str = ""
    type: TransmitterType | None = None
    to_receiver: Receiver | None = None
    to_slot: int | None = None


def plain(settings: Settings) -> dict[str, Any]:
    """Settings as JSON can hold them; outputs by their numbers."""
    values: dict[str, Any] = {name: getattr(settings, name) for name in SETTING_FIELDS}
    values["outputs"] = [[one.output.number, one.behaviour, one.seconds] for one in settings.outputs]
    return values


def plain_of(registration: Registration | None) -> dict[str, Any] | None:
    """What stands in a slot, as plain values."""
    return plain(settings_of(registration)) if registration is not None else None


def settings_from(values: Mapping[str, Any], receiver: Receiver) -> Settings:
    """Settings as an action takes them.

    Raises
    ------
    NotPlannable
        If the receiver has lost an output that the plan names.
    """
    outputs = {output.number: output for output in Output.objects.filter(receiver=receiver)}
    missing = [number for number, _, _ in values["outputs"] if number not in outputs]
    if missing:
        raise NotPlannable(
            _("%(receiver)s has no output %(missing)s any more. Adapt the plan to what is there, or drop it.")
            % {"receiver": receiver.label, "missing": missing[0]}
        )
    return Settings(
        **{name: values[name] for name in SETTING_FIELDS},
        outputs=tuple(OutputChoice(outputs[number], how, seconds) for number, how, seconds in values["outputs"]),
    )


def wanted_of(wish: Wish, stands: Registration | None) -> dict[str, Any]:
    """What a plan keeps: the wish, and what stood there when it was made."""
    return {
        "settings": plain(wish.settings) if wish.settings is not None else None,
        "serial": wish.serial,
        "type": wish.type.code if wish.type is not None else "",
        "to_receiver": wish.to_receiver.pk if wish.to_receiver is not None else None,
        "to_slot": wish.to_slot,
        "stood": plain_of(stands),
    }


def transmitter_of(serial: str, kind: TransmitterType | None) -> Transmitter | None:
    """The transmitter of a serial, an unsaved one where it is new, None where none was named."""
    if not serial:
        return None
    known = Transmitter.objects.filter(serial__iexact=serial).select_related("type").first()
    return known or Transmitter(serial=serial, type=kind)


def wish_of(plan: PlannedChange) -> Wish:
    """The wish that a plan keeps.

    Raises
    ------
    NotPlannable
        If something it names is not there any more.
    """
    wanted = plan.wanted
    to_receiver = None
    if wanted.get("to_receiver"):
        to_receiver = (
            Receiver.objects.filter(pk=wanted["to_receiver"]).select_related("site", "customer", "type").first()
        )
    values = wanted.get("settings")
    return Wish(
        kind=plan.kind,
        settings=settings_from(values, to_receiver or plan.receiver) if values else None,
        serial=wanted.get("serial", ""),
        type=TransmitterType.objects.filter(code=wanted["type"]).first() if wanted.get("type") else None,
        to_receiver=to_receiver,
        to_slot=wanted.get("to_slot"),
    )


def stands_in(receiver: Receiver, slot: int) -> Registration | None:
    """The registration in force in a slot."""
    rows = Registration.objects.open().filter(receiver=receiver, slot=slot)
    return rows.select_related("transmitter__type", "receiver__site", "site").first()


def is_outdated(plan: PlannedChange, stands: Registration | None) -> bool:
    """Whether the slot has changed since the plan was made."""
    return has_changed(
        planned_on=plan.registration_id,
        stands=stands.pk if stands is not None else None,
        stood=plan.wanted.get("stood"),
        settings=plain_of(stands),
    )


def facts_of_plan(plan: PlannedChange) -> dict[str, Any]:
    """A plan as the change log keeps it."""
    return {"slot": plan.slot, "kind": plan.kind, **plan.wanted}
