"""From an uploaded event log to a check and on to the records: three jobs, each of which may run again.

`look_at_file` counts what the columns hold, `check_file` works out what would be taken, `take_file` takes it in batches.
"""

from __future__ import annotations

import json
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import chain, islice
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext

from company.jobs import Handle
from company.models import Upload, User
from company.spreadsheets import BadFile
from devices.actions import event_files as actions
from devices.imports.log_check import Check
from devices.imports.log_places import KnownPlaces
from devices.imports.log_rows import LogFile, as_text, open_log
from devices.models import IntakeSource
from devices.rules.event_log import LogMap, LogReader, Part
from devices.rules.event_log_guess import LOOKED_AT, SHOWN_ROWS, Counted, Looks, look
from devices.rules.event_log_memory import remembered_columns

TOLD_EVERY = 5_000
SMALL_BYTES = 100_000
"""A log up to this size is opened while the person waits; one without rows is smaller."""
KEPT = ("n_rows", "n_taken", "n_refused", "n_set_aside", "n_clamped")


def look_at_file(handle: Handle, upload: str, source: int, draft: dict[str, Any], **unknown: Any) -> None:
    """Job: count what the columns of a file hold. Writes nothing but its own result."""
    kept = Upload.objects.get(uuid=upload, kind=actions.KIND)
    handle.progress(0, 0, gettext("Reading the file"))
    log = open_log(kept.name, bytes(kept.content))
    del kept.content
    before = actions.remembered(IntakeSource.objects.get(pk=source)).choices
    result = looked_at(log, draft, before, lambda n: handle.progress(n, n, gettext("Row %(n)s") % {"n": n}))
    handle.finish(result, url=reverse("devices:event_file_map", args=[upload]))


def refuse_empty_log(name: str, body: bytes) -> None:
    """Refuse a small log that holds nothing but headings; a larger one is left to the job that looks at it.

    Raises
    ------
    BadFile
        No sheet has a row under its headings, or it cannot be read at all.
    """
    if len(body) > SMALL_BYTES:
        return
    log = open_log(name, body)
    if not any(look(list(islice(log.rows(sheet), LOOKED_AT))).first for sheet in log.sheets or ("",)):
        raise BadFile(
            gettext(
                "“%(name)s” holds no row under its headings, so there is nothing to take in and no source was made. "
                "Export days in which something happened, then upload that file."
            )
            % {"name": name}
        )


def looked_at(log: LogFile, draft: dict[str, Any], kept: dict[str, Any], tell: Any) -> dict[str, Any]:
    """Look through a file and give what the page of its columns needs.

    Parameters
    ----------
    draft : dict
        What a person chose so far (of `LogMap`); counts are of these columns, else of the proposed ones.
    kept : dict
        What the source remembers of its last file.
    """
    sheet = draft.get("sheet") or kept.get("sheet", "")
    rows = log.rows(sheet)
    first = list(islice(rows, LOOKED_AT))
    head_row = draft.get("head_row")
    looks = look(first, head_row=head_row)
    columns = _columns(draft, kept, looks)
    counted = Counted()
    for n, row in enumerate(chain(looks.first, rows), start=1):
        counted.add(row, columns)
        if n % TOLD_EVERY == 0:
            tell(n)
    width = len(looks.heads)
    return {
        "sheets": list(log.sheets), "sheet": sheet if sheet in log.sheets else next(iter(log.sheets), ""),
        "head_row": looks.head_row, "heads": looks.heads, "columns": columns,
        "sample": [[row.number, as_text(row, width)] for row in looks.first[:SHOWN_ROWS]],
        "words": counted.listed_words(), "n_words": counted.n_words, "n_rows": counted.n_rows,
        "time_format": counted.tally.format, "is_asked": counted.tally.is_asked, "has_clock": counted.tally.has_clock,
        "is_falling": counted.is_falling,
    }  # fmt: skip


def _columns(draft: dict[str, Any], kept: dict[str, Any], looks: Looks) -> dict[str, int]:
    if "columns" in draft:
        return {name: at for name, at in draft["columns"].items() if at < len(looks.heads)}
    return remembered_columns(kept, looks.heads, looks.columns) or looks.columns


