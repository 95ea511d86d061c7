"""Every read of registrations: the dated ledger of slots."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta, tzinfo
from typing import Any, Self

from django.apps import apps
from django.db.models import Exists, FilteredRelation, Max, OuterRef, Q, Subquery
from django.utils import timezone

from company.querysets import CustomerScoped
from devices.querysets.moments import from_to
from devices.querysets.prepared import rows_of
from devices.rules.slot_map import OutputUse, SlotRow, lots_of

SLOT_FIELDS = (
    "pk", "receiver_id", "slot", "transmitter_id", "label", "area", "transmitter__serial", "transmitter__type__label",
    "transmitter__type__kind", "input_number", "duty", "is_portable", "supervision", "window_s", "interval_s", "contact",
    "is_shared", "registered_at", "register_again_since", "tested_at", "is_away", "away_until", "cells__pk",
    "cells__battery_type__iec_code", "cells__n_cells", "cells__fitted_at", "cells__lot", "cells__due_item__due_on",
    "cells__due_item__reason", "unit__due_on", "unit__reason", "transmitter__type__power",
    "transmitter__type__cells_series", "transmitter__type__cells_parallel", "transmitter__type__battery_type__iec_code",
)  # fmt: skip

NOW_SPAN = timedelta(minutes=5)
"""A moment not longer ago than this is read as now."""


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


def _worded_then(rows: list[SlotRow], at: datetime) -> list[SlotRow]:
    """The rows with the place and the area as they were worded at a past moment."""
    later = (
        apps.get_model("company", "ChangeRow")
        ._default_manager.filter(
            subject_kind="registration",
            subject_id__in=[row.registration_pk for row in rows],
            at__gt=at,
            before__isnull=False,
        )
        .order_by("-at", "-pk")
        .values_list("subject_id", "before", "after")
    )
    words: dict[int, dict[str, str]] = {}
    for pk, before, after in later:
        # Another beginning means another registration: what that one was called is told by its own row.
        if "label" in (before or {}) and before.get("registered_at") == (after or {}).get("registered_at"):
            words.setdefault(pk, {}).update({name: before[name] for name in ("label", "area") if name in before})
    return [
        replace(row, label=said.get("label", row.label), area=said.get("area", row.area))
        if (said := words.get(row.registration_pk or 0))
        else row
        for row in rows
    ]


def _of_receiver(rows: Any, receiver: int, at: datetime) -> Any:
    return rows.filter(receiver=receiver).for_slot_map(at).values_list(*SLOT_FIELDS)


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

    def slot_rows(
        self,
        at: datetime,
        zone: tzinfo,
        known_uses: dict[int, list[OutputUse]] | None = None,
        *,
        receiver: int | None = None,
    ) -> list[SlotRow]:
        """Read the slot map at a moment in two queries (a past one in three), as plain facts with times in the site's zone.

        Chain it behind a filter on one receiver or one site. Rows come by receiver, then slot; spare slots are not in it.
        Who has read the outputs with their uses (`OutputQuerySet.with_uses`) passes them and saves a query. Who wants one
        receiver names it here instead of filtering: the text of that query is kept.
        """
        if receiver is None:
            values = list(self.for_slot_map(at).values_list(*SLOT_FIELDS))
        else:
            values = rows_of(self, _of_receiver, receiver=receiver, at=at, day=at.date())
        uses: dict[int, list[OutputUse]] = known_uses or {}
        if values and known_uses is None:
            driven = apps.get_model("devices", "RegistrationOutput")._default_manager
            for pk, number, behaviour, seconds in (
                driven.filter(registration__in=[row[0] for row in values])
                .order_by("registration_id", "output__number")
                .values_list("registration_id", "output__number", "behaviour", "seconds")
            ):
                uses.setdefault(pk, []).append(OutputUse(number, _if_known(behaviour), seconds))
        rows = [_slot_row(row, tuple(uses.get(row[0], ())), at, zone) for row in values]
        # Words are corrected in place, so a past day asks the log what they were; today need not.
        return _worded_then(rows, at) if rows and at < timezone.now() - NOW_SPAN else rows

    def with_failed_tests(self, rows: list[SlotRow], at: datetime, zone: tzinfo) -> list[SlotRow]:
        """The rows, each with `not_heard_at` where its newest walk test was not heard at the output; one query.

        Call it on what the rows were read from, with the same moment. As with tests that were heard, those of the same
        transmitter in the same slot count, whatever its settings were.
        """
        failed = self.filter(
            walk_tests__heard=False, walk_tests__at__lte=at, walk_tests__entry__is_withdrawn=False
        ).order_by()
        newest: dict[tuple[Any, ...], datetime] = {}
        for *place, tested_at in failed.values_list("receiver_id", "slot", "transmitter_id", "walk_tests__at"):
            newest[tuple(place)] = max(tested_at, newest.get(tuple(place), tested_at))
        told = []
        for row in rows:
            tested_at = newest.get((row.receiver_pk, row.slot, row.transmitter_pk))
            if tested_at is not None and (row.walk_tested_at is None or tested_at > row.walk_tested_at):
                row = replace(row, not_heard_at=tested_at.astimezone(zone))
            told.append(row)
        return told

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
