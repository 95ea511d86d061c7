"""Issuing papers. A paper is made once and never changed; a correction is a new revision that says what changed.

No function here changes or deletes an issued paper, and its QuerySet refuses both.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db import transaction
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext

from company.actions import ensure_firm, record_change
from company.days import day_full
from company.errors import Refused
from company.jobs import Handle, enqueue, retry
from company.manner import manner
from company.models import Firm, Job, User
from devices.models import Receiver
from maintenance.actions.findings import look_again_at_receiver
from maintenance.models import IssuedReport, Visit
from maintenance.reports import lid_label, report_of, service_report, slot_map
from maintenance.reports.base import Content, Printed, Report, make, paper_facts

OF_RECEIVERS: dict[str, Any] = {"slot_map": slot_map, "lid_label": lid_label}
"""Papers of one receiver: modules with `gather` and `number_of`."""

MAX_RACES = 20
"""So often another paper may take the number that this one was printed with; each time it is printed anew."""


class VisitNotFinished(Refused):
    """Only a finished visit can be reported."""


class ReasonMissing(Refused):
    """A correction says what changed."""


class NothingChanged(Refused):
    """A correction that would say the same."""


@dataclass(frozen=True, slots=True)
class Slot:
    """The number and revision that the next paper will bear, and the revision it follows."""

    number: str
    revision: int
    previous: IssuedReport | None = None


def digest(content: Content) -> str:
    """Digest of what a paper says."""
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()


# --- asking: one job per paper, however often it is asked for -------------------------------------------------------------


@transaction.atomic
def ask_for_service_report(*, visit: Visit, by: User, at: datetime, what_changed: str = "") -> Job:
    """Start making the service report of a finished visit: the first, or with a reason the next revision.

    Asking twice is one paper: the job's key is the visit and the revision.

    Raises
    ------
    VisitNotFinished, ReasonMissing, NothingChanged
    """
    visit = Visit.objects.select_for_update(of=("self",)).select_related("site").get(pk=visit.pk)
    if visit.state != Visit.State.FINISHED:
        raise VisitNotFinished(
            gettext("The visit is not finished yet. A report says what was done, so it is issued afterwards.")
        )
    last = IssuedReport.objects.of_visit(visit).latest_first().first()
    what_changed = what_changed.strip()[:300]
    if last and not what_changed:
        raise ReasonMissing(gettext("Say in a few words what the new revision corrects."))
    if last and last.data.get("content") == service_report.gather(service_report.load(visit.pk)):
        raise NothingChanged(
            gettext(
                "The records still say what %(number)s revision %(revision)s says. Correct the entry or the remark "
                "first."
            )
            % {"number": last.number, "revision": last.revision}
        )
    revision = last.revision + 1 if last else 1
    return _start(
        handler="maintenance.actions.reports.make_service_report",
        key=f"service_report:{visit.uuid}:{revision}",
        title=gettext("Service report, %(site)s, %(day)s")
        % {"site": visit.site.name, "day": day_full(visit.planned_on, manner().date_style)},
        args={"visit_id": visit.pk, "revision": revision, "what_changed": what_changed, "by_id": by.pk},
        by=by,
    )


def _source(kind: str, receiver: Receiver, at: datetime, on: date | None, paper: str) -> tuple[str, Content]:
    """Number and facts of a paper of a receiver; only a lid label may be asked for in a size of its own."""
    chosen = {"paper": paper} if paper else {}
    source = OF_RECEIVERS[kind]
    return source.number_of(receiver, on, **chosen), source.gather(receiver, at=at, on=on, **chosen)


def present_slot_map(
    *, receiver: Receiver, at: datetime, on: date | None = None, kind: str = "slot_map", paper: str = ""
) -> tuple[IssuedReport | None, str]:
    """The newest issued slot map (or lid label) if it still says what the records say, else None and what changed."""
    number, content = _source(kind, receiver, at, on, paper)
    last = IssuedReport.objects.numbered(kind, number).latest_first().first()
    if last is None:
        return None, ""
    if last.data.get("content") == content:
        return last, ""
    return None, slot_map.changed_slots(last.data.get("content", {}), content)


@transaction.atomic
def ask_for_slot_map(
    *, receiver: Receiver, by: User, at: datetime, on: date | None = None, kind: str = "slot_map", paper: str = ""
) -> IssuedReport | Job:
    """Give the issued slot map (or lid label) that says what the records say, or start making it."""
    fresh, _ = present_slot_map(receiver=receiver, at=at, on=on, kind=kind, paper=paper)
    if fresh:
        return fresh
    number, content = _source(kind, receiver, at, on, paper)
    n_have = IssuedReport.objects.numbered(kind, number).count()
    # Outside the office one sees only one's own jobs, so each gets one; whichever runs first makes the paper.
    whose = "office" if by.is_office else f"portal-{by.pk}" if by.is_portal else f"technician-{by.pk}"
    return _start(
        handler="maintenance.actions.reports.make_slot_map",
        # The records may come back to what they were: the count keeps that from finding the old job.
        key=f"{kind}:{number}:{n_have}:{digest(content)[:16]}:{whose}",
        title=f"{report_of(kind).label}, {receiver}",
        args={
            "receiver_id": receiver.pk,
            "on": on.isoformat() if on else None,
            "by_id": by.pk,
            "kind": kind,
            "paper": paper,
        },
        by=by,
    )


def ask_for_lid_label(*, receiver: Receiver, by: User, at: datetime) -> IssuedReport | Job:
    """Give the issued lid label that says what the records say, or start making it."""
    return ask_for_slot_map(receiver=receiver, by=by, at=at, kind="lid_label")


def _start(**asked: Any) -> Job:
    """Enqueue; a job of this key that failed before is tried again, for asking again means just that."""
    job = enqueue(**asked)
    return retry(job) if job.state == Job.State.FAILED else job


# --- making: what the jobs do ----------------------------------------------------------------------------------------------


def make_service_report(
    handle: Handle, *, visit_id: int, revision: int, what_changed: str, by_id: int, **unknown: Any
) -> None:
    """Job: print and issue a service report. Done twice it gives the same paper."""
    visit = service_report.load(visit_id)
    at = timezone.now()
    content = service_report.gather(visit)

    def place() -> Slot | IssuedReport:
        issued = list(IssuedReport.objects.of_visit(visit).without_content().order_by("revision"))
        done = next((report for report in issued if report.revision == revision), None)
        if done:
            return done
        if issued:
            return Slot(issued[-1].number, issued[-1].revision + 1, issued[-1])
        return Slot(next_number(at), 1)

    _issue(
        handle,
        report=report_of("service_report"),
        content=content,
        place=place,
        row={"visit": visit, "site": visit.site, "customer": visit.customer},
        by=User.objects.get(pk=by_id),
        at=at,
        what_changed=lambda slot: what_changed,
    )


def make_slot_map(
    handle: Handle,
    *,
    receiver_id: int,
    on: str | None,
    by_id: int,
    kind: str = "slot_map",
    paper: str = "",
    **unknown: Any,
) -> None:
    """Job: print and issue a slot map or lid label. If the newest issued one says the same, that one is the answer."""
    receiver = Receiver.objects.select_related("site", "customer", "type").get(pk=receiver_id)
    at = timezone.now()
    day = date.fromisoformat(on) if on else None
    number, content = _source(kind, receiver, at, day, paper)

    def place() -> Slot | IssuedReport:
        last = IssuedReport.objects.numbered(kind, number).latest_first().first()
        if last and last.data.get("content") == content:
            return last
        return Slot(number, last.revision + 1 if last else 1, last)

    def what_changed(slot: Slot) -> str:
        return slot_map.changed_slots(slot.previous.data.get("content", {}), content) if slot.previous else ""

    _issue(
        handle,
        report=report_of(kind),
        content=content,
        place=place,
        row={"receiver": receiver, "site": receiver.site, "customer": receiver.customer},
        by=User.objects.get(pk=by_id),
        at=at,
        what_changed=what_changed,
    )


def next_number(at: datetime) -> str:
    """The number after the last one of the year, such as SR-2026-0001; call it again under the lock before writing."""
    year = at.astimezone(timezone.get_default_timezone()).year
    prefix = f"SR-{year}-"
    # Longer numbers are greater; within one length text order is number order.
    numbers = IssuedReport.objects.filter(kind="service_report", number__startswith=prefix)
    last = max((int(n.removeprefix(prefix)) for n in numbers.values_list("number", flat=True).distinct()), default=0)
    return f"{prefix}{last + 1:04}"


def _issue(
    handle: Handle,
    *,
    report: Report,
    content: Content,
    place: Callable[[], Slot | IssuedReport],
    row: dict[str, Any],
    by: User,
    at: datetime,
    what_changed: Callable[[Slot], str],
) -> None:
    """Print with the number that is next, then take that number only if it still is: no gaps, and no lock while printing."""
    day = at.astimezone(row["site"].zone).date()
    for turn in range(MAX_RACES):
        slot = place()
        if isinstance(slot, IssuedReport):
            _finish(handle, slot, by)
            return
        handle.progress(1 + turn, 3 + turn, f"printing {slot.number} revision {slot.revision}")
        words = what_changed(slot)
        facts = paper_facts(
            number=slot.number, revision=slot.revision, issued_on=day, issued_by=by.name, what_changed=words
        )
        data = {"paper": facts, "content": content}
        printed = make(report, data, issued_at=at)
        handle.progress(2 + turn, 3 + turn, "keeping it")
        with transaction.atomic():
            # Everybody who issues papers passes this row (PostgreSQL); SQLite lets one writer in anyway.
            Firm.objects.select_for_update().get(pk=ensure_firm().pk)
            now = place()
            if isinstance(now, Slot) and (now.number, now.revision) == (slot.number, slot.revision):
                _finish(handle, _keep(report.kind, slot, printed, data, words, by=by, at=at, row=row), by)
                return
    raise Refused(gettext("So many papers were issued at the same time that this one found no number. Start it again."))


def _keep(
    kind: str,
    slot: Slot,
    printed: Printed,
    data: dict[str, Any],
    words: str,
    *,
    by: User,
    at: datetime,
    row: dict[str, Any],
) -> IssuedReport:
    """Write the paper with all that is kept beside its bytes."""
    issued = IssuedReport.objects.create(
        kind=kind, number=slot.number, revision=slot.revision, title=printed.title[:200], what_changed=words, data=data,
        content=printed.content, sha256=printed.sha256, n_pages=printed.n_pages, issued_at=at, issued_by=by, **row,
    )  # fmt: skip
    record_change(
        by=by, at=at, verb="issue_report", subject=issued, customer=issued.customer, reason=words,
        after={"sha256": printed.sha256, "kind": kind},
    )  # fmt: skip
    _look_at_copies(issued)
    return issued


def _look_at_copies(issued: IssuedReport) -> None:
    """Whether the customer's slot map is out of date hangs on what was issued last."""
    if issued.kind == "slot_map" and issued.receiver_id:
        look_again_at_receiver(receiver_id=issued.receiver_id)


def _finish(handle: Handle, issued: IssuedReport, by: User) -> None:
    """Point the job at the paper, on the page of whoever asked."""
    if by.is_portal:
        url = reverse("maintenance:portal_report", args=[issued.uuid])
    elif by.is_office or issued.kind not in OF_RECEIVERS:
        url = reverse("maintenance:report_detail", args=[issued.pk])
    else:
        url = reverse("maintenance:tech_report_file", args=[issued.pk])
    handle.finish({"report": issued.pk, "sha256": issued.sha256}, url=url)


@transaction.atomic
def release_to_portal(*, report: IssuedReport, is_shown: bool, by: User, at: datetime) -> IssuedReport:
    """Show a paper in the portal or keep it back. The paper itself stays as it is."""
    IssuedReport.objects.filter(pk=report.pk).update(in_portal=is_shown)
    report.in_portal = is_shown
    record_change(
        by=by, at=at, verb="release_to_portal", subject=report, customer=report.customer, after={"in_portal": is_shown}
    )
    _look_at_copies(report)
    return report
