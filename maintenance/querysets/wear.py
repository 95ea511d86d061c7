"""What wears at some receivers, one by one: for pages that show a single thing. The fleet is read in `fleet`."""

from __future__ import annotations

from dataclasses import dataclass

from maintenance.querysets.fleet import KINDS, Scope, read_fleet
from maintenance.rules.fleet_columns import FleetColumns


@dataclass(frozen=True, slots=True)
class Worn:
    """One thing that wears, and the columns that it was read with."""

    key: tuple[str, int | None]
    columns: FleetColumns


def read_worn(receiver_ids: list[int]) -> list[Worn]:
    """Everything that may wear at these receivers."""
    columns = read_fleet(Scope(receivers=tuple(receiver_ids)))
    tables = zip(KINDS, (columns.fittings, columns.standby, columns.units), strict=True)
    return [Worn((kind, pk), columns) for kind, table in tables for pk in table["pk"].tolist()]
