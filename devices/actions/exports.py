"""Asking for an export and keeping its file: office only, logged, and not kept for long."""

from __future__ import annotations

from datetime import datetime, timedelta
from uuid import uuid4

from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from company import jobs
from company.actions import keep_upload, record_change
from company.errors import Refused
from company.models import Customer, Job, Upload, User
from sites.models import Site

KIND = "export"
FORMATS = {"xlsx": gettext_lazy("one XLSX workbook"), "csv": gettext_lazy("CSV files in a ZIP")}


class NoSuchFormat(Refused):
    """A form sent a format that is not offered."""


@transaction.atomic
def ask_for_export(
    *, format: str, by: User, at: datetime, customer: Customer | None = None, site: Site | None = None
) -> Job:
    """Ask for a file of everything, of one customer or of one site; each asking makes a file of its own.

    Raises
    ------
    NoSuchFormat
        Unless the format is "xlsx" or "csv".
    """
    if format not in FORMATS:
        raise NoSuchFormat(_("Choose a workbook or CSV files."))
    what = site.name if site else customer.name if customer else "everything"
    return jobs.enqueue(
        handler="devices.imports.exports.make_export",
        key=f"export:{uuid4()}",
        title=(_("Export of %(what)s") % {"what": what})[:200],
        args={
            "format": format, "by": by.pk, "customer": customer.pk if customer else None, "site": site.pk if site else None,
        },
        by=by,
    )  # fmt: skip


@transaction.atomic
def keep_export(*, name: str, content: bytes, scope: str, by: User, at: datetime, keep: timedelta) -> Upload:
    """Keep a finished file for download and log that the data went out; files older than `keep` are dropped."""
    Upload.objects.filter(kind=KIND, at__lt=at - keep).delete()
    kept = keep_upload(kind=KIND, name=name, content=content, by=by, at=at)
    record_change(by=by, at=at, verb="export_records", subject=kept, after={"scope": scope, "bytes": len(content)})
    return kept
