"""From the records to a workbook of the template's shape: one background job, for the firm, a customer or a site.

Access notes are never read here, so they can never stand in an export.
"""

from __future__ import annotations

import io
import zipfile
from datetime import timedelta
from typing import Any

from django.db import transaction
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from company.jobs import Handle
from company.manner import moment_said
from company.models import Customer, User
from company.sheets import Cell, Tell
from company.spreadsheets import OutSheet, csv_bytes, xlsx_bytes
from devices.actions.exports import keep_export
from devices.imports.records import Within, load_catalogue_facts, load_records
from devices.rules.export_rows import Tables, export_tables
from devices.rules.workbook_rows import PLANS
from sites.models import Site

KEPT = timedelta(days=7)

NOT_IN_IT = (
    "This workbook has the shape of the import template: it can be changed and imported again, or brought into an empty firm.",
    "In it: customers, people, sites, receivers, outputs, slots as they are now, cells now and before.",
    "Not in it: access notes (never exported), the past of slots, visits, reports, requests, floor plans, and notes of records.",
    "Left out: closed customers and sites, and transmitters that stand in no slot, with their cells.",
)


def make_export(
    handle: Handle,
    format: str,
    by: int,
    customer: int | None = None,
    site: int | None = None,
    **unknown: Any,
) -> None:
    """Job: write the records of a firm, customer or site into a file and keep it for download. May run again."""
    person = User.objects.get(pk=by)
    within = Within(Site.objects.get(pk=site).customer_id if site else customer, site)
    handle.progress(0, 0, "Reading the records")
    snapshot, on_record = load_records(within)
    catalogue = load_catalogue_facts()
    n_rows = len(snapshot.customers) + len(snapshot.sites) + len(snapshot.receivers) + len(snapshot.outputs)
    n_rows += len(snapshot.slots) + sum(len(cells) for cells in snapshot.fittings.values())
    today = timezone.localdate()
    tables = export_tables(
        snapshot, catalogue, closed=on_record.closed, today=today,
        on_rows=lambda n: handle.progress(min(n, n_rows), 2 * n_rows, _("Row %(n)s of about %(n_rows)s") % {"n": n, "n_rows": n_rows}),
    )  # fmt: skip
    del snapshot, on_record
    about = _about(scope_words(within), person, tables)
    content = file_bytes(
        tables, about, format,
        on_rows=lambda n: handle.progress(min(n_rows + n, 2 * n_rows), 2 * n_rows, _("Writing row %(n)s of %(n_rows)s") % {"n": n, "n_rows": tables.n_rows}),
    )  # fmt: skip
    name = f"slotledger-{scope_words(within).replace(' ', '-')}-{today.isoformat()}.{'xlsx' if format == 'xlsx' else 'zip'}"
    with transaction.atomic():
        kept = keep_export(
            name=name, content=content, scope=scope_words(within), by=person, at=timezone.now(), keep=KEPT
        )
        handle.finish(
            {
                "rows": {name: len(rows) for name, rows in tables.rows.items()},
                "left_out": len(tables.left_out),
                "upload": str(kept.uuid),
            },
            url=reverse("devices:export"),
        )


def scope_words(within: Within) -> str:
    """Say what is exported by its code."""
    if within.site_id is not None:
        return f"site {Site.objects.get(pk=within.site_id).code}"
    if within.customer_id is not None:
        return f"customer {Customer.objects.get(pk=within.customer_id).code}"
    return "everything"


def _about(scope: str, by: User, tables: Tables) -> OutSheet:
    made = _("Export of %(scope)s, %(moment)s, by %(by)s.") % {
        "scope": scope,
        "moment": moment_said(timezone.localtime()),
        "by": by.name,
    }
    rows: list[list[Cell]] = [[line] for line in (made, *NOT_IN_IT)]
    if tables.left_out:
        rows += [[], ["What an import would not take, and is therefore not in the sheets:"]]
        rows.append(["sheet", "what", "column", "on record", "why"])
        rows += [[one.sheet, one.what, one.column, one.value, one.why] for one in tables.left_out]
    return OutSheet("notes on this export", ["About this workbook"], rows)


def file_bytes(tables: Tables, about: OutSheet, format: str, *, on_rows: Tell | None = None) -> bytes:
    """Write the tables as one XLSX workbook, or as a ZIP with a CSV file for each sheet."""
    sheets = [
        OutSheet(p.name, [c.title for c in p.columns], tables.rows[p.name], [c.note for c in p.columns]) for p in PLANS
    ]
    if format == "xlsx":
        return xlsx_bytes([*sheets, about], is_large=True, on_rows=on_rows)
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        n_done = 0
        for sheet in [*sheets, about]:
            archive.writestr(f"{sheet.name}.csv", csv_bytes(sheet.header, sheet.rows))
            n_done += len(sheet.rows)
            if on_rows:
                on_rows(n_done)
    return target.getvalue()
