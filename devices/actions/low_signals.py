"""Low-battery signals of the cells in service: the first one noted at once, taken back if it was only a moment of cold."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, date, datetime

from django.db import transaction
from django.db.models import Max
from django.db.models.functions import TruncDate
from django.utils.translation import gettext as _

from company.actions import record_change
from devices.models import CheckInDay, Fault, FaultReport, Fitting
from devices.rules.low_signals import LowSpan, first_signal
from devices.rules.silence import GONE

OUT_OF_SIGHT = (GONE, "the receiver was taken down", "the receiver was swapped", "the swap was taken back")
"""Ends of faults that say nothing about the cells."""


@transaction.atomic
def settle_low_signals(*, transmitter_ids: Iterable[int], at: datetime) -> list[Fitting]:
    """Bring `Fitting.first_low_at` of cells in service in line with the low-battery faults on record; gives what changed.

    A signal that stands counts at once. One that was taken back counts if it was confirmed (`rules/low_signals.py`); else it
    is taken off the cells again, with a row of the change log. A moment that a person stated stays. May be repeated.
    """
    ids = sorted(set(transmitter_ids))
    if not ids:
        return []
    cells = list(Fitting.objects.open().filter(transmitter__in=ids).order_by("transmitter_id"))
    spans = _spans(ids)
    begins = _begins(cells)
    days = _low_days(spans)
    changed = []
    for cell in cells:
        since = begins[cell.pk]
        mine = [span for span in spans.get(cell.transmitter_id, ()) if since is None or span.begin > since]
        told_on = [
            day for day in days.get(cell.transmitter_id, ()) if since is None or day > since.astimezone(UTC).date()
        ]
        first = first_signal(mine, told_on)
        if first is None and cell.first_low_at is not None and cell.first_low_at not in {one.begin for one in mine}:
            continue  # somebody saw it, or wrote it down
        if first is not None and cell.first_low_at is not None and cell.first_low_at < first and not any(
            one.begin == cell.first_low_at for one in mine
        ):  # fmt: skip
            continue
        if first != cell.first_low_at:
            before, cell.first_low_at = cell.first_low_at, first
            _tell(cell, before, at)
            changed.append(cell)
    Fitting.objects.bulk_update(changed, ["first_low_at"], batch_size=200)
    return changed


def _tell(cell: Fitting, before: datetime | None, at: datetime) -> None:
    first = cell.first_low_at
    if before is None:
        return  # the fault itself tells of it
    record_change(
        by=None, at=at, verb="low_signal_settled", subject=cell, customer_id=cell.customer_id,
        before={"first_low_at": before.isoformat()}, after={"first_low_at": first.isoformat() if first else None},
        reason=_("The low-battery signal was taken back before it was confirmed.")
        if first is None or first > before
        else _("An earlier low-battery signal came in late."),
    )  # fmt: skip


def _begins(cells: Iterable[Fitting]) -> dict[int, datetime | None]:
    """Since when signals are about these cells: since they were fitted; where nobody knows, since those before came out."""
    rows = list(cells)
    unknown = [cell.transmitter_id for cell in rows if cell.fitted_at is None]
    former = Fitting.objects.filter(transmitter__in=unknown, removed_at__isnull=False).values("transmitter_id")
    last = dict(former.annotate(last=Max("removed_at")).values_list("transmitter_id", "last")) if unknown else {}
    return {cell.pk: cell.fitted_at or last.get(cell.transmitter_id) for cell in rows}


def _spans(transmitter_ids: list[int]) -> dict[int, list[LowSpan]]:
    rows = Fault.objects.filter(transmitter__in=transmitter_ids, kind=Fault.Kind.LOW_BATTERY).order_by("raised_at")
    found: dict[int, list[LowSpan]] = defaultdict(list)
    for unit, raised, cleared, cause in rows.values_list("transmitter_id", "raised_at", "cleared_at", "cause"):
        # Nobody took back what only went out of sight, with the transmitter or with the receiver.
        is_over = cleared is not None and not cause.endswith(OUT_OF_SIGHT)
        found[unit].append(LowSpan(raised.astimezone(UTC), cleared.astimezone(UTC) if is_over else None))
    return found


def _low_days(spans: Mapping[int, Sequence[LowSpan]]) -> dict[int, set[date]]:
    """Days of UTC with a low-battery signal since the first one of a fault, by reports and by days of check-ins."""
    firsts = {unit: min(span.begin for span in mine) for unit, mine in spans.items() if mine}
    if not firsts:
        return {}
    first = min(firsts.values())
    reported = FaultReport.objects.filter(
        transmitter__in=firsts, kind=Fault.Kind.LOW_BATTERY, is_raised=True, at__gte=first
    ).annotate(day=TruncDate("at", tzinfo=UTC))
    with_flag = [flags for flags in range(8) if flags & CheckInDay.LOW_BATTERY]
    said = CheckInDay.objects.filter(transmitter_id__in=firsts, day__gte=first.date(), flags__in=with_flag)
    found: dict[int, set[date]] = defaultdict(set)
    for rows in (reported.values_list("transmitter_id", "day").distinct(), said.values_list("transmitter_id", "day")):
        for unit, day in rows:
            if day >= firsts[unit].date():
                found[unit].add(day)
    return found
