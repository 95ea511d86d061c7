"""Every read of places."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Self

from django.apps import apps
from django.contrib.auth.models import AnonymousUser
from django.db.models import Count, OuterRef, Q, Subquery
from django.utils import timezone

from company.querysets import CustomerScoped, StaffOnly

if TYPE_CHECKING:
    from company.models import User

__all__ = ["AccessNoteQuerySet", "PlaceQuerySet", "ShownQuerySet", "SiteQuerySet", "StaffOnly"]


class SiteQuerySet(CustomerScoped):
    """Sites."""

    site_path = "pk"

    def current(self) -> Self:
        """Sites that are looked after."""
        return self.filter(closed_at=None)

    def matching(self, words: str) -> Self:
        """Sites whose name, code, address or customer holds the words."""
        if not words:
            return self
        return self.filter(
            Q(name__icontains=words)
            | Q(code__icontains=words)
            | Q(address__icontains=words)
            | Q(town__icontains=words)
            | Q(customer__name__icontains=words)
        )

    def for_list(self) -> Self:
        """With customer and the number of receivers in use."""
        return self.select_related("customer").annotate(
            n_receivers=Count("receivers", filter=Q(receivers__removed_at=None), distinct=True)
        )


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
