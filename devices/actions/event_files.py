"""Event logs handed over as files: kept byte for byte, looked at, mapped, checked, and taken in part by part, each once."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any
from zoneinfo import available_timezones

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext

from company import jobs
from company.actions import record_change
from company.errors import Refused
from company.models import ChangeRow, Job, Upload, User
from devices.actions.intake import Taken, take_batch
from devices.actions.source_scope import receivers_of
from devices.models import IntakeBatch, IntakeSource
from devices.rules.event_log import LogMap, Part
from devices.rules.event_log_memory import NAMES, to_remember, usable, wrong_in

KIND = "event_log"
SEEN_KIND = "event_log_seen"
LOOK, TAKE = "event-log-look:", "event-log-take:"
"""How the keys of the jobs begin that look at files and take them in."""
_HANDLERS = "devices.imports.event_logs"


class CannotTakeFile(Refused):
    """The file cannot be handed over as things stand."""


class NothingToTake(Refused):
    """No row of the file would be taken."""


@lru_cache(maxsize=1)
def zones() -> frozenset[str]:
    """Names of all time zones; the system gives them by walking through its files."""
    return frozenset(available_timezones())


@dataclass(frozen=True, slots=True)
class Memory:
    """What a source remembers of its last file, as far as it can be used, and the names of what was left aside."""

    choices: dict[str, Any]
    left_aside: list[str]

    @property
    def left_in_words(self) -> str:
        return ", ".join(NAMES[name] for name in self.left_aside)


def remembered(source: IntakeSource, choices: Any = None) -> Memory:
    """What a source remembers, or the given choices for one of its files, without what cannot be used any more."""
    is_kept = choices is None
    return Memory(
        *usable(
            source.column_map if is_kept else choices, zones=zones(), is_receiver=lambda code: _speaks_for(source, code),
            is_kept=is_kept,
        )
    )  # fmt: skip


def _speaks_for(source: IntakeSource, code: str) -> bool:
    return receivers_of(source).filter(code=code).exists()


@transaction.atomic
def receive_file(
    *, name: str, content: bytes, source: IntakeSource, draft: Mapping[str, Any] | None = None, by: User | None, at: datetime
) -> Upload:  # fmt: skip
    """Keep an event log and ask for a first look at its columns. Nothing of it is taken before a person says so.

    Raises
    ------
    CannotTakeFile
        If the source is retired, or hands over in another way.
    """
    must_be_open(source)
    upload = Upload.objects.create(
        kind=KIND, name=name[:200], sha256=hashlib.sha256(content).hexdigest(), content=content, by=by, at=at
    )
    ask_to_look(upload=upload, source=source, draft=draft, by=by)
    return upload


def must_be_open(source: IntakeSource) -> None:
    """Refuse a source from which no file is taken.

    Raises
    ------
    CannotTakeFile
    """
    if source.kind != IntakeSource.Kind.FILE:
        raise CannotTakeFile(gettext("This source does not hand over files. Choose or make one for files."))
    if not source.is_active or (source.customer is not None and source.customer.closed_at):
        raise CannotTakeFile(
            gettext("This source is retired, or its customer is closed. Take it into use again first.")
        )


@transaction.atomic
def ask_to_look(
    *, upload: Upload, source: IntakeSource, draft: Mapping[str, Any] | None = None, by: User | None
) -> Job:  # fmt: skip
    """Ask for a look at a file: headings, forms of time, words with their counts. `draft` holds what was chosen so far."""
    n_before = Job.objects.filter(key__startswith=look_prefix(upload)).count()
    return jobs.enqueue(
        handler=f"{_HANDLERS}.look_at_file",
        key=f"{look_prefix(upload)}{n_before}",
        title=(gettext("Look at %(name)s") % {"name": upload.name})[:200],
        args={"upload": str(upload.uuid), "source": source.pk, "draft": dict(draft or {})},
        by=by,
    )


@transaction.atomic
def choose_map(
    *, upload: Upload, source: IntakeSource, chosen: LogMap, heads: Sequence[str], by: User | None, at: datetime
) -> Job:  # fmt: skip
    """Remember what was chosen for the next file of this source, and ask for a check of this one. Repeating makes one job.

    Raises
    ------
    CannotTakeFile
        If the source was retired meanwhile, or a choice is none that can be used: nothing is kept then.
    """
    fresh = IntakeSource.objects.select_for_update(of=("self",)).get(pk=source.pk)
    must_be_open(fresh)
    _must_be_usable(fresh, chosen, heads)
    before = remembered(fresh).choices
    after = to_remember(chosen.as_json(), heads, before)
    if after != fresh.column_map:
        fresh.column_map = after
        fresh.save(update_fields=["column_map"])
        record_change(
            by=by, at=at, verb="map_event_log", subject=fresh, customer_id=fresh.customer_id,
            before=_in_words(before), after=_in_words(after), reason=upload.name,
        )  # fmt: skip
    return _ask_to_check(upload, fresh, chosen, by)


def _must_be_usable(source: IntakeSource, chosen: LogMap, heads: Sequence[str]) -> None:
    given = chosen.as_json()
    wrong = wrong_in(given, zones=zones(), is_receiver=lambda code: _speaks_for(source, code))
    if not wrong and any(at >= len(heads) for at in given["columns"].values()):
        wrong = ["columns"]
    if wrong:
        what = ", ".join(NAMES[name] for name in wrong)
        raise CannotTakeFile(gettext("This cannot be used: %(what)s. Choose anew; nothing was kept.") % {"what": what})


def _ask_to_check(upload: Upload, source: IntakeSource, chosen: LogMap, by: User | None) -> Job:
    """Each time a check of its own, as the records may have changed; a double click meets the one that still works."""
    former = list(Job.objects.filter(key__startswith=check_prefix(upload)).order_by("pk"))
    digest = map_digest(chosen)
    if former and not former[-1].is_over and former[-1].key.endswith(f":{digest}"):
        return former[-1]
    return jobs.enqueue(
        handler=f"{_HANDLERS}.check_file",
        key=f"{check_prefix(upload)}{len(former)}:{digest}",
        title=(gettext("Check of %(name)s") % {"name": upload.name})[:200],
        args={"upload": str(upload.uuid), "source": source.pk, "map": chosen.as_json()},
        by=by,
    )


def _in_words(kept: Mapping[str, Any]) -> dict[str, Any]:
    columns = kept.get("columns", {})
    return {
        "columns": ", ".join(f"{name}: {where.get('head') or where.get('at')}" for name, where in columns.items()),
        "times": kept.get("time_format", ""), "zone": kept.get("zone", ""), "words": len(kept.get("words", {})),
    }  # fmt: skip


@transaction.atomic
def ask_to_take(*, upload: Upload, check: Job, by: User | None, at: datetime) -> Job:
    """Ask for a checked file to be taken in; asking twice makes one job.

    Raises
    ------
    NothingToTake
        If the check has not ended well, or no row would be taken.
    CannotTakeFile
        If the source was retired meanwhile.
    """
    result = check.result or {}
    if check.state != Job.State.DONE or "n_events" not in result:
        raise NothingToTake(gettext("The file was not checked yet. Look at what it holds first."))
    if not result["n_events"]:
        raise NothingToTake(
            gettext("No row of this file would be taken. Look at the reasons and choose the columns anew.")
        )
    must_be_open(
        IntakeSource.objects.select_for_update(of=("self",)).select_related("customer").get(pk=check.args["source"])
    )
    return jobs.enqueue(
        handler=f"{_HANDLERS}.take_file",
        key=f"{take_prefix(upload)}{check.key.rpartition(':')[2]}",
        title=(gettext("Taking in of %(name)s") % {"name": upload.name})[:200],
        args={**check.args, "by": by.pk if by else None},
        by=by,
    )


def take_part(
    *, upload: Upload, source: IntakeSource, chosen: LogMap, part: Part, by: User | None, at: datetime
) -> Taken:  # fmt: skip
    """Take one part of a file in, once: the same part again gives its first answer and changes nothing."""
    digest = map_digest(chosen)
    return take_batch(
        source=source,
        batch_id=batch_id(upload.sha256, digest, part.number),
        sha256=hashlib.sha256(f"{upload.sha256}:{digest}:{part.number}".encode()).hexdigest(),
        events=part.events,
        problems=part.problems,
        n_clamped=part.n_clamped,
        file_name=upload.name[:120],
        by=by,
        left_out=part.unread,
        at=at,
    )


@transaction.atomic
def note_taken(
    *, upload: Upload, source: IntakeSource, counts: Mapping[str, int], by: User | None, at: datetime
) -> None:
    """Write into the change log that a file was taken in; the caller marks its job done in the same transaction."""
    record_change(
        by=by, at=at, verb="take_event_log", subject=source, customer_id=source.customer_id, after=dict(counts),
        reason=upload.name,
    )  # fmt: skip


@transaction.atomic
def remove_file(*, upload: Upload, source: IntakeSource, by: User | None, at: datetime) -> bool:
    """Throw a file away of which nothing was taken in, with what was found in it; gives whether its source went too.

    A source that was named for this file alone, and of which nothing ever came, goes with it: its name is free again.

    Raises
    ------
    CannotTakeFile
        If the file was taken in, wholly or in part, or a job works on it.
    """
    # Whoever would take it in at this very moment asks for the source as well.
    fresh = IntakeSource.objects.select_for_update(of=("self",)).get(pk=source.pk)
    if Job.objects.filter(key__startswith=take_prefix(upload)).exists():
        raise CannotTakeFile(gettext("This file was taken in, so it stays: it says where its rows came from."))
    jobs_of_file = Job.objects.filter(Q(key__startswith=look_prefix(upload)) | Q(key__startswith=check_prefix(upload)))
    if any(not job.is_over for job in jobs_of_file):
        raise CannotTakeFile(gettext("The file is being gone through. Wait until that is over, then remove it."))
    record_change(
        by=by, at=at, verb="remove_event_log", subject=fresh, customer_id=fresh.customer_id, reason=upload.name
    )
    jobs_of_file.delete()
    Upload.objects.filter(kind=SEEN_KIND, name=str(upload.uuid)).delete()
    Upload.objects.filter(pk=upload.pk, kind=KIND).delete()
    if not _is_unused(fresh):
        return False
    record_change(by=by, at=at, verb="remove_source", subject=fresh, customer_id=fresh.customer_id, reason=upload.name)
    fresh.delete()
    return True


def _is_unused(source: IntakeSource) -> bool:
    """Whether a source was named for one file and nothing else of it is on record."""
    if source.column_map.keys() - {"zone"} or source.batches.exists() or source.note or source.late_after_s:
        return False
    touched = ChangeRow.objects.filter(subject_kind="intakesource", subject_id=source.pk)
    if touched.exclude(verb__in=("add_source", "remove_event_log")).exists():
        return False
    return not Job.objects.filter(key__startswith=LOOK, args__source=source.pk).exists()


# --- how things are called --------------------------------------------------------------------------------------------


def map_digest(chosen: LogMap) -> str:
    """Short digest of what was chosen: another choice is another reading of the file."""
    return hashlib.sha256(json.dumps(chosen.as_json(), sort_keys=True).encode()).hexdigest()[:16]


def batch_id(file_sha256: str, digest: str, part: int) -> str:
    return f"{batch_prefix(file_sha256)}{digest}-{part:03d}"


def batch_prefix(file_sha256: str) -> str:
    """How the numbers of all batches of a file begin, however it was read."""
    return f"file-{file_sha256[:32]}-"


def look_prefix(upload: Upload) -> str:
    return f"{LOOK}{upload.uuid}:"


def check_prefix(upload: Upload) -> str:
    return f"event-log-check:{upload.uuid}:"


def take_prefix(upload: Upload) -> str:
    return f"{TAKE}{upload.uuid}:"


def batches_of(file_sha256: str) -> Any:
    """Every batch that came out of a file with these bytes, of any source."""
    return IntakeBatch.objects.filter(batch_id__startswith=batch_prefix(file_sha256))
