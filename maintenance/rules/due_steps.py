"""How a date is reached, told in three to five plain steps: use, limit, evidence, date; or from when, how long, until when."""

from __future__ import annotations

from dataclasses import dataclass

from maintenance.rules.due_facts import CELLS, STANDBY, to_date
from maintenance.rules.due_figures import counted_words, use_per_year
from maintenance.rules.due_known import KindKnown, aimed
from maintenance.rules.due_story import REASON_WORDS, Story, agree, because, capital, day_on, dying, is_held_by_calls
from maintenance.rules.due_words import DAYS_PER_YEAR, SMALL, day_words, odds_words, share_words, span_words, used_words


@dataclass(frozen=True, slots=True)
class Step:
    """One step of "how we know": a few words and a sentence or two."""

    name: str
    text: str


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
    if n_days == 0:
        return Step("Used so far", f"{capital(used_words(story.u))}: it was fitted today, {day_on(row['fitted_day'])}.")
    since = f"since it was fitted on {day_on(row['fitted_day'])}, {span_words(n_days)} ago"
    return Step("Used so far", f"{capital(used_words(story.u))}, {since}.")


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
        said.append(f"Its activations were counted: {counted_words(row)}.")
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
    said = [f"At {limit} of its charge {odds} such batteries {agree(odds, 'has', 'have')} come to an end."]
    if kind.counts_on_reports:
        said.append(
            f"Low-battery reports are counted on: {_of_ten(kind)} "
            + (
                f"The firm lets no more than {odds_words(kind.p_call)} get that far."
                if is_held_by_calls(story)
                else f"We {aimed(kind, 'die without warning')}"
                if kind.is_record_above
                else f"So only about {dying(kind.p_dead)}, which is the firm's own limit."
            )
        )
    else:
        allowed = (
            f"On {story.duty} duty we {aimed(kind, 'die without warning')}"
            if kind.is_record_above
            else f"That is the share the firm allows on {story.duty} duty."
        )
        said.append(
            f"{allowed} Low-battery reports are not counted on yet: too few batteries have been followed to their end to "
            "know how often they come in time."
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
        return Step(name, f"No battery of this kind has been followed to its end yet{in_service}. {rests}")
    ended = _counted(kind.n_ended, "battery", "batteries")
    said = f"{capital(ended)} of this kind followed to the end, {kind.n_in_service} in service."
    if "prior_only" in story.flags:
        return Step(name, f"{said} That is too few to know more than the catalogue says.")
    return Step(name, f"{said} The limit rests on them.")


def _counted(n: int, one: str, many: str) -> str:
    words = SMALL[n] if 0 < n < len(SMALL) else str(n)
    return f"{words} {one if n == 1 else many}"


def _date(story: Story) -> Step:
    per_year = share_words(story.rate_per_day * DAYS_PER_YEAR)
    is_lot = story.code == "lot_alarm"
    of_lot = " of its lot" if is_lot else ""
    # Where the lot brings the date forward, its own limit is the one to tell.
    limit = story.row["u_limit"] * (story.row["lot_factor"] if is_lot else 1.0)
    reached = story.due_on if is_lot else story.reached_on
    if reached is None:
        return Step("The date", f"At this rate the limit is not reached in this century; {_holds(story)}")
    decides = story.code in ("risk_limit", "lot_alarm")
    if reached < story.today:
        that = ", so that is the date" if decides else ""
        start = f"The limit{of_lot} was reached on {day_words(reached)}{that}."
    elif reached == story.today:
        start = f"The limit{of_lot} is reached today, {day_words(reached)}."
    else:
        left, lasts = share_words(max(limit - story.u, 0.0)), span_words((reached - story.today).days)
        start = f"{capital(left)} is left until the limit{of_lot}. At {per_year} a year that lasts {lasts}, until {day_words(reached)}."
    return Step("The date", start if decides else f"{start} Earlier than that, {_holds(story)}")


def _holds(story: Story) -> str:
    assert story.due_on is not None
    return f"{day_words(story.due_on)} holds: {REASON_WORDS.get(story.code, story.code)}."


def _by_calendar(story: Story) -> tuple[Step, ...]:
    """Tell a date that goes by the calendar: from when, how long, until when."""
    row, due_on = story.row, story.due_on
    assert due_on is not None
    if row["fitted_day"] >= 0:
        begin = Step("In service since", f"{day_on(row['fitted_day'])}, as recorded.")
    else:
        begin = Step("In service since", f"Not known. Our records of it begin on {day_on(row['entered_day'])}.")
    long = Step("How long", capital(because(story)))
    if story.code == "unknown_age":
        allowed = span_words(row["unknown_age_days"] if row["unknown_age_days"] >= 0 else row["cap_days"])
        long = Step("How long", f"The firm allows {allowed} from then, because part of its time is behind it already.")
    why = ""
    if int(row["kind"]) == CELLS:
        why = " The charge it has used cannot be worked out from what is recorded, so the calendar decides."
    elif int(row["kind"]) == STANDBY:
        why = " A standby battery ages in any case: it goes by the calendar, not by use."
    return begin, long, Step("The date", f"{day_words(due_on)}.{why}")
