"""What the office may tell a customer about a date, as a text to be copied; and the chance of an end soon, in words."""

from __future__ import annotations

import math
from collections.abc import Mapping

from maintenance.rules.due_facts import CELLS, STANDBY, to_date
from maintenance.rules.due_known import aimed
from maintenance.rules.due_story import Story, agree
from maintenance.rules.due_words import day_words, odds_words, share_words, span_words, used_words

AHEAD_DAYS = 90
"""How far ahead the chance of an end is asked for [d]: about the time between two rounds. Own choice."""


def for_customer(story: Story, site: str) -> str:
    """Write what, by when and why for somebody who pays for it: no codes, no promise beyond the firm's own policy.

    Parameters
    ----------
    story : Story
        Today's answer.
    site : str
        Name of the site.

    Returns
    -------
    str
        Three to five sentences; empty where there is no date.
    """
    if story.due_on is None:
        return ""
    return " ".join(part for part in (_what(story, site), _why(story), _sooner(story), _known(story)) if part)


def _what(story: Story, site: str) -> str:
    what = {CELLS: "The battery of", STANDBY: "The standby battery of"}.get(int(story.row["kind"]), "The unit")
    assert story.due_on is not None
    if story.is_late:
        return f"{what} “{story.place}” at {site} was to be changed by {day_words(story.due_on)}; this is overdue."
    return f"{what} “{story.place}” at {site} is to be changed by {day_words(story.due_on)}."


def _why(story: Story) -> str:
    row, lot = story.row, story.kind.lot
    if story.code == "risk_limit":
        return _why_of_use(story)
    if story.code == "lot_alarm":
        together = "fitted at about the same time" if lot and lot.is_half_year else "of the same delivery"
        return f"It is changed sooner than planned, because batteries {together} have run out earlier than others of the kind."
    if story.code == "low_battery":
        seen = day_words(to_date(int(row["first_low_day"]))) if row["first_low_day"] >= 0 else "the day we noted"
        reported = f"On {seen} it reported that its battery is low. From then on it may fail at any time"
        if story.kind.grace is None:
            return f"{reported}, so we change it soon."
        return f"{reported}: {story.kind.grace.words()}. So we change it soon."
    if story.code == "unknown_age":
        return "Nobody knows how old it is, so we change it early and know its age from then on."
    if story.code == "contract_date":
        return "This is the date agreed with you."
    if story.code == "recall":
        return "Batteries or units of this batch are being called back, so it is changed whatever is left in it."
    if story.code == "shelf_life":
        return _why_of_shelf(row)
    if story.code == "unit_life":
        what = "A standby battery" if int(row["kind"]) == STANDBY else "A unit"
        return f"{what} of this kind serves {span_words(row['unit_life_days'])}; after that we no longer rely on it."
    return f"We leave no battery with a task like this in service longer than {span_words(row['cap_days'])}, however little it has used."


def _why_of_shelf(row: Mapping[str, float]) -> str:
    good = f"Cells of this type are good for {span_words(row['shelf_life_days'])} after they are made, used or not."
    if row["made_day"] >= 0:
        return good
    return f"{good} The day these were made is not known, so we count from the day they were fitted."


def _why_of_use(story: Story) -> str:
    reports = story.kind.counts_on_reports and math.isfinite(story.kind.p_dead)
    odds = odds_words(story.kind.p_dead if reports else story.row["planning_probability"])
    stop = agree(odds, "stops working", "stop working") + (" without warning" if reports else "")
    used = f"today it has used {used_words(story.u)}, by then it will be about"
    limit = share_words(story.row["u_limit"])
    now = f"It has used {used_words(story.u)}." if story.is_late else f"Put in figures: {used} {limit}."
    why = (
        "It is changed before it is empty, on purpose: batteries of the same kind do not all last equally long, and we "
    )
    if story.kind.is_record_above:
        return f"{why}{aimed(story.kind, 'stop working without warning')} {now}"
    return f"{why}change them early enough that only about {odds} {stop} before {agree(odds, 'its', 'their')} change. {now}"


def _sooner(story: Story) -> str:
    reports = int(story.row["kind"]) == CELLS or story.row["capacity_mah"] > 0
    if not reports or story.code in ("low_battery", "recall") or story.is_late:
        return ""
    return f"Should it report a low battery sooner, we aim to change it within {span_words(story.row['grace_days'])} of that."


def _known(story: Story) -> str:
    if story.code != "risk_limit" or "prior_only" not in story.flags:
        return ""
    return (
        "So far this rests on the catalogue's figures; as more batteries of the kind are followed to their end, the date "
        "may move."
    )


def likely_words(n_low: int, chance: float | None) -> str:
    """Say in a few words where the next end is most likely among several things.

    Parameters
    ----------
    n_low : int
        How many have reported a low battery [count].
    chance : float or None
        Highest chance of an end within `AHEAD_DAYS` of any one of them [0 … 1]; None = not known.
    """
    if n_low > 0:
        return "low battery reported: comes first"
    if chance is None or not math.isfinite(chance):
        return "chance not known"
    return f"likeliest: {_odds(chance)} in {AHEAD_DAYS} d"


def _odds(chance: float) -> str:
    """Write a chance as a count, at both ends of the scale too."""
    if chance < 0.0005:
        return "fewer than one in a thousand"
    return "more than 99 in a hundred" if chance > 0.995 else odds_words(chance)


def chance_words(chance: float | None, story: Story) -> str:
    """Say how likely an end is within `AHEAD_DAYS`, and why that is another question than the limit.

    Parameters
    ----------
    chance : float or None
        Conditional chance of a battery that is alive today [0 … 1]; None = not known.
    story : Story
        Today's answer.
    """
    if story.row["first_low_day"] >= 0:
        return (
            "It has reported a low battery. That says more about the coming weeks than any sum over its charge, so it is "
            "among the first to visit."
        )
    if chance is None or not math.isfinite(chance):
        return ""
    said = _odds(chance)
    # "About fewer than …" would be no English.
    about = "" if said.startswith(("fewer", "more")) else "about "
    limit = odds_words(story.row["planning_probability"])
    return (
        f"If it still works today, the chance that it comes to its end within the next {AHEAD_DAYS} days is {about}{said}. "
        f"This is another question than the limit: the limit counts, over a whole life, the ends before the change "
        f"({limit}); this looks only at the next {AHEAD_DAYS} days of one that has lasted until now. It helps to choose "
        "whom to visit first. The date never comes from it: asked anew each night, it would move on with every night."
    )
