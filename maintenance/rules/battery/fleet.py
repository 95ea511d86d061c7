"""Fit the battery model to a whole fleet at once: many strata, no loop over batteries. Pure: no data base, no clock."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from maintenance.rules.battery import gammas, hyper, intervals, multiplier
from maintenance.rules.battery.fleet_fit import FleetFit
from maintenance.rules.battery.posterior import LifePrior
from maintenance.rules.battery.sums import SortedLives
from maintenance.rules.battery.widening import widen

__all__ = ["FAULTS", "Batteries", "FleetFit", "Strata", "fit_fleet"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

FAULTS = {
    0: "",
    1: "The exposure is not a number.",
    2: "The exposure is negative.",
    3: "The records begin at a higher exposure than they end.",
    4: "The battery is said to have ended before, or just when, its records began.",
    5: "The last look at which it was alive does not lie between the beginning of its records and its end.",
    6: "The stratum does not exist.",
}
"""Why a row cannot be fitted; such a record must be put right, never be guessed at."""


@dataclass(frozen=True, slots=True)
class Batteries:
    """One row per battery, ended or in service, in any order. Exposures by the catalogue's figures (multiplier 1).

    Parameters
    ----------
    stratum : array of int (n,)
        0 … n_strata − 1.
    end_u : array (n,)
        Exposure at the end or at the last look [1], 0 or more.
    entry_u : array (n,)
        Exposure when our records began [1]; 0 if fitted by us.
    is_end : array of bool (n,)
        Ended by wear.
    lower_u : array (n,)
        Left end of the interval (lower_u, end_u] in which it ended; NaN = known exactly.
    sleep_share : array (n,)
        Share of the exposure that scales with the sleep current [0 … 1]; NaN or 0 = unknown.
    lot : array of int (n,)
        Delivery lot, numbered over the whole fleet and each within one stratum; −1 = none.
    """

    stratum: IntArray
    end_u: FloatArray
    entry_u: FloatArray
    is_end: BoolArray
    lower_u: FloatArray
    sleep_share: FloatArray
    lot: IntArray

    def __post_init__(self) -> None:
        if len({np.shape(getattr(self, f.name)) for f in fields(self)}) > 1 or np.ndim(self.stratum) != 1:
            raise ValueError("The columns differ in length.")

    @classmethod
    def of(
        cls,
        stratum: ArrayLike,
        end_u: ArrayLike,
        entry_u: ArrayLike = 0.0,
        is_end: ArrayLike = False,
        lower_u: ArrayLike = np.nan,
        sleep_share: ArrayLike = np.nan,
        lot: ArrayLike = -1,
    ) -> Batteries:
        """Make the table from anything that numpy understands; a single value stands for a whole column."""
        end = np.atleast_1d(np.asarray(end_u, dtype=np.float64))

        def column(value: ArrayLike, kind: type) -> NDArray[Any]:
            return np.array(np.broadcast_to(np.asarray(value, dtype=kind), end.shape))

        return cls(
            stratum=column(stratum, np.int64),
            end_u=end,
            entry_u=column(entry_u, np.float64),
            is_end=column(is_end, np.bool_),
            lower_u=column(lower_u, np.float64),
            sleep_share=column(sleep_share, np.float64),
            lot=column(lot, np.int64),
        )

    def __len__(self) -> int:
        return len(self.end_u)

    def subset(self, mask: NDArray[np.generic]) -> Batteries:
        """Give some of the rows, by mask or by number."""
        return Batteries(*(getattr(self, f.name)[mask] for f in fields(self)))

    def faults(self, n_strata: int) -> IntArray:
        """Tell for each row whether it can be fitted (n,): 0, or a key of `FAULTS`. Leave the others out and show them."""
        with np.errstate(invalid="ignore"):
            code = np.zeros(len(self), dtype=np.int64)
            is_interval = self.is_end & ~np.isnan(self.lower_u)
            code[is_interval & ~((self.lower_u >= self.entry_u) & (self.lower_u <= self.end_u))] = 5
            code[self.is_end & (self.end_u <= self.entry_u)] = 4
            code[self.entry_u > self.end_u] = 3
            code[(self.entry_u < 0) | (self.end_u < 0)] = 2
            code[~np.isfinite(self.entry_u) | ~np.isfinite(self.end_u)] = 1
            code[(self.stratum < 0) | (self.stratum >= n_strata)] = 6
        return code


@dataclass(frozen=True, slots=True)
class Strata:
    """The kinds of battery that are fitted apart.

    Parameters
    ----------
    n : int
        How many.
    model : array of int (n,)
        Number of the transmitter type; strata of one type share a shrunken prior mean.
    is_measured : array of bool (n,)
        Activations are counted. False: they are assumed, and the prior is widened.
    """

    n: int
    model: IntArray
    is_measured: BoolArray

    def __post_init__(self) -> None:
        # Numbers 0 and 1 from a database would turn `~` into arithmetic.
        object.__setattr__(self, "model", np.asarray(self.model, dtype=np.int64))
        object.__setattr__(self, "is_measured", np.asarray(self.is_measured, dtype=np.bool_))
        if np.shape(self.model) != (self.n,) or np.shape(self.is_measured) != (self.n,):
            raise ValueError("The columns differ in length.")

    @classmethod
    def alike(cls, n: int) -> Strata:
        """Give n strata, each of a transmitter type of its own, all measured."""
        return cls(n, np.arange(n), np.ones(n, dtype=np.bool_))


def fit_fleet(
    batteries: Batteries,
    strata: Strata,
    prior: LifePrior | None = None,
    *,
    learn_prior: bool = True,
    learn_multiplier: bool = True,
) -> FleetFit:
    """Learn every stratum's lives from all batteries.

    Parameters
    ----------
    batteries : Batteries
        Rows without a fault (see `Batteries.faults`); order does not matter.
    strata : Strata
        What the stratum numbers stand for.
    prior : LifePrior, optional
        What is believed before any battery has ended; defaults to `LifePrior()`.
    learn_prior : bool
        Let strata learn from one another (see `hyper`).
    learn_multiplier : bool
        Learn where the sleep current is not what the catalogue says (see `multiplier`).

    Returns
    -------
    FleetFit
        Posterior of each stratum; one without a row has its prior.

    Raises
    ------
    ValueError
        If a row cannot be right; the text says why.
    """
    _refuse_faults(batteries, strata.n)
    batteries = batteries.subset(np.argsort(batteries.stratum, kind="stable"))
    base = prior if prior is not None else LifePrior()
    fleet_prior, belief = base, widen(base.for_strata(strata.n), strata.is_measured)
    factors = np.ones(strata.n)
    n_ends = np.bincount(batteries.stratum[batteries.is_end], minlength=strata.n)
    rows, wide = _sorted(batteries, strata.n)
    if learn_prior:
        fleet_prior, belief = _learn_prior(rows, wide, n_ends, strata, base, belief)
    if learn_multiplier:
        factors = _learn_multiplier(batteries, strata.n, belief)
        if bool(np.any(factors != 1.0)):
            by = multiplier.factor(factors[batteries.stratum], batteries.sleep_share)
            rows, wide = _sorted(_scaled(batteries, by), strata.n)
            if learn_prior:
                fleet_prior, belief = _learn_prior(rows, wide, n_ends, strata, base, belief)
    found = gammas.solve(rows.sums, belief, weighing=wide)
    n_layers = found.shape.shape[2]
    return FleetFit(
        beta=np.repeat(found.beta, n_layers, axis=1),
        shape=found.shape.reshape(strata.n, -1),
        rate=found.rate.reshape(strata.n, -1),
        weight=found.weight().reshape(strata.n, -1),
        n_batteries=rows.n_batteries,
        n_ends=n_ends,
        prior=fleet_prior,
        prior_mean_ln_eta=belief.mean_ln_eta,
        prior_sd_ln_eta=belief.sd_ln_eta,
        prior_mean_ln_beta=belief.mean_ln_beta,
        sleep_multiplier=factors,
        edge_mass=gammas.edge_mass(found, belief),
    )


def _refuse_faults(batteries: Batteries, n_strata: int) -> None:
    code = batteries.faults(n_strata)
    if bool(np.any(code)):
        first = int(np.flatnonzero(code)[0])
        more = int(np.count_nonzero(code)) - 1
        raise ValueError(f"Row {first}: {FAULTS[int(code[first])]}" + (f" And {more} more." if more else ""))


def _sorted(batteries: Batteries, n_strata: int) -> tuple[SortedLives, intervals.Wide | None]:
    """Sort the lives, and prepare the weighing of ends that are only known as wide intervals."""
    reached, is_dated, is_wide = intervals.split(batteries.end_u, batteries.is_end, batteries.lower_u)
    wide = intervals.wide_of(batteries.stratum, batteries.end_u, batteries.lower_u, is_wide)
    rows = SortedLives.of(n_strata, batteries.stratum, reached, batteries.entry_u, is_dated)
    return rows, wide


def _learn_prior(
    rows: SortedLives,
    wide: intervals.Wide | None,
    n_ends: IntArray,
    strata: Strata,
    base: LifePrior,
    belief: gammas.Belief,
) -> tuple[LifePrior, gammas.Belief]:
    """Let strata learn from one another."""
    sums = gammas.summed_up(gammas.solve(rows.sums, belief, weighing=wide, is_quick=True), belief)
    return hyper.learn_from_others(sums, rows.n_batteries, n_ends, strata.model, strata.is_measured, base)


def _scaled(batteries: Batteries, by: FloatArray) -> Batteries:
    return replace(
        batteries, end_u=batteries.end_u * by, entry_u=batteries.entry_u * by, lower_u=batteries.lower_u * by
    )


def _learn_multiplier(batteries: Batteries, n_strata: int, belief: gammas.Belief) -> FloatArray:
    """Compare multipliers of the sleep current in the strata that can tell."""
    _, _, is_wide = intervals.split(batteries.end_u, batteries.is_end, batteries.lower_u)

    def evidence(able: IntArray, by: FloatArray) -> FloatArray:
        number = np.full(n_strata, -1)
        number[able] = np.arange(len(able))
        own = number[batteries.stratum]
        used = own >= 0
        some = replace(_scaled(batteries.subset(used), by[used]), stratum=own[used])
        rows, wide = _sorted(some, len(able))
        return gammas.solve(rows.sums, belief.of(able), weighing=wide, is_quick=True).log_evidence()

    return multiplier.learn_multiplier(
        evidence, batteries.stratum, batteries.is_end, is_wide, batteries.sleep_share, n_strata
    )
