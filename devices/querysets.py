"""Every read of what is installed. First link of every chain in a door is `.visible_to(user)`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import TYPE_CHECKING, Any, ClassVar, Self

from django.apps import apps
from django.contrib.auth.models import AnonymousUser
from django.db import models
from django.db.models import Count, Exists, F, FilteredRelation, IntegerField, Max, Min, OuterRef, Q, Subquery
from django.db.models.functions import Coalesce

from company.querysets import CustomerScoped, StaffOnly, scope_of
from devices.rules.slot_map import OutputUse, SlotRow, lots_of
from devices.rules.supervision import EVERY, VISITS, ReceiverEvidence

if TYPE_CHECKING:
    from company.models import User

__all__ = [
    "CatalogueQuerySet",
    "CheckInQuerySet",
    "FaultQuerySet",
    "FittingQuerySet",
    "FittingTotalsQuerySet",
    "OutputQuerySet",
    "ReceiverQuerySet",
    "RegistrationOutputQuerySet",
    "RegistrationQuerySet",
    "StaffOnly",
    "TransmitterQuerySet",
]


def from_to(begins: str, ends: str, at: datetime) -> Q:
    """Rows in force at a moment: begun, and not yet ended (the end is exclusive)."""
    return Q(**{f"{begins}__lte": at}) & (Q(**{ends: None}) | Q(**{f"{ends}__gt": at}))


def end_of_day(day: date, zone: tzinfo) -> datetime:
    """Last moment of a day in a site's time zone: what "as of that day" means everywhere."""
    return datetime.combine(day + timedelta(days=1), time.min, tzinfo=zone) - timedelta(microseconds=1)


class CatalogueQuerySet(models.QuerySet[Any]):
    """Types: no customer's data; every person who has signed in may see them."""

    def visible_to(self, user: User | AnonymousUser) -> Self:
        return self if user.is_authenticated and user.is_active else self.none()

    def offered(self) -> Self:
        """Types that may be chosen for something new."""
        return self.filter(retired_at=None).order_by("label", "pk")


def heard_moment(day: date | None, seconds: int | None) -> datetime | None:
    """Moment of a check-in from its day and its seconds since midnight UTC, as the table of days keeps them."""
    if day is None or seconds is None:
        return None
    return datetime.combine(day, time.min, tzinfo=UTC) + timedelta(seconds=seconds)


def _last_heard(receiver_ids: Sequence[int]) -> dict[int, dict[int, datetime]]:
    """Receiver → slot → last check-in."""
    if not receiver_ids:
        return {}
    heard: dict[int, dict[int, datetime]] = {}
    for receiver_id, slot, day, seconds in (
        apps.get_model("devices", "Registration")
        ._default_manager.open()
        .filter(receiver__in=receiver_ids, transmitter__isnull=False)
        .with_last_check_in()
        .values_list("receiver_id", "slot", "heard_day", "heard_s")
    ):
        if (at := heard_moment(day, seconds)) is not None:
            heard.setdefault(receiver_id, {})[slot] = at
    return heard


def _tried(visits: Mapping[int, int]) -> dict[int, dict[int, bool | None]]:
    """Receiver → slot → what the last walk test of that receiver's visit found (None: touched, not walk-tested)."""
    if not visits:
        return {}
    tried: dict[int, dict[int, bool | None]] = {}
    for receiver_id, visit_id, slot, was_heard in (
        apps.get_model("devices", "Registration")
        ._default_manager.filter(
            receiver__in=visits.keys(), entries__visit__in=set(visits.values()), entries__is_withdrawn=False
        )
        .order_by("entries__made_at", "entries__pk")
        .values_list("receiver_id", "entries__visit_id", "slot", "entries__walk_test__heard")
    ):
        if visits[receiver_id] == visit_id:
            slots = tried.setdefault(receiver_id, {})
            slots[slot] = was_heard if was_heard is not None else slots.get(slot)
    return tried


