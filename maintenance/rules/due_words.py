"""Plain sentences for due dates: numbers rounded to what is known, no claim beyond the evidence."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date, timedelta

EPOCH = date(2000, 1, 1)
MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
SMALL = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
DUTY = {0: "life-safety", 1: "security", 2: "convenience"}
UNIT = {0: "the whole unit", 1: "a standby battery of this kind", 2: "the whole unit"}
DAYS_PER_YEAR = 365.25
DAYS_PER_MONTH = DAYS_PER_YEAR / 12


def day_words(on: date) -> str:
    """Write a date in full, such as "23 March 2027"."""
    return f"{on.day} {MONTHS[on.month - 1]} {on.year}"


def span_words(n_days: float) -> str:
    """Write a span of days as people say it: "7 days", "18 months", "3 years"."""
    if n_days < 0 or not math.isfinite(n_days):
        return "an unknown time"
    years, months = n_days / DAYS_PER_YEAR, n_days / DAYS_PER_MONTH
    if round(years) >= 1 and abs(years - round(years)) < 0.02:
        return _counted(round(years), "year")
    if years >= 5:
        return f"about {_counted(round(years), 'year')}"
    if months >= 3 and abs(months - round(months)) < 0.1:
        return _counted(round(months), "month")
    if n_days > 120:
        return f"about {_counted(round(months), 'month')}"
    return _counted(round(n_days), "day")


def days_are(n_days: float) -> str:
    """Write a span with the verb that goes with it: "7 days are", "1 day is"."""
    span = span_words(n_days)
    return f"{span} {'are' if span.endswith('s') else 'is'}"


def share_words(share: float) -> str:
    """Write a share as a whole per cent, "under 1 %" below half a per cent."""
    if not math.isfinite(share):
        return "an unknown part"
    if not 0 <= share < 10:
        return "more than 999 %" if share > 0 else "an unknown part"
    return "under 1 %" if 0 < share < 0.005 else f"{round(share * 100)} %"


def odds_words(q: float) -> str:
    """Write a probability as a count: 0.01 → "one in a hundred", 0.015 → "1.5 in a hundred", 0.12 → "12 in a hundred".

    Below ten one decimal is shown, so that two limits of a firm never get the same words; from ten on, only exact halves.
    """
    if not (math.isfinite(q) and 0 < q < 1):
        return "an unknown share"
    if q < 0.00095:
        return "fewer than one in a thousand"
    return f"{_count_words(q * 1000)} in a thousand" if q < 0.00995 else f"{_count_words(q * 100)} in a hundred"


def _count_words(n: float) -> str:
    """Write a count of 0.95 or more: "one", "1.5", "ten", "12", "12.5"."""
    is_half = abs(2 * n - round(2 * n)) < 1e-6
    shown = round(n, 1) if n < len(SMALL) - 1 or is_half else float(round(n))
    if shown != int(shown):
        return f"{shown:.1f}"
    return SMALL[int(shown)] if shown < len(SMALL) else f"{shown:.0f}"


def used_words(share: float) -> str:
    """Write a share [0 … 1] of a charge as used: "nothing of its charge yet", "about 12 % of its charge"."""
    said = share_words(share)
    if said == "0 %":
        return "nothing of its charge yet"
    return f"{'' if said.startswith('under') else 'about '}{said} of its charge"


def words_of(row: Mapping[str, float], flags: tuple[str, ...]) -> dict[str, str]:
    """Give what the rules' sentences are filled with, less what hangs on a date.

    Parameters
    ----------
    row : mapping
        Columns of `FittingFacts` for one fitting.
    flags : tuple of str
        Flags of the fitting, such as "prior_only".
    """
    has_made = row["made_day"] >= 0
    allowed = row["unknown_age_days"] if row["unknown_age_days"] >= 0 else row["cap_days"]
    return {
        "low_on": _day(row["first_low_day"]),
        "entered_on": _day(row["entered_day"]),
        "grace": days_are(row["grace_days"]),
        "cap": span_words(row["cap_days"]),
        "unknown_age": span_words(allowed),
        "shelf_life": span_words(row["shelf_life_days"]),
        "unit_life": span_words(row["unit_life_days"]),
        "made_or_fitted": "from the day it was made"
        if has_made
        else "from the day it was fitted (its date of making is not known)",
        "unit": UNIT.get(int(row["kind"]), "the whole unit"),
        "duty": DUTY.get(int(row["duty"]), "life-safety"),
        "u_limit": share_words(row["u_limit"]),
        "odds": _odds(row["planning_probability"], flags),
        "lot_share": share_words(row["lot_factor"]),
        "u_lot": share_words(row["u_limit"] * row["lot_factor"]),
        "odds_of_lot": f"about {_odds_of_lot(row['planning_probability'])}",
    }


def filled(template: str, words: Mapping[str, str], due_on: date, today: date) -> str:
    """Fill a rule's sentence: `template` has the names of `words_of` in braces, {change_by} and {is_was}."""
    change_by = f"{'Change by' if due_on >= today else 'It was due on'} {day_words(due_on)}"
    return template.format_map({**words, "change_by": change_by, "is_was": "is" if due_on >= today else "was"})


