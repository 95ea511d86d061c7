"""The part of an import that prepares customers, sites, receivers, outputs and areas."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.db.models import Max

from company.actions import CUSTOMER_FACTS, facts_of
from company.models import Contact, Customer
from company.sheets import plain_text
from devices.actions.import_book import Book, change_rows, chunks, json_of
from devices.actions.receivers import OUTPUT_FACTS, RECEIVER_FACTS
from devices.models import Output, Receiver, ReceiverType
from devices.rules.import_records import Plan, Write
from sites.actions import PLACE_FACTS, SITE_FACTS
from sites.models import Area, Site
from sites.rules.site_rows import fold


def _split(writes: Iterable[Write]) -> tuple[list[Write], list[Write]]:
    writes = list(writes)
    return [write for write in writes if write.pk is None], [write for write in writes if write.pk is not None]


def prepare_customers(book: Book, plan: Plan) -> None:
    """Add and change customers and their contacts."""
    new, changed = _split(plan.customers)
    customers = [Customer(**write.fields) for write in new]
    book.insert(Customer, customers)
    for customer in customers:
        book.note("save_customer", customer, customer.pk, after=facts_of(customer, *CUSTOMER_FACTS))
    rows = change_rows(book, Customer, changed, lambda write: write.fields)
    for write in changed:
        customer = rows[write.pk or 0]
        book.note("save_customer", customer, customer.pk, before=json_of(write.before), after=json_of(write.fields))
    book.count("customers", len(plan.customers))
    book.customers = {fold(c.code): c for c in [*Customer.objects.all(), *customers, *rows.values()]}
    new, changed = _split(plan.contacts)
    people = [Contact(customer=book.customers[write.key], **write.fields) for write in new]
    book.insert(Contact, people)
    for person in people:
        book.note("save_contact", person, person.customer_id, after=facts_of(person, "name", "email", "phone"))
    rows = change_rows(book, Contact, changed, lambda write: write.fields)
    for write in changed:
        person = rows[write.pk or 0]
        person.customer = book.customers[write.key]
        book.note("save_contact", person, person.customer_id, before=json_of(write.before), after=json_of(write.fields))
    book.count("contacts", len(plan.contacts))


def prepare_sites(book: Book, plan: Plan) -> None:
    """Add and change sites."""
    new, changed = _split(plan.sites)
    sites = [
        Site(**{name: value for name, value in write.fields.items() if name != "customer"},
             customer=book.customers[write.fields["customer"]])
        for write in new
    ]  # fmt: skip
    book.insert(Site, sites)
    for site in sites:
        book.note("save_site", site, site.customer_id, after=facts_of(site, *SITE_FACTS))
    rows = change_rows(book, Site, changed, lambda write: write.fields)
    for write in changed:
        site = rows[write.pk or 0]
        book.note("save_site", site, site.customer_id, before=json_of(write.before), after=json_of(write.fields))
    book.count("sites", len(plan.sites))
    known = Site.objects.select_related("customer")
    book.sites = {fold(site.code): site for site in [*known, *sites, *rows.values()]}


def prepare_receivers(book: Book, plan: Plan) -> None:
    """Add and change receivers, and look up all that hang."""
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
    book.insert(Receiver, made)
    rows = change_rows(book, Receiver, changed, fields_of)
    by_pk = {site.pk: site for site in book.sites.values()}
    for receiver in [*Receiver.objects.open().select_related("type"), *made, *rows.values()]:
        receiver.site = by_pk[receiver.site_id]
        book.receivers[fold(receiver.site.code), plain_text(receiver.label)] = receiver
    for write in plan.receivers:
        receiver = book.receivers[write.key]
        after = facts_of(receiver, *RECEIVER_FACTS) if write.pk is None else json_of(write.fields)
        verb = "add_receiver" if write.pk is None else "edit_receiver"
        book.note(
            verb, receiver, receiver.customer_id, before=json_of(write.before) or None, after=after, receiver=receiver
        )
    book.count("receivers", len(plan.receivers))


def prepare_outputs(book: Book, plan: Plan) -> None:
    """Add and change the outputs of the sheet, then a row for every other output that a type has or a slot drives."""
    new, changed = _split(plan.outputs)
    made = []
    for write in new:
        receiver = book.receivers[write.key[0]]
        made.append(Output(receiver=receiver, customer_id=receiver.customer_id, number=write.key[1], **write.fields))
    book.insert(Output, made)
    rows = change_rows(book, Output, changed, lambda write: write.fields)
    for write, output in zip(new, made, strict=True):
        receiver = book.receivers[write.key[0]]
        book.note("save_output", output, output.customer_id, after=facts_of(output, *OUTPUT_FACTS), receiver=receiver)
    for write in changed:
        output = rows[write.pk or 0]
        receiver = output.receiver = book.receivers[write.key[0]]
        before, after = json_of(write.before), json_of(write.fields)
        book.note("save_output", output, output.customer_id, before=before, after=after, receiver=receiver)
    book.count("outputs", len(plan.outputs))
    _add_other_outputs(book, plan, made)


def _add_other_outputs(book: Book, plan: Plan, made: list[Output]) -> None:
    wanted: dict[int, set[int]] = {}
    for place in {write.key for write in plan.receivers}:
        receiver = book.receivers[place]
        if receiver.type is not None:
            wanted.setdefault(receiver.pk, set()).update(range(1, receiver.type.n_outputs + 1))
    for slot in plan.slots:
        wanted.setdefault(book.receivers[slot.place].pk, set()).update(driven.number for driven in slot.outputs)
    for output in [o for some in chunks(sorted(wanted)) for o in Output.objects.filter(receiver_id__in=some)] + made:
        book.outputs[output.receiver_id, output.number] = output
    customer_of = {receiver.pk: receiver.customer_id for receiver in book.receivers.values()}
    further = [
        Output(receiver_id=receiver, customer_id=customer_of[receiver], number=number)
        for receiver, numbers in sorted(wanted.items())
        for number in sorted(numbers)
        if (receiver, number) not in book.outputs
    ]
    book.insert(Output, further)
    book.outputs.update({(output.receiver_id, output.number): output for output in further})


def prepare_areas(book: Book, plan: Plan) -> None:
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
    known: set[tuple[int, str]] = set()
    last: dict[int, int] = {}
    for some in chunks(sorted({site_id for site_id, _ in wanted})):
        areas_of = Area.objects.filter(site_id__in=some).order_by()
        known.update(areas_of.values_list("site_id", "path"))
        last.update(areas_of.values_list("site_id").annotate(last=Max("walk_order")))
    areas = []
    for (site_id, path), site in wanted.items():
        if (site_id, path) not in known:
            last[site_id] = last.get(site_id, -1) + 1
            areas.append(Area(site=site, customer_id=site.customer_id, path=path, walk_order=last[site_id]))
    book.insert(Area, areas)
    for area in areas:
        book.note("save_area", area, area.customer_id, after=facts_of(area, *PLACE_FACTS[Area]))
