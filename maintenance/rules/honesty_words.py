"""Predicted against happened in plain words: groups with the range that chance explains, and sentences that claim no more than that."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from scipy.special import gammaincinv

from maintenance.rules.battery.honesty import share_interval
from maintenance.rules.battery.lots import MIN_EXPECTED, interval_of_ratio
from maintenance.rules.due_words import SMALL, day_words

LEVEL = 0.95
"""Level of every range on the page: it misses the truth once in twenty."""
FEW = 5
"""Neither so many ends expected nor so many happened: nothing is said, unless even so few are out of all proportion."""
WORTH_A_WORD = 0.75
"""Rows that chance puts outside, below which no warning is given."""
MIN_FINISHED = 20
"""Batteries out of service below which their share of deaths is not held against the firm's limit."""

NOTHING = 1e-6
"""Fewer expected ends than this are none: no ratio is formed of them."""

READINGS = {
    "as": "as expected",
    "more": "more than expected",
    "fewer": "fewer than expected",
    "few": "too few to judge",
}
RANGE_WORDS = (
    "The range holds the true figure 19 times in 20, as far as chance goes. Where it includes 1.00, chance alone can "
    "explain the difference; it does not show that there is none."
)
ENDED = "run low or die before they were changed"


@dataclass(frozen=True, slots=True)
class Group:
    """Batteries that are judged together.

    Parameters
    ----------
    label : str
        What they have in common.
    expected : float
        Ends by wear that were predicted.
    happened : int
        Ends by wear that happened.
    low, high : float
        Range of happened ÷ expected that fits the count [1].
    reading : str
        Key of `READINGS`.
    note : str
        Second line under the label.
    pk : int, optional
        Record that the label leads to.
    n_batteries : int
        Batteries in service in it.
    z : float, optional
        How far its ends on record lie from what today's model makes of them [standard deviations].
    """

    label: str
    expected: float
    happened: int
    low: float
    high: float
    reading: str
    note: str = ""
    pk: int | None = None
    n_batteries: int = 0
    z: float | None = None

    @property
    def ratio(self) -> float | None:
        """Happened ÷ expected; None where nothing was expected."""
        return self.happened / self.expected if self.expected > 0 else None

    @property
    def words(self) -> str:
        """The reading in words."""
        return READINGS[self.reading]

    @property
    def expected_words(self) -> str:
        """Expected ends, rounded to what is known."""
        return count_words(self.expected)

    @property
    def ratio_words(self) -> str:
        """Happened ÷ expected with its range, such as "0.93 (0.66 to 1.27)"; empty where there is too little to divide."""
        if self.ratio is None or (self.reading == "few" and self.expected < 1):
            return ""
        places = _places(self.ratio, self.low, self.high)
        ratio, low, high = (_factor(value, places) for value in (self.ratio, self.low, self.high))
        return f"{ratio} ({low} to {high})"

    @property
    def off(self) -> float:
        """How far the ends lie from those expected, (O − E) / √max(E, ½) [standard deviations]."""
        return (self.happened - self.expected) / math.sqrt(max(self.expected, MIN_EXPECTED))


def group(
    label: str, expected: float, happened: int, *, note: str = "", pk: int | None = None, n_batteries: int = 0
) -> Group:
    """Judge one group of batteries by its ends [counts]: see `Group`."""
    if not expected > NOTHING:
        return Group(label, 0.0, happened, 0.0, math.inf, "few", note, pk, n_batteries)
    ends = interval_of_ratio(np.array([float(happened)]), np.array([expected]), LEVEL)
    low, high = (float(np.ravel(end)[0]) for end in ends)
    if low > 1.0 and happened > 1:
        reading = "more"
    elif high < 1.0:
        reading = "fewer"
    else:
        reading = "few" if max(expected, happened) < FEW else "as"
    return Group(label, expected, happened, low, high, reading, note, pk, n_batteries)


def headline(since: date, whole: Group, latest: Group | None = None) -> str:
    """Say in a sentence or two whether the predictions have held.

    Parameters
    ----------
    since : date
        First day of the half-years that are judged.
    whole : Group
        All batteries in them.
    latest : Group, optional
        The latest half-year by itself, told where chance does not explain it; None where it is the only one.
    """
    begin = f"Since {day_words(since)}"
    if whole.reading == "few":
        return (
            f"{begin} we expected {whole.expected_words} {_noun(whole.expected)} to {ENDED}; {_did(whole.happened)}. "
            f"Those are too few to judge our dates by.{_alone(latest)}"
        )
    meaning = {
        "as": "That is within what chance explains.",
        "more": "That is more than chance explains: cells have been ending earlier than our dates assume.",
        "fewer": "That is fewer than chance explains: cells have lasted longer than our dates assume.",
    }[whole.reading]
    return f"{begin} we expected {whole.expected_words} {_noun(whole.expected)} to {ENDED}; {_did(whole.happened)}. {meaning}{_alone(latest)}"


