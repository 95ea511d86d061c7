"""Reads of what is due."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, Self

from django.apps import apps
from django.db.models import Case, Count, Exists, F, Max, Min, OuterRef, Q, Value, When

from company.querysets import CustomerScoped
from maintenance.querysets.days import CELLS_PATHS

SOON_DAYS = 28


@dataclass(frozen=True, slots=True)
class DueChoice:
    """What the list is narrowed to; empty words narrow nothing. `placed`: "none", "draft", "any" or a technician's key."""

    duty: str = ""
    placed: str = ""
    customer: str = ""
    words: str = ""
    only_late: bool = False
    not_late: bool = False
    reason: str = ""

    @property
    def is_any(self) -> bool:
        """Whether it narrows anything."""
        return self != DueChoice()


class DueQuerySet(CustomerScoped):
    """Things that wear, with their dates."""

    def open(self) -> Self:
        """Things still in service."""
        return self.filter(is_closed=False)

    def late(self, today: date) -> Self:
        """Things past their date: from the day after it."""
        return self.filter(due_on__lt=today)

    def matching(self, words: str) -> Self:
        """Things whose site, slot or serial holds the words."""
        if not words:
            return self
        return self.filter(
            Q(site__name__icontains=words)
            | Q(site__code__icontains=words)
            | Q(site__town__icontains=words)
            | Q(registration__label__icontains=words)
            | Q(transmitter__serial__icontains=words)
        )

    def placed(self, *, technician: int | None = None) -> Self:
        """Things whose site stands in a published round of anybody, or in a round of one technician, drafts included."""
        if technician is not None:
            return self.filter(Exists(_open_stops(technician=technician)))
        return self.filter(Exists(_open_stops("published")))

    def only_in_draft(self) -> Self:
        """Things whose site stands in a draft and in no published round: nobody has been told to go there yet."""
        return self.filter(Exists(_open_stops("draft"))).exclude(Exists(_open_stops("published")))

    def unplaced(self) -> Self:
        """Things whose site is in no round at all, not even in a draft."""
        return self.exclude(Exists(_open_stops()))

    def narrowed(self, choice: DueChoice, today: date) -> Self:
        """Things that a person asked for."""
        rows = self.matching(choice.words)
        if choice.duty:
            rows = rows.filter(duty=choice.duty)
        if choice.reason:
            rows = rows.filter(reason=choice.reason)
        if choice.customer.isdecimal():
            rows = rows.filter(customer_id=int(choice.customer))
        if choice.placed == "none":
            rows = rows.unplaced()
        elif choice.placed == "draft":
            rows = rows.only_in_draft()
        elif choice.placed == "any":
            rows = rows.placed()
        elif choice.placed.isdecimal():
            rows = rows.placed(technician=int(choice.placed))
        if choice.not_late:
            rows = rows.exclude(due_on__lt=today)
        return rows.late(today) if choice.only_late else rows

    def by_site(self, today: date, until: date, *, by_chance: bool = False) -> Any:
        """One row per site with anything due by a day: worst harm first, then its first date; or by chance of an end.

        A site whose life-safety things are due next month comes before one whose convenience is late today: the order
        asks whom it would harm. The other order asks where the next end is most likely: a reported low battery first,
        then the highest chance of an end within 90 days of any one thing.
        """
        likely = F("chance").desc(nulls_last=True)
        soon = today + timedelta(days=SOON_DAYS)
        grave = Q(harm=0)
        return (
            self.filter(due_on__lte=until)
            .order_by()
            .values("site_id", "site__name", "site__kind", "site__town", "customer__name")
            .annotate(
                first_on=Min("due_on"),
                first_life=Min("due_on", filter=grave),
                first_security=Min("due_on", filter=Q(harm=1)),
                n_grave=Count("pk", filter=grave & Q(due_on__lt=today)),
                n_late=Count("pk", filter=~grave & Q(due_on__lt=today)),
                n_soon=Count("pk", filter=Q(due_on__gte=today, due_on__lte=soon)),
                n_later=Count("pk", filter=Q(due_on__gt=soon)),
                n_low=Count("pk", filter=Q(reason="low_battery")),
                chance=Max(Case(When(reason="low_battery", then=Value(1.0)), default="chance_ahead")),
            )
            .order_by(
                *([likely] if by_chance else []),
                F("first_life").asc(nulls_last=True),
                F("first_security").asc(nulls_last=True),
                "first_on",
                "site__name",
                "site_id",
            )
        )

    def reasons_at_sites(self, site_ids: list[int], until: date) -> dict[int, list[tuple[str, int]]]:
        """Site → why things are due there by a day, with how many, the most frequent reason first."""
        found: dict[int, list[tuple[str, int]]] = {}
        rows = self.filter(site_id__in=site_ids, due_on__lte=until).order_by().values_list("site_id", "reason")
        for site_id, reason, n in rows.annotate(n=Count("pk")).order_by("-n", "reason"):
            found.setdefault(site_id, []).append((reason, n))
        return found

    def due_at_sites(self, site_ids: list[int], until: date) -> Self:
        """What is due at these sites by a day, with what says which cells or units to bring."""
        return self.filter(site_id__in=site_ids, due_on__lte=until).select_related(*CELLS_PATHS).order_by("pk")

    def by_day(self, until: date) -> Any:
        """Number of things per due day, harm and whether their site stands in a published round."""
        return (
            self.filter(due_on__lte=until)
            .annotate(is_placed=Exists(_open_stops("published")))
            .order_by("due_on")
            .values_list("due_on", "harm", "is_placed")
            .annotate(n=Count("pk"))
        )

    def tally(self, today: date, until: date) -> dict[str, int]:
        """Numbers above the list; a window of less than four weeks counts no further than itself."""
        soon = min(until, today + timedelta(days=SOON_DAYS))
        result: dict[str, int] = self.aggregate(
            grave=Count("pk", filter=Q(harm=0, due_on__lt=today)),
            late=Count("pk", filter=Q(due_on__lt=today)),
            soon=Count("pk", filter=Q(due_on__gte=today, due_on__lte=soon)),
            later=Count("pk", filter=Q(due_on__gt=soon, due_on__lte=until)),
            none=Count("pk", filter=Q(due_on=None)),
        )
        return result

    def for_site(self) -> Self:
        """Rows of one site, by harm, then date, with what a line shows."""
        return self.select_related(
            "receiver", "registration", "transmitter", "transmitter__type", "fitting__battery_type"
        ).order_by("harm", F("due_on").asc(nulls_last=True), "pk")

    def for_why(self) -> Self:
        """With everything that the page "why this date" names."""
        return self.select_related(
            "site", "customer", "receiver", "receiver__type", "registration", "transmitter",
            "transmitter__type", "fitting__battery_type",
        )  # fmt: skip


def _open_stops(*states: str, technician: int | None = None) -> Any:
    """Stops to come at the outer row's site, in rounds of these states: drafts and published ones if none is named."""
    visits = apps.get_model("maintenance", "Visit")._default_manager
    rows = visits.filter(
        site_id=OuterRef("site_id"), state__in=["planned", "open"], round__state__in=states or ("draft", "published")
    )
    return rows.filter(round__technician_id=technician) if technician is not None else rows


class DueChangeQuerySet(CustomerScoped):
    """Dates that moved."""

    site_path = "due_item__site_id"

    def newest_first(self) -> Self:
        """Latest change on top."""
        return self.order_by("-at", "-pk")
