"""From raw rows of cells and their setting-periods to the columns that the due-date rules ask for. Pure: mappings in, numbers out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from itertools import pairwise
from typing import Any

from maintenance.rules.battery import exposure
from maintenance.rules.due_facts import to_day

DAYS_PER_YEAR = exposure.DAYS_PER_YEAR
STANDBY_LIFE_YEARS = 4.0
"""Standby batteries without a stated life: from memory, sealed lead batteries are commonly changed after 4 years."""


def day_number(on: date) -> float:
    """Give a date as days since 1 January 2000."""
    return float(to_day(on))


def use_of_cells(
    unit: Mapping[str, Any],
    fitting: Mapping[str, Any],
    interval_s: float | None,
    periods: Sequence[Mapping[str, Any]],
    fitted_day: float,
) -> dict[str, float]:
    """Give the columns from which exposure is worked out.

    Parameters
    ----------
    unit : mapping
        Transmitter with its type's figures (`type__sleep_ua` [µA] …); None where the type is not known.
    fitting : mapping
        Cells with their type's figures (`battery_type__capacity_mah` [mAh] …); None where it is not known.
    interval_s : float
        Check-in interval of the present settings [s].
    periods : sequence of mapping
        Setting-periods, oldest first, with counts and temperature sums. The last one is the present one; time before
        the first one counts with its settings.
    fitted_day : float
        Day of fitting; NaN where it is not known.

    Returns
    -------
    dict
        Columns of `FittingFacts`; nothing of a type that is not known, so that no exposure is claimed.
    """
    if unit["type__sleep_ua"] is None or fitting["battery_type__capacity_mah"] is None:
        return {}
    if unit["type__power"] != "battery":
        return {}
    present = periods[-1] if periods else None
    facts: dict[str, float] = {
        "capacity_mah": fitting["battery_type__capacity_mah"] * max(unit["type__cells_parallel"], 1),
        "usable_share": unit["type__usable_share"],
        "self_discharge_per_year": fitting["battery_type__self_discharge_per_year"],
        "sleep_ua": unit["type__sleep_ua"],
        "checkin_uas": unit["type__checkin_uas"],
        "activation_uah": unit["type__activation_uah"],
        "typical_activations_per_day": unit["type__typical_activations_per_day"],
        "interval_s": float(interval_s) if interval_s else float("nan"),
    }
    facts |= _climate(fitting, present)
    if present is not None:
        facts["measured_days"] = present["days_measured"]
        facts["measured_activations"] = present["activations"]
    if len(periods) > 1 and fitted_day == fitted_day:
        facts["since_day"] = day_number(periods[-1]["from_on"])
        facts["u_before"] = _exposure_before(facts, fitting, periods, fitted_day)
    return facts


def _climate(fitting: Mapping[str, Any], period: Mapping[str, Any] | None) -> dict[str, float]:
    """Mean temperature of a period where it was measured, else 20 °C, and the share of the charge that it leaves."""
    at_c = exposure.REFERENCE_C
    if period is not None and period["temperature_days"]:
        at_c = period["temperature_sum_c"] / period["temperature_days"]
    if at_c >= exposure.REFERENCE_C:
        return {"temperature_c": at_c, "temperature_share": 1.0}
    shares = (fitting[f"battery_type__share_{at}"] for at in ("0c", "m10c", "m20c", "m40c"))
    return {"temperature_c": at_c, "temperature_share": float(exposure.temperature_share(at_c, *shares))}


def _exposure_before(
    facts: Mapping[str, float], fitting: Mapping[str, Any], periods: Sequence[Mapping[str, Any]], fitted_day: float
) -> float:
    """Add up the exposure of every period before the present one, each with its own interval, counts and climate."""
    total = 0.0
    begin = fitted_day
    for period, following in pairwise(periods):
        days = max(day_number(following["from_on"]) - begin, 0.0)
        begin = max(begin, day_number(following["from_on"]))
        counted_days = min(float(period["days_measured"]), days)
        typical = facts["typical_activations_per_day"]
        per_day = float(exposure.activations_per_day(period["activations"], counted_days, typical))
        climate = _climate(fitting, period)
        total += float(
            exposure.exposure(
                days,
                period["activations"] + per_day * (days - counted_days),
                base_ua=exposure.mean_current_ua(
                    facts["sleep_ua"], facts["checkin_uas"], period["interval_s"] or facts["interval_s"]
                ),
                activation_uah=facts["activation_uah"],
                usable_mah=exposure.usable_charge_mah(
                    facts["capacity_mah"], facts["usable_share"], climate["temperature_share"]
                ),
                self_discharge=exposure.self_discharge_per_day(
                    facts["self_discharge_per_year"], climate["temperature_c"]
                ),
            )
        )
    return total
