"""Charge balance: how much of a set of cells is used up, from currents, counts and temperature. No data base, no clock.

*Exposure* u is the share of the usable charge that is gone; u = 1 is the end of life that the catalogue expects. Real
batteries of one kind end around it (see `posterior`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

HOURS_PER_YEAR = 8766.0
"""Mean hours per year, leap years included (365.25 · 24). The notebook that T07 to T09 come from uses it too."""
DAYS_PER_YEAR = HOURS_PER_YEAR / 24.0
HOURS_PER_DAY = 24.0
UA_PER_MA = 1000.0

REFERENCE_C = 20.0
"""Temperature that catalogue charge and self-discharge are stated for [°C]."""
SELF_DISCHARGE_DOUBLING_C = 10.0
"""Self-discharge about doubles for each so many degrees. Source: blog.mbedded.ninja, page "Batteries"."""

COLD_KNOTS_C = np.array([-40.0, -20.0, -10.0, 0.0, REFERENCE_C])
"""Temperatures of the catalogue's derating shares [°C]; at the last one the share is 1 by definition."""


def temperature_share(
    temperature_c: ArrayLike, share_0c: ArrayLike, share_m10c: ArrayLike, share_m20c: ArrayLike, share_m40c: ArrayLike
) -> FloatArray:
    """Give the share of the rated charge that can be drawn at a temperature.

    Parameters
    ----------
    temperature_c : array
        Mean temperature at the transmitter [°C]. Below −40 the share at −40 holds, above 20 it is 1.
    share_0c, share_m10c, share_m20c, share_m40c : array
        Catalogue shares at 0, −10, −20 and −40 °C [0 … 1].

    Returns
    -------
    array
        Share [0 … 1], linear between the knots; NaN where an input is NaN.

    Notes
    -----
    Sources of the shares differ by ±10 points at −20 °C (open notebook applied-ee, "Battery Life Estimation", against
    embedwise.pages.dev), so a finer curve would be false precision.
    """
    shares = np.broadcast_arrays(
        *[np.asarray(s, dtype=np.float64) for s in (share_m40c, share_m20c, share_m10c, share_0c, 1.0)],
        np.asarray(temperature_c, dtype=np.float64),
    )
    t = np.clip(shares[-1], COLD_KNOTS_C[0], COLD_KNOTS_C[-1])
    known = np.isfinite(shares[-1])
    safe_t = np.where(known, t, REFERENCE_C)
    left = np.clip(np.searchsorted(COLD_KNOTS_C, safe_t, side="right") - 1, 0, len(COLD_KNOTS_C) - 2)
    part = (safe_t - COLD_KNOTS_C[left]) / (COLD_KNOTS_C[left + 1] - COLD_KNOTS_C[left])
    table = np.stack(shares[:-1])
    at_left = np.take_along_axis(table, left[np.newaxis, ...], axis=0)[0]
    at_right = np.take_along_axis(table, left[np.newaxis, ...] + 1, axis=0)[0]
    return np.where(known, at_left + part * (at_right - at_left), np.nan)


def self_discharge_per_day(per_year_20c: ArrayLike, temperature_c: ArrayLike) -> FloatArray:
    """Give the share of the charge that a cell loses by itself per day.

    Parameters
    ----------
    per_year_20c : array
        Loss per year at 20 °C [0 … 1].
    temperature_c : array
        Mean temperature [°C]; taken as −60 … 90 where it is beyond.

    Returns
    -------
    array
        Loss [1/day]; σ(T) = σ(20 °C) · 2^((T − 20) / 10).

    Notes
    -----
    Source of the doubling: blog.mbedded.ninja, "Batteries" (it counts from 25 °C; the form is the same).
    """
    t = np.clip(np.asarray(temperature_c, dtype=np.float64), -60.0, 90.0)
    per_day = np.asarray(per_year_20c, dtype=np.float64) / DAYS_PER_YEAR
    return per_day * np.exp2((t - REFERENCE_C) / SELF_DISCHARGE_DOUBLING_C)


