"""How often the truth lies in our 90 % intervals, for the 1 % life, β and η. Takes a few minutes.

Use::

    python -m tests.benchmarks.battery_coverage [--strata 3000] [--seed 1]

World: each stratum's ln η ~ N(0, 0.35) and ln β ~ N(ln 7, 0.4) within 1.5 … 25, drawn from the prior that the fit uses; lives
are Weibull in exposure. n batteries each, looked at between 0.3 and 1.2 of exposure, a third of them entered late; the last row
has so many batteries that about 700 ends fall in each stratum. With --visits, ends are only known to the 0.25 of exposure in
which they fell. Wanted (battery model, section 12.3): u_1% .88 to .93, β .88 to .94, η .87 to .92.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
from scipy.special import gammaincc

from maintenance.rules.battery.fleet import Batteries, FleetFit, Strata, fit_fleet
from maintenance.rules.battery.posterior import LifePrior

LEVELS = (0.05, 0.95)


def world(rng: np.random.Generator, n_strata: int, n: int) -> tuple[np.ndarray, np.ndarray, Batteries, np.ndarray]:
    """True η and β of each stratum, what is seen of its batteries, and the exposure at each one's last look."""
    prior = LifePrior()
    eta = np.exp(rng.normal(prior.mean_ln_eta, prior.sd_ln_eta, n_strata))
    ln_beta = rng.normal(prior.mean_ln_beta, prior.sd_ln_beta, 4 * n_strata)
    beta = np.exp(ln_beta[(ln_beta > np.log(prior.beta_min)) & (ln_beta < np.log(prior.beta_max))][:n_strata])
    stratum = np.repeat(np.arange(n_strata), n)
    entry = np.where(rng.random(len(stratum)) < 1 / 3, rng.uniform(0, 0.5, len(stratum)), 0.0)
    # Lives that had ended before we came are never seen: draw from those that had not.
    before = (entry / eta[stratum]) ** beta[stratum]
    life = eta[stratum] * (before + rng.exponential(size=len(stratum))) ** (1 / beta[stratum])
    look = entry + rng.uniform(0.3, 1.2, len(stratum))
    return eta, beta, Batteries.of(stratum, np.minimum(life, look), entry, life < look), look


def at_visits(batteries: Batteries, look: np.ndarray, width: float) -> Batteries:
    """The same, but an end is only found at the next of visits so far apart, or at the last look."""
    visit = width * np.ceil(batteries.end_u / width)
    found, lower = np.minimum(visit, look), np.maximum(visit - width, batteries.entry_u)
    return Batteries.of(
        batteries.stratum,
        np.where(batteries.is_end, found, batteries.end_u),
        batteries.entry_u,
        batteries.is_end,
        np.where(batteries.is_end, lower, np.nan),
    )


def share_below(fit: FleetFit, log_u: np.ndarray, plotted: float) -> np.ndarray:
    """P(η · plotted^(1/β) ≤ u) of every stratum: λ ≥ plotted · u^(−β). `plotted` = 1 gives η itself."""
    bound = plotted * np.exp(-fit.beta * log_u[:, np.newaxis])
    return np.asarray(np.sum(fit.weight * gammaincc(fit.shape, fit.rate * bound), axis=1))


def beta_below(fit: FleetFit, beta: np.ndarray) -> np.ndarray:
    """P(β ≤ truth), linear between the values of the grid."""
    answer = np.empty(len(beta))
    for i in range(fit.n_strata):
        values, start = np.unique(fit.beta[i], return_index=True)
        mass = np.add.reduceat(fit.weight[i], start)
        x = np.log(values)
        density = mass / np.where((np.arange(len(x)) == 0) | (np.arange(len(x)) == len(x) - 1), 0.5, 1.0)
        steps = 0.5 * (density[1:] + density[:-1])
        below = np.concatenate([[0.0], np.cumsum(steps)]) / np.sum(steps)
        answer[i] = np.interp(np.log(beta[i]), x, below)
    return answer


def covered(share: np.ndarray) -> float:
    return float(np.mean((share > LEVELS[0]) & (share < LEVELS[1])))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--strata", type=int, default=3000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--visits", type=float, default=0.0, metavar="WIDTH")
    parser.add_argument("--sizes", default="5,20,100,1500")
    asked = parser.parse_args()
    print("batteries  ends/stratum  u_1%   u_10%   beta    eta   ln u*/u_1% (median)   seconds")
    for n in (int(x) for x in asked.sizes.split(",")):
        rng = np.random.default_rng([asked.seed, n])
        eta, beta, batteries, look = world(rng, asked.strata, n)
        if asked.visits:
            batteries = at_visits(batteries, look, asked.visits)
        began = time.process_time()
        fit = fit_fleet(batteries, Strata.alike(asked.strata), learn_prior=False, learn_multiplier=False)
        took = time.process_time() - began
        cells = [
            covered(share_below(fit, np.log(eta) + np.log(-np.log1p(-p)) / beta, -np.log1p(-p))) for p in (0.01, 0.10)
        ]
        cells += [covered(beta_below(fit, beta)), covered(share_below(fit, np.log(eta), 1.0))]
        ratio = np.median(fit.quantile(0.01) / (eta * (-np.log1p(-0.01)) ** (1 / beta)))
        text = "  ".join(f"{cell:.3f}" for cell in cells)
        print(f"{n:9d}  {fit.n_ends.mean():12.1f}  {text}   {ratio:.3f}   {took:.1f}", flush=True)


if __name__ == "__main__":
    main()