class ReceiverQuerySet(CustomerScoped):
    """Receivers."""

    def open(self) -> Self:
        """Receivers that hang there now."""
        return self.filter(removed_at=None)

    def for_list(self) -> Self:
        """With site, customer, type and the number of slots in use."""
        return self.select_related("site", "customer", "type").annotate(
            n_used=Count("registrations", filter=Q(registrations__removed_at=None), distinct=True)
        )

    def with_due(self) -> Self:
        """With the first due date of anything on the receiver."""
        # Due items are rows of the app above; a lookup by name keeps imports pointing one way.
        first = (
            self.model._default_manager.filter(pk=OuterRef("pk"))
            .values("pk")
            .annotate(first=Min("due_items__due_on", filter=Q(due_items__is_closed=False)))
            .values("first")
        )
        return self.annotate(first_due_on=Subquery(first))

    def late_on(self, day: date) -> Self:
        """With the number of things past their due date on a day, and of these the ones on a life-safety duty."""
        late = Q(due_items__is_closed=False, due_items__due_on__lt=day)
        counts = self.model._default_manager.filter(pk=OuterRef("pk")).values("pk")

        def count(condition: Q) -> Coalesce:
            rows = counts.annotate(n=Count("due_items", filter=condition, distinct=True)).values("n")
            return Coalesce(Subquery(rows, output_field=IntegerField()), 0)

        return self.annotate(n_late=count(late), n_grave=count(late & Q(due_items__duty="life_safety")))

    def evidence(self, rows: Mapping[int, Sequence[SlotRow]], now: datetime) -> dict[int, ReceiverEvidence]:
        """What is known of each receiver today, for the one honest sentence; four queries for any number of receivers.

        `rows` are the slot maps of today by receiver, as `slot_rows` reads them.
        """
        last_visit = (
            self.model._default_manager.filter(pk=OuterRef("pk"), entries__visit__state="finished")
            .order_by("-entries__visit__finished_at")
            .values("entries__visit_id", "entries__visit__finished_at")
        )
        receivers = list(
            self.select_related("site").annotate(
                visit_id=Subquery(last_visit.values("entries__visit_id")[:1]),
                visited_at=Subquery(last_visit.values("entries__visit__finished_at")[:1]),
            )
        )
        heard = _last_heard([row.pk for row in receivers if row.evidence == EVERY])
        faults = dict(
            apps.get_model("devices", "Fault")
            ._default_manager.filter(receiver__in=receivers)
            .standing()
            .values_list("receiver_id")
            .annotate(n=Count("pk"))
        )
        tried = _tried({row.pk: row.visit_id for row in receivers if row.evidence == VISITS and row.visit_id})
        found = {}
        for row in receivers:
            zone = row.site.zone
            today = now.astimezone(zone).date()
            expected = [slot for slot in rows.get(row.pk, ()) if not slot.is_away and not slot.nothing_answers]
            outcome = tried.get(row.pk, {})
            here = heard.get(row.pk, {})
            found[row.pk] = ReceiverEvidence(
                grade=row.evidence,
                n_registered=len(expected),
                n_heard=sum(
                    1 for slot in expected if (at := here.get(slot.slot)) and at.astimezone(zone).date() == today
                ),
                n_faults=faults.get(row.pk, 0),
                link_tested_at=row.link_tested_at.astimezone(zone) if row.link_tested_at else None,
                watermark_at=row.heard_until.astimezone(zone) if row.heard_until else None,
                visited_on=row.visited_at.astimezone(zone).date() if row.visited_at else None,
                n_not_in_order=sum(1 for slot in expected if outcome.get(slot.slot) is False),
                n_not_looked_at=sum(1 for slot in expected if slot.slot not in outcome),
            )
        return found

    def matching(self, words: str) -> Self:
        """Receivers whose label, serial or site holds the words."""
        if not words:
            return self
        return self.filter(
            Q(label__icontains=words)
            | Q(serial__icontains=words)
            | Q(site__name__icontains=words)
            | Q(site__code__icontains=words)
            | Q(customer__name__icontains=words)
        )


class OutputQuerySet(CustomerScoped):
    """Outputs of receivers."""

    site_path = "receiver__site_id"


SLOT_FIELDS = (
    "pk", "receiver_id", "slot", "transmitter_id", "label", "area", "transmitter__serial", "transmitter__type__label",
    "transmitter__type__kind", "input_number", "duty", "is_portable", "supervision", "window_s", "interval_s", "contact",
    "is_shared", "registered_at", "register_again_since", "tested_at", "is_away", "away_until", "cells__pk",
    "cells__battery_type__iec_code", "cells__n_cells", "cells__fitted_at", "cells__lot", "cells__due_item__due_on",
    "cells__due_item__reason", "unit__due_on", "unit__reason", "transmitter__type__power",
    "transmitter__type__cells_series", "transmitter__type__cells_parallel", "transmitter__type__battery_type__iec_code",
)  # fmt: skip


