"""Policies that know the truth, to measure the product's against and to test the simulator itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.benchmarks.fleet.batteries import fates
from tests.benchmarks.fleet.stepping import Rows
from tests.benchmarks.fleet.worlds import FALLBACK_SD, FloatArray, IntArray, Truth, life_failed

SAMPLE = 20_000
"""Batteries drawn per stratum where a quantile has no closed form (signals)."""
NODES, NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(21)


class Oracle:
    """Knows each stratum's law of lives (not which lots are bad, not the devices' hidden factors) and the true sleep factor.

    Without signals it changes at the exposure where the share p_dead has ended. With signals, where the share p_dead has died
    in service, or p_call has ended if that comes earlier. Defects are left out, as they are in the product's limit.
    """

    def __init__(self, truth: Truth, p_dead: FloatArray, p_call: FloatArray, *, seed: int = 0) -> None:
        self.truth = truth
        if truth.has_signals:
            self.u = np.minimum(self._dead_quantiles(p_dead, seed), self._end_quantiles(p_call))
        else:
            self.u = self._end_quantiles(p_dead)

    def refit(self, rows: Rows, day: float) -> None:
        """Learn nothing: it knows."""

    def limit_u(self, stratum: IntArray, duty: IntArray, sleep_share: FloatArray, lot: IntArray) -> FloatArray:
        """Give the catalogue exposure at which to change."""
        return self.u[stratum, duty] / (1.0 + (self.truth.world.sleep_factor - 1.0) * sleep_share)

    def _end_quantiles(self, p: FloatArray) -> FloatArray:
        """Bisect the share ended, averaged over hidden factors and lots: (n_strata, n_classes)."""
        t, w = self.truth, self.truth.world
        sd = np.hypot(w.device_sd, np.where(t.is_measured, 0.0, FALLBACK_SD))
        hidden = np.exp(sd[:, np.newaxis] * NODES)
        weight = NODE_WEIGHTS / NODE_WEIGHTS.sum()
        beta, eta = t.beta[:, np.newaxis], t.eta[:, np.newaxis]
        out = np.empty((t.n_strata, len(p)))
        for column, share in enumerate(p):
            low, high = np.zeros(t.n_strata), np.full(t.n_strata, 8.0)
            for _ in range(50):
                middle = 0.5 * (low + high)
                x = middle[:, np.newaxis] * hidden
                good = life_failed(w, x, beta, eta) @ weight
                bad = life_failed(w, x / w.bad_lot_life, beta, eta) @ weight
                ended = (1.0 - w.bad_lot_share) * good + w.bad_lot_share * bad
                low, high = np.where(ended < share, middle, low), np.where(ended < share, high, middle)
            out[:, column] = low
        return out

    def _dead_quantiles(self, p: FloatArray, seed: int) -> FloatArray:
        """Draw many batteries per stratum and take the exposure that a share p does not reach without dying in service."""
        t, w = self.truth, self.truth.world
        out = np.empty((t.n_strata, len(p)))
        rng = np.random.default_rng([seed, 991])
        for s in range(t.n_strata):
            sample = _sample(t, s, rng)
            device = np.arange(SAMPLE)
            # A lot of its own for each battery: bad ones at their share, whatever this fleet happened to draw.
            fate = fates(sample, device, np.zeros(SAMPLE, dtype=np.int64), device, np.zeros(SAMPLE))
            scale = fate.rate * (1.0 + (w.sleep_factor - 1.0) * fate.sleep_share)
            dies = fate.dead_day <= fate.natural_day
            died_at = np.where(dies, fate.dead_day * scale, np.inf)[~fate.is_other]
            out[s] = np.quantile(died_at, p, method="inverted_cdf")
        return out


def _sample(t: Truth, s: int, rng: np.random.Generator) -> Truth:
    """Make a fleet of one stratum: devices drawn from those of the whole fleet, fresh hidden factors and batteries."""
    w, of = t.world, rng.integers(0, t.n, SAMPLE)
    sd = np.hypot(w.device_sd, 0.0 if t.is_measured[s] else FALLBACK_SD)
    column = (SAMPLE, 1)
    return replace(
        t,
        stratum=np.full(SAMPLE, s),
        has_log=t.has_log[of],
        look_phase=t.look_phase[of],
        sleep_rate=t.sleep_rate[of],
        active_rate=t.active_rate[of],
        hidden=np.exp(sd * rng.standard_normal(SAMPLE)),
        is_taken_over=np.zeros(SAMPLE, dtype=np.bool_),
        begin_age=np.zeros(SAMPLE),
        lot_is_bad=rng.random(SAMPLE) < w.bad_lot_share,
        life_u=rng.random(column),
        use_z=rng.standard_normal(column),
        lead_z=rng.standard_normal(column),
        response=t.response[of, :1],
        seen_u=rng.random(column),
        defect_u=rng.random(column),
        defect_at_u=rng.random(column),
        noted_u=rng.random(column),
    )


class KeptAlive:
    """Never changes a battery before it ends: for looking at whole lives."""

    def refit(self, rows: Rows, day: float) -> None:
        """Learn nothing."""

    def limit_u(self, stratum: IntArray, duty: IntArray, sleep_share: FloatArray, lot: IntArray) -> FloatArray:
        """Give no limit."""
        return np.full(len(stratum), np.inf)
