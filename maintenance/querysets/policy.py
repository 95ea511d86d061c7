"""Reads what a policy's price is worked out from: what is in service by kind and duty, priced once per state of the fleet."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from django.apps import apps
from django.db.models import Avg, Case, Count, Q, QuerySet, Sum, TextField, Value, When
from django.db.models.functions import Cast

from maintenance.querysets.fits import CurrentFit, fit_in_use
from maintenance.rules.policy_words import Bill, Service, bills, curve_bills

Row = tuple[int | None, int | None, bool, str, int, float, float]
"""Transmitter type, battery type, activations counted, duty, sets in service, sum of their rates [1/day], cells in a set."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What is priced on one duty: pairs of shares (found dead, ended at all), and the longest time in service [day]."""

    duty: str
    shares: tuple[tuple[float, float], ...]
    cap_days: float


def in_service(items: QuerySet[Any]) -> tuple[tuple[Row, ...], int]:
    """Sets of cells in service by kind and duty, and how many have no rate and so no price."""
    cells = items.filter(kind="cells", is_closed=False)
    # The flags are a list of words; as text they can be asked on every database.
    assumed = cells.annotate(said=Cast("flags", TextField())).annotate(
        counted=Case(When(said__contains='"fallback_rate"', then=Value(0)), default=Value(1))
    )
    rows = (
        assumed.filter(rate_per_day__gt=0)
        .order_by()
        .values_list("transmitter__type_id", "fitting__battery_type_id", "counted", "duty")
        .annotate(n=Count("pk"), rate=Sum("rate_per_day"), n_cells=Avg("fitting__n_cells"))
    )
    plain = sorted(
        (kind or 0, cell or 0, bool(counted), duty, n, rate, size) for kind, cell, counted, duty, n, rate, size in rows
    )
    left_out = cells.filter(Q(rate_per_day=None) | Q(rate_per_day__lte=0)).count()
    return tuple(plain), left_out


def service_of(fit: CurrentFit, rows: tuple[Row, ...], duty: str) -> Service:
    """What is in service on one duty in the order of the fit's strata."""
    n, rate, cells = (np.zeros(len(fit.strata)) for _ in range(3))
    for kind, cell, is_counted, on, count, rates, size in rows:
        if on == duty:
            at = fit.number_of(kind or None, cell or None, is_counted)
            n[at] += count
            rate[at] += rates
            cells[at] += count * size
    there = np.maximum(n, 1.0)
    return Service(n, rate / there, np.where(n > 0, cells / there, 1.0))


def token_in_use() -> str:
    """What tells the fit in use from any other; empty before the first one."""
    rows = apps.get_model("maintenance", "BatteryFit")._default_manager.filter(is_current=True)
    pk_token = rows.values_list("pk", "facts__token").first()
    return f"{pk_token[0]}:{pk_token[1]}" if pk_token else ""


@lru_cache(maxsize=16)
def priced(token: str, rows: tuple[Row, ...], asked: Asked) -> tuple[Bill, ...]:
    """Price of each pair of shares; kept until the fit, what is in service, or the question changes."""
    fit = fit_in_use()
    service = service_of(fit, rows, asked.duty)
    return tuple(bills(fit.fleet, fit.dead_share, service, asked.shares, cap_days=asked.cap_days))


@lru_cache(maxsize=6)
def priced_curve(token: str, rows: tuple[Row, ...], duty: str, cap_days: float) -> tuple[tuple[float, Bill], ...]:
    """The whole curve of one duty; kept as `priced` is."""
    fit = fit_in_use()
    return tuple(curve_bills(fit.fleet, fit.dead_share, service_of(fit, rows, duty), cap_days=cap_days))
