"""Every read of what came in and of what nobody could place; for the firm's own people only."""

from __future__ import annotations

from typing import Self

from company.querysets import StaffOnly
from devices.querysets.transmitters import OfTransmitter


class BatchQuerySet(StaffOnly):
    """Batches taken in."""

    def newest_first(self) -> Self:
        """As a ledger shows them."""
        return self.select_related("source", "by").order_by("-received_at", "-pk")


class SetAsideQuerySet(StaffOnly):
    """Events set aside."""

    def open(self) -> Self:
        """Neither adopted nor dismissed."""
        return self.filter(adopted_at=None, dismissed_at=None)

    def waited(self) -> Self:
        """Those that a person was, or will be, asked about; not what was kept of a unit on record that stood in no slot."""
        return self.exclude(adopted_at__isnull=False, adopted_by=None)


class LinkQuerySet(OfTransmitter):
    """States of links, each of one transmitter."""

    transmitter_path = "transmitter_id"
