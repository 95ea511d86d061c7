"""The working of a due date as a table: each figure with its unit, rounded to what is known, and where it comes from."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from maintenance.rules.battery.exposure import (
    DAYS_PER_YEAR,
    HOURS_PER_YEAR,
    UA_PER_MA,
    mean_current_ua,
    self_discharge_per_day,
    usable_charge_mah,
)
from maintenance.rules.due_facts import to_date
from maintenance.rules.due_words import day_words, odds_words, share_words, span_words


@dataclass(frozen=True, slots=True)
class Figure:
    """One line of the table: what, how much with its unit, where from."""

    name: str
    value: str
    source: str


RECORDED, COUNTED, WORKED_OUT, POLICY = "recorded", "counted from check-ins", "worked out", "the firm's own policy"
CATALOGUE = "catalogue, without a note"

# Column, name, unit, digits after the point, key of the catalogue's source note.
TYPE_FIGURES = (
    ("capacity_mah", "rated charge of the set", "mAh", 0, "capacity_mah"),
    ("usable_share", "usable share of it", "%", 0, "usable_share"),
    ("self_discharge_per_year", "lost by itself per year at 20 °C", "%", 1, "self_discharge_per_year"),
    ("sleep_ua", "current between events", "µA", 1, "sleep_ua"),
    ("checkin_uas", "charge of one check-in", "µA·s", 0, "checkin_uas"),
    ("activation_uah", "charge of one activation", "µAh", 1, "activation_uah"),
    ("typical_activations_per_day", "usual activations per day", "", 1, "typical_activations_per_day"),
)


def figures_of(
    row: Mapping[str, float],
    sources: Mapping[str, str],
    rate_per_day: float,
    u: float = math.nan,
    *,
    sleep_multiplier: float = 1.0,
) -> list[Figure]:
    """List the figures behind a date.

    Parameters
    ----------
    row : mapping
        Columns of `FittingFacts` for one thing.
    sources : mapping
        Source notes of its catalogue rows by figure.
    rate_per_day : float
        Exposure added per day [1/day]; NaN where it is not known.
    u : float
        Exposure today [1]; NaN where it is not known.
    sleep_multiplier : float
        Learned draw between activations against the catalogue's [1].

    Returns
    -------
    list of Figure
        What is not known is said, not left out, where a date rests on it.
    """
    found = [
        _dated("fitted" if row["kind"] == 0 else "in service since", row["fitted_day"]),
        _dated("our records begin", row["entered_day"]),
        _dated("made", row["made_day"]),
    ]
    if row["first_low_day"] >= 0:
        found.append(_dated("low battery first reported", row["first_low_day"]))
    if row["capacity_mah"] > 0:
        found += _use(row, sources, rate_per_day, u, sleep_multiplier)
    for column, name in (("shelf_life_days", "shelf life"), ("unit_life_days", "life of the unit")):
        if row[column] >= 0:
            key = "shelf_life_years" if column == "shelf_life_days" else "unit_life_years"
            found.append(Figure(name, span_words(row[column]), sources.get(key, CATALOGUE)))
    if row["cap_days"] >= 0:
        found.append(Figure("longest time in service", span_words(row["cap_days"]), POLICY))
    if row["grace_days"] > 0:
        is_learnt = row["policy_grace_days"] > row["grace_days"]
        source = (
            f"deaths after reports; the firm's policy: {span_words(row['policy_grace_days'])}" if is_learnt else POLICY
        )
        found.append(Figure("time to change after a low-battery report", span_words(row["grace_days"]), source))
    return found


def _use(
    row: Mapping[str, float], sources: Mapping[str, str], rate_per_day: float, u: float, sleep_multiplier: float
) -> list[Figure]:
    """Figures of the charge balance."""
    found = []
    for column, name, unit, digits, key in TYPE_FIGURES:
        value = row[column] * (100 if unit == "%" else 1)
        if math.isfinite(value):
            text = f"{value:.{digits}f}" if value == 0 or value >= 10**-digits else f"{value:.1g}"
            found.append(Figure(name, f"{text} {unit}".rstrip(), sources.get(key) or CATALOGUE))
    if math.isfinite(row["interval_s"]) and row["interval_s"] > 0:
        found.append(Figure("time between check-ins", f"{row['interval_s'] / 60:g} min", RECORDED))
    found.append(Figure("temperature", f"{row['temperature_c']:.0f} °C", _climate_source(row)))
    if row["measured_days"] > 0:
        found.append(Figure("activations", counted_words(row), COUNTED))
    else:
        found.append(Figure("activations", "not counted", "the usual number of the kind is assumed"))
    if math.isfinite(rate_per_day):
        if sleep_multiplier != 1.0:
            learned = "learned from ended batteries of this kind"
            found.append(
                Figure("draw between activations, against the catalogue", f"× {sleep_multiplier:.2f}", learned)
            )
        found += _sum_of_use(row, rate_per_day * DAYS_PER_YEAR, sleep_multiplier)
    if math.isfinite(u):
        found.append(Figure("charge used until today", _fine_share(u), WORKED_OUT))
    found.append(Figure("charge used at the limit", _fine_share(row["u_limit"]), WORKED_OUT))
    found.append(Figure("batteries that may fail before it", odds_words(row["planning_probability"]), POLICY))
    return found


def counted_words(row: Mapping[str, float]) -> str:
    """Say what was counted: "210 in 300 days", "none in the first day"."""
    n, days = round(row["measured_activations"]), round(row["measured_days"])
    if days <= 1:
        return f"{n or 'none'} in the first day"
    return f"{n or 'none'} in {days} days"


@dataclass(frozen=True, slots=True)
class UsePerYear:
    """What a year's use is the sum of, each as a share of the usable charge [1/year], with the means behind it."""

    asleep: float
    checked_in: float
    activated: float
    lost: float
    usable_mah: float
    checkin_ua: float
    activations_per_day: float


