"""One run of a world under the product's policy and under the oracle, and what of it is printed."""

from __future__ import annotations

import time
from dataclasses import asdict, dataclass, field

import numpy as np

from tests.benchmarks.fleet.figures import N_CLASSES, Tally, tally
from tests.benchmarks.fleet.oracle import Oracle
from tests.benchmarks.fleet.policy import ProductPolicy
from tests.benchmarks.fleet.stepping import Rounds, Rows, run
from tests.benchmarks.fleet.worlds import WORLDS, FloatArray, Truth, draw

DUTIES = ("life_safety", "security", "convenience")
LATE_FROM, EARLY_TO = 6.0, 4.0
"""Years: the judged window begins at the first; "the first years" end at the second."""
CALIBRATED = frozenset({"weibull", "lognormal", "device-spread", "catalogue-low", "catalogue-high"})
"""Worlds in which achieved / limit has a bar on both sides; with bad lots and with everything at once it has an upper one."""
BAR_AT_ONE_PERCENT, BAR_ABOVE, BAR_OTHERS = (0.7, 1.35), (0.75, 1.25), (0.0, 1.3)
MOST_REPLACED = 1.05


@dataclass(frozen=True, slots=True)
class Setup:
    """What the command line asks for."""

    world: str
    years: float = 16.0
    devices: int = 6000
    strata: int = 30
    has_signals: bool = True
    p_dead: tuple[float, ...] = (0.01, 0.05, 0.10)
    p_call: tuple[float, ...] = (0.10, 0.50, 0.60)
    rounds: Rounds = field(default_factory=Rounds)
    learn_prior: bool = True
    learn_multiplier: bool = True


@dataclass(frozen=True, slots=True)
class LotFigures:
    """Lots of 15 and more flagged: bad ones, good ones, and how much of a bad lot had ended at its flag."""

    n_bad: int
    n_bad_flagged: int
    n_good: int
    n_good_flagged: int
    ended_at_flag: FloatArray

    def __add__(self, other: LotFigures) -> LotFigures:
        return LotFigures(
            self.n_bad + other.n_bad,
            self.n_bad_flagged + other.n_bad_flagged,
            self.n_good + other.n_good,
            self.n_good_flagged + other.n_good_flagged,
            np.concatenate([self.ended_at_flag, other.ended_at_flag]),
        )


@dataclass(frozen=True, slots=True)
class Result:
    """Tallies of the product and of the oracle over both windows; results of several seeds add up."""

    late: Tally
    early: Tally
    oracle_late: Tally
    oracle_early: Tally
    lots: LotFigures
    seconds: float

    def __add__(self, other: Result) -> Result:
        names = ("late", "early", "oracle_late", "oracle_early", "lots", "seconds")
        return Result(*(getattr(self, name) + getattr(other, name) for name in names))


def one_seed(setup: Setup, seed: int) -> Result:
    """Run both policies on the fleet of a seed."""
    begun = time.process_time()
    truth = draw(
        WORLDS[setup.world],
        n_devices=setup.devices,
        n_strata=setup.strata,
        seed=seed,
        has_signals=setup.has_signals,
    )
    p_dead = np.array(setup.p_dead)
    p_call = np.array(setup.p_call) if setup.has_signals else p_dead
    product = ProductPolicy(
        truth, p_dead, p_call, learn_prior=setup.learn_prior, learn_multiplier=setup.learn_multiplier
    )
    rows = run(truth, product, years=setup.years, rounds=setup.rounds, seed=seed)
    known = run(truth, Oracle(truth, p_dead, p_call, seed=seed), years=setup.years, rounds=setup.rounds, seed=seed)
    return Result(
        late=tally(rows, LATE_FROM, setup.years),
        early=tally(rows, 0.0, EARLY_TO),
        oracle_late=tally(known, LATE_FROM, setup.years),
        oracle_early=tally(known, 0.0, EARLY_TO),
        lots=lot_figures(truth, product, rows),
        seconds=time.process_time() - begun,
    )


def lot_figures(truth: Truth, product: ProductPolicy, rows: Rows) -> LotFigures:
    """Compare the lots ever flagged with those that were bad; lots of 15 batteries and more."""
    is_large = np.bincount(rows.lot, minlength=len(truth.lot_is_bad)) >= 15
    is_flagged, is_bad = np.isfinite(product.flag_day), truth.lot_is_bad
    return LotFigures(
        n_bad=int(np.sum(is_large & is_bad)),
        n_bad_flagged=int(np.sum(is_large & is_bad & is_flagged)),
        n_good=int(np.sum(is_large & ~is_bad)),
        n_good_flagged=int(np.sum(is_large & ~is_bad & is_flagged)),
        ended_at_flag=product.flag_share[is_large & is_bad & is_flagged],
    )


