"""Reads of recalls: which transmitters one would name, and what has become of those that it names."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cache
from typing import TYPE_CHECKING, Any, Self
from zoneinfo import ZoneInfo

from django.apps import apps
from django.contrib.auth.models import AnonymousUser
from django.db.models import Case, Count, F, IntegerField, OuterRef, Q, Subquery, When
from django.db.models.functions import Coalesce, Least

from company.querysets import CustomerScoped, StaffOnly
from devices.rules.slot_map import lots_of
from maintenance.querysets.days import until_of
from maintenance.rules.recalls import ItemFacts, Progress, RecallFilter, same_beginning, state_now

if TYPE_CHECKING:
    from company.models import User

DUTIES = ("life_safety", "security", "convenience")
"""Worst first."""
HARM = Case(*[When(duty=duty, then=n) for n, duty in enumerate(DUTIES)], default=9, output_field=IntegerField())


class RecallQuerySet(StaffOnly):
    """Recalls."""

    def open(self) -> Self:
        """Not closed."""
        return self.filter(closed_at=None)

    def past(self, today: date) -> Self:
        """Open ones whose day is over while something is left, oldest day first, with how much (`n_left`)."""
        left = Count("items", filter=Q(items__state="open"))
        return (
            self.filter(closed_at=None, due_on__lt=today)
            .annotate(n_left=left)
            .filter(n_left__gt=0)
            .order_by("due_on", "pk")
        )

    def matching(self, words: str) -> Self:
        """Recalls whose title or reason holds the words, or whose list holds such a serial or site."""
        if not words:
            return self
        item = apps.get_model("maintenance", "RecallItem")._default_manager
        listed = item.filter(Q(transmitter__serial__icontains=words) | Q(site__name__icontains=words))
        return self.filter(Q(title__icontains=words) | Q(why__icontains=words) | Q(pk__in=listed.values("recall_id")))

    def for_list(self) -> Self:
        """With how many are on the list, open, and open on life safety."""
        is_open = Q(items__state="open")
        return self.select_related("opened_by", "closed_by").annotate(
            n=Count("items"),
            n_open=Count("items", filter=is_open),
            n_grave=Count("items", filter=is_open & Q(items__registration__duty="life_safety")),
            n_sites=Count("items__site", filter=is_open, distinct=True),
            n_settled=F("n") - F("n_open"),
        )


class RecallItemQuerySet(CustomerScoped):
    """Transmitters of recalls. Customers see due dates and visits, never what is recalled."""

    def visible_to(self, user: User | AnonymousUser) -> Self:
        """All for office and technicians, none for anybody else."""
        if user.is_authenticated and user.is_active and user.is_staff_member:
            return self
        return self.none()

    def open(self) -> Self:
        """Still to do in recalls that are not closed: these bring due dates forward."""
        return self.filter(state="open", recall__closed_at=None)

    def narrowed(self, *, state: str = "", site: str = "", words: str = "") -> Self:
        """Items that a person asked for; empty words narrow nothing."""
        rows = self
        if state:
            rows = rows.filter(state=state)
        if site.isdecimal():
            rows = rows.filter(site_id=int(site))
        if words:
            rows = rows.filter(
                Q(transmitter__serial__icontains=words)
                | Q(registration__label__icontains=words)
                | Q(site__name__icontains=words)
                | Q(fitting__lot__icontains=words)
            )
        return rows

    def for_list(self) -> Self:
        """What is left first and worst harm before, then as one walks; with what a row shows."""
        left_first = Case(When(state="open", then=0), default=1, output_field=IntegerField())
        harm = Case(
            *[When(registration__duty=duty, then=n) for n, duty in enumerate(DUTIES)],
            default=9, output_field=IntegerField(),
        )  # fmt: skip
        return (
            self.with_own_date()
            .select_related(
                "recall",
                "site",
                "customer",
                "receiver",
                "registration",
                "transmitter__type",
                "fitting__battery_type",
                "state_by",
            )
            .order_by(left_first, harm, "site__name", "receiver__label", "registration__slot", "pk")
        )

    def with_own_date(self) -> Self:
        """With the day by which a visit must reach to change it (`must_on`): the recall's, or its own where that is earlier."""
        items = apps.get_model("maintenance", "DueItem")._default_manager.filter(
            transmitter=OuterRef("transmitter"), kind=OuterRef("recall__what"), is_closed=False
        )
        own = Coalesce(Subquery(items.values("due_on")[:1]), F("recall__due_on"))
        return self.annotate(must_on=Least(own, F("recall__due_on")))

    def states_now(self) -> dict[int, str]:
        """Item → what has become of it by today's records, in a few queries whatever the number of items."""
        return _states_now(list(self.select_related("recall", "registration").order_by("pk")))

    def progress(self) -> Progress:
        """How far these items have come."""
        counts = self.with_own_date().order_by().values_list("state", "registration__duty", "site_id", "must_on")
        rows = list(counts.annotate(n=Count("pk")))
        placed = stops_of({row[2] for row in rows if row[0] == "open" and row[2]})
        n = dict.fromkeys(("open", "done", "not_affected", "gone", "placed", "grave"), 0)
        for state, duty, site_id, must_on, count in rows:
            n[state] += count
            if state == "open":
                n["grave"] += count * (duty == DUTIES[0])
                n["placed"] += count * any(covers(visit, must_on) for visit in placed.get(site_id, []))
        total = n["open"] + n["done"] + n["not_affected"] + n["gone"]
        return Progress(total, n["open"], n["placed"], n["done"], n["not_affected"], n["gone"], n["grave"])