def reader_of(source: IntakeSource, places: KnownPlaces, chosen: LogMap) -> LogReader:
    """A reader for one pass through a file of this source."""
    if not chosen.receiver_code and places.only:
        chosen = replace(chosen, receiver_code=places.only)
    return LogReader(chosen, zone=ZoneInfo(chosen.zone), places=places, now=timezone.now())


def parts_of(log: LogFile, source: IntakeSource, places: KnownPlaces, chosen: LogMap) -> Iterator[Part]:
    """Go through a file in parts; the same file and choices give the same parts each time."""
    return reader_of(source, places, chosen).parts(log.rows(chosen.sheet))


def check_file(handle: Handle, upload: str, source: int, map: dict[str, Any], **unknown: Any) -> None:
    """Job: work out what a file would do. Writes nothing but the list of problems and its own result."""
    kept = Upload.objects.get(uuid=upload, kind=actions.KIND)
    handle.progress(0, 0, gettext("Reading the file"))
    log, chosen = open_log(kept.name, bytes(kept.content)), LogMap.of_json(map)
    del kept.content
    of = IntakeSource.objects.select_related("customer", "site").get(pk=source)
    check = checked(
        log, of, chosen,
        lambda n, row: handle.progress(n, n, gettext("Row %(n)s looked at; nothing is written") % {"n": row}),
    )  # fmt: skip
    result = check.result()
    packed = zlib.compress(json.dumps([[p.row, p.field, p.why] for p in check.problems]).encode(), 6)
    with transaction.atomic():
        seen = Upload.objects.create(
            kind=actions.SEEN_KIND, name=upload, sha256="", content=packed, by=kept.by, at=timezone.now()
        )
        handle.finish({**result, "problems": str(seen.uuid)}, url=reverse("devices:event_file_detail", args=[upload]))


def checked(log: LogFile, source: IntakeSource, chosen: LogMap, tell: Callable[[int, int], object]) -> Check:
    """Go through a file and add up what it would do; `tell` gets the count of rows and the number of the last."""
    places = KnownPlaces(source)
    check, n_rows = Check(source, places), 0
    for part in parts_of(log, source, places, chosen):
        check.add(part)
        n_rows += part.n_rows
        tell(n_rows, part.last_row)
    return check


def problems_of(seen: Upload) -> list[list[Any]]:
    """Row, field and reason of every problem listed by a check."""
    rows: list[list[Any]] = json.loads(zlib.decompress(bytes(seen.content)))
    return rows


def take_file(
    handle: Handle, upload: str, source: int, map: dict[str, Any], by: int | None, **unknown: Any
) -> None:  # fmt: skip
    """Job: take a file in, batch by batch. Broken off and run again, it takes each part once."""
    kept = Upload.objects.get(uuid=upload, kind=actions.KIND)
    person = User.objects.filter(pk=by).first() if by else None
    handle.progress(0, 0, gettext("Reading the file"))
    log, chosen = open_log(kept.name, bytes(kept.content)), LogMap.of_json(map)
    del kept.content
    of = IntakeSource.objects.select_related("customer", "site").get(pk=source)
    actions.must_be_open(of)
    counts: Counter[str] = Counter(dict.fromkeys((*KEPT, "n_ignored", "n_parts", "n_repeats"), 0))
    for part in parts_of(log, of, KnownPlaces(of), chosen):
        counts["n_ignored"] += part.n_ignored
        if not part.events and not part.problems:
            continue
        taken = actions.take_part(
            upload=kept, source=of, chosen=chosen, part=part, by=person, at=timezone.now()
        )  # fmt: skip
        counts.update({name: getattr(taken.batch, name) for name in KEPT})
        counts["n_parts"] += 1
        counts["n_repeats"] += taken.is_repeat
        handle.progress(part.last_row, part.last_row, gettext("Row %(n)s taken in") % {"n": part.last_row})
    with transaction.atomic():
        actions.note_taken(upload=kept, source=of, counts=counts, by=person, at=timezone.now())
        handle.finish(dict(counts), url=reverse("devices:event_file_detail", args=[upload]))
