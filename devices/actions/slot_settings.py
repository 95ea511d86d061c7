"""What one slot is set to, as actions take it, and what speaks against it; nothing here writes."""

from __future__ import annotations

from dataclasses import dataclass

from django.utils.translation import gettext as _

from company.errors import Refused
from company.manner import moment_said
from company.models import RiskPolicy
from devices.models import Output, Receiver, Registration, Transmitter
from devices.rules import legality
from devices.rules.findings_facts import SupervisionAsk, asks_with
from devices.rules.slot_map import OutputUse
from devices.rules.words import WINDOW_OFF


class SlotTaken(Refused):
    """Something stands in the slot already."""


class NotSettable(Refused):
    """The receiver or the transmitter cannot be set that way."""


class NoLongerThere(Refused):
    """The registration has ended."""


class NothingChanged(Refused):
    """The slot is already as asked for."""


class OtherCustomer(Refused):
    """The transmitter belongs to another customer."""


@dataclass(frozen=True, slots=True)
class OutputChoice:
    """One output to drive; seconds only for a momentary one."""

    output: Output
    behaviour: str = "unknown"
    seconds: float | None = None


@dataclass(frozen=True, slots=True)
class Settings:
    """A slot as somebody wants it; the names are those of `Registration`."""

    label: str
    duty: str
    area: str = ""
    is_portable: bool = False
    supervision: str = "unknown"
    window_s: int | None = None
    interval_s: int | None = None
    contact: str = "unknown"
    input_number: int = 1
    is_shared: bool = False
    note: str = ""
    outputs: tuple[OutputChoice, ...] = ()


SETTING_FIELDS = (
    "label", "duty", "area", "is_portable", "supervision", "window_s", "interval_s", "contact", "input_number",
    "is_shared", "note",
)  # fmt: skip
# Words about a slot, corrected in place; everything else begins a new registration so that its past stays readable.
WORDING_FIELDS = frozenset({"label", "area", "note"})


def settings_of(registration: Registration) -> Settings:
    """Read the settings of a registration, as a form begins with them."""
    return Settings(
        **{name: getattr(registration, name) for name in SETTING_FIELDS},
        outputs=tuple(
            OutputChoice(row.output, row.behaviour, row.seconds)
            for row in registration.outputs.select_related("output").order_by("output__number")
        ),
    )


def as_rule(settings: Settings, *, slot: int, transmitter: Transmitter | None) -> legality.SlotSetting:
    """Put settings into the form in which the rules judge them."""
    return legality.SlotSetting(
        slot=slot,
        serial=transmitter.serial if transmitter else "",
        input_number=settings.input_number,
        window_s=WINDOW_OFF if settings.supervision == "off" else settings.window_s,
        interval_s=settings.interval_s,
        outputs=tuple(
            OutputUse(choice.output.number, "" if choice.behaviour == "unknown" else choice.behaviour, choice.seconds)
            for choice in settings.outputs
        ),
        contact="" if settings.contact == "unknown" else settings.contact,
        is_declared_twice=settings.is_shared,
        n_inputs=transmitter.type.n_inputs if transmitter and transmitter.type else None,
        duty=settings.duty,
        is_portable=settings.is_portable,
    )


def limits_of(receiver: Receiver) -> legality.ReceiverLimits:
    """What a receiver can be set to; of an unknown type only the counted slots are known."""
    kind = receiver.type
    if kind is None:
        return legality.ReceiverLimits(n_slots=receiver.n_slots)
    return legality.ReceiverLimits(
        n_slots=receiver.n_slots,
        n_outputs=kind.n_outputs,
        windows_s=frozenset(int(window) for window in kind.windows_s),
        can_switch_off=kind.can_switch_supervision_off,
        behaviours=frozenset(kind.behaviours),
    )


def asks_in_force() -> tuple[SupervisionAsk, ...]:
    """What the firm asks of supervision, per duty class, as the findings judge it."""
    return asks_with(RiskPolicy.objects.order_by("pk").values_list("duty", "longest_window_s", "source_note"))


def problems_with(
    settings: Settings,
    *,
    receiver: Receiver,
    slot: int,
    transmitter: Transmitter | None,
    besides: Registration | None = None,
) -> list[legality.Problem]:
    """Everything that speaks against these settings, warnings too; `besides` is the registration that gives way."""
    open_rows = Registration.objects.open().exclude(pk=besides.pk if besides else None)
    holder = open_rows.filter(receiver=receiver, slot=slot).select_related("transmitter").first()
    taken_by = None
    if holder is not None:
        taken_by = f"{holder.transmitter or 'something nobody knows'}, {holder.label}"
    elsewhere = []
    if transmitter is not None and transmitter.pk:
        elsewhere = [
            legality.Elsewhere(str(row.receiver), row.slot, row.input_number, row.is_shared)
            for row in open_rows.filter(transmitter=transmitter).select_related("receiver__site")
        ]
    found = legality.problems(
        as_rule(settings, slot=slot, transmitter=transmitter),
        limits_of(receiver),
        elsewhere=elsewhere,
        taken_by=taken_by,
        asks=asks_in_force(),
    )
    if settings.supervision == "on" and not settings.window_s:
        found.append(
            legality.Problem("window_s", "window_missing", _("Say after how long a silent transmitter is missing."))
        )
    if any(choice.output.receiver_id != receiver.pk for choice in settings.outputs):
        found.append(
            legality.Problem("outputs", "foreign_output", _("An output of another receiver cannot be driven."))
        )
    return found


def in_force(registration: Registration) -> Registration:
    """The registration as it is now, behind the lock of its receiver."""
    now = Registration.objects.select_related("transmitter__type", "receiver__site", "site").get(pk=registration.pk)
    if now.removed_at is not None:
        ended = now.removed_at.astimezone(now.site.zone)
        raise NoLongerThere(
            _("This registration ended on %(moment)s. Look at the slot again.") % {"moment": moment_said(ended)}
        )
    return now