# --- rounds -------------------------------------------------------------------------------------------------------------


def stops_of(site_ids: Iterable[int]) -> dict[int, list[Any]]:
    """Visits to come at these sites that stand in a draft or in a published round, first day first."""
    rows = apps.get_model("maintenance", "Visit")._default_manager.filter(
        site_id__in=list(site_ids), state__in=["planned", "open"], round__state__in=["draft", "published"]
    )
    by_site: dict[int, list[Any]] = {}
    for visit in rows.select_related("round__technician").order_by("planned_on", "pk"):
        by_site.setdefault(visit.site_id, []).append(visit)
    return by_site


def covers(visit: Any, due_on: date) -> bool:
    """Whether a visit changes what is due by a day: one that was planned for less leaves it where it is."""
    return until_of(visit) >= due_on


# --- which transmitters -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Affected:
    """A transmitter in service that a filter names, at its most harmful place, with its cells (None: none on record)."""

    transmitter_id: int
    serial: str
    customer_id: int
    site_id: int
    site_name: str
    receiver_id: int
    registration_id: int
    duty: str
    fitting_id: int | None
    lot: str
    cells: str = ""


@cache
def _zone(name: str) -> ZoneInfo:
    return ZoneInfo(name)


def _rows(model: str) -> Any:
    app, name = model.split(".")
    return apps.get_model(app, name)._default_manager


def _local_day(at: datetime | None, zone: str) -> date | None:
    return at.astimezone(_zone(zone)).date() if at else None


def lot_condition(lots: Iterable[str]) -> Q:
    """Sets whose noted lot holds one of the codes; what was noted may hold several, so the rows are looked at again."""
    condition = Q()
    for lot in lots:
        condition |= Q(lot__icontains=lot)
    return condition


def _cells_condition(wanted: RecallFilter) -> Q:
    """A bound that the database can use; `RecallFilter.has_cells` decides, by the day at the site."""
    condition = lot_condition(wanted.lots)
    if wanted.unknown_from and wanted.unknown_to:
        margin = timedelta(days=1)
        near = Q(fitted_at__date__gte=wanted.unknown_from - margin, fitted_at__date__lte=wanted.unknown_to + margin)
        condition |= Q(lot="") & (near | Q(fitted_at=None))
    return condition


def affected(wanted: RecallFilter, *, what: str) -> list[Affected]:
    """Transmitters in service that a filter names, worst harm first, then by site, receiver and slot.

    `what` is "cells" or "unit": a recall of cells needs cells in the transmitter, one of whole units does not.
    """
    places = _places(wanted)
    cells = {
        row["transmitter_id"]: row
        for row in _rows("devices.Fitting")
        .filter(_cells_condition(wanted), removed_at=None, transmitter_id__in=places.values("transmitter_id"))
        .values(
            "pk", "transmitter_id", "lot", "fitted_at", "entered_at", "battery_type_id", "battery_type__iec_code"
        )
    }  # fmt: skip
    needs_cells = what == "cells" or wanted.asks_for_lots or wanted.battery_type is not None
    found: dict[int, Affected] = {}
    for row in places.order_by("harm", "site__name", "site_id", "receiver__label", "slot", "pk"):
        pk, serial = row["transmitter_id"], row["transmitter__serial"]
        held = cells.get(pk)
        if pk in found or not wanted.has_serial(serial) or (held is None and needs_cells):
            continue
        if held is not None and not _is_named(wanted, held, row["site__time_zone"]):
            continue
        found[pk] = Affected(
            pk, serial, row["customer_id"], row["site_id"], row["site__name"], row["receiver_id"], row["pk"],
            row["duty"], held["pk"] if held else None, held["lot"] if held else "",
            (held["battery_type__iec_code"] or "") if held else "",
        )  # fmt: skip
    return list(found.values())


def _is_named(wanted: RecallFilter, cells: Mapping[str, Any], zone: str) -> bool:
    if wanted.battery_type is not None and cells["battery_type_id"] != wanted.battery_type:
        return False
    fitted_on, entered_on = _local_day(cells["fitted_at"], zone), _local_day(cells["entered_at"], zone)
    return wanted.has_cells(lots_of(cells["lot"]), fitted_on, entered_on)