def _odds_of_lot(q: float) -> str:
    """Say who of a bad lot has failed at its limit."""
    odds = odds_words(q)
    return f"{odds} cells of such a lot {'has' if 'one in' in odds else 'have'} failed"


def _odds(q: float, flags: tuple[str, ...]) -> str:
    """Say who has failed at the limit, and how far that is known."""
    odds = odds_words(q)
    verb = "has" if "one in" in odds else "have"
    if "prior_only" in flags:
        return f"by the catalogue alone about {odds} of its kind {verb} failed"
    return f"{odds} batteries of its kind {verb} failed"


def no_estimate(row: Mapping[str, float]) -> str:
    """Say why no date can be given and what is missing."""
    missing = []
    if row["fitted_day"] < 0:
        missing.append("when it was fitted")
        if row["entered_day"] < 0:
            missing.append("since when we have records of it")
    if row["kind"] != 0:
        pass
    elif not row["capacity_mah"] > 0:
        missing.append("what cells are in it")
    elif not (row["sleep_ua"] >= 0 and row["checkin_uas"] >= 0):
        missing.append("what its transmitter draws")
    if not missing:
        return "No date can be given: the figures of its type do not give one. Please check the type in the catalogue."
    return f"No date can be given: it is not known {' and '.join(missing)}."


def notes(row: Mapping[str, float], flags: tuple[str, ...]) -> tuple[str, ...]:
    """List what a reader should know about the figure: what it rests on, and what was assumed."""
    texts = {
        "prior_only": _rests_on(int(row["n_ends"])),
        "fallback_rate": "Its activations were not counted: the usual number of its kind is assumed.",
        "limit_not_reachable": "The risk that the firm allows cannot be met by changing earlier: failures of this kind come "
        "regardless of use. Closer supervision or another battery would help; more visits would not.",
        "unknown_age": "The day of fitting is not known, so the charge used cannot be worked out.",
        "fitted_later": "The day of fitting lies in the future. Please check it.",
    }
    return tuple(texts[flag] for flag in flags)


def _rests_on(n_ends: int) -> str:
    if n_ends <= 0:
        return "No battery of this kind has been followed to its end yet: the limit rests on the catalogue only."
    followed = "one battery" if n_ends == 1 else f"{SMALL[min(n_ends, 10)]} batteries"
    return f"Only {followed} of this kind have been followed to the end yet: the limit rests mainly on the catalogue."


def _day(day: float) -> str:
    return day_words(EPOCH + timedelta(days=int(day))) if day >= 0 else "an unknown day"


def _counted(n: int, noun: str) -> str:
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"
