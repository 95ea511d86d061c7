"""Why a date is what it is, in words that a person without statistics can repeat: a sentence, steps, a text for the customer.

Figures in the sentences are counts ("one in a hundred") and shares of the charge, never a "mean life"; what is not known is
said. `due_words` holds the short sentence of each single rule.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

from maintenance.rules.due_facts import CELLS, STANDBY, UNIT, to_date
from maintenance.rules.due_figures import use_per_year
from maintenance.rules.due_known import KindKnown
from maintenance.rules.due_words import (
    DAYS_PER_YEAR,
    DUTY,
    SMALL,
    day_words,
    no_estimate,
    odds_words,
    share_words,
    span_words,
)

REASON_WORDS = {
    "low_battery": "low battery reported",
    "risk_limit": "charge used",
    "lot_alarm": "its lot ends early",
    "unit_life": "life of the unit",
    "shelf_life": "shelf life",
    "calendar_cap": "longest time in service",
    "unknown_age": "age not known",
    "contract_date": "agreed date",
    "recall": "recall",
    "no_estimate": "no estimate",
}
"""Reason in two or three words, as lists and the history of a date name it."""


@dataclass(frozen=True, slots=True)
class Story:
    """What the words are made of: one row of `FittingFacts` by column name, and today's answer for it.

    Parameters
    ----------
    place : str
        Where it is, as its label says: "Room 4 pendant".
    code, due_on, flags : str, date or None, tuple of str
        Reason, date and flags.
    u, rate_per_day : float
        Exposure today [1] and what a day adds [1/day]; NaN = not known.
    reached_on : date or None
        Day on which the limit is reached; None = no limit can be worked out.
    recall : str
        Title of the recall, where one names it.
    """

    row: Mapping[str, float]
    place: str
    code: str
    due_on: date | None
    today: date
    flags: tuple[str, ...] = ()
    u: float = math.nan
    rate_per_day: float = math.nan
    reached_on: date | None = None
    recall: str = ""
    kind: KindKnown = field(default_factory=KindKnown)

    @property
    def thing(self) -> str:
        """What is changed, with its place."""
        names = {CELLS: "the battery of", STANDBY: "the standby battery of", UNIT: "the whole unit"}
        return f"{names[int(self.row['kind'])]} “{self.place}”"

    @property
    def duty(self) -> str:
        """Duty class as an adjective."""
        return DUTY.get(int(self.row["duty"]), DUTY[0])

    @property
    def is_late(self) -> bool:
        """Past its date."""
        return self.due_on is not None and self.due_on < self.today

    @property
    def has_charge(self) -> bool:
        """Whether the charge used is known."""
        return math.isfinite(self.u) and self.rate_per_day > 0


@dataclass(frozen=True, slots=True)
class Step:
    """One step of "how we know": a few words and a sentence or two."""

    name: str
    text: str


# --- the sentence -----------------------------------------------------------------------------------------------------


def headline(story: Story) -> str:
    """Say what, by when and why, in one or two sentences of everyday words."""
    if story.due_on is None:
        return no_estimate(story.row)
    because = _BECAUSE[story.code](story)
    if not story.is_late:
        return f"Change {story.thing} by {day_words(story.due_on)}: {because}"
    late = (story.today - story.due_on).days
    days = "one day" if late == 1 else span_words(late)
    return f"{_capital(story.thing)} is late: it was due on {day_words(story.due_on)}, {days} ago. {_capital(because)}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _day(day: float) -> str:
    return day_words(to_date(int(day))) if day >= 0 else "an unknown day"


def _made(row: Mapping[str, float]) -> str:
    return f"the day it was made, {_day(row['made_day'])}" if row["made_day"] >= 0 else "the day it was fitted"


def _because_of_use(story: Story) -> str:
    """Say how many of its kind end before the limit, and that the firm allows no more."""
    used, odds = share_words(story.row["u_limit"]), odds_words(story.row["planning_probability"])
    by_then = "by then" if not story.is_late else "by that day"
    is_was = "was" if story.is_late else "is"
    knows = "Going by the catalogue, about" if "prior_only" in story.flags else "About"
    start = f"{by_then} about {used} of its charge {is_was} used. {knows} {odds} batteries of this kind"
    if "limit_not_reachable" in story.flags:
        return (
            f"{by_then} about {used} of its charge {is_was} used. The risk that the firm allows on {story.duty} duty cannot be "
            "met by changing still earlier, since some of this kind fail regardless of use: closer supervision or another "
            "battery would help, more visits would not."
        )
    if not story.kind.counts_on_reports:
        verb = "fails" if odds.startswith("one ") else "fail"
        return f"{start} {verb} before that point, and the firm allows no more on {story.duty} duty."
    verb = "comes" if odds.startswith("one ") else "come"
    return f"{start} {verb} to {'its' if verb == 'comes' else 'their'} end before that point. {_reports(story)}"


def _reports(story: Story) -> str:
    """Say what low-battery reports allow, and which of the firm's two limits holds."""
    p_dead, p_call = story.kind.p_dead, story.kind.p_call
    if story.row["planning_probability"] < p_dead / story.kind.dead_share * 0.999:
        return (
            f"Most report a low battery in time; the firm wants no more than {odds_words(p_call)} to get that far "
            f"on {story.duty} duty."
        )
    return (
        f"Most report a low battery in time, so that about {odds_words(p_dead)} dies without warning: "
        f"the most that the firm allows on {story.duty} duty."
    )