def cycle_mean_ua(sleep_ua: float, cycle_s: float, pulses: list[tuple[float, float]]) -> float:
    """Average the current of one cycle of sleep and pulses.

    Parameters
    ----------
    sleep_ua : float
        Current between pulses [µA].
    cycle_s : float
        Length of the cycle [s], greater than the pulses together.
    pulses : list of (float, float)
        Current [µA] and length [s] of each pulse.

    Returns
    -------
    float
        Mean current [µA].

    Raises
    ------
    ValueError
        If the pulses last longer than the cycle.
    """
    pulse_s = sum(length for _, length in pulses)
    if not 0 <= pulse_s <= cycle_s:
        raise ValueError("The pulses last longer than the cycle.")
    pulse_uas = sum(current * length for current, length in pulses)
    return (sleep_ua * (cycle_s - pulse_s) + pulse_uas) / cycle_s


def mean_current_ua(sleep_ua: ArrayLike, checkin_uas: ArrayLike, interval_s: ArrayLike) -> FloatArray:
    """Give the current drawn without activations: sleep and check-ins.

    Parameters
    ----------
    sleep_ua : array
        Sleep current [µA].
    checkin_uas : array
        Charge of one check-in with its repeats [µA·s].
    interval_s : array
        Time between check-ins [s]; 0 or unknown means that there are none, allowed only where the charge is 0.

    Returns
    -------
    array
        Mean current [µA]; NaN where check-ins draw charge and the interval is not known.
    """
    charge = np.asarray(checkin_uas, dtype=np.float64)
    interval = np.asarray(interval_s, dtype=np.float64)
    has_interval = np.isfinite(interval) & (interval > 0)
    checkins = np.where(
        charge == 0.0, 0.0, np.where(has_interval, charge / np.where(has_interval, interval, 1.0), np.nan)
    )
    return np.asarray(sleep_ua, dtype=np.float64) + checkins


def activations_per_day(
    counted: ArrayLike,
    counted_days: ArrayLike,
    typical: ArrayLike,
    *,
    weight: float = 3.0,
    longest_days: float = 365.0,
) -> FloatArray:
    """Estimate activations per day from a count and the typical rate of the kind.

    Parameters
    ----------
    counted : array
        Activations counted [0 …].
    counted_days : array
        Days over which they were counted [day].
    typical : array
        Typical rate of this kind of transmitter [1/day].
    weight : float
        How many activations the typical rate counts for; 3 as in the project's battery model.
    longest_days : float
        The typical rate never counts for more days than this, else that of a smoke detector (about none) could never
        be contradicted. Own choice.

    Returns
    -------
    array
        Rate [1/day]: (w · typical + counted) / (w + days) with w = min(weight / typical, longest_days).
    """
    n = np.asarray(counted, dtype=np.float64)
    days = np.asarray(counted_days, dtype=np.float64)
    rate = np.asarray(typical, dtype=np.float64)
    has_rate = rate > weight / longest_days
    prior_days = np.where(has_rate, weight / np.where(has_rate, rate, 1.0), longest_days)
    return (prior_days * rate + n) / (prior_days + days)


def usable_charge_mah(capacity_mah: ArrayLike, usable_share: ArrayLike, at_temperature: ArrayLike) -> FloatArray:
    """Give the charge that can be drawn [mAh]: rated charge of the set · usable share · cold share; NaN unless positive."""
    charge = (
        np.asarray(capacity_mah, dtype=np.float64)
        * np.asarray(usable_share, dtype=np.float64)
        * np.asarray(at_temperature, dtype=np.float64)
    )
    return np.where(charge > 0, charge, np.nan)


def exposure(
    days: ArrayLike,
    activations: ArrayLike,
    *,
    base_ua: ArrayLike,
    activation_uah: ArrayLike,
    usable_mah: ArrayLike,
    self_discharge: ArrayLike,
) -> FloatArray:
    """Give the exposure that so many days and activations add.

    Parameters
    ----------
    days : array
        Time in use [day], 0 or more.
    activations : array
        Activations in that time [count].
    base_ua : array
        Mean current without activations [µA].
    activation_uah : array
        Charge of one activation [µAh].
    usable_mah : array
        Usable charge of the set of cells [mAh], greater than 0.
    self_discharge : array
        Self-discharge [1/day].

    Returns
    -------
    array
        Exposure [1], 0 for a fresh battery: (current · 24 · days + charge · activations) / 1000 / usable + loss · days.

    Notes
    -----
    A charge balance. Self-discharge is counted as a share of the *usable* charge. Exposure adds up over periods with
    settings of their own: see `Period`.
    """
    t = np.asarray(days, dtype=np.float64)
    drawn_mah = (
        np.asarray(base_ua, dtype=np.float64) * HOURS_PER_DAY * t
        + np.asarray(activation_uah, dtype=np.float64) * np.asarray(activations, dtype=np.float64)
    ) / UA_PER_MA
    return drawn_mah / np.asarray(usable_mah, dtype=np.float64) + np.asarray(self_discharge, dtype=np.float64) * t