def use_per_year(row: Mapping[str, float], per_year: float, sleep_multiplier: float = 1.0) -> UsePerYear:
    """Split the charge used per year into what it goes on.

    Parameters
    ----------
    row : mapping
        Columns of `FittingFacts` for one thing.
    per_year : float
        Charge used per year, all told [1/year].
    sleep_multiplier : float
        Learned draw between activations against the catalogue's [1]; it holds for waiting and check-ins alike.

    Notes
    -----
    What remains after waiting, check-ins and self-discharge are the activations: their rate is a blend of counts and of what
    is usual for the kind. Source: the project's battery model, section 2.
    """
    usable = float(usable_charge_mah(row["capacity_mah"], row["usable_share"], row["temperature_share"]))
    checkin_ua = float(mean_current_ua(0.0, row["checkin_uas"], row["interval_s"])) * sleep_multiplier
    asleep = row["sleep_ua"] * sleep_multiplier * HOURS_PER_YEAR / UA_PER_MA / usable
    checked_in = checkin_ua * HOURS_PER_YEAR / UA_PER_MA / usable
    lost = float(self_discharge_per_day(row["self_discharge_per_year"], row["temperature_c"])) * DAYS_PER_YEAR
    activated = max(per_year - asleep - checked_in - lost, 0.0)
    a_day = activated * usable * UA_PER_MA / DAYS_PER_YEAR / row["activation_uah"] if row["activation_uah"] > 0 else 0.0
    return UsePerYear(asleep, checked_in, activated, lost, usable, checkin_ua, a_day)


def _sum_of_use(row: Mapping[str, float], per_year: float, sleep_multiplier: float) -> list[Figure]:
    """The charge used per year [1/year] and what it is the sum of, so that a reader can work the date out again."""
    use = use_per_year(row, per_year, sleep_multiplier)
    cold = f"{row['temperature_share'] * 100:.0f} % at this temperature"
    asleep_ua = row["sleep_ua"] * sleep_multiplier
    return [
        Figure("usable charge", f"{use.usable_mah:.1f} mAh", f"{WORKED_OUT}: rated charge × usable share × {cold}"),
        Figure("used per year between events", _fine_share(use.asleep), f"{WORKED_OUT}: {asleep_ua:.3g} µA all year"),
        Figure(
            "used per year by check-ins",
            _fine_share(use.checked_in),
            f"{WORKED_OUT}: {use.checkin_ua:.3g} µA on the mean",
        ),
        Figure(
            "used per year by activations",
            _fine_share(use.activated),
            f"{WORKED_OUT}: {use.activations_per_day:.3g} a day",
        ),
        Figure(
            "lost per year by itself", _fine_share(use.lost), f"{WORKED_OUT}: counted as a share of the usable charge"
        ),
        Figure("charge used per year at this rate", _fine_share(per_year), f"{WORKED_OUT}: the sum of the four above"),
    ]


def _fine_share(share: float) -> str:
    """Write a share in per cent with one decimal; what cannot be written so falls back to words."""
    return f"{share * 100:.1f} %" if math.isfinite(share) and 0 <= share < 10 else share_words(share)


def _climate_source(row: Mapping[str, float]) -> str:
    return "assumed; not measured here" if row["temperature_c"] == 20.0 else "mean of what was measured"


def _dated(name: str, day: float) -> Figure:
    """Line with a date, or with the gap in the records."""
    if day < 0:
        return Figure(name, "not known", "nobody has recorded it")
    return Figure(name, day_words(to_date(int(day))), RECORDED)
