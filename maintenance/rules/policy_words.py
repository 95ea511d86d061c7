"""What a policy costs this fleet, per named level and along the curve, and how that is said."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from maintenance.rules.battery.fits import Fit, FloatArray
from maintenance.rules.battery.limits import fleet_limits
from maintenance.rules.battery.price import CURVE_Q, policy_price
from maintenance.rules.due_words import SMALL

_PARTS = ((100, "a hundred"), (1000, "a thousand"), (10_000, "ten thousand"))
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
    cells = round(_shown(bill.cells) - _shown(present.cells), 1)
    more = "as many cells as now"
    if cells:
        how_many = f"{abs(cells):,.1f}".removesuffix(".0")
        more = f"about {how_many} {'more' if cells > 0 else 'fewer'} cells a year"
    return f"{more}, {_dead_words(_shown(bill.dead), _shown(present.dead))}"


def _dead_words(dead: float, present: float) -> str:
    """Compare two shown numbers of sets found dead [1/year]."""
    if dead == present or (present and 0.95 < dead / present < 1.05):
        return "about as many found dead"
    if not dead:
        return "none found dead"
    if not present:
        return "more found dead"
    times = dead / present
    if times < 1:
        return f"{_share(times)} as many found dead"
    return f"{times:.1f} times as many found dead".replace(".0 times", " times")


def _shown(n_a_year: float) -> float:
    """Give the number that `yearly_words` shows, so that a comparison agrees with the figures beside it [1/year]."""
    if not math.isfinite(n_a_year) or n_a_year <= 0:
        return 0.0
    if n_a_year >= 9.95:
        return float(_round(n_a_year))
    return round(n_a_year, 1) if n_a_year >= 0.35 else 1 / min(round(1 / n_a_year), 101)


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
    dead, call = level_odds(p_dead), level_odds(max(p_dead, p_call))
    return f"at most {dead} found dead, and at most {call} ended before the change"


def level_odds(p: float) -> str:
    """Write a chosen probability as it was chosen: 0.02 → "two in a hundred", 0.015 → "1.5 in a hundred".

    An estimate is rounded to a whole count; a choice is not, or two levels would read alike.
    """
    if not (math.isfinite(p) and 0 < p < 1):
        return "an unknown share"
    of, words = next((pair for pair in _PARTS if round(p * pair[0], 2) >= 1), _PARTS[-1])
    n = round(p * of, 2)
    return f"{SMALL[round(n)] if n in range(1, len(SMALL)) else f'{n:g}'} in {words}"
