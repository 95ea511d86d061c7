"""Reads behind "why this date": what the latest fit knows of a kind and a lot, and a transmitter's last days. Rows come
narrowed by the door.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from django.db.models import Count, QuerySet

from devices.querysets.days_read import days_of
from maintenance.rules.charts_checkins import N_DAYS, DayHeard
from maintenance.rules.due_known import LotKnown

MIN_ENDS = 20
"""Ends of a kind from which its own share of unannounced ends counts; below it the fleet's does (battery model, section 6)."""


def stratum_of(strata: QuerySet[Any], fit_pk: int | None, number: int) -> Any | None:
    """Record of one stratum of a fit; None before the first fit."""
    if fit_pk is None:
        return None
    return strata.filter(fit_id=fit_pk, number=number).select_related("fit").defer("posterior").first()


@dataclass(frozen=True, slots=True)
class Reports:
    """How ends came: found dead, and reported in time; of the kind, or of the whole fleet."""

    n_dead: int = 0
    n_reported: int = 0
    is_fleet_wide: bool = False


def reports_of(stratum: Any | None) -> Reports:
    """Ends found dead and reported in time that the limit rests on: the kind's own where it has enough, else the fleet's."""
    if stratum is None:
        return Reports()
    own = Reports(stratum.facts.get("n_found_dead", 0), stratum.facts.get("n_signalled", 0))
    if own.n_dead + own.n_reported >= MIN_ENDS:
        return own
    facts = stratum.fit.facts
    return Reports(facts.get("n_found_dead", 0), facts.get("n_signalled", 0), is_fleet_wide=True)


def same_lot(lots: QuerySet[Any], stratum: Any | None, fitting: Any | None) -> Any | None:
    """What the fit in use knows of the lot of these cells; without a code they go by the half-year of fitting."""
    if stratum is None or fitting is None:
        return None
    code = fitting.lot or half_year(fitting.fitted_at.date() if fitting.fitted_at else None)
    return lots.filter(stratum=stratum, code=code, is_half_year=not fitting.lot).first() if code else None


def half_year(on: date | None) -> str:
    """Name of the half-year of a day, such as "2025-H2"; empty for an unknown day."""
    return f"{on.year}-H{1 if on.month <= 6 else 2}" if on else ""


def lot_known(lot: Any) -> LotKnown:
    """A lot's record as plain facts."""
    return LotKnown(lot.code, lot.is_half_year, lot.n_batteries, lot.observed, lot.expected, lot.factor, lot.is_suspect)


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """Cells of the same lot in service elsewhere."""

    n: int
    n_sites: int


def lot_elsewhere(items: QuerySet[Any], item: Any) -> Elsewhere:
    """Count open items with cells of the same code and type in other transmitters; none where no code was noted."""
    fitting = item.fitting
    if fitting is None or not fitting.lot:
        return Elsewhere(0, 0)
    rows = items.filter(
        is_closed=False, fitting__lot=fitting.lot, fitting__battery_type_id=fitting.battery_type_id
    ).exclude(pk=item.pk)  # fmt: skip
    found = rows.aggregate(n=Count("pk"), n_sites=Count("site_id", distinct=True))
    return Elsewhere(found["n"], found["n_sites"])


def limits_changed(rows: QuerySet[Any], policies: QuerySet[Any], duty: str) -> list[datetime]:
    """When the firm changed its limits of one duty."""
    of_duty = policies.filter(duty=duty).values("pk")
    return list(
        rows.filter(verb="save_policy", subject_kind="riskpolicy", subject_id__in=of_duty).values_list("at", flat=True)
    )


def last_days(days: QuerySet[Any], transmitter_id: int, until: date) -> list[DayHeard]:
    """Last days of a transmitter that are kept, oldest first."""
    since = until - timedelta(days=N_DAYS - 1)
    fields = ("day", "heard", "expected", "activations", "flags")
    return [
        DayHeard(*row) for row in days_of(days, transmitters=[transmitter_id], since=since, until=until, fields=fields)
    ]
