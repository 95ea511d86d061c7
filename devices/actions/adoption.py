"""Events that nobody could place, placed after all: one click takes a transmitter on record and counts what it said since."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction
from django.db.models import Q, QuerySet
from django.utils.translation import gettext as _

from company.actions import record_change
from company.errors import Refused
from company.models import Customer, User
from devices.actions.adopted_faults import carry_over, waiting_kinds
from devices.actions.set_aside_replay import replay
from devices.actions.slot_settings import OtherCustomer
from devices.actions.unused_units import put_on_again
from devices.models import Receiver, SetAside, Transmitter
from devices.rules.set_aside_units import unit_key

AT_ONCE = 5000


class NothingToAdopt(Refused):
    """Somebody was quicker, or nothing waits under this serial."""


@dataclass(frozen=True, slots=True)
class Adopted:
    """What an adoption did: the transmitter, whether it is new on record, and what became of its events.

    `n_events` were adopted; `n_too_old` of them lie on days that are no longer kept and count nowhere; `n_left` still cannot
    be placed and stay set aside. `faults` are the kinds of fault that the events reported and did not take back: they stand
    where the transmitter has a slot (`has_slot`), and once it has one.
    """

    transmitter: Transmitter | None
    is_new: bool
    n_events: int
    n_too_old: int
    n_left: int
    faults: tuple[str, ...] = ()
    has_slot: bool = False


@transaction.atomic
def adopt(
    *, serial: str, customer: Customer, by: User, at: datetime, transmitter: Transmitter | None = None
) -> Adopted:  # fmt: skip
    """Take a transmitter on record for a customer and count every event that was set aside under its serial.

    One click on the page of set-aside events: call it with the serial as it was heard and the customer (that of the rows, or
    the one that the office chooses where they have none). Without `transmitter` the one on record under this serial,
    however it is spelt, is taken, or a new one of unknown type is made; with it, the events are its: the sender had the
    serial wrong. The events go the way of a batch, once: days, totals and faults; then they are marked adopted. It is not
    registered in any slot by this; a fault that was reported before it had one stands once it has (`adopted_faults`).
    Writes one row of the change log. It cannot be taken back: days that were counted cannot be told apart any more; a unit
    taken on record by mistake is taken out of use on its own page.

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
    rows = locked(alike(serial, customer))
    if not rows:
        raise NothingToAdopt(_("Nothing waits under this serial. Somebody may have adopted or dismissed it already."))
    unit, is_new = (transmitter, False) if transmitter else on_record(rows[0].serial, customer, at)
    must_be_of(unit, customer.pk)
    told = count_rows(rows, at=at, by=by, adopted_at=at, unit=unit)
    record_change(
        by=by, at=at, verb="adopt_set_aside", subject=unit, customer_id=customer.pk,
        after={"serial": unit.serial, "events": told.n_events, "is_new": is_new},
    )  # fmt: skip
    has_slot = unit.registrations.filter(removed_at=None).exists()
    return Adopted(
        unit, is_new, told.n_events, told.n_too_old, told.n_left, tuple(waiting_kinds(unit.pk)), has_slot
    )  # fmt: skip


@transaction.atomic
def place_again(*, rows: QuerySet[SetAside], by: User, at: datetime, receiver: Receiver | None = None) -> Adopted:
    """Try events once more that were set aside, after the ledger was put right (a slot registered, a receiver named).

    For events without a serial, which `adopt` does not reach. Those that can be placed now are counted once and marked
    adopted; the others stay, and wait under the slot of their receiver where that is known now. Writes one row of the
    change log, about the first of them.

    Parameters
    ----------
    rows : QuerySet of SetAside
        Adopted and dismissed ones among them are passed over.
    receiver : Receiver or None
        The one that is meant by those whose receiver nobody knew.

    Raises
    ------
    NothingToAdopt
        None of these is open, or nothing about them is better known than before: nothing is written.
    OtherCustomer
        The receiver is not of the customer that the events are of. Nothing is written.
    """
    found = locked(rows)
    if not found:
        raise NothingToAdopt(_("These were counted or dismissed meanwhile. Look at the list again."))
    must_be_meant(receiver, found)
    told = count_rows(found, at=at, by=by, adopted_at=at, receiver=receiver)
    if not told.n_events and not told.n_moved:
        raise NothingToAdopt(_("None of these can be placed yet. Put the ledger right first, then try again."))
    first = next((row for row in found if row.pk not in told.left), found[0])
    after = {"events": told.n_events, "slot": first.slot} | ({"receiver": receiver.label} if receiver else {})
    record_change(
        by=by, at=at, verb="place_set_aside", subject=first, customer_id=first.customer_id or (receiver.customer_id if receiver else None),
        after=after,
    )  # fmt: skip
    return Adopted(None, False, told.n_events, told.n_too_old, told.n_left)


