"""In which hours of the week nobody is told by mail, out of the hours of all rules about one kind of fault. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from maintenance.rules.notice_hours import EVERY_DAY, Hours
from maintenance.rules.notice_words import DAYS, days_words

DAY_MIN = 24 * 60
WEEK_MIN = 7 * DAY_MIN
GATHERS_LONG_S = 15 * 60
"""On life safety a mail that gathers for longer is pointed out. Own choice: as long as a fault stands before it is told
although it is over (`TOLD_ANYWAY_S`)."""

Gap = tuple[int, int]
"""Begin and end in minutes since Monday 00:00 by the clock on the wall; the end may lie in the week after."""


@dataclass(frozen=True, slots=True)
class Told:
    """What one rule in force gives: its hours, how long it gathers [s], its customer (None: every one)."""

    hours: Hours
    group_s: int = 0
    customer: str | None = None


def gaps_of(hours: Iterable[Hours]) -> list[Gap]:
    """Spans of the week that none of these hours holds, in order; one that goes on over Sunday night is one span.

    Returns
    -------
    list of Gap
        Empty where somebody is told at every hour, ``[(0, WEEK_MIN)]`` where nobody ever is.
    """
    covered = sorted(span for one in hours for span in _spans(one))
    gaps, reached = [], 0
    for begins, ends in covered:
        if begins > reached:
            gaps.append((reached, begins))
        reached = max(reached, ends)
    if reached < WEEK_MIN:
        gaps.append((reached, WEEK_MIN))
    if len(gaps) > 1 and gaps[0][0] == 0 and gaps[-1][1] == WEEK_MIN:
        last = gaps.pop()
        gaps = [*gaps[1:], (last[0], WEEK_MIN + gaps[0][1])]
    return gaps


def _spans(hours: Hours) -> list[Gap]:
    """Hours of a rule within one week; what reaches over Sunday night stands at its beginning."""
    first = hours.begins.hour * 60 + hours.begins.minute if hours.begins else 0
    last = hours.ends.hour * 60 + hours.ends.minute if hours.ends else 0
    length = (last - first) % DAY_MIN or DAY_MIN
    spans = []
    for digit in hours.weekdays:
        if digit not in EVERY_DAY:
            continue
        begins = int(digit) * DAY_MIN + first
        ends = begins + length
        spans.append((begins, min(ends, WEEK_MIN)))
        if ends > WEEK_MIN:
            spans.append((0, ends - WEEK_MIN))
    return spans


def hours_a_week(gaps: Sequence[Gap]) -> int:
    """Hours of the week in gaps, rounded; at least 1 where there is any."""
    minutes = sum(ends - begins for begins, ends in gaps)
    return max(1, round(minutes / 60)) if minutes else 0


def gap_words(gaps: Sequence[Gap]) -> str:
    """Say gaps: "Monday to Thursday from 17:00 to 08:00 the next day, and from Friday 17:00 to Monday 08:00"."""
    if not gaps:
        return "at no hour"
    if gaps == [(0, WEEK_MIN)]:
        return "at any hour"
    daily: dict[tuple[int, int], str] = {}
    said: list[str] = []
    for begins, ends in gaps:
        if ends - begins < DAY_MIN or (begins % DAY_MIN == 0 and ends % DAY_MIN == 0):
            # Days that are bare from end to end are said one by one, so that weekends stand together.
            for day in range(
                begins // DAY_MIN, -(-ends // DAY_MIN) if ends - begins >= DAY_MIN else begins // DAY_MIN + 1
            ):
                key = (begins % DAY_MIN, min(ends - begins, DAY_MIN))
                daily[key] = daily.get(key, "") + str(day % 7)
        else:
            said.append(f"from {_moment(begins)} to {_moment(ends)}")
    listed = [_daily_words(days, begins, length) for (begins, length), days in daily.items()] + said
    return listed[0] if len(listed) == 1 else f"{', '.join(listed[:-1])}, and {listed[-1]}"


def _daily_words(days: str, begins: int, length: int) -> str:
    if length == DAY_MIN:
        return f"{days_words(days)} all day"
    ends = begins + length
    over = " the next day" if ends > DAY_MIN else ""
    return f"{days_words(days)} from {_clock(begins)} to {'midnight' if ends == DAY_MIN else _clock(ends)}{over}"


def _moment(minute: int) -> str:
    return f"{DAYS[minute // DAY_MIN % 7]} {_clock(minute)}"


def _clock(minute: int) -> str:
    return f"{minute % DAY_MIN // 60:02}:{minute % 60:02}"


def gaps_by_customer(rules: Sequence[Told]) -> dict[str | None, list[Gap]]:
    """Gaps for every customer (key None), and for those with rules of their own which those add to; only where there are any."""
    found: dict[str | None, list[Gap]] = {None: gaps_of(rule.hours for rule in rules if rule.customer is None)}
    if not found[None]:
        return {}
    for name in sorted({rule.customer for rule in rules if rule.customer is not None}):
        gaps = gaps_of(rule.hours for rule in rules if rule.customer in (None, name))
        if gaps != found[None]:
            found[name] = gaps
    return found


def slowest_s(rules: Sequence[Told]) -> int:
    """Longest gathering of the rules for every customer [s] where quicker ones do not hold the whole week; 0: none is slow."""
    mine = [rule for rule in rules if rule.customer is None]
    if not gaps_of(rule.hours for rule in mine if rule.group_s <= GATHERS_LONG_S):
        return 0
    return max((rule.group_s for rule in mine if rule.group_s > GATHERS_LONG_S), default=0)
