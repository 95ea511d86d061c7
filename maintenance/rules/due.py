"""Due dates: each rule has an opinion, the earliest wins, all are kept. Columns in, columns out; one fitting is one row.

Days are whole days since 1 January 2000 (`EPOCH`); a negative day means "not known". To add a rule, write one function and
enter it in `RULES`; rules know nothing of one another. A date is anchored at the fitting of the battery, never at today:
a battery that is left in place becomes due and stays due.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np

from maintenance.rules import due_words
from maintenance.rules.battery.exposure import (
    DAYS_PER_YEAR,
    activations_per_day,
    exposure,
    mean_current_ua,
    self_discharge_per_day,
    usable_charge_mah,
)
from maintenance.rules.due_facts import EPOCH, FAR_DAY, DayArray, FittingFacts, FloatArray, to_date, to_day

NO_ESTIMATE = "no_estimate"

PRIOR_ONLY, FALLBACK_RATE, LIMIT_NOT_REACHABLE, UNKNOWN_AGE, FITTED_LATER = 1, 2, 4, 8, 16
FLAGS = {
    PRIOR_ONLY: "prior_only",
    FALLBACK_RATE: "fallback_rate",
    LIMIT_NOT_REACHABLE: "limit_not_reachable",
    UNKNOWN_AGE: "unknown_age",
    FITTED_LATER: "fitted_later",
}
MIN_ENDS = 3
"""Ended lives below which a limit rests on the catalogue only (the project's battery model, section 6)."""
EARLIER_BY_DAYS, LATER_BY_DAYS = 7, 30
"""A published date moves only by more than this, so that a nightly refit does not make plans flicker (section 6)."""


@dataclass(frozen=True, slots=True)
class Worked:
    """Facts with what follows from them today: exposure, forecast rate [1/day], and the day the limit is crossed; the
    same for the limit of a lot with short lives.
    """

    facts: FittingFacts
    today_day: int
    u: FloatArray
    rate_per_day: FloatArray
    crossing_day: DayArray
    lot_crossing_day: DayArray


def work_out(facts: FittingFacts, today_day: int) -> Worked:
    """Work out exposure, rate and the crossing of the limit for each row.

    Parameters
    ----------
    facts : FittingFacts
        Columns; whatever is unknown, negative or not finite leaves NaN and no crossing.
    today_day : int
        Today [days since 2000-01-01].

    Notes
    -----
    Before the limit: today + (limit − u) / rate. After it, the day is found backwards at the rate that *was*, so that a
    quieter future cannot move a date that has passed. Source: the project's battery model, sections 1 (row 1), 2 and 6.
    """
    f = facts
    start = np.where(f.since_day >= 0, f.since_day, f.fitted_day)
    days = np.clip(today_day - start, 0, None).astype(np.float64)
    counted_days = np.minimum(np.clip(np.nan_to_num(f.measured_days), 0.0, None), days)
    counted = np.where(counted_days > 0, np.clip(np.nan_to_num(f.measured_activations), 0.0, None), 0.0)
    # Hostile numbers are meant to run into NaN or infinity here: they end as "no opinion" below.
    with np.errstate(all="ignore"):
        per_day = activations_per_day(counted, counted_days, _positive(f.typical_activations_per_day))
        base_ua = mean_current_ua(_positive(f.sleep_ua), _positive(f.checkin_uas), f.interval_s)
        charge = {
            "base_ua": base_ua * _positive(f.sleep_multiplier),
            "activation_uah": _positive(f.activation_uah),
            "usable_mah": usable_charge_mah(f.capacity_mah, f.usable_share, f.temperature_share),
            "self_discharge": self_discharge_per_day(_positive(f.self_discharge_per_year), f.temperature_c),
        }
        gained = exposure(days, counted + per_day * (days - counted_days), **charge)
        rate = exposure(1.0, per_day, **charge)
        u = np.where(f.fitted_day >= 0, _positive(f.u_before) + gained, np.nan)
        since = _Since(start.astype(np.float64), days, gained, u, rate)
        is_bad = (f.lot_factor > 0) & (f.lot_factor < 1)
        crossing = _crossing(f, since, f.u_limit, today_day)
        of_lot = _crossing(f, since, np.where(is_bad, f.u_limit * f.lot_factor, np.nan), today_day)
    return Worked(f, today_day, u, rate, crossing, of_lot)


@dataclass(frozen=True, slots=True)
class _Since:
    """The present settings: first day, days since, exposure gained since, exposure now, rate [1/day]."""

    start: FloatArray
    days: FloatArray
    gained: FloatArray
    u: FloatArray
    rate: FloatArray


def _crossing(f: FittingFacts, since: _Since, limit: FloatArray, today_day: int) -> DayArray:
    """Give the day on which an exposure limit is crossed, `FAR_DAY` where that cannot be said."""
    u, rate, start = since.u, since.rate, since.start
    left = (limit - u) / rate
    gone = np.where(since.days > 0, (limit - f.u_before) * since.days / since.gained, 0.0)
    earlier = (start - f.fitted_day) * limit / f.u_before
    crossing = np.select(
        [u < limit, f.u_before < limit],
        [np.maximum(today_day, start) + left, np.minimum(start + gone, today_day)],
        f.fitted_day + earlier,
    )
    crossing[~(np.isfinite(u) & (rate > 0) & (limit > 0) & np.isfinite(limit))] = np.nan
    return _whole_day(crossing)


def _positive(column: FloatArray) -> FloatArray:
    """Turn negative and infinite values into NaN, which every later step reads as "not known"."""
    return np.where(np.isfinite(column) & (column >= 0), column, np.nan)


def _whole_day(day: FloatArray) -> DayArray:
    """Round down to a day, NaN and beyond to `FAR_DAY`; the small addend keeps exact sums from slipping a day."""
    return np.clip(np.floor(np.nan_to_num(day, nan=FAR_DAY, posinf=FAR_DAY, neginf=0.0) + 1e-6), 0, FAR_DAY).astype(
        np.int64
    )


def _after(start_day: DayArray, n_days: DayArray) -> DayArray:
    """Add days to a day; no opinion where either is unknown."""
    return np.where((start_day >= 0) & (n_days >= 0), np.minimum(start_day + n_days, FAR_DAY), FAR_DAY)


def _after_years(start_day: DayArray, n_days: DayArray) -> DayArray:
    """Add a life stated in years: whole ones end on the same day of the year (29 February: 1 March), as people count them."""
    plain = _after(start_day, n_days)
    years = np.rint(n_days / DAYS_PER_YEAR).astype(np.int64)
    is_whole = (plain < FAR_DAY) & (years >= 1) & (np.abs(n_days - years * DAYS_PER_YEAR) < 1)
    start = np.datetime64(EPOCH, "D") + np.where(is_whole, start_day, 0)
    month = start.astype("datetime64[M]")
    day = (month + 12 * np.where(is_whole, years, 0)).astype("datetime64[D]") + (start - month.astype("datetime64[D]"))
    same_day = (day - np.datetime64(EPOCH, "D")).astype(np.int64)
    return np.where(is_whole, np.minimum(same_day, FAR_DAY), plain)


def _low_battery(w: Worked) -> DayArray:
    return _after(w.facts.first_low_day, w.facts.grace_days)


def _risk_limit(w: Worked) -> DayArray:
    return w.crossing_day


def _lot_alarm(w: Worked) -> DayArray:
    return w.lot_crossing_day


def _recall(w: Worked) -> DayArray:
    return np.where(w.facts.recall_day >= 0, w.facts.recall_day, FAR_DAY)


def _unit_life(w: Worked) -> DayArray:
    f = w.facts
    return _after_years(np.where(f.made_day >= 0, f.made_day, f.fitted_day), f.unit_life_days)


def _shelf_life(w: Worked) -> DayArray:
    f = w.facts
    return _after_years(np.where(f.made_day >= 0, f.made_day, f.fitted_day), f.shelf_life_days)


def _calendar_cap(w: Worked) -> DayArray:
    return _after(w.facts.fitted_day, w.facts.cap_days)


def _unknown_age(w: Worked) -> DayArray:
    f = w.facts
    allowed = np.where(f.unknown_age_days >= 0, f.unknown_age_days, f.cap_days)
    return np.where(f.fitted_day >= 0, FAR_DAY, _after(f.entered_day, allowed))


def _contract_date(w: Worked) -> DayArray:
    return np.where(w.facts.contract_day >= 0, w.facts.contract_day, FAR_DAY)


@dataclass(frozen=True, slots=True)
class Rule:
    """One reason to change a battery: a code that never changes, its name, day column and sentence (see `due_words`)."""

    code: str
    name: str
    day: Callable[[Worked], DayArray]
    why: str


RULES: tuple[Rule, ...] = (
    Rule("low_battery", "low battery reported", _low_battery, "{change_by}: low battery was first reported on {low_on}, and {grace} allowed after that."),
    Rule("recall", "recall", _recall, "{change_by}: it is recalled, whatever charge is left."),
    Rule(
        "lot_alarm", "short-lived lot", _lot_alarm,
        "{change_by}: cells of its lot have ended early, after about {lot_share} of what cells of this kind last. By then "
        "{u_lot} of its charge {is_was} used, where {odds_of_lot}.",
    ),
    Rule("risk_limit", "charge used", _risk_limit, "{change_by}: by then {u_limit} of its charge {is_was} used, where {odds}."),
    Rule("unit_life", "life of the unit", _unit_life, "{change_by}: {unit} serves {unit_life} {made_or_fitted}."),
    Rule("shelf_life", "shelf life", _shelf_life, "{change_by}: cells of this type are good for {shelf_life} {made_or_fitted}, used or not."),
    Rule("calendar_cap", "longest time in service", _calendar_cap, "{change_by}: the firm leaves no battery in {duty} service longer than {cap}."),
    Rule(
        "unknown_age", "age not known", _unknown_age,
        "{change_by}: nobody knows when it was fitted. The records begin on {entered_on}, and {unknown_age} are allowed from then.",
    ),
    Rule("contract_date", "agreed date", _contract_date, "{change_by}: agreed with the customer."),
)  # fmt: skip
"""The order settles which reason is named where two rules give the same day."""


@dataclass(frozen=True, slots=True)
class DueColumns:
    """The answer for many fittings: day, index of the reason in `codes` (the last is "no estimate"), and the numbers."""

    due_day: DayArray
    code_index: DayArray
    days_by_rule: DayArray
    u: FloatArray
    u_limit: FloatArray
    rate_per_day: FloatArray
    flags: DayArray
    codes: tuple[str, ...]


def due_columns(facts: FittingFacts, today_day: int, rules: tuple[Rule, ...] = RULES) -> DueColumns:
    """Ask every rule about every fitting.

    Parameters
    ----------
    facts : FittingFacts
        One row per fitting; rows do not influence one another.
    today_day : int
        Today [days since 2000-01-01].
    rules : tuple of Rule
        Rules to ask.

    Returns
    -------
    DueColumns
        Every row has a due day, or `FAR_DAY` with the reason "no_estimate".
    """
    worked = work_out(facts, today_day)
    by_rule = np.stack([rule.day(worked) for rule in rules])
    first = by_rule.argmin(axis=0)
    due_day = by_rule.min(axis=0)
    flags = np.zeros(len(facts), dtype=np.int64)
    has_limit = worked.crossing_day < FAR_DAY
    flags |= np.where(has_limit & (facts.n_ends < MIN_ENDS), PRIOR_ONLY, 0)
    uses_counts = has_limit & (facts.activation_uah > 0)
    is_counted = np.where(facts.is_measured >= 0, facts.is_measured > 0, facts.measured_days > 0)
    flags |= np.where(uses_counts & ~is_counted, FALLBACK_RATE, 0)
    flags |= np.where(has_limit & (facts.is_reachable == 0), LIMIT_NOT_REACHABLE, 0)
    flags |= np.where(facts.fitted_day < 0, UNKNOWN_AGE, 0)
    flags |= np.where(facts.fitted_day > today_day, FITTED_LATER, 0)
    return DueColumns(
        due_day=due_day,
        code_index=np.where(due_day >= FAR_DAY, len(rules), first),
        days_by_rule=by_rule,
        u=worked.u,
        u_limit=facts.u_limit,
        rate_per_day=worked.rate_per_day,
        flags=flags,
        codes=(*[rule.code for rule in rules], NO_ESTIMATE),
    )


@dataclass(frozen=True, slots=True)
class Opinion:
    """What one rule says: a date, the rule's code, its reason in plain words, and the rule's name."""

    due_on: date
    code: str
    why: str
    name: str


@dataclass(frozen=True, slots=True)
class Due:
    """The answer for one fitting, with every opinion, earliest first. `due_on` is None where nothing gives a date."""

    due_on: date | None
    code: str
    why: str
    opinions: tuple[Opinion, ...]
    flags: tuple[str, ...]
    notes: tuple[str, ...]
    u: float
    u_limit: float
    rate_per_day: float


def due_date(facts: FittingFacts, today: date, rules: tuple[Rule, ...] = RULES) -> Due:
    """Ask every rule about one fitting and put the answers into words.

    Parameters
    ----------
    facts : FittingFacts
        One row.
    today : date
        Today at the site.
    rules : tuple of Rule
        Rules to ask.

    Raises
    ------
    ValueError
        If there is not exactly one row.
    """
    if len(facts) != 1:
        raise ValueError("Ask about one fitting at a time.")
    return next(told(facts, due_columns(facts, to_day(today), rules), today, rules))


def told(facts: FittingFacts, columns: DueColumns, today: date, rules: tuple[Rule, ...] = RULES) -> Iterator[Due]:
    """Put answers into words, one fitting after the other.

    Parameters
    ----------
    facts, columns : FittingFacts, DueColumns
        Facts, and what the rules say of them, row by row.
    today : date
        Today at the site.
    rules : tuple of Rule
        The rules that were asked.
    """
    numbers = zip(
        columns.flags.tolist(), columns.u.tolist(), columns.u_limit.tolist(), columns.rate_per_day.tolist(),
        columns.days_by_rule.T.tolist(), strict=True,
    )  # fmt: skip
    for row, (bits, u, u_limit, rate, days) in zip(facts.plain_rows(), numbers, strict=True):
        flags = flag_names(bits)
        words = due_words.words_of(row, flags)
        said = sorted((day, n) for n, day in enumerate(days) if day < FAR_DAY)
        opinions = tuple(_opinion(rules[n], to_date(day), today, words) for day, n in said)
        first = opinions[0] if opinions else None
        yield Due(
            due_on=first.due_on if first else None,
            code=first.code if first else NO_ESTIMATE,
            why=first.why if first else due_words.no_estimate(row),
            opinions=opinions,
            flags=flags,
            notes=due_words.notes(row, flags),
            u=u,
            u_limit=u_limit,
            rate_per_day=rate,
        )


def _opinion(rule: Rule, due_on: date, today: date, words: Mapping[str, str]) -> Opinion:
    return Opinion(due_on, rule.code, due_words.filled(rule.why, words, due_on, today), rule.name)


WAVERING = ("risk_limit", "lot_alarm")
"""Reasons whose date rests on a forecast and on a nightly fit; every other date is exact."""


def keeps_published(old_day: int, old_code: str, new_day: int, new_code: str) -> bool:
    """Tell whether a published date stays: same reason, and moved by at most a week earlier or thirty days later."""
    return old_code == new_code and -EARLIER_BY_DAYS <= new_day - old_day <= LATER_BY_DAYS


def flag_names(flags: int) -> tuple[str, ...]:
    """Name the flags that are set."""
    return tuple(name for bit, name in FLAGS.items() if flags & bit)
