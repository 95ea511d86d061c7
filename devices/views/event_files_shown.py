"""Where an uploaded event log stands: its jobs, what a check found, what came in, and the same file before."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Q
from django.utils.translation import gettext as _

from company.access import PersonRequest
from company.models import Job, Upload
from company.sheets import Row
from devices.actions import event_files as actions
from devices.forms.event_files import KIND_LABELS
from devices.imports.event_logs import reader_of
from devices.imports.log_places import KnownPlaces
from devices.models import IntakeBatch, IntakeSource
from devices.rules.event_log import LogMap, Part


@dataclass(frozen=True, slots=True)
class Standing:
    """The newest job of each kind for one file, and its source."""

    look: Job | None = None
    check: Job | None = None
    take: Job | None = None
    source: IntakeSource | None = None

    @property
    def at_work(self) -> Job | None:
        """The job that runs or waits."""
        return next((job for job in (self.take, self.check, self.look) if job and not job.is_over), None)

    @property
    def newest(self) -> Job | None:
        return self.take or self.check or self.look

    @property
    def error(self) -> str:
        """Why the newest job failed, in words; empty where it did not."""
        job = self.newest
        if job is None or job.state != Job.State.FAILED:
            return ""
        return _("The program met a fault, which was written down.") if job.error.startswith("Traceback") else job.error

    @property
    def looked(self) -> Mapping[str, Any]:
        return _result(self.look)

    @property
    def seen(self) -> Mapping[str, Any]:
        """What the check found."""
        return _result(self.check)

    @property
    def taken(self) -> Mapping[str, Any]:
        """What came in."""
        return _result(self.take)

    @property
    def word(self) -> str:
        """One word for the list."""
        if self.at_work:
            return {id(self.take): "taking", id(self.check): "checking"}.get(id(self.at_work), "looking")
        if self.taken:
            return "taken" if self.taken["n_taken"] else "none"
        if self.error:
            return "failed"
        if self.looked and not self.looked["n_rows"]:
            return "nothing"
        if self.seen:
            return "ready" if self.seen["n_events"] else "nothing"
        return "map"


def _result(job: Job | None) -> Mapping[str, Any]:
    return (job.result or {}) if job and job.state == Job.State.DONE else {}


def standings(request: PersonRequest, uploads: Sequence[Upload]) -> dict[int, Standing]:
    """The jobs and sources of these files, in two queries; of several checks the one asked for last counts."""
    if not uploads:
        return {}
    condition = Q()
    for upload in uploads:
        for prefix in _prefixes(upload):
            condition |= Q(key__startswith=prefix)
    jobs = list(Job.objects.visible_to(request.user).filter(condition).select_related("requested_by").order_by("pk"))
    pks = {job.args["source"] for job in jobs}
    sources = IntakeSource.objects.visible_to(request.user).select_related("customer", "site").in_bulk(pks)
    found = {}
    for upload in uploads:
        look, check = (
            next((job for job in reversed(jobs) if job.key.startswith(prefix)), None)
            for prefix in _prefixes(upload)[:2]
        )
        if check and look and look.pk > check.pk:
            # Looked at again after the check: the columns are being chosen anew.
            check = None
        wanted = actions.take_prefix(upload) + check.key.rpartition(":")[2] if check else ""
        take = next((job for job in jobs if job.key == wanted), None)
        found[upload.pk] = Standing(look, check, take, sources.get(look.args["source"]) if look else None)
    return found


def _prefixes(upload: Upload) -> tuple[str, str, str]:
    return actions.look_prefix(upload), actions.check_prefix(upload), actions.take_prefix(upload)


@dataclass(frozen=True, slots=True)
class Before:
    """The same bytes as they came before.

    Attributes
    ----------
    is_all : bool
        Of this source, read in the same way, and whole: taking it again changes nothing.
    """

    first: IntakeBatch
    n_rows: int
    is_all: bool
    is_same_way: bool


def came_before(request: PersonRequest, upload: Upload, standing: Standing) -> Before | None:
    """What the ledger knows of the very same file."""
    rows = list(
        actions.batches_of(upload.sha256).visible_to(request.user).select_related("source", "by").defer("answer").order_by("received_at", "pk")
    )  # fmt: skip
    if not rows:
        return None
    digest = standing.check.key.rpartition(":")[2] if standing.check else ""
    source_pk = standing.source.pk if standing.source else None
    same = [row for row in rows if row.source_id == source_pk and digest and f"-{digest}-" in row.batch_id]
    is_all = bool(same) and len(same) >= standing.seen["n_batches"]
    return Before(rows[0], sum(row.n_rows for row in (same or rows)), is_all, bool(same))


@dataclass(frozen=True, slots=True)
class Understood:
    """One of the first rows as it will be read."""

    row: int
    cells: Sequence[str]
    at: datetime | None = None
    local: datetime | None = None
    kind: str = ""
    whom: str = ""
    more: str = ""
    problem: str = ""
    is_left: bool = False


def understood(look: Mapping[str, Any], source: IntakeSource, chosen: LogMap, places: KnownPlaces) -> list[Understood]:
    """The first rows as they will be read; each is read by itself, so that one bad row hides no other."""
    reader = reader_of(source, places, chosen)
    labels = {one.code: f"{one.site}, {one.label}" for one in places.known}
    shown = []
    for number, cells in look["sample"]:
        part = Part(1)
        reader.read_into(part, Row(number, tuple(cell or None for cell in cells)))
        shown.append(_told(number, cells, part, chosen, labels))
    return shown


def _told(
    number: int, cells: Sequence[str], part: Part, chosen: LogMap, labels: Mapping[str, str]
) -> Understood:  # fmt: skip
    if part.problems:
        return Understood(number, cells, problem=part.problems[0].why)
    if not part.events:
        return Understood(number, cells, is_left=True)
    event = part.events[0]
    place = labels.get(event.receiver, event.receiver)
    slot = _("slot %(slot)s") % {"slot": event.slot} if event.slot else ""
    figures = [
        f"{event.margin_db:g} dB" if event.margin_db is not None else "",
        f"{event.battery_v:g} V" if event.battery_v is not None else "",
    ]
    unread = [one.why for one in part.unread]
    return Understood(
        number, cells, event.at, event.at.astimezone(ZoneInfo(chosen.zone)), str(KIND_LABELS[event.kind]),
        ", ".join(filter(None, (event.serial, place, slot))), " · ".join(filter(None, (*figures, event.note, *unread))),
    )  # fmt: skip


def kinds_shown(seen: Mapping[str, Any]) -> list[tuple[Any, int]]:
    """Kinds of event with their counts, in words."""
    return [(KIND_LABELS.get(kind, kind), n) for kind, n in seen.get("kinds", ())]


def span_of(seen: Mapping[str, Any]) -> tuple[datetime, datetime] | None:
    """First and last event."""
    if not seen.get("from"):
        return None
    return datetime.fromisoformat(seen["from"]), datetime.fromisoformat(seen["until"])
