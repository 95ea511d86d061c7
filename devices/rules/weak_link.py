"""Whether a transmitter gets through less well than it used to: one day of many receivers at once; pure Python, numpy.

Each transmitter is held against its own past (a baseline that forgets in two months) and against its neighbours of the same day
(so that interference or a receiver that was off blames nobody). What speaks for "the odds of getting through are a quarter of
what they were" is added up day by day (Page's CUSUM); good days take it back. A falling share is an advice to take a reading, not
a battery event. Source: the project's battery model, section 8.1; E. S. Page, Biometrika 41 (1954), from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from devices.rules.presence import QUARTER_S

Reals = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

PRIOR_HEARD, PRIOR_LOST = 19.0, 1.0
"""Baseline before anything is known: Beta(19, 1), as if 19 of 20 check-ins had come."""
MEMORY_DAYS = 60.0
"""Counts of the baseline fade with this time constant [day]."""
LAG_DAYS = 7
"""A day is learnt so many days later, so that a fall is not learnt while it is being noticed [day]."""
OUTAGE_BELOW = 0.75
"""Median share, against the baselines, below which the day is an outage of the receiver and nobody is scored."""
OUTAGE_MIN = 3
"""With fewer transmitters the median is one of them: then only a day without any check-in is an outage. Own choice."""
ODDS = 4.0
"""A weak link has its odds of getting through divided by this."""
MOST_A_DAY = 6.0
"""No single day says more than this."""
AMBER, RED = 20.0, 30.0
FEW_AMBER, FEW_RED = 12.0, 18.0
FEW_A_DAY = 8.0
"""With so few check-ins expected on a full day, or fewer, the lower thresholds hold: at 4 a day 20 would take a month."""
WORST = 6.0
"""Above red the sum grows no further than this, so that a mended link is seen as mended within weeks. Own choice."""
PHI_DAYS = 120
"""Days whose spread around the baselines counts."""
MOST_Z2 = 16.0
"""A single day's squared deviation counts for no more than this."""
P_LEAST, P_MOST = 0.02, 0.995
NO_DAY = -1


@dataclass(frozen=True, slots=True)
class Links:
    """What is known of transmitters before a day; equally long columns.

    Attributes
    ----------
    score : array of float
        Evidence for a weak link so far, 0 … `RED` + `WORST` [nat].
    heard, expected : array of float
        Check-ins that came and that should have come, faded by age [count].
    fine_on : array of int
        Last day on which the score was 0 [day number of the caller's choice]; `NO_DAY` before the first.
    """

    score: Reals
    heard: Reals
    expected: Reals
    fine_on: Ints

    @property
    def share(self) -> Reals:
        """Baseline: share of check-ins that get through while all is as usual (0 … 1)."""
        return (PRIOR_HEARD + self.heard) / (PRIOR_HEARD + PRIOR_LOST + self.expected)


def unknown_links(n: int) -> Links:
    """Give the state of n transmitters [count] of which nothing is known."""
    return Links(np.zeros(n), np.zeros(n), np.zeros(n), np.full(n, NO_DAY, dtype=np.int64))


@dataclass(frozen=True, slots=True)
class DayCounts:
    """One day of the same transmitters; equally long columns.

    Attributes
    ----------
    receiver : array of int
        Which receiver each belongs to, any whole numbers.
    heard, expected : array of int
        Check-ins, or quarter hours with one where they come more often [count]. Nothing expected (away, interval not known,
        no row): the transmitter is skipped.
    per_day : array of float
        Check-ins expected on a full day [count/day].
    heard_then, expected_then : array of int
        The same of the day `LAG_DAYS` before, to be learnt; 0 where nothing can be (an outage, another receiver).
    """

    receiver: Ints
    heard: Ints
    expected: Ints
    per_day: Reals
    heard_then: Ints
    expected_then: Ints


