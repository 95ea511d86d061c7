"""Days that differ, for many sites by one file: all of it or nothing, and taken back in one go."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta

from django.db import transaction
from django.utils.translation import gettext as _

from company.access import OFFICE
from company.actions import keep_upload, record_change
from company.errors import Refused
from company.models import ChangeRow, Upload, User
from company.spreadsheets import read_workbook
from company.undo import CannotUndo, Undone, undoes
from sites.models import Site, SiteClosure
from sites.rules.closure_rows import PLAN, Days, Judged, SiteFacts, judge

KIND = "closures"
MAX_BYTES = 2_000_000
"""A file of term dates is small; a larger one is the wrong file."""

ADD, ADDED_HERE = "add_closures", "closures_from_file"


class NothingToApply(Refused):
    """Every row is on record already, or the file has faults."""


class RecordsMoved(Refused):
    """What the file would do is no longer what the person has looked at."""


@transaction.atomic
def receive_closures(*, name: str, content: bytes, by: User, at: datetime) -> Upload:
    """Keep a file of closures for its preview. Refused (BadFile) when it is no workbook, or too large."""
    read_workbook([(name, content)], max_bytes=MAX_BYTES)
    return keep_upload(kind=KIND, name=name, content=content, by=by, at=at)


def preview_closures(*, upload: Upload, today: date) -> Judged:
    """Say what every row of a kept file would do now; nothing is written."""
    workbook = read_workbook([(upload.name, bytes(upload.content))], max_bytes=MAX_BYTES)
    # One sheet, whatever it is called: nobody names the only sheet of a list of holidays.
    sheets = [sheet for sheet in workbook.sheets if sheet.header and sheet.name.casefold() != "about"]
    if len(sheets) != 1:
        raise Refused(
            _("The file holds %(n)s filled sheets. Keep one: %(columns)s.")
            % {"n": len(sheets), "columns": ", ".join(c.title for c in PLAN.columns)}
        )
    sites = [
        SiteFacts(*row)
        for row in Site.objects.current()
        .order_by("name", "pk")
        .values_list("pk", "code", "name", "customer__code", "kind")
    ]
    rows = SiteClosure.objects.values_list("site_id", "kind", "from_on", "to_on", "reason", "batch")
    stand = [
        (Days(site_pk, kind, from_on, to_on - timedelta(days=1), reason), batch)
        for site_pk, kind, from_on, to_on, reason, batch in rows
    ]
    brought = [days for days, batch in stand if batch == upload.uuid]
    return judge(sheets[0], sites, [days for days, batch in stand], today, brought)


@transaction.atomic
def apply_closures(*, upload: Upload, n_seen: int, by: User, at: datetime, today: date) -> int:
    """Write every new row of a kept file: all or nothing. Returns the number of closures written.

    Parameters
    ----------
    n_seen : int
        Number of new closures that the person has looked at.

    Raises
    ------
    NothingToApply
        Faults, or nothing new: also the second press of the button.
    RecordsMoved
        Sites or closures changed since the preview. Nothing is written.
    """
    Upload.objects.select_for_update().get(pk=upload.pk)
    judged = preview_closures(upload=upload, today=today)
    if judged.faults:
        raise NothingToApply(_("The file has faults, so nothing was written. Correct them and upload it again."))
    new = judged.new
    if not new:
        raise NothingToApply(_("Every row of this file is on record already. Nothing was written."))
    if len(new) != n_seen:
        raise RecordsMoved(
            _("The records have changed since you looked. Nothing was written; this is what it would do now.")
        )
    _write(upload, new, by, at)
    return len(new)


def _write(upload: Upload, new: Sequence[Days], by: User, at: datetime) -> None:
    sites = Site.objects.in_bulk({days.site_pk for days in new})
    SiteClosure.objects.bulk_create(
        [
            SiteClosure(
                site_id=days.site_pk, customer_id=sites[days.site_pk].customer_id, kind=days.what,
                from_on=days.from_on, to_on=days.last_on + timedelta(days=1), reason=days.reason, batch=upload.uuid,
            )
            for days in new
        ],
        batch_size=500,
    )  # fmt: skip
    for pk, site in sites.items():
        record_change(
            by=by, at=at, verb=ADDED_HERE, subject=site, customer_id=site.customer_id, batch=upload.uuid,
            after={"days": [days.words for days in new if days.site_pk == pk], "file": upload.name},
        )  # fmt: skip
    record_change(
        by=by, at=at, verb=ADD, subject=upload, batch=upload.uuid, after={"closures": len(new), "sites": len(sites)}
    )


def _rows_of_the_deed(change: ChangeRow) -> list[ChangeRow]:
    return list(ChangeRow.objects.filter(batch=change.batch, verb=ADDED_HERE, undoes=None, pk__lt=change.pk))


@undoes(ADD, companions=_rows_of_the_deed, audiences=(OFFICE,))
def undo_closures(change: ChangeRow, *, by: User, at: datetime) -> Undone:
    """Take out every closure that a file brought. Refused where one was changed or taken out by hand since."""
    rows = SiteClosure.objects.filter(batch=change.batch)
    keys = list(rows.values_list("pk", flat=True))
    by_hand = ChangeRow.objects.filter(
        subject_kind="siteclosure", subject_id__in=keys, at__gte=change.at, undoes=None, undone_by=None
    )
    expected = (change.after or {}).get("closures", 0)
    if by_hand.exists() or len(keys) != expected:
        raise CannotUndo(
            _(
                "Some of these days were changed or removed by hand since, so nothing was taken back. Remove the rest by hand."
            )
        )
    rows.delete()
    return Undone({"closures": expected}, {"closures": 0})
