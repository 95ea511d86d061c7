"""Reads of rounds, visits and what was recorded."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Self

from django.contrib.auth.models import AnonymousUser
from django.db import models

from company.querysets import CustomerScoped

if TYPE_CHECKING:
    from company.models import User


class RoundQuerySet(models.QuerySet[Any]):
    """Rounds: the office sees all, a technician the published ones that they are on, customers none."""

    def visible_to(self, user: User | AnonymousUser) -> Self:
        if not user.is_authenticated or not user.is_active or user.is_portal:
            return self.none()
        if user.is_office:
            return self
        return self.filter(state__in=["published", "done"]).filter(
            models.Q(technician=user)
            | models.Q(pk__in=self.model._default_manager.filter(visits__crew__user=user).values("pk"))
        )


class VisitQuerySet(CustomerScoped):
    """Visits. A customer sees planned ones only once their round is published."""


class EntryQuerySet(CustomerScoped):
    """Entries."""

    site_path = "visit__site_id"


class WalkTestQuerySet(CustomerScoped):
    """Rows that hang on a visit."""

    customer_path = "visit__customer_id"
    site_path = "visit__site_id"