def _if_known(word: str | None) -> str:
    return "" if word is None or word == "unknown" else word


def _slot_row(values: tuple[Any, ...], outputs: tuple[OutputUse, ...], at: datetime, zone: tzinfo) -> SlotRow:
    """One tuple of `SLOT_FIELDS` as plain facts."""
    (
        pk, receiver_pk, slot, transmitter_pk, label, area, serial, type_label, kind, input_number, duty, is_portable,
        supervision, window_s, interval_s, contact, is_shared, registered_at, again_since, tested_at, is_away, away_until,
        cells_pk, cell_code, n_cells, fitted_at, lot, due_on, due_code, unit_due_on, unit_code, power, series, parallel,
        type_code,
    ) = values  # fmt: skip

    def local(moment: datetime | None) -> datetime | None:
        return moment.astimezone(zone) if moment is not None else None

    if unit_due_on is not None and (due_on is None or unit_due_on < due_on):
        due_on, due_code = unit_due_on, unit_code
    if cells_pk is None and transmitter_pk is not None:
        # No set is on record: what its type needs, one cell of a kind nobody knows where the type is unknown too.
        n_cells = 0 if power == "mains" else (series or 1) * (parallel or 1)
        cell_code = type_code
    fitted_on = fitted_at.astimezone(zone).date() if fitted_at is not None else None
    return SlotRow(
        slot=slot, is_taken=True, registration_pk=pk, receiver_pk=receiver_pk, transmitter_pk=transmitter_pk,
        label=label, area=area, serial=serial or "", type_label=type_label or "", kind=kind or "",
        input_number=input_number, duty=duty, is_portable=is_portable,
        window_s=0 if supervision == "off" else window_s, interval_s=interval_s, outputs=outputs,
        contact=_if_known(contact), is_declared_twice=is_shared, registered_at=local(registered_at),
        needs_registering=again_since is not None and again_since <= at, needs_registering_since=local(again_since),
        walk_tested_at=local(tested_at), battery_code=cell_code or "", n_cells=n_cells or 0, fitted_on=fitted_on,
        lot=lot or "", n_lots=len(lots_of(lot or "")), due_on=due_on, due_code=due_code or "", is_away=is_away,
        away_until=away_until,
    )  # fmt: skip


class RegistrationQuerySet(CustomerScoped):
    """The dated ledger of slots."""

    def open(self) -> Self:
        """Registrations in force now."""
        return self.filter(removed_at=None)

    def as_of(self, at: datetime) -> Self:
        """Registrations in force at a moment."""
        return self.filter(from_to("registered_at", "removed_at", at))

    def in_slot(self, receiver: Any, slot: int) -> Self:
        """Everything that ever stood in one slot, newest first, ready to be told."""
        return (
            self.filter(receiver=receiver, slot=slot)
            .select_related("transmitter__type")
            .prefetch_related("outputs__output")
            .order_by("-registered_at", "-pk")
        )

    def for_slot_map(self, at: datetime) -> Self:
        """In force at a moment, with cells, due dates, walk tests and absences joined on; read it with `slot_rows`."""
        day = at.date()
        cells = Q(transmitter__fittings__fitted_at__lte=at) | Q(
            transmitter__fittings__fitted_at=None, transmitter__fittings__entered_at__lte=at
        )
        cells &= Q(transmitter__fittings__removed_at=None) | Q(transmitter__fittings__removed_at__gt=at)
        # Settings begin a new registration, so tests of the same transmitter in the same slot count together.
        tested = (
            self.model._default_manager.filter(
                receiver=OuterRef("receiver"), slot=OuterRef("slot"), transmitter=OuterRef("transmitter")
            )
            .values("slot")
            .annotate(
                last=Max(
                    "walk_tests__at",
                    filter=Q(walk_tests__heard=True, walk_tests__at__lte=at, walk_tests__entry__is_withdrawn=False),
                )
            )
            .values("last")
        )
        away = self.model.away.rel.related_model._default_manager.filter(
            registration=OuterRef("pk"), from_on__lte=day
        ).filter(Q(ended_on=None) | Q(ended_on__gt=day))
        return (
            self.as_of(at)
            .annotate(
                cells=FilteredRelation("transmitter__fittings", condition=cells),
                unit=FilteredRelation(
                    "transmitter__due_items",
                    condition=Q(transmitter__due_items__kind="unit", transmitter__due_items__is_closed=False),
                ),
                tested_at=Subquery(tested),
                is_away=Exists(away),
                away_until=Subquery(away.values("agreed_until_on")[:1]),
            )
            .order_by("receiver_id", "slot", "pk")
        )

    def slot_rows(self, at: datetime, zone: tzinfo) -> list[SlotRow]:
        """Read the slot map at a moment in two queries, as plain facts with times in the site's zone.

        Chain it behind a filter on one receiver or one site. Rows come by receiver, then slot; spare slots are not in it.
        """
        values = list(self.for_slot_map(at).values_list(*SLOT_FIELDS))
        uses: dict[int, list[OutputUse]] = {}
        if values:
            driven = apps.get_model("devices", "RegistrationOutput")._default_manager
            for pk, number, behaviour, seconds in (
                driven.filter(registration__in=[row[0] for row in values])
                .order_by("registration_id", "output__number")
                .values_list("registration_id", "output__number", "behaviour", "seconds")
            ):
                uses.setdefault(pk, []).append(OutputUse(number, _if_known(behaviour), seconds))
        return [_slot_row(row, tuple(uses.get(row[0], ())), at, zone) for row in values]

    def with_last_check_in(self) -> Self:
        """With the day (UTC) of the last check-in and its seconds since midnight UTC."""
        days = (
            apps.get_model("devices", "CheckInDay")
            ._default_manager.filter(transmitter_id=OuterRef("transmitter_id"), last_heard_s__isnull=False)
            .order_by("-day")
        )
        return self.annotate(
            heard_day=Subquery(days.values("day")[:1]), heard_s=Subquery(days.values("last_heard_s")[:1])
        )