@dataclass(frozen=True, slots=True)
class Compared:
    """One day held against the baselines.

    Attributes
    ----------
    learnt : Links
        With the day of a week ago learnt.
    p : array of float
        Share to be expected of each on this day, its neighbours considered (`P_LEAST` … `P_MOST`).
    is_scored : array of bool
        Something was expected of it, and its receiver had no outage.
    z2 : array of float
        Squared deviation in units of chance alone, at most `MOST_Z2`; 0 where it does not count for `spread`.
    n : int
        Transmitters whose deviation counts: those scored, less those already under suspicion, or a fleet with many weak
        links would hide every further one. Own choice.
    outages : dict of int to float
        Receiver with an outage → its median share.
    """

    learnt: Links
    p: Reals
    is_scored: Flags
    z2: Reals
    n: int
    outages: dict[int, float]

    @property
    def sum_z2(self) -> float:
        """Sum of the deviations that count, for `spread`."""
        return float(self.z2.sum())


def expected_between(bits: int, heard: int, expected: int, interval_s: int) -> int:
    """Give the check-ins of a day that count for what leaves the site: from the first that came to the last, with those lost
    between them. Before and after it may have been out, recorded as that or not. Decided for this product: a weak link shows
    between two check-ins too, an absence of half a day or longer does not.

    Parameters
    ----------
    bits : int
        Quarter hours in which it was heard, bit q for quarter q; 0 where they are not kept (any more).
    heard, expected : int
        Check-ins that came and that should have come [count].
    interval_s : int
        Time between check-ins [s].

    Returns
    -------
    int
        At most `expected`; without quarter hours as many as came, so that such a day accuses nobody.
    """
    between = 0
    if bits:
        quarters = bits.bit_length() - (bits & -bits).bit_length()
        between = round(quarters * QUARTER_S / max(interval_s, QUARTER_S)) + 1
    return min(max(between, heard), expected)


def thresholds(per_day: Reals) -> tuple[Reals, Reals]:
    """Give the scores above which a link is weak, and very weak.

    Parameters
    ----------
    per_day : array of float
        Check-ins expected on a full day [count/day].
    """
    is_few = per_day <= FEW_A_DAY
    return np.where(is_few, FEW_AMBER, AMBER), np.where(is_few, FEW_RED, RED)


def compare(links: Links, day: DayCounts, *, with_neighbours: bool = True) -> Compared:
    """Learn the day of a week ago and hold a day against the baselines.

    Parameters
    ----------
    links : Links
        State before the day.
    day : DayCounts
        The day.
    with_neighbours : bool
        False leaves out what the other transmitters of a receiver say; only to show what that is worth.

    Raises
    ------
    ValueError
        If a count is negative.
    """
    if any((column < 0).any() for column in (day.heard, day.expected, day.heard_then, day.expected_then)):
        raise ValueError("Check-ins heard or expected cannot be fewer than none.")
    learnt = _learn(links, day)
    base = learnt.share
    is_asked = day.expected > 0
    heard = np.minimum(day.heard, day.expected)
    ratio = np.divide(heard, day.expected * base, out=np.zeros(len(base)), where=is_asked)
    factor, is_scored = np.ones(len(base)), is_asked
    outages: dict[int, float] = {}
    if with_neighbours:
        factor, is_out, outages = _neighbours(day.receiver, ratio, is_asked)
        is_scored = is_asked & ~is_out
    p = np.clip(base * factor, P_LEAST, P_MOST)
    counts = is_scored & ~_suspected(links, day)
    variance = np.where(counts, day.expected * p * (1.0 - p), 1.0)
    z2 = np.where(counts, np.minimum((heard - day.expected * p) ** 2 / variance, MOST_Z2), 0.0)
    return Compared(learnt, p, is_scored, z2, int(counts.sum()), outages)


def _suspected(links: Links, day: DayCounts) -> Flags:
    """Whether a fall is suspected: the score is above half the threshold."""
    return links.score > thresholds(day.per_day)[0] / 2.0


def _learn(links: Links, day: DayCounts) -> Links:
    """Fade the baseline by a day and add the day of a week ago; neither while a fall is suspected."""
    frozen = _suspected(links, day)
    fade = np.where(frozen, 1.0, math.exp(-1.0 / MEMORY_DAYS))
    taken = np.where(frozen, 0, 1)
    return Links(
        links.score,
        links.heard * fade + taken * np.minimum(day.heard_then, day.expected_then),
        links.expected * fade + taken * day.expected_then,
        links.fine_on,
    )


