"""What a policy costs this fleet, per named level and along the curve, and how that is said."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from maintenance.rules.battery.fits import Fit, FloatArray
from maintenance.rules.battery.limits import fleet_limits
from maintenance.rules.battery.price import CURVE_Q, policy_price
from maintenance.rules.due_words import odds_words

LEVEL_NAMES = {"cautious": "cautious", "balanced": "balanced", "thrifty": "thrifty", "": "own figures"}


@dataclass(frozen=True, slots=True)
class Service:
    """What is in service on one duty, by stratum; every array has the shape (n_strata,).

    Parameters
    ----------
    n : array
        Sets of cells in service.
    rate_per_day : array
        Mean exposure that one gains a day [1/day], with the learnt multiplier.
    n_cells : array
        Mean number of cells in a set.
    """

    n: FloatArray
    rate_per_day: FloatArray
    n_cells: FloatArray


@dataclass(frozen=True, slots=True)
class Bill:
    """What a choice costs in a year of the long run: cells, ends that give a signal in time, and sets found dead [1/year]."""

    cells: float
    calls: float
    dead: float


def bills(
    fit: Fit, dead_share: FloatArray, service: Service, shares: Sequence[tuple[float, float]], *, cap_days: float
) -> list[Bill]:
    """Give what each policy would cost on one duty.

    Parameters
    ----------
    fit : Fit
        What is known of every stratum.
    dead_share : array, (n_strata,)
        Share of ends that come unannounced (0 … 1].
    service : Service
        What is in service on the duty.
    shares : sequence of (float, float)
        Share found dead and share that ends at all, per policy [0 < p < 1].
    cap_days : float
        Longest time in service [day]: no battery reaches a limit that lies behind it.

    Notes
    -----
    Ends by wear in a fleet that has settled. Shelf lives, lots under suspicion and recalls are left aside.
    """
    dead, call = np.array([(p_dead, max(p_dead, p_call)) for p_dead, p_call in shares]).T
    return _bills(fit, dead_share, service, fleet_limits(fit, dead, call, dead_share).u, cap_days)


def curve_bills(fit: Fit, dead_share: FloatArray, service: Service, *, cap_days: float) -> list[tuple[float, Bill]]:
    """Give what each planning probability of `CURVE_Q` would cost; parameters as in `bills`, floor left aside."""
    u = fit.quantile(np.tile(CURVE_Q, (len(dead_share), 1)))
    return list(zip(CURVE_Q.tolist(), _bills(fit, dead_share, service, u, cap_days), strict=True))


def _bills(fit: Fit, dead_share: FloatArray, service: Service, u: FloatArray, cap_days: float) -> list[Bill]:
    column = (slice(None), np.newaxis)
    reach = np.where(service.rate_per_day > 0, service.rate_per_day * cap_days, np.inf)
    price = policy_price(
        fit, np.minimum(u, reach[column]), service.rate_per_day[column], service.n[column], dead_share,
        cells_per_change=service.n_cells[column],
    )  # fmt: skip
    cells, ends, dead = (x.sum(axis=0) for x in (price.cells_a_year, price.ends_a_year, price.dead_a_year))
    return [Bill(float(c), float(e - d), float(d)) for c, e, d in zip(cells, ends, dead, strict=True)]


def yearly_words(n_a_year: float) -> str:
    """Write how often something is expected in a year: "1,240", "84", "2.3", "one in about 6 years" [1/year]."""
    if not math.isfinite(n_a_year) or n_a_year <= 0:
        return "none"
    if n_a_year >= 9.95:
        return f"{_round(n_a_year):,}"
    if n_a_year >= 0.35:
        return f"{n_a_year:.1f}"
    years = round(1 / n_a_year)
    return f"one in about {years} years" if years <= 100 else "fewer than one in 100 years"


def _round(count: float) -> int:
    """Three digits are more than an estimate knows, and enough to tell two levels apart: 1,243 is 1,240."""
    step = 10 ** max(0, math.floor(math.log10(count)) - 2)
    return round(count / step) * step


def against_words(bill: Bill, present: Bill) -> str:
    """Say what a level would change against the present choice; numbers of one year [1/year]."""
    cells = bill.cells - present.cells
    if abs(cells) < 0.5 or abs(cells) < 0.005 * present.cells:
        more = "as many cells as now"
    else:
        more = f"about {_round(abs(cells)):,} {'more' if cells > 0 else 'fewer'} cells a year"
    if present.dead <= 0 or bill.dead <= 0 or 0.95 < bill.dead / present.dead < 1.05:
        return f"{more}, as many found dead"
    times = bill.dead / present.dead
    if times < 1:
        return f"{more}, {_share(times)} as many found dead"
    return f"{more}, {times:.1f} times as many found dead".replace(".0 times", " times")


def _share(share: float) -> str:
    fractions = (
        (0.25, "a quarter"),
        (1 / 3, "a third"),
        (0.5, "half"),
        (2 / 3, "two thirds"),
        (0.75, "three quarters"),
    )
    near, words = min(fractions, key=lambda pair: abs(pair[0] - share))
    return words if abs(near - share) < 0.06 else f"{share:.0%}".replace("%", " %")


def promise_words(p_dead: float, p_call: float) -> str:
    """Say what a level allows; both are probabilities."""
    return f"at most {odds_words(p_dead)} found dead, and at most {odds_words(max(p_dead, p_call))} ended before the change"
