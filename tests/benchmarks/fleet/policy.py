"""The product's policy on simulated records: from what a firm has on record to limits, by the product's own rules."""

from __future__ import annotations

import numpy as np

from maintenance.rules.battery.fleet import Batteries, FleetFit, Strata, fit_fleet
from maintenance.rules.battery.limits import Limits, dead_shares, fleet_limits
from maintenance.rules.battery.lots import judge_lots
from maintenance.rules.battery.outcomes import COUNTS, WEAR, WHY, EndFacts, Outcomes, outcomes
from tests.benchmarks.fleet.stepping import STILL_IN, Rows
from tests.benchmarks.fleet.worlds import FloatArray, IntArray, Truth

DAY_ZERO = 10_000.0
"""Days of the world start here in the product's count, where a negative day means "not known"."""
SUPERVISION_DAYS = 0.2
"""A check-in is missed that long after the last one."""


def facts_on(rows: Rows, day: float) -> EndFacts:
    """Write down what the firm knows on a day; nothing of the truth goes along that could not be known."""
    is_out = rows.removed_day < STILL_IN
    until = np.where(is_out, rows.removed_day, day)
    is_dead = rows.dead_day <= until
    has_ended = rows.end_day <= until
    is_heard_low = rows.is_seen & has_ended
    why = np.select(
        [~is_out, ~has_ended, is_dead & rows.is_noted, is_dead],
        [WHY[""], WHY["preventive"], WHY["defect"], WHY["dead"]],
        WHY["low_battery"],
    )
    last_check_in = np.where(rows.has_log & is_dead, rows.dead_day, np.nan)
    in_time = np.where(is_out & ~is_dead & ~has_ended, rows.removed_day, rows.looked_day)
    return EndFacts.of(
        len(rows.device),
        fitted_day=rows.fitted_day + DAY_ZERO,
        entered_day=rows.entered_day + DAY_ZERO,
        removed_day=np.where(is_out, rows.removed_day + DAY_ZERO, np.nan),
        why=why,
        first_low_day=np.where(is_heard_low, rows.end_day + DAY_ZERO, np.nan),
        last_alive_day=np.where(rows.has_log, last_check_in, in_time) + DAY_ZERO,
        silent_since_day=last_check_in + DAY_ZERO,
        next_expected_day=last_check_in + SUPERVISION_DAYS + DAY_ZERO,
        has_log=rows.has_log,
        low_confirmed=is_heard_low,
    )


def batteries_of(rows: Rows, seen: Outcomes) -> tuple[Batteries, IntArray]:
    """Turn days into catalogue exposure; gives the batteries that count, and their positions among the rows."""
    keep = np.flatnonzero(seen.left_out == COUNTS)
    begin, rate = rows.fitted_day[keep] + DAY_ZERO, rows.rate[keep]
    return (
        Batteries.of(
            stratum=rows.stratum[keep],
            end_u=(seen.end_day[keep] - begin) * rate,
            entry_u=np.maximum(seen.entry_day[keep] - begin, 0.0) * rate,
            is_end=seen.is_end[keep],
            lower_u=(seen.lower_day[keep] - begin) * rate,
            sleep_share=rows.sleep_share[keep],
            lot=rows.lot[keep],
        ),
        keep,
    )


class ProductPolicy:
    """What the product does every night, here every 90 days.

    Parameters
    ----------
    truth : Truth
        Only its strata's models, whether they are measured, and the number of lots are used.
    p_dead, p_call : array (n_classes,)
        Risk policy of each duty class.
    """

    def __init__(
        self,
        truth: Truth,
        p_dead: FloatArray,
        p_call: FloatArray,
        *,
        learn_prior: bool = True,
        learn_multiplier: bool = True,
    ) -> None:
        self.strata = Strata(n=truth.n_strata, model=truth.model, is_measured=truth.is_measured)
        self.p_dead, self.p_call = p_dead, p_call
        self.learn_prior, self.learn_multiplier = learn_prior, learn_multiplier
        self.n_lots = len(truth.lot_is_bad)
        self.factor = np.ones(self.n_lots)
        self.flag_day = np.full(self.n_lots, np.inf)
        self.flag_share = np.full(self.n_lots, np.nan)
        self.n_seen = np.zeros(self.n_lots, dtype=np.int64)
        self.fit: FleetFit
        self.limits: Limits
        self.share: FloatArray = np.ones(truth.n_strata)

    def refit(self, rows: Rows, day: float) -> None:
        """Learn lives, lots and the share of unannounced deaths; set the limits."""
        seen = outcomes(facts_on(rows, day), day + DAY_ZERO)
        batteries, _ = batteries_of(rows, seen)
        self.fit = fit_fleet(
            batteries, self.strata, learn_prior=self.learn_prior, learn_multiplier=self.learn_multiplier
        )
        self._judge(batteries, day)
        is_wear = seen.cause == WEAR
        n = self.strata.n
        self.share = dead_shares(
            np.bincount(rows.stratum[is_wear & seen.is_found_dead], minlength=n),
            np.bincount(rows.stratum[is_wear & seen.is_signalled], minlength=n),
        )
        self.limits = fleet_limits(self.fit, self.p_dead, self.p_call, self.share)

    def _judge(self, batteries: Batteries, day: float) -> None:
        """Set the lots' factors and note when each was first flagged, and how much of it had failed by then."""
        lots = judge_lots(batteries, self.fit, self.n_lots)
        self.factor, self.n_seen = lots.factor, lots.n_batteries
        is_new = lots.is_suspect & ~np.isfinite(self.flag_day)
        self.flag_day[is_new] = day
        self.flag_share[is_new] = (lots.observed / np.maximum(lots.n_batteries, 1))[is_new]

    def limit_u(self, stratum: IntArray, duty: IntArray, sleep_share: FloatArray, lot: IntArray) -> FloatArray:
        """Give the catalogue exposure at which each battery is to be changed."""
        limit = self.limits.u[stratum, duty] * self.factor[lot]
        return limit / self.fit.scaled(stratum, np.ones(len(stratum)), sleep_share)
