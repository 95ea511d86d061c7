"""Checks of what is kept twice: running totals against the days, copied customers against their parents."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from django.db import connection

from company.tenant_keys import tenant_links
from devices.actions.rollups import CHUNK, Difference, differences, rebuild_totals
from devices.models import Registration, Transmitter


@dataclass(frozen=True, slots=True)
class ForeignRows:
    """Rows of a table that name another customer than what they hang on: how many, and the lowest key."""

    table: str
    column: str
    parent: str
    n: int
    first_pk: int


def chunks_of_transmitters(*, serial: str = "", site_code: str = "") -> Iterator[list[int]]:
    """Keys of transmitters in ranges: all, one by its serial, or those registered at a site now or ever."""
    rows = Transmitter.objects.order_by("pk")
    if serial:
        rows = rows.filter(serial=serial)
    if site_code:
        rows = rows.filter(pk__in=Registration.objects.filter(site__code=site_code).values("transmitter_id"))
    last = 0
    while some := list(rows.filter(pk__gt=last).values_list("pk", flat=True)[:CHUNK]):
        yield some
        last = some[-1]


def reconcile_totals(*, transmitter_ids: list[int], mend: bool) -> list[Difference]:
    """Differences of one range; mended if asked for."""
    if mend:
        return rebuild_totals(transmitter_ids=transmitter_ids)
    return differences(transmitter_ids=transmitter_ids)


def foreign_rows() -> Iterator[ForeignRows]:
    """Rows whose customer is not that of the record they hang on. The keys of the database should leave none."""
    for child, column, parent in sorted(tenant_links()):
        with connection.cursor() as cursor:
            cursor.execute(
                f'SELECT count(*), min(c.id) FROM "{child}" c JOIN "{parent}" p ON p.id = c."{column}" '
                "WHERE c.customer_id <> p.customer_id"
            )
            n, first_pk = cursor.fetchone()
        if n:
            yield ForeignRows(child, column, parent, n, first_pk)