def _neighbours(receiver: Ints, ratio: Reals, is_asked: Flags) -> tuple[Reals, Flags, dict[int, float]]:
    """Median share of the others of each receiver (0 … 1), whether its receiver had an outage, and those with their median."""
    factor, is_out = np.ones(len(ratio)), np.zeros(len(ratio), dtype=bool)
    rows = np.flatnonzero(is_asked)
    if not len(rows):
        return factor, is_out, {}
    rows = rows[np.lexsort((ratio[rows], receiver[rows]))]
    value, group = ratio[rows], receiver[rows]
    first = np.flatnonzero(np.concatenate(([True], group[1:] != group[:-1])))
    size = np.diff(np.concatenate((first, [len(rows)])))
    begin, n = np.repeat(first, size), np.repeat(size, size)
    rank = np.arange(len(rows)) - begin
    last = len(rows) - 1

    def other(place: Ints) -> Reals:
        """Value at this place among the others: its own is jumped over."""
        at = begin + np.maximum(place, 0)
        return value[np.minimum(np.where(np.maximum(place, 0) < rank, at, at + 1), last)]

    low, high = (n - 2) // 2, (n - 1) // 2
    median_of_others = np.where(n > 1, (other(low) + other(high)) / 2.0, 1.0)
    factor[rows] = np.clip(median_of_others, 0.0, 1.0)
    middle = (value[first + (size - 1) // 2] + value[first + size // 2]) / 2.0
    out = np.where(size >= OUTAGE_MIN, middle < OUTAGE_BELOW, value[first + size - 1] == 0.0)
    is_out[rows] = np.repeat(out, size)
    outages = {int(group[at]): float(share) for at, share, hit in zip(first, middle, out, strict=True) if hit}
    return factor, is_out, outages


def spread(sum_z2: float, n: int) -> float:
    """Give φ: how much wider than chance alone single days lie around the baselines, 1 or more.

    Parameters
    ----------
    sum_z2 : float
        Sum of squared deviations of the whole fleet over the last `PHI_DAYS` days.
    n : int
        How many transmitter-days that are.
    """
    return max(sum_z2 / n, 1.0) if n > 0 else 1.0


def add_up(compared: Compared, day: DayCounts, phi: float, day_number: int) -> Links:
    """Add a day's evidence to the scores.

    Parameters
    ----------
    compared : Compared
        From `compare` with the same day.
    day : DayCounts
        The day.
    phi : float
        From `spread`, this day included.
    day_number : int
        The day, as in `Links.fine_on`.

    Returns
    -------
    Links
        W = max(0, W + score / φ), the score being the logarithm of how much better the day fits odds divided by `ODDS`.

    Raises
    ------
    ValueError
        If φ is below 1 or no number.
    """
    if not phi >= 1.0:
        raise ValueError("Days lie at least as wide as chance alone has them: φ is 1 or more.")
    p0 = compared.p
    p1 = p0 / (p0 + ODDS * (1.0 - p0))
    heard = np.minimum(day.heard, day.expected)
    says = heard * np.log(p1 / p0) + (day.expected - heard) * np.log((1.0 - p1) / (1.0 - p0))
    step = np.where(compared.is_scored, np.minimum(says / phi, MOST_A_DAY), 0.0)
    score = np.clip(compared.learnt.score + step, 0.0, thresholds(day.per_day)[1] + WORST)
    fine_on = np.where((score <= 0.0) & compared.is_scored, day_number, compared.learnt.fine_on)
    # Before the first day that was fine there is none to name: the day before the first one judged stands for it.
    fine_on = np.where((fine_on == NO_DAY) & compared.is_scored, day_number - 1, fine_on)
    return Links(score, compared.learnt.heard, compared.learnt.expected, fine_on)


def grade(score: Reals, per_day: Reals, was_weak: Flags) -> tuple[Flags, Flags]:
    """Give which links are weak, and which very weak.

    Parameters
    ----------
    score : array of float
        After the day [nat].
    per_day : array of float
        Check-ins expected on a full day [count/day].
    was_weak : array of bool
        Called weak before: it stays so until the score has fallen to half the threshold.
    """
    amber, red = thresholds(per_day)
    return (score > amber) | (was_weak & (score > amber / 2.0)), score > red