@dataclass(frozen=True, slots=True)
class Period:
    """One stretch of a battery's life with unchanged settings.

    Parameters
    ----------
    days : float
        Length [day], 0 or more.
    activations : float
        Activations in it [count].
    base_ua : float
        Mean current without activations [µA].
    activation_uah : float
        Charge of one activation [µAh].
    usable_mah : float
        Usable charge at the period's temperature [mAh].
    self_discharge : float
        Self-discharge at the period's temperature [1/day].
    """

    days: float
    activations: float
    base_ua: float
    activation_uah: float
    usable_mah: float
    self_discharge: float

    def __post_init__(self) -> None:
        if not (self.days >= 0 and self.activations >= 0 and self.usable_mah > 0):
            raise ValueError("A period needs days and activations of 0 or more and a positive usable charge.")


def exposure_of_periods(periods: list[Period]) -> float:
    """Add up the exposure of consecutive periods [1]; each is charged with its own settings, never with today's."""
    return float(
        sum(
            exposure(
                p.days,
                p.activations,
                base_ua=p.base_ua,
                activation_uah=p.activation_uah,
                usable_mah=p.usable_mah,
                self_discharge=p.self_discharge,
            )
            for p in periods
        )
    )


def life_hours(usable_mah: float, mean_ua: float, self_discharge_per_year: float = 0.0) -> float:
    """Give the hours until the exposure is 1.

    Parameters
    ----------
    usable_mah : float
        Usable charge [mAh].
    mean_ua : float
        Mean current with activations [µA], greater than 0 unless the cell loses charge by itself.
    self_discharge_per_year : float
        Loss per year at the place's temperature [0 … 1].

    Returns
    -------
    float
        Life [h]: 1 / (current / usable + loss / hours per year).

    Raises
    ------
    ValueError
        If nothing drains the cell.
    """
    per_hour = mean_ua / UA_PER_MA / usable_mah + self_discharge_per_year / HOURS_PER_YEAR
    if not per_hour > 0:
        raise ValueError("Nothing drains this cell: its life has no end.")
    return 1.0 / per_hour


def handbook_life_hours(
    rated_mah: float, derating: float, mean_ua: float, self_discharge_per_year: float
) -> tuple[float, float, float]:
    """Give the life by the handbook variant, which differs from ours in how it charges self-discharge.

    The handbook turns the loss of the *rated* charge into a current and draws that current from the *derated* charge.
    With a derating of K the loss then weighs 1/K times as much as in `life_hours`, where it is a share of what can be
    used. The handbook is on the cautious side by a few per cent; ours is exact for cells whose loss is proportional.

    Returns
    -------
    tuple of float
        Derated charge [mAh], self-discharge current [µA], life [h].

    Notes
    -----
    Source: open electronics notebook applied-ee, page "Battery Life Estimation".
    """
    derated_mah = rated_mah * derating
    self_ua = rated_mah * UA_PER_MA * self_discharge_per_year / HOURS_PER_YEAR
    return derated_mah, self_ua, derated_mah * UA_PER_MA / (mean_ua + self_ua)


def needed_mah(mean_ua: float, years: float, usable_share: float, self_discharge_per_year: float = 0.0) -> float:
    """Give the rated charge that lasts so many years [mAh]: the balance of `life_hours` solved for the charge.

    Raises
    ------
    ValueError
        If self-discharge alone empties the cell earlier.
    """
    left = 1.0 - self_discharge_per_year * years
    if not (left > 0 and usable_share > 0):
        raise ValueError("No charge is enough: self-discharge empties the cell before that.")
    return mean_ua / UA_PER_MA * years * HOURS_PER_YEAR / (usable_share * left)
