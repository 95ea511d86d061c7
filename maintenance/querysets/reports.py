"""Reads of issued papers and requests."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any, Self

from django.apps import apps
from django.contrib.auth.models import AnonymousUser
from django.db.models import Exists, OuterRef, Q

from company.querysets import CustomerScoped

if TYPE_CHECKING:
    from company.models import User


class PaperIsIssued(Exception):
    """Somebody tried to change an issued paper."""


class ReportQuerySet(CustomerScoped):
    """Issued papers. A customer sees those released to the portal. Nothing of a paper can be changed from here."""

    def visible_to(self, user: User | AnonymousUser) -> Self:
        rows = super().visible_to(user)
        return rows if not user.is_authenticated or user.is_staff_member else rows.filter(in_portal=True)

    def update(self, **fields: Any) -> int:
        """Only whether the portal shows a paper can be changed.

        Raises
        ------
        PaperIsIssued
            For every other field.
        """
        if set(fields) != {"in_portal"}:
            raise PaperIsIssued(f"an issued paper's {', '.join(sorted(fields))} never change; issue a revision")
        return super().update(**fields)

    update.alters_data = True  # type: ignore[attr-defined]

    def delete(self) -> tuple[int, dict[str, int]]:
        """Never: raises PaperIsIssued."""
        raise PaperIsIssued("an issued paper stays")

    delete.alters_data = True  # type: ignore[attr-defined]
    delete.queryset_only = True  # type: ignore[attr-defined]

    def without_content(self) -> Self:
        """For lists: leave the bytes in the database."""
        return self.defer("content", "data")

    def for_list(self) -> Self:
        """With what a line of a list names, newest first."""
        return (
            self.without_content()
            .select_related("site", "customer", "receiver", "issued_by")
            .order_by("-issued_at", "-pk")
        )

    def of_visit(self, visit: Any) -> Self:
        """Service reports of one visit."""
        return self.filter(kind="service_report", visit=visit)

    def numbered(self, kind: str, number: str) -> Self:
        """All revisions of one paper."""
        return self.filter(kind=kind, number=number)

    def latest_first(self) -> Self:
        """Newest revision first, without the bytes."""
        return self.defer("content").order_by("-revision", "-pk")

    def newest_of_receivers(self, receiver_ids: list[int]) -> dict[int, Any]:
        """Newest present slot map per receiver; maps as of a past day are papers of their own and do not count."""
        rows = self.filter(kind="slot_map", receiver__in=receiver_ids).without_content().order_by("revision", "pk")
        return {row.receiver_id: row for row in rows if row.number.count("-") == 1}

    def matching(self, words: str) -> Self:
        """Papers whose number, title, site or customer holds the words."""
        if not words:
            return self
        return self.filter(
            Q(number__icontains=words)
            | Q(title__icontains=words)
            | Q(site__name__icontains=words)
            | Q(site__code__icontains=words)
            | Q(customer__name__icontains=words)
        )

    def issued_between(self, first: date | None, last: date | None) -> Self:
        """Papers issued from one day to another, both included (days of the firm's zone)."""
        rows = self
        if first:
            rows = rows.filter(issued_at__date__gte=first)
        if last:
            rows = rows.filter(issued_at__date__lte=last)
        return rows


class RequestQuerySet(CustomerScoped):
    """Customers' requests."""

    def for_list(self) -> Self:
        """With site and who asked, open ones first."""
        return self.select_related("site", "customer", "by").order_by("-at", "-pk")

    def open_and(self, *, answered: bool) -> Self:
        """Open requests that the office has, or has not, said anything to."""
        said = apps.get_model("maintenance", "RequestMessage")._default_manager.filter(
            request=OuterRef("pk"), by__audience="office"
        )
        rows = self.filter(state="open")
        return rows.filter(Exists(said)) if answered else rows.exclude(Exists(said))


class RequestMessageQuerySet(CustomerScoped):
    """Messages of requests."""

    site_path = "request__site_id"
