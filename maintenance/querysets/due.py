"""Reads of what is due."""

from __future__ import annotations

from typing import Self

from company.querysets import CustomerScoped


class DueQuerySet(CustomerScoped):
    """Things that wear, with their dates."""

    def open(self) -> Self:
        """Things still in service."""
        return self.filter(is_closed=False)


class DueChangeQuerySet(CustomerScoped):
    """Dates that moved."""

    site_path = "due_item__site_id"