class RegistrationOutputQuerySet(CustomerScoped):
    """Outputs that registrations drive."""

    site_path = "registration__site_id"


class OfTransmitter(CustomerScoped):
    """Rows of a transmitter, which has no site of its own: a limited portal user sees those registered at their sites."""

    site_path = ""
    transmitter_path: ClassVar[str] = "transmitter_id"

    def visible_to(self, user: User | AnonymousUser) -> Self:
        if not user.is_authenticated or not user.is_active:
            return self.none()
        if user.is_staff_member:
            return self
        scope = scope_of(user)
        condition = Q(customer_id__in=scope.customer_ids)
        if scope.site_ids:
            # Only while it is registered there: a unit that has moved on takes its later history out of sight.
            here = apps.get_model("devices", "Registration")._default_manager.filter(
                site_id__in=scope.site_ids, removed_at=None
            )
            condition |= Q(**{f"{self.transmitter_path}__in": here.values("transmitter_id")})
        return self.filter(condition)


class TransmitterQuerySet(OfTransmitter):
    """Transmitters."""

    transmitter_path = "pk"

    def matching(self, words: str) -> Self:
        """Transmitters whose serial holds the words."""
        return self.filter(serial__icontains=words) if words else self


class FittingQuerySet(OfTransmitter):
    """Cells fitted."""

    def open(self) -> Self:
        """Cells in service now."""
        return self.filter(removed_at=None)

    def newest_first(self) -> Self:
        """As a ledger shows them: the set in service first, those of unknown age by when they were entered."""
        return self.select_related("battery_type").order_by(
            F("removed_at").desc(nulls_first=True), "-entered_at", "-pk"
        )

    def as_of(self, at: datetime) -> Self:
        """Cells in service at a moment; those of unknown age count from when our records begin."""
        begun = Q(fitted_at__lte=at) | Q(fitted_at=None, entered_at__lte=at)
        return self.filter(begun & (Q(removed_at=None) | Q(removed_at__gt=at)))


class FittingTotalsQuerySet(OfTransmitter):
    """Raw sums of fittings."""

    transmitter_path = "fitting__transmitter_id"


class CheckInQuerySet(OfTransmitter):
    """Days of check-ins."""


class FaultQuerySet(CustomerScoped):
    """Faults."""

    def open(self) -> Self:
        """Faults whose condition is still there."""
        return self.filter(cleared_at=None)

    def latched(self) -> Self:
        """Faults that still show on the receiver because nobody has cleared it."""
        return self.filter(is_latched=True, latch_cleared_at=None)

    def standing(self) -> Self:
        """Faults that still show: the condition is there, or it is latched and nobody has cleared the receiver."""
        return self.filter(Q(cleared_at=None) | Q(is_latched=True, latch_cleared_at=None))