def _places(wanted: RecallFilter) -> Any:
    """Open registrations of transmitters that the filter's other conditions name, as plain values."""
    rows = _rows("devices.Registration").filter(removed_at=None, transmitter__isnull=False)
    for field, lookup in (
        ("customer", "customer_id"),
        ("site", "site_id"),
        ("transmitter_type", "transmitter__type_id"),
    ):
        if getattr(wanted, field) is not None:
            rows = rows.filter(**{lookup: getattr(wanted, field)})
    begins = same_beginning(wanted.serial_from, wanted.serial_to)
    # SQLite folds the case of plain letters only, so any other beginning is left to the rule.
    if begins and begins.isascii():
        rows = rows.filter(transmitter__serial__istartswith=begins)
    return rows.annotate(harm=HARM).values(
        "pk", "transmitter_id", "transmitter__serial", "customer_id", "site_id", "site__name", "site__time_zone",
        "receiver_id", "duty", "harm", "slot",
    )  # fmt: skip


def places_of(transmitter_ids: Iterable[int]) -> dict[int, Mapping[str, Any]]:
    """Most harmful open place of each transmitter: registration, receiver, site."""
    rows = _rows("devices.Registration").filter(removed_at=None, transmitter_id__in=list(transmitter_ids))
    places: dict[int, Mapping[str, Any]] = {}
    for row in rows.annotate(harm=HARM).order_by("harm", "pk").values("pk", "transmitter_id", "receiver_id", "site_id"):
        places.setdefault(row["transmitter_id"], row)
    return places


def in_no_slot(wanted: RecallFilter) -> int:
    """How many transmitters hold cells that the filter names and stand in no slot: spares, which no list shows."""
    if not wanted.asks_for_lots or wanted.site is not None:
        return 0
    rows = _rows("devices.Fitting").filter(_cells_condition(wanted), removed_at=None, transmitter__retired_at=None)
    in_service = _rows("devices.Registration").filter(removed_at=None, transmitter__isnull=False)
    rows = rows.exclude(transmitter_id__in=in_service.values("transmitter_id"))
    for field, lookup in (("customer", "customer_id"), ("transmitter_type", "transmitter__type_id")):
        if getattr(wanted, field) is not None:
            rows = rows.filter(**{lookup: getattr(wanted, field)})
    values = rows.values("transmitter__serial", "lot", "fitted_at", "entered_at", "battery_type_id")
    return sum(1 for row in values if wanted.has_serial(row["transmitter__serial"]) and _is_named(wanted, row, "UTC"))


# --- what has become of them --------------------------------------------------------------------------------------------


def _states_now(items: list[Any]) -> dict[int, str]:
    transmitter_ids = [item.transmitter_id for item in items]
    here = dict(
        _rows("devices.Registration")
        .filter(removed_at=None, transmitter_id__in=transmitter_ids)
        .values_list("transmitter_id", "site__time_zone")
    )
    cells = {
        row["transmitter_id"]: row
        for row in _rows("devices.Fitting")
        .filter(removed_at=None, transmitter_id__in=transmitter_ids)
        .values("pk", "transmitter_id", "lot", "fitted_at", "entered_at", "battery_type_id")
    }
    taken = set(
        _rows("devices.Registration")
        .filter(removed_at=None, transmitter__isnull=False, receiver_id__in={item.receiver_id for item in items})
        .values_list("receiver_id", "slot")
    )
    filters = {item.recall_id: RecallFilter.from_json(item.recall.filter) for item in items}
    states = {}
    for item in items:
        held, zone = cells.get(item.transmitter_id), here.get(item.transmitter_id)
        wanted = filters[item.recall_id]
        slot = (item.receiver_id, item.registration.slot) if item.registration else None
        states[item.pk] = state_now(
            ItemFacts(
                what=item.recall.what,
                state=item.state,
                is_in_service=zone is not None,
                has_successor=slot in taken,
                listed_fitting=item.fitting_id,
                present_fitting=held["pk"] if held else None,
                fitted_since=bool(held and held["fitted_at"] and held["fitted_at"] > item.recall.opened_at),
                is_named_again=bool(held and wanted.asks_for_lots and _is_named(wanted, held, zone or "UTC")),
            )
        )
    return states


def shown_states(items: Iterable[Any]) -> list[Any]:
    """Give each item of a page the stops that will settle it (`stops`), and those that were planned for less (`short`)."""
    rows = list(items)
    stops = stops_of({item.site_id for item in rows if item.state == "open" and item.site_id})
    for item in rows:
        here = stops.get(item.site_id, []) if item.state == "open" else []
        item.stops = [visit for visit in here if covers(visit, item.must_on)]
        item.short = [] if item.stops else here
    return rows


def sites_left(items: RecallItemQuerySet) -> list[dict[str, Any]]:
    """One row per site of a recall: how many are listed, left, and left on life safety; most harm first."""
    is_open, grave = Q(state="open"), Q(state="open", registration__duty=DUTIES[0])
    rows = (
        items.order_by()
        .values("site_id", "site__name", "site__town", "customer__name", "recall__due_on")
        .annotate(n=Count("pk"), n_open=Count("pk", filter=is_open), n_grave=Count("pk", filter=grave))
        .order_by("-n_grave", "-n_open", F("site__name").asc(nulls_last=True), "site_id")
    )
    return list(rows)
