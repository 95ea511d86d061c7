"""Faults as the templates print them: what, where, since when, what to do, and the story of one."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.urls import reverse
from django.utils.translation import gettext

from company.access import PersonRequest
from company.models import ChangeRow
from devices.models import Fault
from maintenance.models import Entry, NoticedFault
from maintenance.querysets.notices import duty_of
from maintenance.rules.fault_words import Meaning, meaning, rank, span_words

LATE_S = 120
"""What reached us later than this after it happened has both times on the page."""


@dataclass(frozen=True, slots=True)
class FaultLine:
    """One fault as one line. `state` is stands, latched or ended; `duty` a duty class or "receiver"."""

    fault: Fault
    duty: str
    place: str
    place_url: str
    state: str
    is_grave: bool
    told: Meaning
    age: str
    came_late: bool

    @property
    def pk(self) -> int:
        return self.fault.pk


@dataclass(frozen=True, slots=True)
class Step:
    """One moment in the story of a fault."""

    at: datetime
    title: str
    text: str = ""
    url: str = ""


def state_of(fault: Fault) -> str:
    """stands, latched (over, still shown by the receiver) or ended."""
    if fault.cleared_at is None:
        return "stands"
    return "latched" if fault.is_latched and fault.latch_cleared_at is None else "ended"


def _place(fault: Fault) -> str:
    if fault.registration is not None:
        return gettext("slot %(slot)s, %(label)s") % {
            "slot": fault.registration.slot,
            "label": fault.registration.label,
        }
    return fault.transmitter.serial if fault.transmitter else gettext("the receiver itself")


def place_url(fault: Fault, request: PersonRequest) -> str:
    """Page of the slot it was raised for, else the receiver's slot map; a technician's live under /tech/."""
    frame = "devices:tech_" if request.user.is_technician else "devices:"
    if fault.registration is not None:
        return reverse(f"{frame}slot_detail", args=[fault.receiver_id, fault.registration.slot])
    return reverse(f"{frame}slot_map", args=[fault.receiver_id])


def shown(fault: Fault, request: PersonRequest, now: datetime) -> FaultLine:
    """One fault as a line."""
    duty = duty_of(fault)
    unit = fault.transmitter or (fault.registration.transmitter if fault.registration else None)
    return FaultLine(
        fault=fault, duty=duty, place=_place(fault), place_url=place_url(fault, request), state=state_of(fault),
        is_grave=fault.cleared_at is None and rank(fault.kind, duty) == 0,
        told=meaning(fault.kind, duty, unit.type.kind if unit and unit.type else ""),
        age=span_words((fault.cleared_at or now) - fault.raised_at),
        came_late=fault.recorded_at - fault.raised_at > timedelta(seconds=LATE_S),
    )  # fmt: skip


def story(fault: Fault, request: PersonRequest) -> list[Step]:
    """What happened to a fault, oldest first: raised, reached us, mails, acknowledged, over, cleared on site."""
    steps = [Step(fault.raised_at, gettext("Raised"), _raised_words(fault))]
    if fault.recorded_at - fault.raised_at > timedelta(seconds=LATE_S):
        late = span_words(fault.recorded_at - fault.raised_at)
        steps.append(Step(fault.recorded_at, gettext("Reached us"), gettext("%(late)s later") % {"late": late}))
    steps += _mails(NoticedFault.objects.visible_to(request.user).filter(fault=fault), request)
    if fault.acknowledged_at:
        by = fault.acknowledged_by.name if fault.acknowledged_by else ""
        words = f"{by}: {fault.acknowledged_note}" if fault.acknowledged_note else by
        steps.append(Step(fault.acknowledged_at, gettext("Acknowledged"), words))
    if fault.cleared_at:
        title = gettext("Reported over") if fault.found_by == Fault.FoundBy.SIGNAL else gettext("Seen to be over")
        steps.append(
            Step(
                fault.cleared_at,
                title,
                gettext("after %(span)s") % {"span": span_words(fault.cleared_at - fault.raised_at)},
            )
        )
    if fault.latch_cleared_at:
        steps.append(_cleared(fault, request))
    return sorted(steps, key=lambda step: step.at)


def _raised_words(fault: Fault) -> str:
    if fault.found_by == Fault.FoundBy.WATCH:
        return gettext("Nobody reported it: we saw it ourselves in what came in.")
    if fault.source:
        return gettext("Reported by %(source)s.") % {"source": fault.source}
    return gettext("Reported.")


def _mails(rows: Any, request: PersonRequest) -> Iterable[Step]:
    for row in rows.select_related("notice__rule").order_by("nth", "pk"):
        notice = row.notice
        title = gettext("Reminder by mail") if notice.is_reminder else gettext("Mail")
        to = ", ".join((notice.recipients or notice.rule.recipients).split())
        words = to if notice.state == "sent" else f"{notice.get_state_display()}: {to}"
        url = reverse("maintenance:notice_detail", args=[notice.uuid]) if request.user.is_office else ""
        yield Step(notice.sent_at or notice.made_at, title, words, url)


def _cleared(fault: Fault, request: PersonRequest) -> Step:
    """Who cleared the receiver, and on which visit if it was one."""
    at: Any = fault.latch_cleared_at
    log = ChangeRow.objects.visible_to(request.user).filter(
        subject_kind="receiver", subject_id=fault.receiver_id, verb="clear_latched_faults", at=at
    )
    row = log.select_related("by").first()
    entry = (
        Entry.objects.visible_to(request.user).filter(receiver=fault.receiver_id, kind="cleared", made_at=at).first()
    )
    words = row.by.name if row and row.by else ""
    if fault.cause:
        words = f"{words}: {fault.cause}" if words else fault.cause
    url = ""
    if entry is not None:
        words = gettext("%(who)s, on a visit") % {"who": words} if words else gettext("on a visit")
        url = reverse("maintenance:visit_detail", args=[entry.visit_id]) if request.user.is_office else ""
    return Step(at, gettext("Receiver cleared on site"), words, url)
