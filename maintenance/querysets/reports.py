"""Reads of issued papers and requests."""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

from django.contrib.auth.models import AnonymousUser

from company.querysets import CustomerScoped

if TYPE_CHECKING:
    from company.models import User


class ReportQuerySet(CustomerScoped):
    """Issued papers. A customer sees those released to the portal."""

    def visible_to(self, user: User | AnonymousUser) -> Self:
        rows = super().visible_to(user)
        return rows if not user.is_authenticated or user.is_staff_member else rows.filter(in_portal=True)

    def without_content(self) -> Self:
        """For lists: leave the bytes in the database."""
        return self.defer("content", "data")


class RequestQuerySet(CustomerScoped):
    """Customers' requests."""


class RequestMessageQuerySet(CustomerScoped):
    """Messages of requests."""

    site_path = "request__site_id"
