"""Every read of places."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any, Self

from django.apps import apps
from django.contrib.auth.models import AnonymousUser
from django.db.models import Count, Exists, IntegerField, Min, OuterRef, Q, Subquery, Sum
from django.db.models.functions import Coalesce
from django.utils import timezone

from company.querysets import CustomerScoped, StaffOnly

if TYPE_CHECKING:
    from company.models import User

__all__ = ["AccessNoteQuerySet", "PlaceQuerySet", "ShownQuerySet", "SiteQuerySet", "StaffOnly"]


SEARCHED = ("name", "code", "address", "town", "postcode", "person_to_meet", "customer__name", "customer__code")
MOST_WORDS = 6
"""Words beyond these are left out of a search: each is a pass over the names."""


class SiteQuerySet(CustomerScoped):
    """Sites."""

    site_path = "pk"

    def current(self) -> Self:
        """Sites that are looked after."""
        return self.filter(closed_at=None)

    def matching(self, words: str) -> Self:
        """Sites whose name, code, address, town, postcode, person to meet or customer hold the words, each somewhere."""
        found = self
        for word in words.split()[:MOST_WORDS]:
            holds = Q()
            for name in SEARCHED:
                holds |= Q(**{f"{name}__icontains": word})
            found = found.filter(holds)
        return found

    def for_list(self) -> Self:
        """With customer and the number of receivers in use."""
        return self.select_related("customer").annotate(
            n_receivers=Count("receivers", filter=Q(receivers__removed_at=None), distinct=True)
        )

    def with_work(self, today: date, soon_until: date) -> Self:
        """With what is late on a day, late on a life-safety duty, due until another day, and the next visit's day."""
        # Due items and visits are rows of the apps above; lookups by name keep imports pointing one way.
        open_items = Q(due_items__is_closed=False)
        late = open_items & Q(due_items__due_on__lt=today)
        soon = open_items & Q(due_items__due_on__gte=today, due_items__due_on__lte=soon_until)
        to_come = Q(visits__state__in=["planned", "open"])
        next_visit = self._each().annotate(first=Min("visits__planned_on", filter=to_come)).values("first")
        return self.annotate(
            n_late=self._count("due_items", late),
            n_grave=self._count("due_items", late & Q(due_items__duty="life_safety")),
            n_soon=self._count("due_items", soon),
            next_visit_on=Subquery(next_visit),
        )

    def _each(self) -> Any:
        """One group for each row of the outer query."""
        return self.model._default_manager.filter(pk=OuterRef("pk")).values("pk")

    def _count(self, name: str, condition: Q) -> Coalesce:
        rows = self._each().annotate(n=Count(name, filter=condition, distinct=True)).values("n")
        return Coalesce(Subquery(rows, output_field=IntegerField()), 0)

    def showing(self, what: str, today: date) -> Self:
        """Only sites of one sort: something late here, a danger standing, no visiting hours known, no position known."""
        if what == "late":
            late = self.model._default_manager.filter(
                pk=OuterRef("pk"), due_items__is_closed=False, due_items__due_on__lt=today
            )
            return self.filter(Exists(late))
        if what == "hazards":
            return self.filter(pk__in=self._of("Hazard").filter(cleared_on=None).values("site"))
        if what == "no_hours":
            return self.exclude(pk__in=self._of("VisitingHours").values("site"))
        if what == "no_position":
            return self.filter(latitude=None)
        return self

    def _of(self, model: str) -> Any:
        return apps.get_model("sites", model)._default_manager

    def sums(self) -> dict[str, int]:
        """Of all these sites together: receivers, slots, slots taken, of these on a life-safety duty, spare slots."""
        hung = Q(receivers__removed_at=None)
        found = self.aggregate(
            n_receivers=Count("receivers", filter=hung), n_slots=Coalesce(Sum("receivers__n_slots", filter=hung), 0)
        )
        standing = hung & Q(receivers__registrations__removed_at=None)
        found |= self.aggregate(
            n_taken=Count("receivers__registrations", filter=standing),
            n_life_safety=Count(
                "receivers__registrations", filter=standing & Q(receivers__registrations__duty="life_safety")
            ),
        )
        return found | {"n_spare": max(found["n_slots"] - found["n_taken"], 0)}


class PlaceQuerySet(CustomerScoped):
    """Rows that hang on one site: areas, plans, hours, hazards."""


class AccessNoteQuerySet(StaffOnly):
    """Access notes."""

    def visible_to(self, user: User | AnonymousUser) -> Self:
        """Notes of the firm's own people; a removed one is nobody's any more, only its log is."""
        return super().visible_to(user).filter(removed_at=None)

    def for_list(self) -> Self:
        """By title, without the sealed text, with who wrote each and who was shown it last (`last_shown_at`, `_to`)."""
        shown = apps.get_model("sites", "AccessNoteShown")._default_manager.filter(note=OuterRef("pk"))
        latest = shown.order_by("-at", "-pk")
        return (
            self.defer("cipher")
            .select_related("changed_by", "centre")
            .annotate(
                last_shown_at=Subquery(latest.values("at")[:1]), last_shown_to=Subquery(latest.values("to__name")[:1])
            )
            .order_by("title", "pk")
        )


class ShownQuerySet(StaffOnly):
    """Log of showings of access notes."""

    def between(self, since: date | None, until: date | None) -> Self:
        """Showings on these days of the installation's time zone, both days included; None leaves an end open."""
        rows = self
        if since:
            rows = rows.filter(at__gte=_midnight(since))
        if until:
            rows = rows.filter(at__lt=_midnight(until + timedelta(days=1)))
        return rows

    def newest(self) -> Self:
        """Newest first, with person, note and place, without the sealed text."""
        return self.select_related("to", "note__site", "note__customer").defer("note__cipher").order_by("-at", "-pk")


def _midnight(day: date) -> datetime:
    return timezone.make_aware(datetime.combine(day, time()))
