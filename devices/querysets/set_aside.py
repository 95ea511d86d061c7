"""What nobody could place, by unit: how often each was heard, when, by whom, and which known serials look like it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.db.models import Count, Exists, Max, Min, OuterRef, Q, QuerySet

from devices.rules.serial_alike import halves, is_alike
from devices.rules.serials import serial_key

MOST_CANDIDATES = 2000
GROUP = ("customer_id", "unit")
Group = tuple[int | None, str]


def newest_of_units(every: QuerySet[Any], rows: QuerySet[Any]) -> QuerySet[Any]:
    """Of each unit among `rows` the newest event, the last heard first; `every` are the events that may be seen.

    What is asked of a unit is to be asked of these: there may be thousands of events of one.
    """
    newest = rows.order_by().values(*GROUP).annotate(newest=Max("pk")).values("newest")
    return every.filter(pk__in=newest).order_by("-pk")


def group_of(rows: QuerySet[Any], event: Any) -> QuerySet[Any]:
    """Events of the same unit as this one."""
    return rows.filter(unit=event.unit, customer_id=event.customer_id)


def of_groups(rows: QuerySet[Any], groups: Iterable[Group]) -> QuerySet[Any]:
    """Events of some units, a few hundred at most."""
    by_customer: dict[int | None, list[str]] = defaultdict(list)
    for customer_id, unit in groups:
        by_customer[customer_id].append(unit)
    wanted = Q(pk__in=[])
    for pk, units in by_customer.items():
        wanted |= Q(customer_id=pk, unit__in=units) if pk is not None else Q(customer=None, unit__in=units)
    return rows.filter(wanted)


def dismissed_before(every: QuerySet[Any]) -> Exists:
    """Whether somebody has dismissed this unit already: a neighbour's pendant is heard again and again.

    It looks through all events of the unit, so ask it of one event of each unit (`newest_of_units`), never of all.
    """
    same = every.filter(unit=OuterRef("unit"), dismissed_at__isnull=False)
    return Exists(same.filter(Q(customer_id=OuterRef("customer_id")) | Q(customer_id=None)))


def units_dismissed(every: QuerySet[Any], rows: QuerySet[Any]) -> set[Group]:
    """Of the units among `rows` those that somebody has dismissed, as customer and unit."""
    return set(newest_of_units(every, rows).filter(dismissed_before(every)).order_by().values_list(*GROUP))


@dataclass(slots=True)
class Heard:
    """What a unit said, how often, when, and who heard it. Plain dicts: a template would ask a defaultdict for "items"."""

    n: int = 0
    first_at: datetime | None = None
    last_at: datetime | None = None
    kinds: dict[str, int] = field(default_factory=dict)
    sources: dict[str, int] = field(default_factory=dict)
    receivers: dict[str, int] = field(default_factory=dict)
    whys: dict[str, int] = field(default_factory=dict)
    slots: dict[int, int] = field(default_factory=dict)
    spelt: dict[str, int] = field(default_factory=dict)
    """Serials as they were sent: one unit may be spelt in several ways."""

    def add(self, row: dict[str, Any]) -> None:
        """Add some events that agree in all of this."""
        self.n += row["n"]
        self.first_at = min((one for one in (self.first_at, row["first_at"]) if one), default=None)
        self.last_at = max((one for one in (self.last_at, row["last_at"]) if one), default=None)
        place = ", ".join(part for part in (row["receiver__site__name"], row["receiver__label"]) if part)
        told: tuple[tuple[dict[Any, int], Any], ...] = (
            (self.kinds, row["kind"]), (self.sources, row["batch__source__name"]), (self.receivers, place),
            (self.whys, row["why"]), (self.slots, row["slot"]), (self.spelt, row["serial"]),
        )  # fmt: skip
        for words, word in told:
            if word:
                words[word] = words.get(word, 0) + row["n"]


_AGREE = (
    *GROUP, "kind", "why", "slot", "serial", "batch__source__name", "receiver__label", "receiver__site__name"
)  # fmt: skip


def heard_of(rows: QuerySet[Any], units: Sequence[Any]) -> dict[Group, Heard]:
    """For the unit of each of these events what all its events among `rows` said; one query."""
    wanted = rows.filter(unit__in={one.unit for one in units}).order_by().values(*_AGREE)
    found: dict[Group, Heard] = defaultdict(Heard)
    for row in wanted.annotate(n=Count("pk"), first_at=Min("at"), last_at=Max("at")).order_by("slot", "serial"):
        found[row["customer_id"], row["unit"]].add(row)
    return found


SPARE, TAKEN, NO_SUCH_SLOT, DOWN = "spare", "taken", "no_such_slot", "down"


def slot_states(registrations: QuerySet[Any], events: Iterable[Any]) -> dict[tuple[int, int], str]:
    """How each slot stands that events without a serial named: spare, taken since, not there, or the receiver is down."""
    places = [(one.receiver, one.slot) for one in events if not one.serial and one.slot and one.receiver]
    taken: set[tuple[int, int]] = set()
    if places:
        rows = registrations.filter(receiver__in={receiver.pk for receiver, _slot in places})
        taken = set(rows.values_list("receiver_id", "slot"))
    found = {}
    for receiver, slot in places:
        key = (receiver.pk, slot)
        if receiver.removed_at is not None:
            found[key] = DOWN
        elif not 1 <= slot <= receiver.n_slots:
            found[key] = NO_SUCH_SLOT
        else:
            found[key] = TAKEN if key in taken else SPARE
    return found


def alike_on_record(transmitters: QuerySet[Any], serials: Iterable[str]) -> dict[str, list[Any]]:
    """For each serial the transmitters on record that differ from it by one slip at most, the same first; one query."""
    wanted = {serial for serial in serials if serial}
    if not wanted:
        return {}
    some = Q()
    for serial in wanted:
        first, last = halves(serial)
        some |= Q(serial__istartswith=first) if len(first) > 2 else Q(serial__iexact=serial)
        some |= Q(serial__iendswith=last) if len(last) > 2 else Q(serial__iexact=serial)
    rows = list(transmitters.filter(some).select_related("customer", "type").order_by("serial", "pk")[:MOST_CANDIDATES])
    found = {serial: [row for row in rows if is_alike(row.serial, serial)] for serial in wanted}
    for serial, alike in found.items():
        alike.sort(key=lambda row: serial_key(row.serial) != serial_key(serial))
    return {serial: alike[:5] for serial, alike in found.items()}


def of_another(event: Any, alike: Iterable[Any]) -> Any | None:
    """Of the transmitters that look like an event's the one that bears its serial, where only another customer has it.

    Then it cannot be adopted. None of a serial that its own customer has, and of an event that is nobody's yet.
    """
    same = [unit for unit in alike if serial_key(unit.serial) == serial_key(event.serial)]
    if event.customer_id is None or any(unit.customer_id == event.customer_id for unit in same):
        return None
    return same[0] if same else None
