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
from maintenance.rules.due_known import KindKnown, aimed
from maintenance.rules.due_words import (
    DUTY,
    day_words,
    no_estimate,
    odds_words,
    share_words,
    span_words,
)

REASON_WORDS = {
    "low_battery": "low battery reported",
    "risk_limit": "charge used",
    "lot_alarm": "short-lived lot",
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


# --- the sentence -----------------------------------------------------------------------------------------------------


def headline(story: Story) -> str:
    """Say what, by when and why, in one or two sentences of everyday words."""
    if story.due_on is None:
        return no_estimate(story.row)
    why = because(story)
    if not story.is_late:
        return f"Change {story.thing} by {day_words(story.due_on)}: {why}"
    late = (story.today - story.due_on).days
    days = "one day" if late == 1 else span_words(late)
    return f"{capital(story.thing)} is late: it was due on {day_words(story.due_on)}, {days} ago. {capital(why)}"


def because(story: Story) -> str:
    """Say why, as the second half of a sentence."""
    return _BECAUSE[story.code](story)


def capital(text: str) -> str:
    """Begin with a capital letter."""
    return text[:1].upper() + text[1:]


def day_on(day: float) -> str:
    """Write a day number as a date, or that it is not known."""
    return day_words(to_date(int(day))) if day >= 0 else "an unknown day"


def _made(row: Mapping[str, float]) -> str:
    return f"the day it was made, {day_on(row['made_day'])}" if row["made_day"] >= 0 else "the day it was fitted"


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
    if not story.kind.counts_on_reports and story.kind.is_record_above:
        return f"{start} {agree(odds, 'fails', 'fail')} before that point. On {story.duty} duty we {aimed(story.kind, 'die without warning')}"
    if not story.kind.counts_on_reports:
        return f"{start} {agree(odds, 'fails', 'fail')} before that point, and the firm allows no more on {story.duty} duty."
    end = agree(odds, "comes to its end", "come to their end")
    return f"{start} {end} before that point. {_reports(story)}"


def agree(odds: str, one: str, many: str) -> str:
    """Choose the verb that goes with a count such as "one in a hundred"."""
    return one if odds.startswith("one ") else many


def dying(p_dead: float) -> str:
    """Say which share [0 … 1] dies without warning: "one in a hundred dies without warning"."""
    odds = odds_words(p_dead)
    return f"{odds} {agree(odds, 'dies', 'die')} without warning"


def _most(story: Story) -> str:
    """Say how many of the ends are reckoned to be reported."""
    return "Most" if story.kind.dead_share <= 0.5 else "Some"


def is_held_by_calls(story: Story) -> bool:
    """Whether the limit on ends of any sort holds, and not that on ends without warning."""
    return story.row["planning_probability"] < story.kind.p_dead / story.kind.dead_share * 0.999


def _reports(story: Story) -> str:
    """Say what low-battery reports allow, and which of the firm's two limits holds."""
    p_dead, p_call = story.kind.p_dead, story.kind.p_call
    if is_held_by_calls(story):
        return (
            f"{_most(story)} report a low battery in time; the firm wants no more than {odds_words(p_call)} to get that far "
            f"on {story.duty} duty."
        )
    if story.kind.is_record_above:
        return f"{_most(story)} report a low battery in time. On {story.duty} duty we {aimed(story.kind, 'die without warning')}"
    return (
        f"{_most(story)} report a low battery in time, so that about {dying(p_dead)}: "
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
    reported, known = f"it reported a low battery on {day_on(row['first_low_day'])}", story.kind.grace
    if known is None:
        return f"{reported}, and the firm allows {span_words(row['grace_days'])} after such a report."
    return (
        f"{reported}. The firm allows {span_words(row['policy_grace_days'])} after such a report, but {known.words()}, so we "
        "do not wait longer than that."
    )


def _because_of_age(story: Story) -> str:
    row = story.row
    allowed = row["unknown_age_days"] if row["unknown_age_days"] >= 0 else row["cap_days"]
    return (
        f"nobody knows when it was fitted. Our records begin on {day_on(row['entered_day'])}, "
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
