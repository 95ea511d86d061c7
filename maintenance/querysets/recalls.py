"""Reads of recalls."""

from __future__ import annotations

from typing import Self

from company.querysets import CustomerScoped


class RecallItemQuerySet(CustomerScoped):
    """Transmitters of recalls."""

    def open(self) -> Self:
        """Still to do."""
        return self.filter(state="open")
