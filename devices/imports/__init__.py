"""From an uploaded workbook to a preview, and on to the records: reads files and records, judges by rules, writes by actions.

Two jobs: `check_upload` makes the preview and writes nothing else; `apply_upload` goes through the same steps again on
the records as they are then, and carries out the plan only if it is the one that was shown.
"""

from __future__ import annotations

import hashlib
import json
import zipfile
import zlib
from collections import Counter, defaultdict
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from io import BytesIO
from typing import Any
from zoneinfo import available_timezones

from django.db import transaction
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext

from company.actions import keep_upload
from company.errors import Refused
from company.jobs import Handle
from company.models import ChangeRow, Upload, User
from company.sheets import Workbook
from company.spreadsheets import BadFile, read_workbook, refuse_oversize, refuse_wrong_kind
from devices.actions import import_undo as undo
from devices.actions import imports as actions
from devices.imports.records import load_catalogue_facts, load_records
from devices.models import Fitting
from devices.rules.import_plan import plan_import
from devices.rules.import_records import Plan
from devices.rules.workbook_rows import CheckedWorkbook, check_workbook, counted

KIND = "workbook"
PREVIEW_KIND = "workbook_preview"
TRIES = 3
SHOWN_PROBLEMS = 5_000
"""More problems than this are counted, not listed: nobody reads on, and the same slip stands in every row."""


@dataclass(frozen=True, slots=True)
class Result:
    """One reading of a workbook against the records."""

    checked: CheckedWorkbook
    plan: Plan


def pack_files(files: Sequence[tuple[str, bytes]]) -> tuple[str, bytes]:
    """Turn the uploaded files into one file to keep: several CSV files become a ZIP.

    Raises
    ------
    BadFile
        For what can be told at a glance: wrong kind, locked, too large.
    """
    if not files:
        raise BadFile(gettext("Choose a workbook first."))
    refuse_oversize(files[0][0], sum(len(body) for _, body in files))
    for name, body in files:
        refuse_wrong_kind(name, body, is_alone=len(files) == 1)
    if len(files) == 1:
        return files[0]
    target = BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, body in files:
            archive.writestr(f"{name.rpartition('/')[2].rpartition('.')[0]}.csv", body)
    return f"{len(files)} CSV files.zip", target.getvalue()


def check_upload(handle: Handle, upload: str, **unknown: Any) -> None:
    """Job: read a workbook, compare it with the records, keep the preview. Writes no record; may run again."""
    kept = Upload.objects.get(uuid=upload, kind=KIND)
    result = read_upload(handle, kept, timezone.now())
    n_rows = len(result.plan.fates)
    handle.progress(2 * n_rows, 2 * n_rows, "Keeping the preview")
    with transaction.atomic():
        handle.finish(
            keep_preview(kept, result, person_of(kept)), url=reverse("devices:import_detail", args=[kept.uuid])
        )


def apply_upload(handle: Handle, upload: str, preview: str, by: int, **unknown: Any) -> None:
    """Job: carry out the plan that was shown, in one transaction; a plan that has changed since is shown anew instead."""
    kept = Upload.objects.get(uuid=upload, kind=KIND)
    person = User.objects.get(pk=by)
    url = reverse("devices:import_detail", args=[kept.uuid])
    for _ in range(TRIES):
        mark = actions.change_mark()
        result = read_upload(handle, kept, timezone.now())
        if digest_of(preview_of(result)) != preview or result.checked.faults:
            with transaction.atomic():
                handle.finish({**keep_preview(kept, result, person), "stale": True}, url=url)
            return
        n_rows = len(result.plan.fates)
        handle.progress(2 * n_rows, 3 * n_rows, gettext("Preparing what %(n_rows)s rows change") % {"n_rows": n_rows})
        book = actions.prepare_import(
            plan=result.plan, by=person, at=timezone.now(), reason=f"import of {kept.name}", batch=kept.uuid
        )
        handle.progress(3 * n_rows - 1, 3 * n_rows, gettext("Writing %(n)s changes") % {"n": len(book.changes)})
        # A change by somebody else between reading and writing: look again, never write on what is no longer so.
        with suppress(actions.RecordsMovedOn):
            actions.apply_import(
                book=book,
                plan=result.plan,
                mark=mark,
                finish=lambda counts: handle.finish({"applied": True, **counts}, url=url),
            )
            return
    raise actions.RecordsMovedOn(
        gettext("The records kept changing while the workbook was applied. Nothing was written; apply it again.")
    )


def undo_import(handle: Handle, upload: str, by: int, **unknown: Any) -> None:
    """Job: take an import back, all of it in one transaction, while nothing rests on it.

    A refusal is the answer that was asked for, not a job that failed: `result["refused"]` says it in words.
    """
    try:
        _take_back(handle, upload, by)
    except Refused as refusal:
        handle.finish({"refused": refusal.message}, url=reverse("devices:import_detail", args=[upload]))