def _alone(latest: Group | None) -> str:
    """Sentence on the latest half-year; empty where chance explains it."""
    if latest is None or latest.reading not in ("more", "fewer"):
        return ""
    return (
        f" In the latest half-year alone ({latest.label}) it was {latest.happened} where {latest.expected_words} "
        f"{'was' if latest.expected_words == '1.0' else 'were'} expected: {'more' if latest.reading == 'more' else 'fewer'} "
        "than chance explains."
    )


def by_chance_words(groups: Sequence[Group]) -> str:
    """Say how many groups stand outside by chance alone, where there are enough of them for that to happen."""
    judged = sum(1 for each in groups if each.reading != "few")
    by_chance = judged * (1 - LEVEL)
    if by_chance < WORTH_A_WORD:
        return ""
    n = round(by_chance)
    verb = "stands" if n == 1 else "stand"
    return f"Of the {judged} that can be judged, about {SMALL[n] if n < len(SMALL) else n} {verb} outside 1.0 by chance alone."


@dataclass(frozen=True, slots=True)
class AgainstLimit:
    """Share of finished batteries that died unannounced in one duty, against what the firm allows."""

    duty: str
    n_finished: int
    n_dead: int
    low: float
    high: float
    limit: float

    @property
    def share(self) -> float | None:
        """Share found dead; None where none has finished."""
        return self.n_dead / self.n_finished if self.n_finished else None

    @property
    def share_words(self) -> str:
        """The share in words; empty where none has finished."""
        return "" if self.share is None else percent_words(self.share)

    @property
    def range_words(self) -> str:
        """The range in words; empty where none has finished."""
        return f"{percent_words(self.low)} to {percent_words(self.high)}" if self.n_finished else ""

    @property
    def reading(self) -> str:
        """Code: few, above, below, around."""
        if self.n_finished < MIN_FINISHED:
            return "few"
        if self.low > self.limit:
            return "above"
        return "below" if self.high < self.limit else "around"

    @property
    def words(self) -> str:
        """The reading in words."""
        if self.reading == "around":
            side = "over it" if (self.share or 0.0) > self.limit else "under it"
            return f"{side}, but so near that chance may explain it"
        return {"few": READINGS["few"], "above": "above the limit", "below": "below the limit"}[self.reading]


def share_range(n: int, out_of: int) -> tuple[float, float]:
    """Bound a share from a count at `LEVEL` [0 … 1]; (0, 1) where nothing was counted."""
    low, high = share_interval(n, out_of, LEVEL)
    return float(low), float(high)


def chance_spread(n: int) -> tuple[float, float]:
    """Give the range [1] of the root mean square of n independent standard normal values: chi-square quantiles over n."""
    tail = 0.5 * (1.0 - LEVEL)
    low, high = (math.sqrt(2.0 * float(gammaincinv(0.5 * n, q)) / n) for q in (tail, 1.0 - tail))
    return low, high


def count_words(n: float) -> str:
    """Write an expected count: whole from ten, one place below, "under 0.1" where it rounds to nothing."""
    if not math.isfinite(n):
        return "an unknown number of"
    if n >= 9.95 or n == 0:
        return f"{n:.0f}"
    if 0 < n < 0.05:
        return "under 0.1"
    return f"{n:.1f}"


def percent_words(share: float) -> str:
    """Write a share that may be small: whole per cent from ten, one place below, "under 0.1 %" where it rounds to nothing."""
    percent = 100.0 * share
    if 0 < percent < 0.05:
        return "under 0.1 %"
    return f"{percent:.0f} %" if percent >= 9.95 or percent == 0 else f"{percent:.1f} %"


def _noun(n: float) -> str:
    return "battery" if count_words(n) == "1.0" else "batteries"


def _did(n: int) -> str:
    return "none did" if n == 0 else f"{n} did"


MOST_PLACES = 5


def _places(ratio: float, low: float, high: float) -> int:
    """Digits after the point: two near 1, and so many that rounding does not hide on which side of 1 the range lies."""
    places = 2 if any(0.5 <= value < 2.0 for value in (ratio, low, high)) else 1
    while places < MOST_PLACES and any(end != 1.0 and round(end, places) == 1.0 for end in (low, high)):
        places += 1
    return places


def _factor(value: float, places: int) -> str:
    if not math.isfinite(value) or value >= 99.5:
        return "more than 99"
    if places > 1:
        return f"{value:.0f}" if value >= 9.95 else f"{value:.{places}f}"
    return f"{value:.0f}" if value >= 9.95 else f"{value:.1f}" if value >= 0.095 or value == 0 else f"{value:.2f}"