def _because_of_lot(story: Story) -> str:
    lot = story.kind.lot
    if lot is None:
        return "cells of its lot have come to their end earlier than others of their kind, so it is brought forward."
    ended = f"{lot.n_ended} of {lot.n_batteries} ended, where about {lot.n_expected:.1f} were expected"
    return (
        f"its {lot.name} has lasted about {share_words(lot.factor)} as long as others of the kind ({ended}), "
        "so its date is brought forward."
    )


def _because_of_report(story: Story) -> str:
    row = story.row
    grace = span_words(row["grace_days"])
    return (
        f"it reported a low battery on {_day(row['first_low_day'])}, and the firm allows {grace} after such a report."
    )


def _because_of_age(story: Story) -> str:
    row = story.row
    allowed = row["unknown_age_days"] if row["unknown_age_days"] >= 0 else row["cap_days"]
    return (
        f"nobody knows when it was fitted. Our records begin on {_day(row['entered_day'])}, "
        f"and the firm allows {span_words(allowed)} from then."
    )


def _because_of_cap(story: Story) -> str:
    cap = span_words(story.row["cap_days"])
    return f"the firm leaves no battery in {story.duty} service longer than {cap}, however little it has used."


def _because_of_unit(story: Story) -> str:
    row = story.row
    what = "a standby battery of this kind" if int(row["kind"]) == STANDBY else "a unit of this kind"
    return f"{what} serves {span_words(row['unit_life_days'])}, counted from {_made(row)}."


def _because_of_shelf(story: Story) -> str:
    row = story.row
    return f"cells of this type are good for {span_words(row['shelf_life_days'])} from {_made(row)}, used or not."


def _because_of_recall(story: Story) -> str:
    named = f" ({story.recall})" if story.recall else ""
    return f"it is being recalled{named} and must be out by then, whatever it has used."


_BECAUSE: Mapping[str, Callable[[Story], str]] = {
    "low_battery": _because_of_report,
    "risk_limit": _because_of_use,
    "lot_alarm": _because_of_lot,
    "unit_life": _because_of_unit,
    "shelf_life": _because_of_shelf,
    "calendar_cap": _because_of_cap,
    "unknown_age": _because_of_age,
    "contract_date": lambda _: "this date is agreed with the customer.",
    "recall": _because_of_recall,
}


def notes_left(story: Story, notes: Sequence[str]) -> tuple[str, ...]:
    """Pick the notes on a date that neither its sentence nor its steps have told already.

    Parameters
    ----------
    story : Story
        Today's answer.
    notes : sequence of str
        One note for each flag, in the order of the flags.
    """
    told = {"unknown_age", "limit_not_reachable"}
    if story.has_charge:
        told |= {"prior_only", "fallback_rate"}
    if len(notes) != len(story.flags):
        return tuple(notes)
    return tuple(note for flag, note in zip(story.flags, notes, strict=True) if flag not in told)


# --- how we know ------------------------------------------------------------------------------------------------------


def steps(story: Story) -> tuple[Step, ...]:
    """Tell how the date is reached, in three to five plain steps.

    Notes
    -----
    Cells whose use is known: used so far, used per year, the limit, what its kind has shown, the date. Everything else goes
    by the calendar: from when, how long, until when.
    """
    if story.due_on is None:
        return ()
    if story.has_charge and story.row["u_limit"] > 0:
        return (_used(story), _per_year(story), _limit(story), _shown(story), _date(story))
    return _by_calendar(story)


def _used(story: Story) -> Step:
    row = story.row
    n_days = max((story.today - to_date(int(row["fitted_day"]))).days, 0)
    since = f"since it was fitted on {_day(row['fitted_day'])}, {span_words(n_days)} ago"
    return Step("Used so far", f"About {share_words(story.u)} of its charge, {since}.")


def _per_year(story: Story) -> Step:
    row, per_year = story.row, story.rate_per_day * DAYS_PER_YEAR
    use = use_per_year(row, per_year, story.kind.sleep_multiplier)
    parts = {
        "waiting between check-ins": use.asleep, "its check-ins": use.checked_in, "its activations": use.activated,
        "what any cell loses by itself": use.lost,
    }  # fmt: skip
    most = max(parts, key=lambda name: parts[name])
    said = [f"About {share_words(per_year)} of its charge, the largest part for {most}."]
    if row["measured_days"] > 0:
        said.append(
            f"Its activations were counted: {row['measured_activations']:.0f} in {row['measured_days']:.0f} days."
        )
    elif row["activation_uah"] > 0:
        said.append("Its activations were not counted, so the usual number of its kind is assumed.")
    factor = story.kind.sleep_multiplier
    if abs(factor - 1) >= 0.02:
        more = "more" if factor > 1 else "less"
        said.append(
            f"Batteries of this kind have shown that it draws about {share_words(abs(factor - 1))} {more} between "
            "activations than the catalogue says; that is allowed for."
        )
    return Step("Used per year", " ".join(said))


