"""The story of one fault: raised, told, acknowledged, over; and what is left to do after it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db.models import Q
from django.urls import reverse
from django.utils.translation import gettext

from company.access import PersonRequest
from company.models import ChangeRow
from devices.models import Fault, FaultReport, Output, Receiver, Registration
from devices.rules.fault_causes import SAID_OVER
from maintenance.models import Entry, NoticedFault
from maintenance.querysets.notices import duty_of
from maintenance.rules.fault_ends import After, cause_of, end_title, left_to_do, note_of
from maintenance.rules.fault_words import source_words, span_words
from maintenance.views.faults_shown import is_late

SHORTLY = timedelta(days=1)
"""The same fault so soon before or after belongs to the story."""
MOST_REPORTS = 200
"""So many reports of one fault are looked through for their sources: some receivers repeat what stands every hour."""


@dataclass(frozen=True, slots=True)
class Step:
    """One moment in the story of a fault."""

    at: datetime
    title: str
    text: str = ""
    url: str = ""


@dataclass(frozen=True, slots=True)
class Left:
    """What an ended fault has left to do, with the way there."""

    words: Sequence[str]
    url: str = ""
    link: str = ""


def story(fault: Fault, request: PersonRequest) -> list[Step]:
    """What happened to a fault, oldest first: raised, reached us, mails, acknowledged, over, cleared on site."""
    reports = _reports(fault, request)
    began = next((row.source for row in reports if row.at == fault.raised_at), fault.source)
    steps = [Step(fault.raised_at, gettext("Raised"), _raised_words(fault, began))]
    if is_late(fault):
        late = gettext("%(late)s later") % {"late": span_words(fault.recorded_at - fault.raised_at)}
        if began != fault.source:
            late = gettext("%(late)s later, from %(source)s") % {
                "late": span_words(fault.recorded_at - fault.raised_at), "source": source_words(fault.source)
            }  # fmt: skip
        is_ours = fault.found_by == Fault.FoundBy.WATCH
        steps.append(Step(fault.recorded_at, gettext("Seen by us") if is_ours else gettext("Reached us"), late))
    steps += _others(fault, reports)
    steps += _mails(fault, NoticedFault.objects.visible_to(request.user).filter(fault=fault), request)
    if fault.acknowledged_at:
        by = fault.acknowledged_by.name if fault.acknowledged_by else ""
        words = f"{by}: {fault.acknowledged_note}" if fault.acknowledged_note else by
        steps.append(Step(fault.acknowledged_at, gettext("Acknowledged"), words))
    if fault.cleared_at:
        steps.append(Step(fault.cleared_at, _end_title(fault), _end_words(fault, request)))
    if fault.latch_cleared_at and not _ended_with_receiver(fault):
        steps.append(_cleared(fault, request))
    steps += _before_and_after(fault, request)
    return sorted(steps, key=lambda step: step.at)


def _before_and_after(fault: Fault, request: PersonRequest) -> Iterable[Step]:
    """The same fault shortly before and shortly after: each is one of its own, so that it is told and acknowledged anew."""
    rows = Fault.objects.visible_to(request.user).filter(
        receiver=fault.receiver_id, transmitter=fault.transmitter_id, kind=fault.kind
    ).exclude(pk=fault.pk)  # fmt: skip
    page = "maintenance:tech_fault_detail" if request.user.is_technician else "maintenance:fault_detail"
    earlier = rows.filter(cleared_at__lte=fault.raised_at, cleared_at__gte=fault.raised_at - SHORTLY)
    if (before := earlier.order_by("-cleared_at", "-pk").first()) is not None and before.cleared_at is not None:
        words = gettext("after %(span)s") % {"span": span_words(before.cleared_at - before.raised_at)}
        yield Step(before.cleared_at, gettext("The one before was over"), words, reverse(page, args=[before.pk]))
    if fault.cleared_at is None:
        return
    later = rows.filter(raised_at__gte=fault.cleared_at, raised_at__lte=fault.cleared_at + SHORTLY)
    if (after := later.order_by("raised_at", "pk").first()) is not None:
        yield Step(
            after.raised_at, gettext("It came again"), gettext("as a fault of its own"), reverse(page, args=[after.pk])
        )


def _end_title(fault: Fault) -> str:
    is_reported = fault.found_by == Fault.FoundBy.SIGNAL
    return end_title(fault.cause, is_reported=is_reported, receiver_left=_ended_with_receiver(fault))


def _end_words(fault: Fault, request: PersonRequest) -> str:
    """After how long it ended, and where a person said so who and why."""
    ended_at: Any = fault.cleared_at
    after = gettext("after %(span)s") % {"span": span_words(ended_at - fault.raised_at)}
    if cause_of(fault.cause) != SAID_OVER:
        return after
    said = ChangeRow.objects.visible_to(request.user).filter(
        subject_kind="fault", subject_id=fault.pk, verb="say_fault_over", undone_by=None
    )
    row = said.select_related("by").order_by("-pk").first()
    return f"{row.by.name if row.by else ''}: {row.reason} ({after})" if row else after


def _ended_with_receiver(fault: Fault) -> bool:
    """Whether the unit that showed it came down at the moment of its end; the cause may be an older word."""
    down_at = fault.receiver.removed_at
    return down_at is not None and fault.cleared_at is not None and fault.cleared_at >= down_at


def _raised_words(fault: Fault, source: str) -> str:
    if fault.found_by == Fault.FoundBy.WATCH:
        return gettext("Nobody reported it: we saw it ourselves in what came in.")
    if source:
        return gettext("Reported by %(source)s.") % {"source": source_words(source).removesuffix(".")}
    return gettext("Reported.")


def _reports(fault: Fault, request: PersonRequest) -> list[FaultReport]:
    """What was reported of it while it stood, in the order in which it reached us."""
    if fault.found_by == Fault.FoundBy.WATCH:
        return []
    rows = FaultReport.objects.visible_to(request.user).filter(
        receiver=fault.receiver_id, transmitter=fault.transmitter_id, kind=fault.kind, is_raised=True,
        at__gte=fault.raised_at,
    )  # fmt: skip
    rows = rows.filter(at__lte=fault.cleared_at) if fault.cleared_at else rows
    return list(rows.order_by("received_at", "at", "pk")[:MOST_REPORTS])


def _others(fault: Fault, reports: Iterable[FaultReport]) -> Iterable[Step]:
    """When it reached us from other sources than the one from which we knew it first."""
    told = {fault.source}
    for row in reports:
        if row.source not in told:
            told.add(row.source)
            text = gettext("from %(source)s as well") % {"source": source_words(row.source)}
            yield Step(row.received_at, gettext("Reached us"), text)


def _mails(fault: Fault, rows: Any, request: PersonRequest) -> Iterable[Step]:
    for row in rows.select_related("notice__rule").order_by("nth", "pk"):
        notice = row.notice
        title = gettext("Reminder by mail") if notice.is_reminder else gettext("Mail")
        to = ", ".join((notice.recipients or notice.rule.recipients).split())
        words = to if notice.state == "sent" else f"{notice.get_state_display()}: {to}"
        url = reverse("maintenance:notice_detail", args=[notice.uuid]) if request.user.is_office else ""
        # A mail that gathers was begun for an earlier fault; this one is in it since it reached us.
        at = notice.sent_at or max(notice.made_at, fault.recorded_at)
        yield Step(at, title, words, url)


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
    why = row.reason if row and row.reason else note_of(fault.cause)
    if why:
        words = f"{words}: {why}" if words else why
    url = ""
    if entry is not None:
        words = gettext("%(who)s, on a visit") % {"who": words} if words else gettext("on a visit")
        url = reverse("maintenance:visit_detail", args=[entry.visit_id]) if request.user.is_office else ""
    return Step(at, gettext("Receiver cleared on site"), words, url)


# --- after it ended -----------------------------------------------------------------------------------------------------


def left_of(fault: Fault, request: PersonRequest) -> Left:
    """What an ended fault may leave behind; no words where nothing is known to be left."""
    unit = fault.transmitter or (fault.registration.transmitter if fault.registration else None)
    heir = _heir(fault, request) if _ended_with_receiver(fault) else None
    again, untested = _waiting(heir, request) if heir is not None else (0, 0)
    ended_at: Any = fault.cleared_at
    words = left_to_do(
        After(
            fault.kind, duty_of(fault), unit.type.kind if unit and unit.type else "", fault.cause,
            ended_at - fault.raised_at, n_again=again, n_untested=untested, is_empty=_is_empty(fault, request),
            hangs=bool(getattr(fault, "is_grave_place", False)),
        )
    )  # fmt: skip
    frame = "devices:tech_" if request.user.is_technician else "devices:"
    if heir is not None and (again or untested):
        return Left(
            words, reverse(f"{frame}receiver_progress", args=[heir.pk]), gettext("What waits at the new receiver")
        )
    return Left(words)


def _heir(fault: Fault, request: PersonRequest) -> Receiver | None:
    """The unit that hangs where the one with the fault hung, along any number of swaps."""
    rows, pk = Receiver.objects.visible_to(request.user), fault.receiver_id
    for _step in range(20):
        after = rows.filter(replaces=pk).order_by("-pk").first()
        if after is None or after.removed_at is None:
            return after
        pk = after.pk
    return None


def _waiting(receiver: Receiver, request: PersonRequest) -> tuple[int, int]:
    """Slots to be registered again and outputs to be seen to work again."""
    slots = Registration.objects.visible_to(request.user).open().filter(receiver=receiver)
    outputs = Output.objects.visible_to(request.user).filter(receiver=receiver, test_again_since__isnull=False)
    return slots.filter(register_again_since__isnull=False).count(), outputs.count()


def _is_empty(fault: Fault, request: PersonRequest) -> bool:
    """Whether nothing stands in its slot now; only asked where it was taken out."""
    if fault.registration is None or not cause_of(fault.cause) or fault.receiver.removed_at is not None:
        return False
    here = Q(receiver=fault.receiver_id, slot=fault.registration.slot)
    return not Registration.objects.visible_to(request.user).open().filter(here).exists()
