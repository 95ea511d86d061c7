"""What is known of a lot in plain words: how many ended against how many were expected, and how sure that makes us."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from maintenance.rules.battery.lots import MIN_OBSERVED, interval_of_ratio
from maintenance.rules.wear import half_year_of

LEVEL = 0.9
"""Chance that the interval shown holds the true ratio. Decided for this product."""
AS_LONG = 0.95
"""A life nearer to its kind's than this is called as long."""
FRACTIONS = ((0.25, "a quarter"), (1 / 3, "a third"), (0.4, "two fifths"), (0.5, "half"), (0.6, "three fifths"), (2 / 3, "two thirds"),
             (0.75, "three quarters"), (0.85, "five sixths"))  # fmt: skip
"""Shares that people say; the nearest one is taken."""


def life_words(factor: float) -> str:
    """Say how long a lot lasts: "lasts about half as long as its kind".

    Parameters
    ----------
    factor : float
        Life of the lot as a share of its kind's (0 … 1].
    """
    if not factor < AS_LONG:
        return "lasts as long as its kind"
    _, words = min(FRACTIONS, key=lambda pair: abs(pair[0] - factor))
    return f"lasts about {words} as long as its kind"


def expected_words(expected: float) -> str:
    """Write a number of ends that were expected (a count), with one digit below ten: "0.4", "12", "fewer than 0.1"."""
    if not math.isfinite(expected):
        return "an unknown number"
    if expected < 0.05:
        return "fewer than 0.1" if expected > 0 else "0"
    return f"{expected:.1f}".removesuffix(".0") if expected < 9.95 else f"{expected:.0f}"


def chance_words(chance: float) -> str:
    """Write a chance as people say it: "about 2 in 100", "about 3 in 1,000", "less than 1 in 1,000"; a probability."""
    if chance >= 0.095:
        return f"about {min(99, round(100 * chance))} in 100"
    if chance >= 0.0095:
        return f"about {round(100 * chance)} in 100"
    if chance >= 0.00095:
        return f"about {round(1000 * chance)} in 1,000"
    return "less than 1 in 1,000"


def ratio_words(observed: int, expected: float) -> str:
    """Say between which factors the true number lies against the expected one; empty where that says nothing.

    Parameters
    ----------
    observed : int
        Ends seen, a count.
    expected : float
        Ends expected, a count.
    """
    if observed == 0 or not expected > 0:
        return ""
    low, high = (float(bound) for bound in interval_of_ratio(observed, expected, LEVEL))
    return f"{_times(low)} to {_times(high)} times as many"


def _times(value: float) -> str:
    return f"{value:.0f}" if value >= 9.95 else f"{value:.1f}".removesuffix(".0")


@dataclass(frozen=True, slots=True)
class LotCount:
    """Numbers of one lot within a kind. `chance_normal`: chance that nothing is wrong with it."""

    observed: int
    expected: float
    factor: float
    chance_normal: float
    is_suspect: bool


def verdict(lot: LotCount) -> str:
    """Say how sure we are: "3 ended where 0.4 were expected; the chance that it is an ordinary lot is about 2 in 100."""
    seen = f"{lot.observed or 'None'} ended where {expected_words(lot.expected)} {'was' if expected_words(lot.expected) == '1' else 'were'} expected"
    if lot.is_suspect:
        return f"{seen}; the chance that it is an ordinary lot is {chance_words(lot.chance_normal)}. It {life_words(lot.factor)}."
    if lot.observed == 1 and lot.chance_normal < 0.5:
        return f"{seen}. One early end alone is not taken for a bad lot; a second one would be."
    if lot.chance_normal < 0.8:
        return f"{seen}; the chance that it is an ordinary lot is {chance_words(lot.chance_normal)}. That is not enough to suspect it."
    return f"{seen}. Nothing points to a bad lot."


def kinds_words(kinds: Sequence[tuple[str, LotCount]]) -> str:
    """Say why one delivery is suspect in some kinds of transmitters and not in others, and what is done; else empty.

    Parameters
    ----------
    kinds : sequence of (str, LotCount)
        Name of each kind of transmitter with the numbers of the lot in it. Names may repeat.
    """
    bad = list(dict.fromkeys(name for name, lot in kinds if lot.is_suspect))
    rest = [(name, lot) for name, lot in kinds if not lot.is_suspect]
    if not bad or not rest:
        return ""
    few = list(dict.fromkeys(name for name, lot in rest if lot.observed < MIN_OBSERVED))
    others = list(dict.fromkeys(name for name, _ in rest))
    why = "The same delivery can behave differently in different transmitters"
    if few:
        why += f", and too few have ended in {_listed(few)} to tell"
    done = f"due dates in {_listed(bad)} are brought forward, those in {_listed(others)} not yet"
    return f"{why}. For now {done}. A recall covers all of them."


def _listed(names: Sequence[str]) -> str:
    *most, last = names
    return f"{', '.join(most)} and {last}" if most else last


def standing_words(lot: LotCount) -> str:
    """Say in a table how a lot stands: its life where it is suspect, else whether the counts say anything yet."""
    if lot.is_suspect:
        return life_words(lot.factor)
    if lot.observed == 0:
        return "in order"
    low = float(interval_of_ratio(lot.observed, lot.expected, LEVEL)[0]) if lot.expected > 0 else math.inf
    if low <= 1.0:
        return "in order"
    return "one early end, too little to say" if lot.observed == 1 else "more than expected, too little to suspect it"


def half_year_words(code: str) -> str:
    """Say a half-year such as "2025-H2": "fitted July to December 2025"; the code itself where it is none."""
    number = half_year_of(code)
    if number < 0:
        return code
    year, half = divmod(number, 2)
    return f"fitted {'July to December' if half else 'January to June'} {year}"


def half_year_days(code: str) -> tuple[date, date] | None:
    """Give the first and the last day of a half-year, or None where the code is none."""
    number = half_year_of(code)
    if number < 0 or number // 2 < 1:
        return None
    year, half = divmod(number, 2)
    return (date(year, 7, 1), date(year, 12, 31)) if half else (date(year, 1, 1), date(year, 6, 30))


def lot_name(code: str, *, is_half_year: bool) -> str:
    """Name a lot on a page: "lot 24A17", or "no lot noted, fitted July to December 2025"."""
    return f"no lot noted, {half_year_words(code)}" if is_half_year else f"lot {code}"
