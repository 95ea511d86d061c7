"""Faults as the templates print them: what, where, since when, what to do. The story of one is in `fault_story.py`."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext

from company.access import PersonRequest
from devices.models import Fault
from maintenance.querysets.fault_places import has_standby, slot_now, state_of
from maintenance.querysets.notices import duty_of
from maintenance.rules.fault_words import Meaning, meaning, rank, source_words, span_words, was

LATE_S = 120
"""What reached us later than this after it happened has both times on the page."""


@dataclass(frozen=True, slots=True)
class FaultLine:
    """One fault as one line.

    `state` is stands, latched or ended; `duty` a duty class or "receiver"; `hangs` says of a fault of a receiver that life
    safety hangs on it. `zone` is the clock by which its times are told.
    """

    fault: Fault
    duty: str
    hangs: bool
    place: str
    place_url: str
    was_at: str
    state: str
    is_grave: bool
    told: Meaning
    age: str
    came_late: bool
    source: str
    zone: str

    @property
    def pk(self) -> int:
        return self.fault.pk


def _place(fault: Fault) -> str:
    if (now := slot_now(fault)) is not None:
        return gettext("slot %(slot)s, %(label)s") % {"slot": now[0], "label": now[1]}
    return fault.transmitter.serial if fault.transmitter else gettext("the receiver itself")


def _was_at(fault: Fault) -> str:
    """Where it was raised, if that is another slot now."""
    now = slot_now(fault)
    if now is None or fault.registration is None or now[0] == fault.registration.slot:
        return ""
    return gettext("raised in slot %(slot)s, moved since") % {"slot": fault.registration.slot}


def place_url(fault: Fault, request: PersonRequest) -> str:
    """Page of the slot that has the fault, else the receiver's slot map; a technician's live under /tech/."""
    frame = "devices:tech_" if request.user.is_technician else "devices:"
    if (now := slot_now(fault)) is not None:
        return reverse(f"{frame}slot_detail", args=[fault.receiver_id, now[0]])
    return reverse(f"{frame}slot_map", args=[fault.receiver_id])


def _told(fault: Fault, duty: str, kind: str) -> Meaning:
    """What it means and what to do; of one that is over only what it meant."""
    if fault.cleared_at is not None:
        return Meaning(was(fault.kind), "")
    return meaning(fault.kind, duty, kind, has_standby=has_standby(fault))


def shown(fault: Fault, request: PersonRequest, now: datetime, zone: str = "") -> FaultLine:
    """One fault as a line; its times are told by the clock of its site unless a zone is named."""
    duty = duty_of(fault)
    hangs = fault.registration is None and bool(getattr(fault, "is_grave_place", False))
    unit = fault.transmitter or (fault.registration.transmitter if fault.registration else None)
    kind = unit.type.kind if unit and unit.type else ""
    return FaultLine(
        fault=fault, duty=duty, hangs=hangs,
        place=_place(fault), place_url=place_url(fault, request), was_at=_was_at(fault), state=state_of(fault),
        is_grave=fault.cleared_at is None and rank(fault.kind, duty, hangs=hangs) == 0,
        told=_told(fault, duty, kind),
        age=span_words((fault.cleared_at or now) - fault.raised_at), came_late=is_late(fault),
        source=source_words(fault.source), zone=zone or fault.site.time_zone,
    )  # fmt: skip


def is_late(fault: Fault) -> bool:
    """Whether it came to us, or was seen by us, markedly later than it began."""
    return fault.recorded_at - fault.raised_at > timedelta(seconds=LATE_S)


def own_zone() -> str:
    """The clock of the firm, by which a list of several sites is told."""
    return timezone.get_current_timezone_name()
