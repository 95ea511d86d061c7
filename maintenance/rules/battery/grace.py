"""How long one may wait after a low-battery signal, from how long batteries of a kind lasted after theirs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from maintenance.rules.battery.fits import FloatArray
from maintenance.rules.battery.outcomes import IntArray

GRACE_SHARE = 0.1
"""Grace ends where this share of the batteries was dead (the project's battery model, section 6)."""
MIN_GAPS = 10
"""Deaths after a signal from which a kind, a type of cells or the fleet speaks for itself. Own choice."""
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
        Longest time to wait [day, whole, at least 1]; NaN = too few deaths to say.
    n_within, n : array of int
        Deaths after a signal that came no later than that, and all that it rests on.
    level : array of int
        Whose they are, place in `LEVELS`.
    """

    days: FloatArray
    n_within: IntArray
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
        return Graces(days, self.n_within[strata], self.n[strata], self.level[strata])


def grace_from_gap(gap_days: ArrayLike) -> float:
    """Say how long one may wait after a low-battery signal, from how long batteries lasted after theirs.

    Parameters
    ----------
    gap_days : array
        Time from the first signal to the death [day] of batteries found dead after a signal; NaN and negative values are
        left out.

    Returns
    -------
    float
        The 10 % quantile of the gaps where 10 or more are known, rounded down, at least 1 [day, whole]; else NaN.

    Notes
    -----
    Section 6 of the project's battery model asks for (u_dead − u_signal) / rate: over some weeks at one rate that is the
    time itself. Batteries changed in time have no gap, and the faster a firm answers, the more of the long ones are
    missing: the quantile errs on the short side.
    """
    gaps = _known(gap_days)
    if len(gaps) < MIN_GAPS:
        return float("nan")
    return float(max(LEAST_DAYS, np.floor(np.quantile(gaps, GRACE_SHARE))))


def learnt_graces(gap_days: ArrayLike, stratum: IntArray, kind: IntArray, cell: IntArray) -> Graces:
    """Learn the grace of every stratum: from its own deaths where there are enough, else from its cells', else the fleet's.

    Parameters
    ----------
    gap_days : array
        As in `grace_from_gap`, one entry per set of cells [day]; NaN where there is none.
    stratum : array of int
        Stratum of each; −1 = its types are not known, so that it speaks for the fleet only.
    kind, cell : array of int
        Transmitter type and battery type of each stratum; −1 = kinds that no record has. Whether activations are counted
        says nothing about what comes after a signal, so both strata of a kind share their deaths.
    """
    gaps = np.asarray(gap_days, dtype=np.float64)
    has = np.isfinite(gaps) & (gaps >= 0)
    gaps, stratum = gaps[has], stratum[has]
    found = Graces.none(len(kind))
    pair = np.where(kind >= 0, kind * (int(cell.max(initial=0)) + 1) + cell, -1)
    everything = np.zeros(len(kind), dtype=np.int64)
    # The coarsest first, so that whoever can speak for itself has the last word.
    for level, key in ((FLEET, everything), (CELLS, cell), (KIND, pair)):
        of_gap = np.where(stratum >= 0, key[stratum], 0 if level == FLEET else -1) if len(key) else stratum
        for one in np.unique(of_gap[of_gap >= 0]).tolist():
            mine = gaps[of_gap == one]
            days = grace_from_gap(mine)
            if np.isfinite(days):
                at = key == one
                found.days[at], found.level[at] = days, level
                found.n_within[at], found.n[at] = np.count_nonzero(mine <= days), len(mine)
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
        np.where(stays, before.days, new.days), np.where(stays, before.n_within, new.n_within),
        np.where(stays, before.n, new.n), np.where(stays, before.level, new.level),
    )  # fmt: skip


def _known(gap_days: ArrayLike) -> FloatArray:
    gaps = np.asarray(gap_days, dtype=np.float64).ravel()
    return gaps[np.isfinite(gaps) & (gaps >= 0)]
