"""Events that nobody could place, placed after all: one click takes a transmitter on record and counts what it said since."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction
from django.db.models import Q, QuerySet
from django.utils.translation import gettext as _

from company.actions import record_change
from company.errors import Refused
from company.models import Customer, User
from devices.actions import intake_sql as isql
from devices.actions import rollup_sql as sql
from devices.actions.intake import put_in
from devices.actions.intake_placing import Placed, Sender, event_of, place_events
from devices.actions.slot_settings import OtherCustomer
from devices.actions.unused_units import put_on_again
from devices.models import IntakeSource, Receiver, SetAside, Transmitter
from devices.rules.serials import serial_key


class NothingToAdopt(Refused):
    """Somebody was quicker, or nothing waits under this serial."""


@dataclass(frozen=True, slots=True)
class Adopted:
    """What an adoption did: the transmitter, whether it is new on record, and what became of its events.

    `n_events` were adopted; `n_too_old` of them lie on days that are no longer kept and count nowhere; `n_left` still cannot
    be placed and stay set aside.
    """

    transmitter: Transmitter | None
    is_new: bool
    n_events: int
    n_too_old: int
    n_left: int


@transaction.atomic
def adopt(
    *, serial: str, customer: Customer, by: User, at: datetime, transmitter: Transmitter | None = None
) -> Adopted:  # fmt: skip
    """Take a transmitter on record for a customer and count every event that was set aside under its serial.

    One click on the page of set-aside events: call it with the serial as it was heard and the customer (that of the rows, or
    the one that the office chooses where they have none). Without `transmitter` the one on record under this serial,
    however it is spelt, is taken, or a new one of unknown type is made; with it, the events are its: the sender had the
    serial wrong. The events go the way of a batch, once: days, totals and faults; then they are marked adopted. It is not
    registered in any slot by this. Writes one row of the change log. It cannot be taken back: days that were counted
    cannot be told apart any more; a unit taken on record by mistake is taken out of use on its own page.

    Parameters
    ----------
    serial : str
        As the events bear it; events spelt differently but meaning the same go along.
    customer : Customer
        Whose it is. Events of other customers under the same serial stay where they are.
    transmitter : Transmitter or None
        A unit of this customer whose events these are.

    Raises
    ------
    NothingToAdopt
        No open event bears this serial.
    OtherCustomer
        The serial, or the given transmitter, is on record for another customer. Nothing is written.
    """
    rows = _locked(_alike(serial, customer))
    if not rows:
        raise NothingToAdopt(_("Nothing waits under this serial. Somebody may have adopted or dismissed it already."))
    unit, is_new = (transmitter, False) if transmitter else _on_record(rows[0].serial, customer, at)
    if unit.customer_id != customer.pk:
        raise OtherCustomer(_("Transmitter %(serial)s is recorded for another customer.") % {"serial": unit.serial})
    n_too_old, left = _replay(rows, customer.pk, unit.serial, at)
    done = [row.pk for row in rows if row.pk not in left]
    SetAside.objects.filter(pk__in=done).update(adopted_at=at, adopted_by=by, transmitter=unit)
    record_change(
        by=by, at=at, verb="adopt_set_aside", subject=unit, customer_id=customer.pk,
        after={"serial": unit.serial, "events": len(done), "is_new": is_new},
    )  # fmt: skip
    return Adopted(unit, is_new, len(done), n_too_old, len(left))


@transaction.atomic
def place_again(*, rows: Iterable[SetAside], by: User, at: datetime) -> Adopted:
    """Try events once more that were set aside, after the ledger was put right (a slot registered, a receiver named).

    For events without a serial, which `adopt` does not reach. Those that can be placed now are counted once and marked
    adopted; the others stay. Writes one row of the change log, about the first of them.

    Raises
    ------
    NothingToAdopt
        None of these is open, or none can be placed yet: nothing is written.
    """
    found = _locked(SetAside.objects.filter(pk__in=[row.pk for row in rows]))
    by_customer: dict[int | None, list[SetAside]] = defaultdict(list)
    for row in found:
        by_customer[row.customer_id].append(row)
    n_too_old, left = 0, set[int]()
    for customer_id, mine in sorted(by_customer.items(), key=lambda one: one[0] or 0):
        old, some = _replay(mine, customer_id, "", at)
        n_too_old, left = n_too_old + old, left | some
    done = [row for row in found if row.pk not in left]
    if not done:
        raise NothingToAdopt(_("None of these can be placed yet. Put the ledger right first, then try again."))
    SetAside.objects.filter(pk__in=[row.pk for row in done]).update(adopted_at=at, adopted_by=by)
    record_change(
        by=by, at=at, verb="place_set_aside", subject=done[0], customer_id=done[0].customer_id,
        after={"events": len(done), "slot": done[0].slot},
    )  # fmt: skip
    return Adopted(None, False, len(done), n_too_old, len(left))


def _alike(serial: str, customer: Customer) -> QuerySet[SetAside]:
    """Open events of a customer, or of nobody's, whose serial means the same."""
    mine = SetAside.objects.open().filter(Q(customer=customer) | Q(customer=None)).exclude(serial="")
    spelt = [one for one in set(mine.values_list("serial", flat=True)) if serial_key(one) == serial_key(serial)]
    return mine.filter(serial__in=spelt)


