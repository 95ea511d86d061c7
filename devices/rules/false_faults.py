"""What a record of check-ins says of one window: faults expected though nothing is wrong, and what it leaves open. Pure.

Three things are uncertain, and each is bounded here. The share lost and the length of a run of losses are known from so many
runs only. Of check-ins closer than 15 minutes only the quarter hours with one are kept. And the record of faults may say that
the figures are wrong.

Limits: in a chain of good and bad spells every check-in that came is followed by a loss or not, and every lost one by an end
of the run or not, so that the likelihood is a product of two binomials (n runs among the received; n ends among the lost, run
lengths being geometric). Each has exact limits: C. J. Clopper, E. S. Pearson, Biometrika 26 (1934), from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.special import betaincinv, pdtr, pdtrc

from devices.rules.nuisance import by_chance, misses_in_window
from devices.rules.radio_record import (
    MOST_A_YEAR,
    QUARTER_S,
    YEAR_S,
    RadioRecord,
    Watched,
    faults_a_year,
    faults_in_row,
)

EACH_SIDE = 0.025
"""Chance of each limit to fail: two limits that must hold together then hold in 95 of 100 cases. Own choice."""
DENIED_BELOW = 0.05
"""So improbable a count of faults denies the figure. Own choice."""
DAYS_A_YEAR = 365.25


@dataclass(frozen=True, slots=True)
class FalseFaults:
    """Faults a year of a sound transmitter, by its record.

    Attributes
    ----------
    misses : int
        Check-ins lost in a row that make a fault [count].
    for_sure : float
        Expected number that the record is sure of [1/year].
    up_to : float or None
        Expected number if every doubtful gap was a fault [1/year]; None = the record cannot tell.
    at_most : float or None
        The same by the upper limits of what was measured [1/year]; None = the record cannot tell.
    by_quarter : bool
        Check-ins come more often than the record is kept.
    """

    misses: int
    for_sure: float
    up_to: float | None
    at_most: float | None
    by_quarter: bool = False


def upper_limit(hits: int, n: int) -> float:
    """Give the exact upper limit of a share (0 … 1) of which `hits` among n were seen; 1 where n is 0."""
    return 1.0 if hits >= n else float(betaincinv(hits + 1, n - hits, 1.0 - EACH_SIDE))


def run_limits(lost: int, runs: int) -> tuple[float, float]:
    """Give the exact limits of the mean length of a run of losses.

    Parameters
    ----------
    lost : int
        Check-ins lost in all runs together [count].
    runs : int
        Runs [count], each of geometric length.

    Returns
    -------
    tuple of float
        Lower and upper limit [check-ins], each failing with `EACH_SIDE`; 1 and infinity where no run is known. Nineteen
        losses in nineteen runs leave a mean of up to 1 / 0.025^(1/19) = 1.21 open.

    Raises
    ------
    ValueError
        If a run is without a loss, or a count is negative.
    """
    if not 0 <= runs <= lost:
        raise ValueError("Every run has at least one loss.")
    if not runs:
        return 1.0, math.inf
    least = float(betaincinv(runs, lost - runs + 1, EACH_SIDE))
    most = float(betaincinv(runs, lost - runs, 1.0 - EACH_SIDE)) if lost > runs else 1.0
    return 1.0 / most, 1.0 / least


def most_in_row(record: RadioRecord, misses: int) -> float:
    """Give the most new faults per check-in that the record leaves open, where so many lost in a row make one.

    Notes
    -----
    With a the chance that a loss follows a received check-in and q that a run ends, new faults per check-in are
    q a / (a + q) · (1 − q)^(m − 1). That grows with a, so its upper limit is taken; in q it has one top, at the root of
    (m − 1) q² + m a q − a = 0, which is taken if the limits of q leave it open, else the limit next to it. Never below what
    the upper limit of the share gives one by one, nor below the expected number.
    """
    runs = min(record.loss_runs, record.lost)
    shortest, longest = run_limits(record.lost, runs)
    # Where no run is on record although something was lost, every loss may have begun one, of any length.
    begin = upper_limit(runs or record.lost, max(record.expected - record.lost, 0))
    top = 1.0
    if misses > 1:
        top = (math.sqrt((misses * begin) ** 2 + 4.0 * begin * (misses - 1)) - misses * begin) / (2.0 * (misses - 1))
    end = min(max(top, 1.0 / longest), 1.0 / shortest)
    in_runs = end * begin / (begin + end) * (1.0 - end) ** (misses - 1)
    share = min(record.limits[1], misses / (misses + 1.0))
    return max(in_runs, by_chance(share, misses, 0).per_checkin, faults_in_row(record.share, record.burst, misses))


def false_faults(record: RadioRecord, window_s: int, interval_s: int) -> FalseFaults:
    """Read the record for one window.

    Parameters
    ----------
    record : RadioRecord
        With enough in it (`is_enough`).
    window_s, interval_s : int
        Supervision window and check-in interval [s].

    Returns
    -------
    FalseFaults
        Where check-ins come every 15 minutes or less often each has its own quarter hour and both readings are one.

    Notes
    -----
    Closer check-ins leave k empty quarter hours in a row for a gap of more than k and less than k + 2 quarter hours. A fault
    for sure is a run of ⌈window / 15 min⌉ of them. A fault leaves at least ⌊window / 15 min⌋ − 1, so runs of that many are
    the doubtful ones; for a window under 30 min that is none at all, and no upper reading can be had. The share of single
    check-ins lost does not help: that a quarter hour is empty tells it only if each is lost by itself, which is what is not
    known.
    """
    misses = misses_in_window(window_s, interval_s)
    for_sure = faults_a_year(record.share, record.burst, window_s, interval_s)
    if interval_s >= QUARTER_S:
        return FalseFaults(misses, for_sure, for_sure, most_in_row(record, misses) * YEAR_S / interval_s)
    doubtful = window_s // QUARTER_S - 1
    if doubtful < 1:
        return FalseFaults(misses, for_sure, None, None, by_quarter=True)
    per_year = YEAR_S / QUARTER_S
    up_to = faults_in_row(record.share, record.burst, doubtful) * per_year
    # Longer runs of quarter hours are among the shorter ones: rounding alone could turn the two readings round.
    return FalseFaults(
        misses, for_sure, max(up_to, for_sure), most_in_row(record, doubtful) * per_year, by_quarter=True
    )


def is_denied(a_year: float, record: RadioRecord, watched: Watched | None) -> bool:
    """Whether the record of faults denies an expected number.

    Parameters
    ----------
    a_year : float
        Expected number [1/year].
    record : RadioRecord
        Days that count are those of both records.
    watched : Watched or None
        Missing faults of this window or a shorter one; None = nobody has looked for silence, then nothing is denied.

    Returns
    -------
    bool
        So few faults as there were would have a chance below `DENIED_BELOW`, had they come at that rate (Poisson).
    """
    if watched is None:
        return False
    expected = a_year * min(watched.n_days, record.n_days) / DAYS_A_YEAR
    return bool(pdtr(watched.n_missing, expected) < DENIED_BELOW)


def is_exceeded(rates: FalseFaults, watched: Watched | None) -> bool:
    """Whether the record of faults holds more of them than the figures explain.

    Parameters
    ----------
    rates : FalseFaults
        Figures of the window in use; without an upper reading nothing can be exceeded.
    watched : Watched or None
        Missing faults of that window; None = nobody has looked for silence.

    Returns
    -------
    bool
        So many faults as there were, or more, would have a chance below `DENIED_BELOW` (Poisson): two and more at the
        expected rate, a single one even at the upper limit, since one may well have been true. Days without any check-in
        are left out of the figures, and so are their faults.
    """
    if watched is None or not watched.n_missing or rates.up_to is None or rates.at_most is None:
        return False
    a_year = rates.up_to if watched.n_missing > 1 else rates.at_most
    return bool(pdtrc(watched.n_missing - 1, a_year * watched.n_days / DAYS_A_YEAR) < DENIED_BELOW)


def cries_wolf(rates: FalseFaults) -> bool | None:
    """Whether more than one fault a year is expected without anything being wrong.

    Returns
    -------
    bool or None
        True only by what the record is sure of; False where even the upper reading is quiet; None = it cannot be told. Whether
        the record of faults denies it is another question (`is_denied`).
    """
    if rates.for_sure > MOST_A_YEAR:
        return True
    if rates.up_to is not None and rates.up_to <= MOST_A_YEAR:
        return False
    return None