def achieved(setup: Setup, counts: Tally) -> FloatArray:
    """Give what the limit speaks of: died in service where signals are counted on, else ended in service."""
    return counts.dead_share if setup.has_signals else counts.ends_share


def lines_of(setup: Setup, result: Result) -> list[str]:
    """Put the figures of a result into lines of text."""
    what = "dead" if setup.has_signals else "ended"
    out = []
    if setup.years > LATE_FROM:
        out.append(
            f"{'class':<12} {'limit':>6} {what + '/limit':>11} {'±':>5} {'oracle':>7} {'ends':>6} {'repl./oracle':>12}"
            f" {'life used':>9} {'defects':>8} {'finished':>9}  bars"
        )
        out += [_late_line(setup, result, k) for k in range(N_CLASSES)]
    early, known = result.early, result.oracle_early
    out.append(f"first {EARLY_TO:g} years, {what}, in brackets the oracle's, and batteries finished:")
    for k in range(N_CLASSES):
        share, of_oracle = achieved(setup, early)[k], achieved(setup, known)[k]
        out.append(f"{DUTIES[k]:<12} {setup.p_dead[k]:>6.1%} {share:>11.1%} ({of_oracle:.1%}) {early.finished[k]:>9}")
    lots = result.lots
    out.append(
        f"lots of 15 and more flagged: {lots.n_bad_flagged} of {lots.n_bad} bad, {lots.n_good_flagged} of {lots.n_good} good"
        + (f"; ended at a bad lot's flag: {_shares(lots.ended_at_flag)}" if len(lots.ended_at_flag) else "")
    )
    return [*out, f"{result.seconds:.1f} s of one core"]


def _late_line(setup: Setup, result: Result, k: int) -> str:
    """Give the line of one duty class over the judged years."""
    late, oracle, p = result.late, result.oracle_late, setup.p_dead[k]
    share, n = achieved(setup, late)[k], max(int(late.finished[k]), 1)
    replaced = late.replaced[k] / max(oracle.replaced[k], 1)
    return (
        f"{DUTIES[k]:<12} {p:>6.1%} {share / p:>11.2f} {np.sqrt(max(share, p) / n) / p:>5.2f}"
        f" {achieved(setup, oracle)[k] / p:>7.2f} {late.ends_share[k]:>6.1%} {replaced:>12.3f} {late.life_used[k]:>9.2f}"
        f" {late.defects[k] / (n + late.defects[k]):>8.1%} {late.finished[k]:>9}  {verdict(setup.world, p, share / p, replaced)}"
    )


def verdict(world: str, p: float, ratio: float, replaced: float) -> str:
    """Say whether the bars are met."""
    low, high = (BAR_AT_ONE_PERCENT if p <= 0.01 else BAR_ABOVE) if world in CALIBRATED else BAR_OTHERS
    missed = [
        words
        for is_missed, words in (
            (ratio < low, "too cautious"),
            (ratio > high, "too much risk"),
            (replaced > MOST_REPLACED, "too many cells"),
        )
        if is_missed
    ]
    return ", ".join(missed) or "met"


def _shares(values: FloatArray) -> str:
    low, middle, high = np.quantile(values, [0.1, 0.5, 0.9])
    return f"{low:.0%} / {middle:.0%} / {high:.0%} (10, 50, 90 % of lots), at most 20 % in {np.mean(values <= 0.2):.0%}"


def as_json(setup: Setup, seed: int | str, result: Result) -> dict[str, object]:
    """Give the figures as plain numbers."""
    figures = {
        name: {key: np.asarray(value).tolist() for key, value in asdict(getattr(result, name)).items()}
        for name in ("late", "early", "oracle_late", "oracle_early")
    }
    return {
        "world": setup.world,
        "seed": seed,
        "has_signals": setup.has_signals,
        "early_days": setup.rounds.early_days,
        "late_days": setup.rounds.late_days,
        "p_dead": setup.p_dead,
        "ratio": (achieved(setup, result.late) / np.array(setup.p_dead)).tolist(),
        "oracle_ratio": (achieved(setup, result.oracle_late) / np.array(setup.p_dead)).tolist(),
        "replaced_over_oracle": (result.late.replaced / np.maximum(result.oracle_late.replaced, 1)).tolist(),
        "lots": {key: np.asarray(value).tolist() for key, value in asdict(result.lots).items()},
        "seconds": result.seconds,
        **figures,
    }