def _limit(story: Story) -> Step:
    row, kind = story.row, story.kind
    limit, odds = share_words(row["u_limit"]), odds_words(row["planning_probability"])
    said = [
        f"At {limit} of its charge {odds} such batteries {'has' if odds.startswith('one ') else 'have'} come to an end."
    ]
    if kind.counts_on_reports:
        said.append(
            f"Low-battery reports are counted on: {_of_ten(kind)} So only about {odds_words(kind.p_dead)} dies without "
            "warning, which is the firm's own limit."
        )
    else:
        said.append(
            f"That is the share the firm allows on {story.duty} duty. Low-battery reports are not counted on yet: too few "
            "batteries have been followed to their end to know how often they come in time."
        )
    if kind.lot and kind.lot.factor < 0.995:
        said.append(f"For its {kind.lot.name} the limit is lowered to {share_words(kind.lot.factor)} of that.")
    return Step("The limit", " ".join(said))


def _of_ten(kind: KindKnown) -> str:
    """Say how many ends were reported in time, and how many are counted on."""
    n = kind.n_dead + kind.n_reported
    counted = max(int((1 - kind.dead_share) * 10 + 1e-9), 1)
    if not n:
        return f"of every 10 that end, {counted} are expected to report in time."
    whose = "all kinds together" if kind.is_fleet_wide else "this kind"
    seen = f"of every 10 that ended, about {round(kind.n_reported / n * 10)} reported in time ({kind.n_reported} of {n}, {whose})"
    return f"{seen}; to be careful, {counted} are counted on."


def _shown(story: Story) -> Step:
    kind = story.kind
    name = "What its kind has shown"
    if kind.n_ended == 0:
        in_service = f", with {kind.n_in_service} in service" if kind.n_in_service else ""
        others = ", and on how other kinds have fared against theirs" if kind.learned_on else ""
        rests = f"The limit rests on the catalogue's figures{others}."
        return Step(name, f"None has been followed to its end yet{in_service}. {rests}")
    ended = _counted(kind.n_ended, "battery", "batteries")
    said = f"{_capital(ended)} of this kind followed to the end, {kind.n_in_service} in service."
    if "prior_only" in story.flags:
        return Step(name, f"{said} That is too few to know more than the catalogue says.")
    return Step(name, f"{said} The limit rests on them.")


def _counted(n: int, one: str, many: str) -> str:
    words = SMALL[n] if 0 < n < len(SMALL) else str(n)
    return f"{words} {one if n == 1 else many}"


def _date(story: Story) -> Step:
    per_year = share_words(story.rate_per_day * DAYS_PER_YEAR)
    reached, due_on = story.reached_on, story.due_on
    assert due_on is not None
    if reached is None:
        return Step("The date", f"At this rate the limit is not reached in this century; {_holds(story)}")
    if reached < story.today:
        start = f"The limit was reached on {day_words(reached)}{', so that is the date' if story.code == 'risk_limit' else ''}."
    else:
        left = share_words(max(story.row["u_limit"] - story.u, 0.0))
        lasts = span_words((reached - story.today).days)
        start = f"{left} is left until the limit. At {per_year} a year that lasts {lasts}, until {day_words(reached)}."
    return Step("The date", start if story.code == "risk_limit" else f"{start} Earlier than that, {_holds(story)}")


def _holds(story: Story) -> str:
    assert story.due_on is not None
    return f"{day_words(story.due_on)} holds: {REASON_WORDS.get(story.code, story.code)}."


def _by_calendar(story: Story) -> tuple[Step, ...]:
    """Tell a date that goes by the calendar: from when, how long, until when."""
    row, due_on = story.row, story.due_on
    assert due_on is not None
    if row["fitted_day"] >= 0:
        begin = Step("In service since", f"{_day(row['fitted_day'])}, as recorded.")
    else:
        begin = Step("In service since", f"Not known. Our records of it begin on {_day(row['entered_day'])}.")
    long = Step("How long", _capital(_BECAUSE[story.code](story)))
    if story.code == "unknown_age":
        allowed = span_words(row["unknown_age_days"] if row["unknown_age_days"] >= 0 else row["cap_days"])
        long = Step("How long", f"The firm allows {allowed} from then, because part of its time is behind it already.")
    why = ""
    if int(row["kind"]) == CELLS:
        why = " The charge it has used cannot be worked out from what is recorded, so the calendar decides."
    elif int(row["kind"]) == STANDBY:
        why = " A standby battery ages in any case: it goes by the calendar, not by use."
    return begin, long, Step("The date", f"{day_words(due_on)}.{why}")