def _take_back(handle: Handle, upload: str, by: int) -> None:
    kept = Upload.objects.get(uuid=upload, kind=KIND)
    person = User.objects.get(pk=by)
    url = reverse("devices:import_detail", args=[kept.uuid])
    for _ in range(TRIES):
        handle.progress(0, 2, "Looking for what rests on it")
        mark, now = actions.change_mark(), timezone.now()
        prepared = undo.prepare_taking_back(upload=kept, by=person, at=now)
        handle.progress(1, 2, gettext("Taking back %(n_rows)s changes") % {"n_rows": prepared.n_rows})
        with suppress(actions.RecordsMovedOn):
            undo.take_back_import(
                prepared=prepared, upload=kept, mark=mark, by=person, at=now,
                finish=lambda counts: handle.finish({"taken_back": True, **counts}, url=url),
            )  # fmt: skip
            return
    raise actions.RecordsMovedOn(gettext("The records kept changing. Nothing was taken back; try again."))


SETTLED_AT_ONCE = 20
"""Receivers whose due dates are worked out between two looks at the lease."""


def settle_import(handle: Handle, batch: str, receivers: list[int], **unknown: Any) -> None:
    """Job: after an import, or its taking back, rebuild sums and due dates, some receivers at a time. May run again."""
    rows = ChangeRow.objects.filter(batch=batch, subject_kind="fitting").values_list("subject_id", flat=True)
    units = list(Fitting.objects.filter(pk__in=rows).values_list("transmitter_id", flat=True).distinct())
    for start in range(0, len(receivers), SETTLED_AT_ONCE):
        handle.progress(
            start,
            len(receivers),
            gettext("Due dates of receiver %(start)s of %(n)s") % {"start": start + 1, "n": len(receivers)},
        )
        actions.settle_receivers(
            receiver_ids=receivers[start : start + SETTLED_AT_ONCE], more_transmitters=() if start else units
        )


def read_upload(handle: Handle, kept: Upload, at: datetime) -> Result:
    """Read, check and plan, with progress; nothing is written."""
    handle.progress(0, 0, "Reading the file")
    return judge(read_workbook([(kept.name, bytes(kept.content))]), at, handle)


def judge(workbook: Workbook, at: datetime, handle: Handle | None = None) -> Result:
    """Check a workbook against the catalogue and the records as they are now.

    With a handle, progress is told in rows: each is checked, then compared with the records.
    """
    n_rows = sum(len(sheet.rows) for sheet in workbook.sheets)

    def tell(done: int, words: str) -> None:
        if handle:
            handle.progress(min(done, 2 * n_rows), 2 * n_rows, words)

    tell(0, gettext("Reading the records before %(n_rows)s rows are checked") % {"n_rows": n_rows})
    catalogue = load_catalogue_facts()
    snapshot, on_record = load_records()
    checked = check_workbook(
        counted(workbook, lambda n: tell(n, gettext("Checking row %(n)s of %(n_rows)s") % {"n": n, "n_rows": n_rows})),
        catalogue=catalogue,
        on_record=on_record,
        today=timezone.localdate(at),
        time_zones=available_timezones(),
    )
    plan = plan_import(
        checked,
        snapshot,
        catalogue,
        lambda n: tell(
            n_rows + n, gettext("Comparing row %(n)s of %(n_rows)s with the records") % {"n": n, "n_rows": n_rows}
        ),
    )
    return Result(checked, plan)


# --- the preview ------------------------------------------------------------------------------------------------------


def preview_of(result: Result) -> bytes:
    """The preview as it is kept: fates of all rows and problems, packed. The same result gives the same bytes."""
    listed = [*result.checked.faults[:SHOWN_PROBLEMS], *result.checked.remarks[:SHOWN_PROBLEMS]]
    body = {
        "fates": [[fate.sheet, fate.row, fate.what, fate.fate, fate.changes] for fate in result.plan.fates],
        "problems": [asdict(problem) for problem in listed],
        "n_faults": len(result.checked.faults),
        "n_remarks": len(result.checked.remarks),
    }
    return zlib.compress(json.dumps(body, ensure_ascii=False, separators=(",", ":")).encode(), 6)


def digest_of(packed: bytes) -> str:
    return hashlib.sha256(packed).hexdigest()


def keep_preview(kept: Upload, result: Result, by: User) -> dict[str, Any]:
    """Keep a preview beside its workbook and return what the job says of it."""
    packed = preview_of(result)
    keep_upload(kind=PREVIEW_KIND, name=str(kept.uuid), content=packed, by=by, at=timezone.now())
    counts: dict[str, Counter[str]] = defaultdict(Counter)
    for fate in result.plan.fates:
        counts[fate.sheet][fate.fate] += 1
    return {
        "preview": digest_of(packed),
        "counts": counts,
        "faults": len(result.checked.faults),
        "remarks": len(result.checked.remarks),
        "is_empty": result.plan.is_empty,
    }


def person_of(kept: Upload) -> User:
    """Who uploaded a workbook; every workbook has somebody, only older kinds of files may not."""
    if kept.by is None:
        raise Refused(gettext("Nobody is known to have uploaded this file."))
    return kept.by


def unpack(packed: bytes) -> dict[str, Any]:
    """The kept preview as fates and problems."""
    body: dict[str, Any] = json.loads(zlib.decompress(bytes(packed)))
    return body
