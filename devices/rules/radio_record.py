"""What a slot's own record of check-ins says: the share lost with its limits, and faults a year that nothing explains. Pure.

The share lost comes with its Wilson interval (E. B. Wilson, J. Am. Stat. Assoc. 22 (1927), from memory). Faults that would start
without anything being wrong are worked out by exact formulas (`nuisance.py`): in bursts where the record tells how long losses
last, and never below what the same share lost one by one gives. What the record leaves open is in `false_faults.py`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

from devices.rules.nuisance import Gilbert, by_chance, in_bursts, misses_in_window
from devices.rules.words import count_words, day_words

Z95 = 1.96
"""Of the two-sided 95 % interval."""
YEAR_S = 365.25 * 86_400
QUARTER_S = 900
"""Check-ins that come more often are counted by the quarter hour [s]."""
RECORD_DAYS, LONG_RECORD_DAYS = 90, 365
"""Days looked at; the longer span where the shorter holds too little."""
MIN_DAYS, MIN_EXPECTED = 14, 100
"""With a shorter record or fewer check-ins expected nothing is said. Own choice."""
WHOLE_DAY_FROM = 4
"""A day without any of so many expected check-ins is no chance loss but a silence of its own: it is left out. Own choice."""
MOST_A_YEAR = 1.0
"""More faults a year without anything being wrong, and people learn to ignore them (product decision)."""


def wilson(hits: int, n: int, z: float = Z95) -> tuple[float, float]:
    """Give the Wilson interval of a share.

    Parameters
    ----------
    hits, n : int
        Hits among n trials [count].
    z : float
        Standard deviations to each side [1]; 1.96 gives 95 %.

    Returns
    -------
    tuple of float
        Lower and upper limit (0 … 1).

    Raises
    ------
    ValueError
        If n is not above 0, or hits are not among them.
    """
    if n <= 0 or not 0 <= hits <= n:
        raise ValueError("Give 0 to n hits among at least one trial.")
    p, spread = hits / n, z * z / n
    centre = (p + spread / 2.0) / (1.0 + spread)
    half = z * math.sqrt(p * (1.0 - p) / n + spread / (4.0 * n)) / (1.0 + spread)
    # At the ends the two terms are equal but for rounding.
    return (max(centre - half, 0.0) if hits else 0.0), (min(centre + half, 1.0) if hits < n else 1.0)


@dataclass(frozen=True, slots=True)
class RadioRecord:
    """What came of a transmitter's check-ins at its present receiver.

    Attributes
    ----------
    n_days : int
        Days that count [count].
    expected, heard : int
        Check-ins, or quarter hours with one where they come more often than every 15 minutes [count].
    loss_runs : int
        Runs of lost ones [count].
    since_on : date or None
        First day that counts.
    n_left_out : int
        Days left out: outages of the receiver, and days without any check-in [count].
    """

    n_days: int = 0
    expected: int = 0
    heard: int = 0
    loss_runs: int = 0
    since_on: date | None = None
    n_left_out: int = 0

    @property
    def lost(self) -> int:
        """Check-ins that did not come [count]."""
        return max(self.expected - self.heard, 0)

    @property
    def is_enough(self) -> bool:
        """Whether anything may be said from it."""
        return self.n_days >= MIN_DAYS and self.expected >= MIN_EXPECTED

    @property
    def share(self) -> float:
        """Share lost (0 … 1)."""
        return self.lost / self.expected if self.expected else 0.0

    @property
    def limits(self) -> tuple[float, float]:
        """Wilson interval of the share lost (0 … 1)."""
        return wilson(self.lost, self.expected) if self.expected else (0.0, 1.0)

    @property
    def burst(self) -> float | None:
        """Mean length of a run of losses [check-ins, 1 or more]; None where no run is on record."""
        return max(self.lost / self.loss_runs, 1.0) if self.loss_runs and self.lost else None


@dataclass(frozen=True, slots=True)
class Watched:
    """What the record of faults says of a window, over days on which silence was looked for.

    Attributes
    ----------
    n_missing : int
        Missing faults that began in them [count].
    since_on : date
        First of these days: with this window, at this receiver.
    n_days : int
        How many days that is [count].
    is_whole : bool
        It is the whole span looked at; else the window is younger than that.
    """

    n_missing: int
    since_on: date
    n_days: int
    is_whole: bool = False

    @property
    def a_year(self) -> float:
        """Missing faults at this pace [1/year]."""
        return self.n_missing * YEAR_S / 86_400 / self.n_days if self.n_days else 0.0

    def words(self, today: date) -> str:
        """Say it: "no missing fault in the last 90 days", "2 missing faults since 12 September"."""
        what = count_words(self.n_missing, "missing fault") if self.n_missing else "no missing fault"
        return f"{what} {f'in the last {self.n_days} days' if self.is_whole else f'since {day_words(self.since_on, today=today)}'}"


def faults_in_row(share: float, burst: float | None, misses: int) -> float:
    """Give the new faults per check-in where so many lost in a row make one.

    Parameters
    ----------
    share : float
        Share of check-ins lost (0 … 1).
    burst : float or None
        Mean length of a run of losses [check-ins]; None: each lost by itself.
    misses : int
        Check-ins lost in a row that make a fault [1 …].

    Returns
    -------
    float
        The formula for bursts (`nuisance.in_bursts`), but never less than the same share lost one by one gives
        (`nuisance.by_chance`): a few losses that all happened to be single do not show that two can never meet, though a
        mean run of 1.0 says so. Own choice. Where fades are much longer than the window, bursts make fewer but longer
        faults than chance would, and the larger figure stands here too.
    """
    alone = by_chance(share, misses, 0).per_checkin
    if burst is None or share <= 0.0:
        return alone
    # Losses fill at most the share that their length leaves: between two runs one check-in has come.
    most = 0.999 * burst / (burst + 1.0)
    return max(in_bursts(Gilbert(min(share, most), burst), misses, 0).per_checkin, alone)


def faults_a_year(share: float, burst: float | None, window_s: int, interval_s: int) -> float:
    """Give the faults a year that would start without anything being wrong.

    Parameters
    ----------
    share : float
        Share of check-ins lost (0 … 1), or of quarter hours without any where they come more often than that.
    burst : float or None
        Mean length of a run of losses [the same]; None: each lost by itself.
    window_s, interval_s : int
        Supervision window and check-in interval [s].

    Returns
    -------
    float
        Expected number [1/year], by `faults_in_row`; of check-ins closer than a quarter hour only the faults that the record
        is sure of, see `false_faults.py`.
    """
    if interval_s >= QUARTER_S:
        return faults_in_row(share, burst, misses_in_window(window_s, interval_s)) * YEAR_S / interval_s
    return faults_in_row(share, burst, math.ceil(window_s / QUARTER_S)) * YEAR_S / QUARTER_S


def rate_words(a_year: float) -> str:
    """Say an expected number [1/year]: "about 3 a year", "about one in 40 years"."""
    if a_year >= 9.5:
        return f"about {_round(a_year):,} a year"
    if a_year >= 1.5:
        return f"about {round(a_year)} a year"
    if a_year > 1.05:
        return "a little over one a year"
    if a_year >= 0.67:
        return "about one a year"
    if a_year < 1e-3:
        return "less than one in 1,000 years"
    years = 1.0 / a_year
    return f"about one in {_round(years) if years >= 9.5 else round(years):,} years"


def _round(number: float) -> int:
    """Two digits are all that such an estimate carries."""
    size = 10 ** max(math.floor(math.log10(number)) - 1, 0)
    return round(number / size) * size
