"""Carry out the plan of an imported workbook: one short transaction, all rows or none, written in bulk."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models import Count, Max
from django.utils.translation import gettext

from company import jobs
from company.actions import keep_upload
from company.errors import Refused
from company.models import ChangeRow, Job, Upload, User
from company.sheets import plain_text
from devices.actions.import_book import Book
from devices.actions.import_cells import prepare_fittings
from devices.actions.import_places import (
    prepare_areas,
    prepare_customers,
    prepare_outputs,
    prepare_receivers,
    prepare_sites,
)
from devices.actions.import_slots import prepare_slots, prepare_transmitters
from devices.actions.ledger import lock_all
from devices.actions.rollups import rebuild_totals
from devices.models import Receiver, Registration
from devices.rules.import_records import Plan
from devices.signals import slot_map_changed
from sites.rules.site_rows import fold


class RecordsMovedOn(Refused):
    """Somebody changed a record after the plan was made."""


class NothingToApply(Refused):
    """The preview holds a fault, or nothing that would change."""


@transaction.atomic
def receive_workbook(*, name: str, content: bytes, kind: str, by: User, at: datetime) -> Upload:
    """Keep an uploaded workbook and ask for its preview. Each upload is looked at by itself, however often it comes."""
    upload = keep_upload(kind=kind, name=name, content=content, by=by, at=at)
    jobs.enqueue(
        handler="devices.imports.check_upload",
        key=check_key(upload),
        title=(gettext("Check of %(name)s") % {"name": name})[:200],
        args={"upload": str(upload.uuid)},
        by=by,
    )
    return upload


@transaction.atomic
def ask_to_apply(*, upload: Upload, seen: Mapping[str, Any], by: User, at: datetime) -> Job:
    """Ask for the plan of a preview to be carried out; asking twice for one preview makes one job.

    Raises
    ------
    NothingToApply
        If the preview has a fault, or would change nothing, or no row was read.
    """
    if seen.get("faults"):
        raise NothingToApply(
            gettext("The workbook has faults, so nothing can be applied. Correct them and upload it again.")
        )
    if seen.get("is_empty") and not seen.get("counts", True):
        raise NothingToApply(
            gettext("No row of this workbook was read, so there is nothing to apply. Fill in rows of your own.")
        )
    if seen.get("is_empty"):
        raise NothingToApply(gettext("Everything in this workbook is on record already."))
    return jobs.enqueue(
        handler="devices.imports.apply_upload",
        key=f"{apply_prefix(upload)}{seen['preview']}",
        title=(gettext("Import of %(upload)s") % {"upload": upload.name})[:200],
        args={"upload": str(upload.uuid), "preview": seen["preview"], "by": by.pk},
        by=by,
    )


def check_key(upload: Upload) -> str:
    return f"workbook-check:{upload.uuid}"


def apply_prefix(upload: Upload) -> str:
    return f"workbook-apply:{upload.uuid}:"


def change_mark() -> tuple[int, int]:
    """A mark that differs as soon as anybody has changed a record: every action writes a change row."""
    counted = ChangeRow.objects.aggregate(n=Count("pk"), last=Max("pk"))
    return counted["n"], counted["last"] or 0


def prepare_import(*, plan: Plan, by: User, at: datetime, reason: str, batch: UUID) -> Book:
    """Work out every row that a plan writes, with a change row for each record. Writes nothing but reserved keys.

    Every change row bears `batch`, the number of the upload, by which the import can be taken back.

    Raises
    ------
    DatedTooEarly
        If a row puts something into a slot at a time when it was in use.
    """
    book = Book(by=by, at=at, reason=reason, batch=batch)
    prepare_customers(book, plan)
    prepare_sites(book, plan)
    prepare_receivers(book, plan)
    prepare_outputs(book, plan)
    transmitters = prepare_transmitters(book, plan)
    book.units = {unit.pk for unit in transmitters.values()}
    prepare_slots(book, plan, transmitters)
    prepare_fittings(book, plan, transmitters)
    prepare_areas(book, plan)
    book.close()
    return book


@transaction.atomic
def apply_import(
    *, book: Book, plan: Plan, mark: tuple[int, int], finish: Callable[[dict[str, Any]], None]
) -> dict[str, int]:
    """Write everything that was prepared, or nothing. Only statements run in here: on SQLite all others wait for it.

    `mark` is the `change_mark` from before the records were read for the plan; `finish` marks the job done in the same
    transaction. Not repeatable: the plan of the same workbook is empty afterwards.

    Raises
    ------
    RecordsMovedOn
        If a record was changed since; make a new plan.
    """
    # Locks come first and in the order of keys, so that an action under way is waited for and then seen by the mark.
    _lock(plan, book)
    if change_mark() != mark:
        raise RecordsMovedOn(gettext("The records were changed while the workbook was read. Nothing was written."))
    for statement in book.statements:
        statement.run()
    touched = book.touched.values()
    _ask_to_settle(book)
    finish({"written": book.counts, "sites": sorted({receiver.site_id for receiver in touched})})
    return book.counts


def settle_key(batch: UUID, what: str = "import") -> str:
    return f"workbook-settle:{batch}:{what}"


def _ask_to_settle(book: Book) -> None:
    """Ask for what follows from the records: sums of check-ins, then due dates, receiver by receiver in the background."""
    assert book.batch is not None
    if book.touched:
        jobs.enqueue(
            handler="devices.imports.settle_import",
            key=settle_key(book.batch),
            title=(gettext("Due dates after the %(reason)s") % {"reason": book.reason})[:200],
            args={"batch": str(book.batch), "receivers": sorted(book.touched)},
            by=book.by,
        )


def settle_receivers(*, receiver_ids: list[int], more_transmitters: Iterable[int] = ()) -> None:
    """Rebuild the sums of everything that ever stood in these receivers, then tell who listens. Repeating it is harmless."""
    stood = Registration.objects.filter(receiver_id__in=receiver_ids, transmitter__isnull=False)
    units = {*stood.values_list("transmitter_id", flat=True), *more_transmitters}
    rebuild_totals(transmitter_ids=[unit for unit in units if unit is not None])
    site_ids = Receiver.objects.filter(pk__in=receiver_ids).values_list("site_id", flat=True)
    slot_map_changed.send(sender=Receiver, receiver_ids=receiver_ids, site_ids=sorted(set(site_ids)))


def _lock(plan: Plan, book: Book) -> None:
    """Lock every receiver and transmitter on record that the plan touches."""
    places = {write.key for write in plan.receivers} | {write.key[0] for write in plan.outputs}
    places |= {slot.place for slot in plan.slots} | {place for place, _ in plan.slot_words}
    rows = Receiver.objects.open().values_list("pk", "site__code", "label")
    pks = [pk for pk, site, label in rows if (fold(site), plain_text(label)) in places]
    lock_all({*pks, *book.touched}, book.units)
