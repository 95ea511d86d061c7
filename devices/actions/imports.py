"""Carry out the plan of an imported workbook: one transaction, all rows or none, written in bulk."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Count, F, Max

from company import jobs
from company.actions import CUSTOMER_FACTS, facts_of, keep_upload
from company.errors import Refused
from company.models import ChangeRow, Contact, Customer, Job, Upload, User
from devices.actions.import_book import BATCH, Book, change_rows, json_of
from devices.actions.import_slots import write_fittings, write_slots, write_transmitters
from devices.actions.receivers import OUTPUT_FACTS, RECEIVER_FACTS
from devices.models import Output, Receiver, ReceiverType
from devices.rules.import_records import Plan, Write
from devices.signals import slot_map_changed
from sites.actions import SITE_FACTS
from sites.models import Area, Site
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
        title=f"Check of {name}"[:200],
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
        If the preview has a fault, or would change nothing.
    """
    if seen.get("faults"):
        raise NothingToApply("The workbook has faults, so nothing can be applied. Correct them and upload it again.")
    if seen.get("is_empty"):
        raise NothingToApply("Everything in this workbook is on record already.")
    return jobs.enqueue(
        handler="devices.imports.apply_upload",
        key=f"{apply_prefix(upload)}{seen['preview']}",
        title=f"Import of {upload.name}"[:200],
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


@transaction.atomic
def apply_import(
    *,
    plan: Plan,
    mark: tuple[int, int],
    by: User,
    at: datetime,
    reason: str,
    finish: Callable[[dict[str, Any]], None],
) -> dict[str, int]:
    """Write everything that a plan asks for, with a change row for each record, or nothing.

    `mark` is the `change_mark` from before the records were read for the plan; `finish` marks the job done in the same
    transaction. Not repeatable: the plan of the same workbook is empty afterwards.

    Raises
    ------
    RecordsMovedOn
        If a record was changed since; make a new plan.
    """
    # Locks come first and in the order of keys, so that an action under way is waited for and then seen by the mark.
    _lock(plan)
    if change_mark() != mark:
        raise RecordsMovedOn("The records were changed while the workbook was read. Nothing was written.")
    book = Book(by=by, at=at, reason=reason)
    _write_customers(book, plan)
    _write_sites(book, plan)
    _write_receivers(book, plan)
    _write_outputs(book, plan)
    transmitters = write_transmitters(book, plan)
    write_slots(book, plan, transmitters)
    write_fittings(book, plan, transmitters)
    _ensure_areas(book, plan)
    Receiver.objects.filter(pk__in=book.touched).update(version=F("version") + 1)
    ChangeRow.objects.bulk_create(book.changes, batch_size=BATCH)
    finish({"written": book.counts, "sites": sorted({receiver.site_id for receiver in book.touched.values()})})
    _tell(book.touched.values())
    return book.counts


def _lock(plan: Plan) -> None:
    """Lock every receiver on record that the plan touches."""
    places = {write.key for write in plan.receivers} | {write.key[0] for write in plan.outputs}
    places |= {slot.place for slot in plan.slots} | {place for place, _ in plan.slot_words}
    rows = Receiver.objects.open().values_list("pk", "site__code", "label")
    pks = [pk for pk, site, label in rows if (fold(site), label) in places]
    list(Receiver.objects.select_for_update(of=("self",)).filter(pk__in=pks).order_by("pk").values_list("pk"))


def _tell(receivers: Iterable[Receiver]) -> None:
    receiver_ids = sorted(receiver.pk for receiver in receivers)
    site_ids = sorted({receiver.site_id for receiver in receivers})
    if receiver_ids:
        transaction.on_commit(
            lambda: slot_map_changed.send(sender=Receiver, receiver_ids=receiver_ids, site_ids=site_ids), robust=True
        )


def _split(writes: Iterable[Write]) -> tuple[list[Write], list[Write]]:
    writes = list(writes)
    return [write for write in writes if write.pk is None], [write for write in writes if write.pk is not None]


def _write_customers(book: Book, plan: Plan) -> None:
    new, changed = _split(plan.customers)
    for customer in Customer.objects.bulk_create([Customer(**write.fields) for write in new], batch_size=BATCH):
        book.note("save_customer", customer, customer.pk, after=facts_of(customer, *CUSTOMER_FACTS))
    rows = change_rows(Customer, changed, lambda write: write.fields)
    for write in changed:
        customer = rows[write.pk or 0]
        book.note("save_customer", customer, customer.pk, before=json_of(write.before), after=json_of(write.fields))
    book.count("customers", len(plan.customers))
    book.customers = {fold(customer.code): customer for customer in Customer.objects.all()}
    new, changed = _split(plan.contacts)
    people = [Contact(customer=book.customers[write.key], **write.fields) for write in new]
    for person in Contact.objects.bulk_create(people, batch_size=BATCH):
        book.note("save_contact", person, person.customer_id, after=facts_of(person, "name", "email", "phone"))
    rows = change_rows(Contact, changed, lambda write: write.fields)
    for write in changed:
        person = rows[write.pk or 0]
        person.customer = book.customers[write.key]
        book.note("save_contact", person, person.customer_id, before=json_of(write.before), after=json_of(write.fields))


def _write_sites(book: Book, plan: Plan) -> None:
    new, changed = _split(plan.sites)
    sites = [
        Site(**{name: value for name, value in write.fields.items() if name != "customer"},
             customer=book.customers[write.fields["customer"]])
        for write in new
    ]  # fmt: skip
    for site in Site.objects.bulk_create(sites, batch_size=BATCH):
        book.note("save_site", site, site.customer_id, after=facts_of(site, *SITE_FACTS))
    rows = change_rows(Site, changed, lambda write: write.fields)
    for write in changed:
        site = rows[write.pk or 0]
        book.note("save_site", site, site.customer_id, before=json_of(write.before), after=json_of(write.fields))
    book.count("sites", len(plan.sites))
    book.sites = {fold(site.code): site for site in Site.objects.select_related("customer")}


def _write_receivers(book: Book, plan: Plan) -> None:
    types = {kind.code: kind for kind in ReceiverType.objects.all()}

    def fields_of(write: Write) -> dict[str, Any]:
        fields = dict(write.fields)
        if "type" in fields:
            fields["type"] = types[fields["type"]]
        return fields

    new, changed = _split(plan.receivers)
    made = []
    for write in new:
        site = book.sites[write.key[0]]
        made.append(Receiver(site=site, customer_id=site.customer_id, **fields_of(write)))
    Receiver.objects.bulk_create(made, batch_size=BATCH)
    change_rows(Receiver, changed, fields_of)
    by_pk = {site.pk: site for site in book.sites.values()}
    for receiver in Receiver.objects.open().select_related("type"):
        receiver.site = by_pk[receiver.site_id]
        book.receivers[fold(receiver.site.code), receiver.label] = receiver
    for write in plan.receivers:
        receiver = book.receivers[write.key]
        after = facts_of(receiver, *RECEIVER_FACTS) if write.pk is None else json_of(write.fields)
        verb = "add_receiver" if write.pk is None else "edit_receiver"
        book.note(
            verb, receiver, receiver.customer_id, before=json_of(write.before) or None, after=after, receiver=receiver
        )
    book.count("receivers", len(plan.receivers))


def _write_outputs(book: Book, plan: Plan) -> None:
    """Write the outputs of the sheet, then a row for every other output that a type has or a slot drives."""
    new, changed = _split(plan.outputs)
    made = []
    for write in new:
        receiver = book.receivers[write.key[0]]
        made.append(Output(receiver=receiver, customer_id=receiver.customer_id, number=write.key[1], **write.fields))
    Output.objects.bulk_create(made, batch_size=BATCH)
    rows = change_rows(Output, changed, lambda write: write.fields)
    for write, output in zip(new, made, strict=True):
        receiver = book.receivers[write.key[0]]
        book.note("save_output", output, output.customer_id, after=facts_of(output, *OUTPUT_FACTS), receiver=receiver)
    for write in changed:
        output = rows[write.pk or 0]
        receiver = output.receiver = book.receivers[write.key[0]]
        before, after = json_of(write.before), json_of(write.fields)
        book.note("save_output", output, output.customer_id, before=before, after=after, receiver=receiver)
    book.count("outputs", len(plan.outputs))
    wanted: dict[int, set[int]] = {}
    for place in {write.key for write in plan.receivers}:
        receiver = book.receivers[place]
        if receiver.type is not None:
            wanted.setdefault(receiver.pk, set()).update(range(1, receiver.type.n_outputs + 1))
    for slot in plan.slots:
        wanted.setdefault(book.receivers[slot.place].pk, set()).update(driven.number for driven in slot.outputs)
    known = set(Output.objects.filter(receiver_id__in=wanted).values_list("receiver_id", "number"))
    customer_of = {receiver.pk: receiver.customer_id for receiver in book.receivers.values()}
    Output.objects.bulk_create(
        [
            Output(receiver_id=receiver, customer_id=customer_of[receiver], number=number)
            for receiver, numbers in wanted.items()
            for number in sorted(numbers)
            if (receiver, number) not in known
        ],
        batch_size=BATCH,
    )


def _ensure_areas(book: Book, plan: Plan) -> None:
    """Add the areas that rows name, in the order of the workbook, behind those that are walked already."""
    wanted: dict[tuple[int, str], Site] = {}
    for place, path in [
        *((write.key, write.fields.get("area")) for write in plan.receivers),
        *((slot.place, slot.fields["area"]) for slot in plan.slots),
        *((place, write.fields.get("area")) for place, write in plan.slot_words),
    ]:
        if path:
            site = book.sites[place[0]]
            wanted.setdefault((site.pk, path), site)
    site_ids = {site_id for site_id, _ in wanted}
    known = set(Area.objects.filter(site_id__in=site_ids).values_list("site_id", "path"))
    last = dict(
        Area.objects.filter(site_id__in=site_ids).order_by().values_list("site_id").annotate(last=Max("walk_order"))
    )
    areas = []
    for (site_id, path), site in wanted.items():
        if (site_id, path) not in known:
            last[site_id] = last.get(site_id, -1) + 1
            areas.append(Area(site=site, customer_id=site.customer_id, path=path, walk_order=last[site_id]))
    Area.objects.bulk_create(areas, batch_size=BATCH)
