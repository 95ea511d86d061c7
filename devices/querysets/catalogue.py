"""Every read of the catalogue."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Self

from django.contrib.auth.models import AnonymousUser
from django.db import models

if TYPE_CHECKING:
    from company.models import User


class CatalogueQuerySet(models.QuerySet[Any]):
    """Types: no customer's data; every person who has signed in may see them."""

    def visible_to(self, user: User | AnonymousUser) -> Self:
        return self if user.is_authenticated and user.is_active else self.none()

    def offered(self) -> Self:
        """Types that may be chosen for something new."""
        return self.filter(retired_at=None).order_by("label", "pk")
