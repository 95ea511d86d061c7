"""How long one may wait after a low-battery signal, from how long batteries of a kind lasted after theirs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from maintenance.rules.battery.fits import FloatArray
from maintenance.rules.battery.outcomes import IntArray

GRACE_SHARE = 0.1
"""Grace ends where this share of the batteries was dead (the project's battery model, section 6)."""
MIN_GAPS = 10
"""Deaths after a signal from which a kind, a type of cells or the fleet speaks for itself. Own choice."""
ROUNDING = 1e-9
"""Shares are products of fractions: what lacks no more than this of a share has reached it."""
LEAST_DAYS = 1.0
"""Nothing shorter is learnt [day]: nobody is at a site sooner than the day after. Own choice."""
LONGER_BY_DAYS = 3.0
"""What was learnt grows only by so much at once [day], so that dates do not flicker; it shrinks at once. Own choice."""
KIND, CELLS, FLEET = range(3)
LEVELS = ("kind", "cells", "fleet")
"""Whose deaths were counted: of the transmitter type with this battery type, of the battery type, of everything."""


@dataclass(frozen=True, slots=True)
class Graces:
    """What the record says of the time after a signal; every array has one entry per stratum.

    Parameters
    ----------
    days : array
        Longest time to wait [day, whole, at least 1]; NaN = too few deaths to say, or longer than anybody has waited.
    n_dead, n : array of int
        Found dead after their signal, of so many of which is known how long they lasted after it.
    level : array of int
        Whose they are, place in `LEVELS`.
    """

    days: FloatArray
    n_dead: IntArray
    n: IntArray
    level: IntArray

    @classmethod
    def none(cls, n_strata: int) -> Graces:
        """Nothing learnt about any of n strata."""
        zero = np.zeros(n_strata, dtype=np.int64)
        return cls(np.full(n_strata, np.nan), zero, zero.copy(), zero.copy())

    def at(self, strata: IntArray) -> Graces:
        """What is known of these strata, by number [0 …]; nothing of number −1."""
        days = np.where(strata >= 0, self.days[strata], np.nan)
        return Graces(days, self.n_dead[strata], self.n[strata], self.level[strata])


def grace_after(dead_days: ArrayLike, alive_days: ArrayLike) -> float:
    """Say how long one may wait after a low-battery signal, from what became of batteries after theirs.

    Parameters
    ----------
    dead_days : array
        Time from the first signal to the death [day] of batteries found dead after a signal.
    alive_days : array
        Time from the first signal [day] for which the others are known to have lasted: most were changed in time.
        NaN and negative values are left out of both.

    Returns
    -------
    float
        Time after which one in ten would be dead if nobody came, rounded down, at least 1 [day, whole]; NaN where fewer
        than 10 were found dead, or where so many lasted that one in ten is never reached.

    Notes
    -----
    The project's battery model (section 6) asks for the 10 % quantile of the gaps "where known". Taken over the deaths alone
    it would tell how fast the firm comes, not how long batteries last: who changes cells within a week knows no gap of more
    than one. So those changed alive count for as long as they lasted, by the product-limit estimate (E. L. Kaplan, P. Meier,
    "Nonparametric Estimation from Incomplete Observations", J. Am. Stat. Assoc. 53, 1958). It takes who is changed early for
    no worse than the others; over some weeks at one rate, days stand for exposure.
    """
    dead, alive = _known(dead_days), _known(alive_days)
    if len(dead) < MIN_GAPS:
        return float("nan")
    days = np.floor(quantile_of_lasting(dead, alive, GRACE_SHARE))
    return LEAST_DAYS if days < LEAST_DAYS else float(days)


def quantile_of_lasting(dead_days: FloatArray, alive_days: FloatArray, share: float) -> float:
    """First day by which a share of all would be dead, by the product-limit estimate; NaN where none is known.

    Parameters
    ----------
    dead_days, alive_days : array
        Days to each death, at least one; days for which each of the others is known to have lasted [day, ≥ 0].
    share : float
        0 < share < 1.
    """
    curve = stats.ecdf(stats.CensoredData(uncensored=dead_days, right=alive_days)).cdf
    reached = np.flatnonzero(curve.probabilities >= share - ROUNDING)
    return float(curve.quantiles[reached[0]]) if len(reached) else float("nan")


def learnt_graces(
    dead_days: ArrayLike, alive_days: ArrayLike, stratum: IntArray, kind: IntArray, cell: IntArray
) -> Graces:  # fmt: skip
    """Learn the grace of every stratum: from its own deaths where there are enough, else from its cells', else the fleet's.

    Parameters
    ----------
    dead_days, alive_days : array
        As in `grace_after`, one entry of each per set of cells [day]; NaN where there is none.
    stratum : array of int
        Stratum of each; −1 = its types are not known, so that it speaks for the fleet only.
    kind, cell : array of int
        Transmitter type and battery type of each stratum; −1 = kinds that no record has. Whether activations are counted
        says nothing about what comes after a signal, so both strata of a kind share their deaths.
    """
    dead, alive = np.asarray(dead_days, dtype=np.float64), np.asarray(alive_days, dtype=np.float64)
    is_told = (dead >= 0) | (alive >= 0)
    dead, alive, stratum = dead[is_told], alive[is_told], stratum[is_told]
    found = Graces.none(len(kind))
    pair = np.where(kind >= 0, kind * (int(cell.max(initial=0)) + 1) + cell, -1)
    everything = np.zeros(len(kind), dtype=np.int64)
    # The coarsest first, so that whoever can speak for itself has the last word, also where that is "longer than can be told".
    for level, key in ((FLEET, everything), (CELLS, cell), (KIND, pair)):
        of_row = np.where(stratum >= 0, key[stratum], 0 if level == FLEET else -1) if len(key) else stratum
        for one in np.unique(of_row[of_row >= 0]).tolist():
            mine = of_row == one
            n_dead = int(np.count_nonzero(np.isfinite(dead[mine])))
            if n_dead >= MIN_GAPS:
                at = key == one
                found.days[at], found.level[at] = grace_after(dead[mine], alive[mine]), level
                found.n_dead[at], found.n[at] = n_dead, int(mine.sum())
    return found


def steadied(new: Graces, before: Graces) -> Graces:
    """Keep what was learnt before, counts and all, where the new time is longer by less than `LONGER_BY_DAYS`.

    Parameters
    ----------
    new, before : Graces
        Strata in the same order; NaN where nothing was learnt.
    """
    stays = (new.days > before.days) & (new.days < before.days + LONGER_BY_DAYS)
    return Graces(
        np.where(stays, before.days, new.days), np.where(stays, before.n_dead, new.n_dead),
        np.where(stays, before.n, new.n), np.where(stays, before.level, new.level),
    )  # fmt: skip


def _known(gap_days: ArrayLike) -> FloatArray:
    gaps = np.asarray(gap_days, dtype=np.float64).ravel()
    return gaps[np.isfinite(gaps) & (gaps >= 0)]