def _locked(rows: QuerySet[SetAside]) -> list[SetAside]:
    """Those still open, locked so that two clicks adopt once."""
    keys = list(rows.values_list("pk", flat=True))
    locked = SetAside.objects.select_for_update(of=("self",)).open().filter(pk__in=keys)
    return list(locked.select_related("batch__source").order_by("pk"))


def _on_record(serial: str, customer: Customer, at: datetime) -> tuple[Transmitter, bool]:
    """The transmitter of this serial, and whether it had to be made."""
    alike = Transmitter.objects.looking_like(serial)
    mine = [unit for unit in alike if unit.customer_id == customer.pk] or alike
    meant = [unit for unit in mine if unit.serial.casefold() == serial.casefold()] or mine
    if meant:
        # One that was taken off as never used was meant after all.
        put_on_again(meant[0])
        return meant[0], False
    return Transmitter.objects.create(customer=customer, serial=serial.strip(), created_at=at), True


def _replay(rows: Sequence[SetAside], customer_id: int | None, serial: str, at: datetime) -> tuple[int, set[int]]:
    """Put events in, as their batches would have; gives how many were too old, and the keys of those still without a place."""
    groups: dict[tuple[int, int | None], list[SetAside]] = defaultdict(list)
    for row in rows:
        groups[row.batch.source_id, row.receiver_id].append(row)
    sites = dict(Receiver.objects.filter(pk__in={pk for _, pk in groups if pk}).values_list("pk", "site_id"))
    placed: list[tuple[Placed, Sender]] = []
    n_too_old, left = 0, set[int]()
    for (_source, receiver_id), mine in sorted(groups.items(), key=lambda one: (one[0][0], one[0][1] or 0)):
        sender = _sender(mine[0].batch.source, customer_id, receiver_id, sites)
        events = [event_of(row.event) for row in mine]
        # Numbered anew: rows of several batches bear the same numbers.
        events = [one._replace(row=n, serial=serial or one.serial) for n, one in enumerate(events)]
        found = place_events(sender, events)
        n_too_old += len(found.problems)
        # What the receiver had no slot for says nothing of the transmitter itself: there is nothing to count.
        left |= {mine[one.event.row].pk for one in found.aside if not (serial and one.event.kind == "unregistered")}
        placed.append((found, sender))
    receivers = {pk for found, _ in placed for pk in found.receiver_ids}
    sql.ask(isql.lock_receivers_ask(receivers, None, isql.Scope(None, None)))
    for found, sender in placed:
        put_in(found, sender, at)
    return n_too_old, left


def _sender(
    source: IntakeSource, customer_id: int | None, receiver_id: int | None, sites: dict[int, int]
) -> Sender:  # fmt: skip
    site_id = sites.get(receiver_id) if receiver_id else source.site_id
    return Sender(source.pk, source.name, source.kind, customer_id, None, receiver_id, site_id)
