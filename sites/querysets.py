"""Every read of places."""

from __future__ import annotations

from typing import Self

from django.db.models import Count, Q

from company.querysets import CustomerScoped, StaffOnly

__all__ = ["PlaceQuerySet", "SiteQuerySet", "StaffOnly"]


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
