"""Checks of what is kept twice: running totals against the days, copied customers against their parents.

Temperature is kept once only: the days of check-ins hold none, so a wrong sum cannot be told from a right one nor worked out
anew. Values that cannot be are found all the same; somebody must look into them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

from django.db import connection

from company.tenant_keys import tenant_links
from devices.actions.rollups import CHUNK, Difference, differences, rebuild_totals
from devices.models import FittingTotals, Registration, Transmitter

COLDEST_C, HOTTEST_C = -60.0, 90.0
"""Means beyond these were not measured by anything that still works."""


@dataclass(frozen=True, slots=True)
class ImpossibleTemperature:
    """Temperature totals of a setting-period that cannot be; `days` is its length."""

    transmitter_id: int
    fitting_id: int
    from_on: date
    days: int
    temperature_days: int
    temperature_sum_c: float

    @property
    def why(self) -> str:
        """Say what cannot be; empty where all can."""
        if self.temperature_days > self.days:
            return f"temperature on {self.temperature_days} days, but the period has {self.days}"
        if not self.temperature_days:
            return "" if self.temperature_sum_c == 0 else f"a sum of {self.temperature_sum_c:g} °C on no days"
        mean = self.temperature_sum_c / self.temperature_days
        # Written so that what is no number is refused as well.
        return "" if COLDEST_C <= mean <= HOTTEST_C else f"mean temperature {mean:g} °C"


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


def impossible_temperatures(*, transmitter_ids: list[int], today: date) -> list[ImpossibleTemperature]:
    """Temperature totals of one range that cannot be. They are shown, never mended: no other record holds temperature."""
    rows = FittingTotals.objects.filter(fitting__transmitter_id__in=transmitter_ids).order_by("fitting_id", "from_on")
    listed = list(rows.select_related("fitting"))
    found = []
    for place, row in enumerate(listed):
        before = listed[place - 1] if place else None
        after = listed[place + 1] if place + 1 < len(listed) else None
        begin, end = row.from_on, today + timedelta(days=1)
        if (before is None or before.fitting_id != row.fitting_id) and row.fitting.fitted_at is not None:
            begin = min(begin, row.fitting.fitted_at.date())
        if after is not None and after.fitting_id == row.fitting_id:
            end = after.from_on
        elif row.fitting.removed_at is not None:
            # The day of the change is part of it: readings of its morning are these cells'.
            end = row.fitting.removed_at.date() + timedelta(days=1)
        one = ImpossibleTemperature(
            row.fitting.transmitter_id, row.fitting_id, row.from_on, max((end - begin).days, 0), row.temperature_days,
            row.temperature_sum_c,
        )  # fmt: skip
        if one.why:
            found.append(one)
    return found


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
