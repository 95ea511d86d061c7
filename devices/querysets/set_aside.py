"""What nobody could place, by serial: how often each was heard, when, by whom, and which known serials look like it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Case, Count, Exists, F, IntegerField, Max, Min, OuterRef, Q, QuerySet, Value, When

from devices.rules.serial_alike import halves, is_alike

MOST_CANDIDATES = 2000
GROUP = ("customer_id", "serial", "at_receiver", "at_slot")


def _keyed(rows: QuerySet[Any]) -> QuerySet[Any]:
    """A serial is one unit whoever heard it; without a serial it is the slot that counts."""
    none: Any = Value(None, output_field=IntegerField())

    def unless_serial(name: str) -> Case:
        return Case(When(serial="", then=F(name)), default=none, output_field=IntegerField())

    return rows.annotate(at_receiver=unless_serial("receiver_id"), at_slot=unless_serial("slot"))


def as_groups(rows: QuerySet[Any]) -> QuerySet[Any]:
    """One line for each unit, the last heard first: n, first_at, last_at, and the newest event's key."""
    return (
        _keyed(rows)
        .order_by()
        .values(*GROUP)
        .annotate(n=Count("pk"), first_at=Min("at"), last_at=Max("at"), newest=Max("pk"))
        .order_by("-newest")
    )


def group_of(rows: QuerySet[Any], event: Any) -> QuerySet[Any]:
    """Events of the same unit as this one."""
    rows = rows.filter(customer_id=event.customer_id, serial=event.serial)
    return rows if event.serial else rows.filter(receiver_id=event.receiver_id, slot=event.slot)


def dismissed_before(every: QuerySet[Any]) -> Exists:
    """Whether somebody has dismissed this unit already: a neighbour's pendant is heard again and again."""
    same = every.filter(serial=OuterRef("serial"), dismissed_at__isnull=False)
    same_customer = Q(customer_id=OuterRef("customer_id")) | Q(customer_id=None)
    same_place = Q(serial__gt="") | Q(receiver_id=OuterRef("receiver_id"), slot=OuterRef("slot"))
    return Exists(same.filter(same_customer, same_place))


@dataclass(slots=True)
class Heard:
    """Who heard a unit, and what it said, with how often; receivers by site and label, as many sites have a "calls".

    Plain dicts: a template would ask a defaultdict for "items".
    """

    kinds: dict[str, int] = field(default_factory=dict)
    sources: dict[str, int] = field(default_factory=dict)
    receivers: dict[str, int] = field(default_factory=dict)
    whys: dict[str, int] = field(default_factory=dict)


def heard_by(rows: QuerySet[Any], groups: Iterable[dict[str, Any]]) -> dict[tuple[Any, ...], Heard]:
    """For each group of a page what it said and to whom; one query."""
    groups = list(groups)
    wanted = Q(serial__in={one["serial"] for one in groups if one["serial"]})
    places = {one["at_receiver"] for one in groups if not one["serial"]}
    if places:
        known = {place for place in places if place is not None}
        wanted |= Q(serial="") & (Q(receiver_id__in=known) | (Q(receiver_id=None) if None in places else Q(pk__in=())))
    counted = (
        _keyed(rows.filter(wanted))
        .order_by()
        .values(*GROUP, "kind", "why", "batch__source__name", "receiver__label", "receiver__site__name")
    )
    found: dict[tuple[Any, ...], Heard] = defaultdict(Heard)
    for row in counted.annotate(n=Count("pk")):
        heard = found[tuple(row[name] for name in GROUP)]
        if row["receiver__label"]:
            row["receiver__label"] = f"{row['receiver__site__name']}, {row['receiver__label']}"
        for name, words in (
            ("kind", heard.kinds), ("batch__source__name", heard.sources), ("receiver__label", heard.receivers), ("why", heard.whys)
        ):  # fmt: skip
            if row[name]:
                words[row[name]] = words.get(row[name], 0) + row["n"]
    return found


SPARE, TAKEN, NO_SUCH_SLOT, DOWN = "spare", "taken", "no_such_slot", "down"


def slot_states(registrations: QuerySet[Any], places: Iterable[tuple[Any, int]]) -> dict[tuple[int, int], str]:
    """How each slot of a receiver stands that an event named: spare, taken since, not there at all, or the receiver is down."""
    places = list(places)
    rows = registrations.filter(receiver__in={receiver.pk for receiver, _slot in places}) if places else ()
    taken = set(rows.values_list("receiver_id", "slot")) if places else set()
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
    """For each serial the transmitters on record that differ from it by one slip at most; one query."""
    wanted = {serial for serial in serials if serial}
    if not wanted:
        return {}
    some = Q()
    for serial in wanted:
        first, last = halves(serial)
        some |= Q(serial__istartswith=first) if len(first) > 2 else Q(serial__iexact=serial)
        some |= Q(serial__iendswith=last) if len(last) > 2 else Q(serial__iexact=serial)
    rows = list(transmitters.filter(some).select_related("customer", "type").order_by("serial", "pk")[:MOST_CANDIDATES])
    return {serial: [row for row in rows if is_alike(row.serial, serial)][:5] for serial in wanted}
