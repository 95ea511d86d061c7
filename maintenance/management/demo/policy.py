"""What the firm knows of its batteries: limits learned from its own history by the product's model, without a database."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from maintenance.management.demo.world import RECORDS_DAYS, DemoFitting
from maintenance.rules.battery.fleet import Batteries, Strata, fit_fleet
from maintenance.rules.battery.limits import dead_shares, fleet_limits
from maintenance.rules.battery.outcomes import WHY, EndFacts, Outcomes, outcomes
from maintenance.rules.wear import MEASURED_SHARE

DUTIES = ("life_safety", "security", "convenience")
CUTOFF_SHARE = 2 / 3

Risks = Mapping[str, tuple[float, float]]
"""Duty → risk of being found dead, risk of ending at all."""
Kind = tuple[str, bool]
"""Transmitter type and whether activations are counted."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Exposure to which the firm lets cells go, by kind and duty; `usual` for kinds that taught nothing yet."""

    usual: Mapping[str, float]
    learned: Mapping[tuple[Kind, str], float] = field(default_factory=dict)
    multiplier: Mapping[Kind, float] = field(default_factory=dict)

    def of(self, kind: Kind, duty: str) -> float:
        """Limit for cells of a kind."""
        return self.learned.get((kind, duty), self.usual[duty])

    def scaled(self, kind: Kind, rate: float, sleep_rate: float) -> float:
        """Rate of exposure with the learned correction of the sleep current [1/day]."""
        return rate + (self.multiplier.get(kind, 1.0) - 1) * sleep_rate


def kind_of(fitting: DemoFitting, today: date) -> Kind:
    """Kind of some cells: activations are counted where every check-in reached us all but all of their life, or there are none."""
    unit = fitting.transmitter
    assert unit.type is not None
    if not unit.type["activation_uah"]:
        return unit.type["code"], True
    begun, ended = (
        (fitting.fitted_at or fitting.entered_at).date(),
        (fitting.removed_at.date() if fitting.removed_at else today),
    )
    counted = (ended - max(begun, today - timedelta(days=RECORDS_DAYS))).days / max((ended - begun).days, 1)
    return unit.type["code"], unit.site.evidence == "every" and counted >= MEASURED_SHARE


def learn_limits(fittings: Sequence[DemoFitting], rates: Any, today: date, usual: Limits, risks: Risks) -> Limits:
    """Fit the model to everything that happened and read the limits off it.

    `rates` gives for a fitting the exposure a day that the records show, and the part of it that the sleep current uses.
    """
    known = [f for f in fittings if f.fitted_at is not None and f.battery]
    kind = [kind_of(f, today) for f in known]
    kinds = sorted(set(kind))
    stratum = np.array([kinds.index(one) for one in kind])
    fitted = np.array([_day(f.fitted_at) for f in known])
    out = outcomes(_facts(known, fitted), float(today.toordinal()))
    rate, sleep = np.array([rates(f) for f in known]).T
    counts = out.left_out == 0
    with np.errstate(invalid="ignore"):
        columns = {name: (getattr(out, f"{name}_day") - fitted) * rate for name in ("end", "lower", "entry")}
    fit = fit_fleet(
        Batteries.of(
            stratum[counts], columns["end"][counts], columns["entry"][counts], out.is_end[counts],
            columns["lower"][counts], (sleep / rate)[counts],
        ),
        Strata(
            len(kinds), np.array([[code for code, _ in kinds].index(code) for code, _ in kinds]),
            np.array([is_measured for _, is_measured in kinds]),
        ),
    )  # fmt: skip
    dead, call = np.array([risks[duty] for duty in DUTIES]).T
    limits = fleet_limits(fit, dead, call, _dead_shares(out, stratum, len(kinds)))
    learned = {(one, duty): float(limits.u[i, n]) for i, one in enumerate(kinds) for n, duty in enumerate(DUTIES)}
    return Limits(usual.usual, learned, dict(zip(kinds, fit.sleep_multiplier.tolist(), strict=True)))


def _dead_shares(out: Outcomes, stratum: NDArray[np.int64], n: int) -> NDArray[np.float64]:
    found_dead, signalled = (
        np.bincount(stratum[chosen], minlength=n) for chosen in (out.is_found_dead, out.is_signalled)
    )
    return dead_shares(found_dead, signalled)


def _day(at: datetime | None) -> float:
    return float(at.date().toordinal()) if at else float("nan")


def _facts(known: Sequence[DemoFitting], fitted: NDArray[np.float64]) -> EndFacts:
    silent = [f.died_at if f.died_at and f.removed_at is None else None for f in known]
    return EndFacts.of(
        len(known), fitted_day=fitted, entered_day=[_day(f.entered_at) for f in known],
        removed_day=[_day(f.removed_at) for f in known], why=[WHY[f.why] for f in known],
        first_low_day=[_day(f.first_low_at) for f in known], last_alive_day=[_day(f.last_alive_at) for f in known],
        silent_since_day=[_day(at) for at in silent], next_expected_day=[_day(at) + 1 for at in silent],
        has_log=[f.transmitter.site.evidence == "every" for f in known],
        signals_reach_us=[f.transmitter.site.evidence != "visits" for f in known],
        low_confirmed=[f.first_low_at is not None and f.removed_at is None for f in known],
        volts=[f.volts if f.volts is not None else np.nan for f in known], cutoff_volts=[_cutoff(f) for f in known],
        is_under_load=[f.is_under_load for f in known],
    )  # fmt: skip


def _cutoff(fitting: DemoFitting) -> float:
    kind = fitting.transmitter.type
    assert kind is not None
    return float(kind["cells_series"] * fitting.nominal_v * CUTOFF_SHARE)