# --- also for those who count very many, part by part (`set_aside_later`) ---------------------------------------------


@dataclass(frozen=True, slots=True)
class Counted:
    """What became of some events: how many count now, how many of those are too old to; which wait on, and otherwise."""

    n_events: int
    n_too_old: int
    left: set[int]
    n_moved: int

    @property
    def n_left(self) -> int:
        return len(self.left)


@transaction.atomic
def count_rows(
    rows: Sequence[SetAside], *, at: datetime, by: User, adopted_at: datetime, unit: Transmitter | None = None,
    receiver: Receiver | None = None,
) -> Counted:  # fmt: skip
    """Count events (`locked`) and mark those that have a place adopted: all of it or nothing. The caller notes the change.

    Parameters
    ----------
    at, adopted_at : datetime
        When they are counted, and when a person asked for that.
    """
    if not rows:
        return Counted(0, 0, set(), 0)
    replayed = replay(rows, at=at, unit=unit, receiver=receiver)
    done = [row.pk for row in rows if row.pk not in replayed.left]
    for start in range(0, len(done), AT_ONCE):
        some = SetAside.objects.filter(pk__in=done[start : start + AT_ONCE])
        some.update(adopted_at=adopted_at, adopted_by=by, transmitter=unit)
    if unit is not None:
        carry_over(transmitter_ids=[unit.pk], at=at)
    return Counted(len(done), replayed.n_too_old, replayed.left, replayed.n_moved)


def must_be_of(unit: Transmitter, customer_id: int | None) -> None:
    """Refuse a transmitter of another customer.

    Raises
    ------
    OtherCustomer
    """
    if unit.customer_id != customer_id:
        raise OtherCustomer(_("Transmitter %(serial)s is recorded for another customer.") % {"serial": unit.serial})


def must_be_meant(receiver: Receiver | None, rows: Sequence[SetAside]) -> None:
    """Refuse a receiver of another customer than the events are of.

    Raises
    ------
    OtherCustomer
    """
    if receiver is not None and any(row.customer_id not in (None, receiver.customer_id) for row in rows):
        raise OtherCustomer(_("Receiver %(label)s is another customer’s.") % {"label": receiver.label})


def alike(serial: str, customer: Customer) -> QuerySet[SetAside]:
    """Open events of a customer, or of nobody's, whose serial means the same."""
    unit = unit_key(serial=serial, receiver_id=None, slot=None, named="")
    return SetAside.objects.open().filter(Q(customer=customer) | Q(customer=None), unit=unit).exclude(serial="")


def locked(rows: QuerySet[SetAside]) -> list[SetAside]:
    """Those still open, locked so that two clicks adopt once."""
    held = rows.open().select_for_update(of=("self",))  # type: ignore[attr-defined]
    # A batch's answer names every row that was set aside: read with each of them, it would fill gigabytes.
    return list(held.select_related("batch__source").defer("batch__answer", "batch__source__column_map").order_by("pk"))


def on_record(serial: str, customer: Customer, at: datetime) -> tuple[Transmitter, bool]:
    """The transmitter of this serial, and whether it had to be made."""
    alike = Transmitter.objects.looking_like(serial)
    mine = [unit for unit in alike if unit.customer_id == customer.pk] or alike
    meant = [unit for unit in mine if unit.serial.casefold() == serial.casefold()] or mine
    if meant:
        # One that was taken off as never used was meant after all.
        put_on_again(meant[0])
        return meant[0], False
    return Transmitter.objects.create(customer=customer, serial=serial.strip(), created_at=at), True
