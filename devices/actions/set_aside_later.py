"""Very many events set aside, counted as background work: part by part, each in one transaction, each event once."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Count, Q, QuerySet
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from company import jobs
from company.actions import record_change
from company.jobs import Handle
from company.models import Customer, Job, User
from devices.actions import adoption
from devices.actions.adoption import Adopted, NothingToAdopt
from devices.models import Receiver, SetAside, Transmitter
from devices.querysets.set_aside import group_of
from devices.rules.presence import QUARTER_S
from devices.rules.set_aside_units import unit_key

HANDLER = "devices.actions.set_aside_later.count_set_aside"
MOST_AT_ONCE = 2000
"""So many events are counted while a person waits; our own choice, about a second. More are background work."""
PART_EVENTS = 1000
"""Events of one transaction; our own choice, so that nobody else who writes waits long. A quarter hour is never cut."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What a person asked for, as the job keeps it.

    Attributes
    ----------
    unit : str
        What waits (`unit_key`), of these `customers`, up to the event `newest`; there were `n_waiting`.
    transmitter, receiver : int or None
        Whose the events are, where they are adopted; which receiver is meant by those that name none on record.
    by : int
    at : datetime
        Who asked and when. Every event that is counted bears both, which tells those of this job from any other.
    """

    unit: str
    customers: tuple[int | None, ...]
    newest: int
    n_waiting: int
    transmitter: int | None
    receiver: int | None
    by: int
    at: datetime

    def as_args(self) -> dict[str, Any]:
        return {
            "unit": self.unit, "customers": list(self.customers), "newest": self.newest, "n_waiting": self.n_waiting,
            "transmitter": self.transmitter, "receiver": self.receiver, "by": self.by, "at": self.at.isoformat(),
        }  # fmt: skip

    def rows(self) -> QuerySet[SetAside]:
        """Those that still wait."""
        known = [pk for pk in self.customers if pk is not None]
        whose = Q(customer_id__in=known) | (Q(customer=None) if None in self.customers else Q())
        return SetAside.objects.open().filter(whose, unit=self.unit, pk__lte=self.newest)

    def n_counted(self) -> int:
        """Of all attempts together."""
        return SetAside.objects.filter(unit=self.unit, adopted_at=self.at, adopted_by_id=self.by).count()


@transaction.atomic
def adopt_or_ask(
    *, serial: str, customer: Customer, by: User, at: datetime, transmitter: Transmitter | None = None
) -> Adopted | Job:  # fmt: skip
    """Adopt what waits under a serial (`adopt`); where that is more than `MOST_AT_ONCE`, as background work.

    Then the transmitter goes on record at once, so that what comes from now on needs no adopting, and the job that counts
    is given; asked again while it works, the same. The change log has one row of the asking and one of the end.

    Raises
    ------
    NothingToAdopt, OtherCustomer
        As `adopt`. Nothing is written.
    """
    rows = adoption.alike(serial, customer)
    key, newest, n_waiting = _waiting(rows)
    unit = unit_key(serial=serial, receiver_id=None, slot=None, named="")
    if (job := job_of(unit, customer.pk)) is not None:
        return job
    if n_waiting <= MOST_AT_ONCE:
        return adoption.adopt(serial=serial, customer=customer, by=by, at=at, transmitter=transmitter)
    first = SetAside.objects.get(pk=key)
    meant, is_new = (transmitter, False) if transmitter else adoption.on_record(first.serial, customer, at)
    adoption.must_be_of(meant, customer.pk)
    record_change(
        by=by, at=at, verb="adopt_set_aside", subject=meant, customer_id=customer.pk,
        after={"serial": meant.serial, "waiting": n_waiting, "is_new": is_new},
    )  # fmt: skip
    return _ask(Asked(unit, (customer.pk, None), newest, n_waiting, meant.pk, None, by.pk, at), first.serial, by)


@transaction.atomic
def place_or_ask(*, event: SetAside, by: User, at: datetime, receiver: Receiver | None = None) -> Adopted | Job:
    """Try events of the same unit as `event` once more (`place_again`); more than `MOST_AT_ONCE` as background work.

    Raises
    ------
    NothingToAdopt, OtherCustomer
        As `place_again`. Nothing is written.
    """
    rows = group_of(SetAside.objects.open(), event)
    _key, newest, n_waiting = _waiting(rows)
    if (job := job_of(event.unit, event.customer_id)) is not None:
        return job
    if n_waiting <= MOST_AT_ONCE:
        return adoption.place_again(rows=rows, receiver=receiver, by=by, at=at)
    adoption.must_be_meant(receiver, [event])
    asked = Asked(
        event.unit, (event.customer_id,), newest, n_waiting, None, receiver.pk if receiver else None, by.pk, at
    )
    _note_placing(asked, receiver, by, at, {"waiting": n_waiting})
    place = receiver or event.receiver
    return _ask(asked, event.named or (place.label if place else _("an unknown receiver")), by)


def job_of(unit: str, customer_id: int | None) -> Job | None:
    """The job that is counting, or will, what waits under this word for this customer."""
    open_ones = Job.objects.filter(state__in=(Job.State.WAITING, Job.State.RUNNING), handler=HANDLER)
    found = open_ones.filter(key__startswith=key_prefix(unit)).order_by("-pk")
    return next((job for job in found if customer_id in job.args["customers"]), None)


def groups_counted() -> set[tuple[int | None, str]]:
    """Of everything that waits what jobs are counting, or will: customer and unit."""
    open_ones = Job.objects.filter(state__in=(Job.State.WAITING, Job.State.RUNNING), handler=HANDLER)
    return {(pk, args["unit"]) for args in open_ones.values_list("args", flat=True) for pk in args["customers"]}


def key_prefix(unit: str) -> str:
    """How the keys of all jobs begin that count what waits under a word."""
    return f"count-set-aside:{hashlib.sha256(unit.encode()).hexdigest()[:32]}:"


def _waiting(rows: QuerySet[SetAside]) -> tuple[int, int, int]:
    """Keys of the first and the newest event that wait (0: none), and how many do. Who asks second waits for the first."""
    first = rows.select_for_update(of=("self",)).order_by("pk").values_list("pk", flat=True).first()
    newest = rows.order_by("-pk").values_list("pk", flat=True).first() or 0
    return first or newest, newest, rows.count()


def _ask(asked: Asked, name: str, by: User) -> Job:
    prefix = key_prefix(asked.unit)
    n_before = Job.objects.filter(key__startswith=prefix).count()
    return jobs.enqueue(
        handler=HANDLER,
        key=f"{prefix}{n_before}",
        title=(_("Counting of what was set aside: %(name)s") % {"name": name})[:200],
        args=asked.as_args(),
        by=by,
    )


def _note_placing(
    asked: Asked, receiver: Receiver | None, by: User, at: datetime, after: dict[str, Any]
) -> None:  # fmt: skip
    subject = SetAside.objects.get(pk=asked.newest)
    customer_id = asked.customers[0] or (receiver.customer_id if receiver else None)
    more = {"slot": subject.slot} | ({"receiver": receiver.label} if receiver else {})
    record_change(
        by=by, at=at, verb="place_set_aside", subject=subject, customer_id=customer_id, after=after | more
    )  # fmt: skip


# --- the job ----------------------------------------------------------------------------------------------------------


def count_set_aside(handle: Handle, *, at: str, customers: list[int | None], **args: Any) -> None:
    """Job: count what a person asked for. Broken off and run again, it counts each event once.

    Each part is one transaction: its events count, are marked adopted, and the progress says so, or none of it. Events
    keep the order in which their batches came. What cannot be placed stays set aside.

    Raises
    ------
    NothingToAdopt
        None of them can be placed; they wait as before.
    OtherCustomer
        Transmitter or receiver became another customer's meanwhile. What was counted stays counted.
    """
    asked = Asked(**args, at=datetime.fromisoformat(at), customers=tuple(customers))
    by = User.objects.get(pk=asked.by)
    n_done, n_left, n_moved = asked.n_counted(), 0, 0
    handle.progress(n_done, asked.n_waiting)
    for rows in parts_of(asked.rows()):
        with transaction.atomic():
            told = _count_part(asked, rows, by)
            n_left, n_moved = n_left + told.n_left, n_moved + told.n_moved
            n_done = min(n_done + told.n_events + told.n_left, asked.n_waiting)
            # In the same transaction: who has lost the job to another worker writes nothing.
            handle.progress(n_done, asked.n_waiting)
    _finish(handle, asked, by, n_left=n_left, n_moved=n_moved)


def _count_part(asked: Asked, rows: QuerySet[SetAside], by: User) -> adoption.Counted:
    now = timezone.now()
    if asked.transmitter is not None:
        unit = Transmitter.objects.get(pk=asked.transmitter)
        adoption.must_be_of(unit, asked.customers[0])
        return adoption.count_rows(adoption.locked(rows), at=now, by=by, adopted_at=asked.at, unit=unit)
    receiver = Receiver.objects.get(pk=asked.receiver) if asked.receiver is not None else None
    return adoption.count_rows(adoption.locked(rows), at=now, by=by, adopted_at=asked.at, receiver=receiver)


@transaction.atomic
def _finish(handle: Handle, asked: Asked, by: User, *, n_left: int, n_moved: int) -> None:
    n_events = asked.n_counted()
    if not n_events and n_left and not n_moved:
        raise NothingToAdopt(_("None of these can be placed yet. Put the ledger right first, then try again."))
    now, after = timezone.now(), {"events": n_events}
    if asked.transmitter is not None:
        unit = Transmitter.objects.get(pk=asked.transmitter)
        record_change(
            by=by, at=now, verb="place_set_aside", subject=unit, customer_id=unit.customer_id,
            after={"serial": unit.serial} | after,
        )  # fmt: skip
    else:
        receiver = Receiver.objects.get(pk=asked.receiver) if asked.receiver is not None else None
        _note_placing(asked, receiver, by, now, after)
    url = reverse("devices:set_aside_detail", args=[asked.newest])
    handle.finish({"n_events": n_events, "n_left": n_left}, url=url)


def parts_of(rows: QuerySet[SetAside]) -> Iterator[QuerySet[SetAside]]:
    """Cut events into parts in the order in which their batches came: batches are whole, or cut at quarter hours.

    A file fills only quarter hours in which nothing was counted (`devices.rules.day_merge`): cut within one, the second
    half of what it says of it would be lost.
    """
    keys: list[int] = []
    n_events = 0
    batches = rows.order_by().values_list("batch_id").annotate(n=Count("pk")).order_by("batch_id")
    for batch_id, n in list(batches):
        if keys and n_events + n > PART_EVENTS:
            yield rows.filter(batch_id__in=keys)
            keys, n_events = [], 0
        if n > PART_EVENTS:
            yield from _quarters_of(rows.filter(batch_id=batch_id))
        else:
            keys.append(batch_id)
            n_events += n
    if keys:
        yield rows.filter(batch_id__in=keys)


def _quarters_of(rows: QuerySet[SetAside]) -> Iterator[QuerySet[SetAside]]:
    """Parts of one batch by the time of its events, those without one first."""
    moments = [at for at in rows.order_by("at").values_list("at", flat=True) if at is not None]
    yield rows.filter(at=None)
    start = 0
    while start < len(moments):
        end = min(start + PART_EVENTS, len(moments))
        last = int(moments[end - 1].timestamp()) // QUARTER_S
        while end < len(moments) and int(moments[end].timestamp()) // QUARTER_S == last:
            end += 1
        yield rows.filter(at__range=(moments[start], moments[end - 1]))
        start = end
