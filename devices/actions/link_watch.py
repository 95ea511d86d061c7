"""Running states of links: closed days are judged in order, once each, and everything can be worked out anew.

Receivers of which every check-in reaches us take part, up to the day until which their days are known. A day is judged once;
counts that arrive for it later change nothing about that, but are learnt a week after their day like all others. Whoever
stands at another receiver begins anew. The sums are in `rules/weak_link.py`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Any

import numpy as np
from django.db import transaction
from django.utils.translation import gettext
from numpy.typing import NDArray

from devices.actions import link_sql as sql
from devices.fields import day_number, day_of
from devices.models import LinkDay, OutageDay, Receiver
from devices.rules import weak_link as rule
from devices.rules.weak_link import NO_DAY

DAY_S = 86_400.0
QUARTER_S = 900.0
START_DAYS = 180
"""So far back a transmitter's first judgement begins: three times the memory of a baseline."""
DAYS_A_WRITE = 14
"""Days judged before they are written; what was written is not done again."""
NOW_DAYS = 7.0
"""The share of now forgets with this time constant [day]."""
Fence = Callable[[int, int], None]
Ints = NDArray[np.int64]
Reals = NDArray[np.float64]
Flags = NDArray[np.bool_]


class OvertakenJudge(Exception):
    """Another run has judged meanwhile; nothing of this one was written. Run again."""


@dataclass(slots=True)
class LinksJudged:
    """What a run did: days, transmitter-days, receiver-days called outages, and receivers where a link became weak or well."""

    n_days: int = 0
    n_judged: int = 0
    n_outages: int = 0
    changed: set[int] = field(default_factory=set)


@dataclass(slots=True)
class _States:
    """Running states of all transmitters as columns, in the order of `transmitter`."""

    transmitter: Ints
    receiver: Ints
    registration: Ints
    customer: Ints
    judged_on: Ints
    score: Reals
    base_heard: Reals
    base_expected: Reals
    onset_on: Ints
    amber_since: Ints
    red_since: Ints
    share_before: Reals
    share_now: Reals
    touched: Flags


@dataclass(slots=True)
class _OneDay:
    """What stood where on one day, by place in the states: place of the registration (−1 none), heard, expected."""

    stay: Ints
    heard: Ints
    expected: Ints


@dataclass(slots=True)
class _Ledger:
    """Everything a run reads and what it will write."""

    stays: sql.Columns
    away: sql.Columns
    states: _States
    sums: dict[int, tuple[float, int]]
    outages: set[tuple[int, int]]
    seen: tuple[Any, ...]
    days: dict[int, _OneDay] = field(default_factory=dict)
    new_sums: set[int] = field(default_factory=set)
    new_outages: dict[tuple[int, int], float] = field(default_factory=dict)


def judge_links(*, at: datetime, until: date | None = None, fence: Fence | None = None) -> LinksJudged:
    """Judge every closed day before `until` (a day of UTC, by default today's) that has not been judged. May be repeated.

    Written after every few days in one transaction, with `fence` (days done, days to do) called in it first.

    Raises
    ------
    OvertakenJudge
        If somebody else judged meanwhile; what was written before stays, the rest is left to the next run.
    """
    end = day_number(until or at.astimezone(UTC).date())
    ledger = _read(end)
    first, last = _span(ledger, end)
    done = LinksJudged()
    for begin in range(first, last, DAYS_A_WRITE):
        some = range(begin, min(begin + DAYS_A_WRITE, last))
        _prepare(ledger, some)
        for day in some:
            _judge(ledger, day, end, done)
        _write(ledger, fence, (some.stop - first, last - first))
    return done


def rebuild_links(*, at: datetime, until: date | None = None) -> LinksJudged:
    """Forget every state and judge anew from `START_DAYS` back: the same as night by night where no older day counts."""
    with transaction.atomic():
        sql.guard()
        sql.drop_states()
        since = day_of(day_number(until or at.astimezone(UTC).date()) - START_DAYS)
        LinkDay.objects.filter(day__gte=since).delete()
        OutageDay.objects.filter(day__gte=since).delete()
    return judge_links(at=at, until=until)


# --- reading ----------------------------------------------------------------------------------------------------------


def _read(end: int) -> _Ledger:
    since = end - START_DAYS - rule.LAG_DAYS
    with transaction.atomic():
        seen = sql.guard()
        found = sql.read_states()
    stays = sql.read_stays(since)
    states = _states(stays, found)
    first_day = day_of(end - START_DAYS - rule.PHI_DAYS)
    sums = {
        day_number(day): (sum_z2, n)
        for day, sum_z2, n in LinkDay.objects.filter(day__gte=first_day).values_list("day", "sum_z2", "n")
    }
    outages = {
        (receiver, day_number(day))
        for receiver, day in OutageDay.objects.filter(day__gte=first_day).values_list("receiver_id", "day")
    }
    return _Ledger(stays, sql.read_away(since), states, sums, outages, seen)


def _states(stays: sql.Columns, found: sql.Columns) -> _States:
    """States of all that have a stay; those of others rest."""
    units = np.unique(stays["transmitter"])
    n = len(units)
    place = np.searchsorted(units, found["transmitter"].astype(np.int64))
    known = place < n
    known[known] = units[place[known]] == found["transmitter"][known]
    to = place[known]

    def put(name: str, empty: float, kind: Any) -> NDArray[Any]:
        column = np.full(n, empty, dtype=kind)
        column[to] = found[name][known]
        return column

    days = {name: put(name, NO_DAY, np.int64) for name in ("judged_on", "onset_on", "amber_since", "red_since")}
    return _States(
        transmitter=units, receiver=put("receiver", -1, np.int64), registration=np.full(n, -1, dtype=np.int64),
        customer=np.full(n, -1, dtype=np.int64), score=put("score", 0, float), base_heard=put("base_heard", 0, float),
        base_expected=put("base_expected", 0, float), share_before=put("share_before", np.nan, float),
        share_now=put("share_now", np.nan, float), touched=np.zeros(n, dtype=bool), **days,
    )  # fmt: skip


def _span(ledger: _Ledger, end: int) -> tuple[int, int]:
    """First day that anybody is yet to be judged on, and the end of the last one."""
    stays, states = ledger.stays, ledger.states
    judged = states.judged_on[np.searchsorted(states.transmitter, stays["transmitter"])]
    since = np.maximum(np.maximum(stays["begins"], judged + 1), end - START_DAYS)
    until = np.minimum(np.minimum(stays["ends"], stays["limit"]), end)
    left = since < until
    if not left.any():
        return end, end
    return int(since[left].min()), int(until[left].max())


def _prepare(ledger: _Ledger, some: range) -> None:
    """Read the counts of some days and of those a week before them."""
    wanted = {day - back for day in some for back in (0, rule.LAG_DAYS)}
    ledger.days = {day: held for day, held in ledger.days.items() if day in wanted}
    missing = wanted - ledger.days.keys()
    counts = sql.read_counts(missing)
    units = ledger.states.transmitter
    for day in missing:
        rows = np.flatnonzero(counts["day"] == day)
        place = np.searchsorted(units, counts["transmitter"][rows])
        ours = (place < len(units)) & (units[np.minimum(place, len(units) - 1)] == counts["transmitter"][rows])
        stay, is_watched = _in_force(ledger, day)
        heard, expected = np.zeros(len(units), dtype=np.int64), np.zeros(len(units), dtype=np.int64)
        heard[place[ours]], expected[place[ours]] = counts["heard"][rows[ours]], counts["expected"][rows[ours]]
        ledger.days[day] = _OneDay(stay, heard, np.where(is_watched, expected, 0))
    _leave_out_absences(ledger, missing)


def _leave_out_absences(ledger: _Ledger, days: set[int]) -> None:
    """Of what leaves the site ask no more of these days than from the first check-in that came to the last."""
    units, stays = ledger.states.transmitter, ledger.stays
    masks = sql.read_masks(days, units[np.isin(units, stays["transmitter"][stays["leaves"] > 0])].tolist())
    for day in days:
        one = ledger.days[day]
        for place in np.flatnonzero((one.stay >= 0) & (stays["leaves"][one.stay] > 0) & (one.expected > 0)).tolist():
            one.expected[place] = rule.expected_between(
                masks.get((int(units[place]), day), 0), int(one.heard[place]), int(one.expected[place]),
                int(stays["interval_s"][one.stay[place]]),
            )  # fmt: skip


def _in_force(ledger: _Ledger, day: int) -> tuple[Ints, Flags]:
    """Place of the registration in which each transmitter stood all that day (−1 for none), and whether anything was to be
    expected of it: not while it was away, nor where nobody knows how often it checks in.
    """
    stays, away, units = ledger.stays, ledger.away, ledger.states.transmitter
    rows = np.flatnonzero((stays["begins"] <= day) & (stays["ends"] > day) & (stays["limit"] > day))
    # Of several places of one transmitter the oldest registration counts: rows are sorted by transmitter and key.
    rows = rows[
        np.concatenate(([True], stays["transmitter"][rows][1:] != stays["transmitter"][rows][:-1]))[: len(rows)]
    ]
    found = np.full(len(units), -1, dtype=np.int64)
    found[np.searchsorted(units, stays["transmitter"][rows])] = rows
    gone = away["registration"][(away["begins"] <= day) & (away["last"] >= day)]
    is_watched = (found >= 0) & (stays["interval_s"][found] > 0) & ~np.isin(stays["pk"][found], gone)
    return found, is_watched


# --- judging ----------------------------------------------------------------------------------------------------------


def _judge(ledger: _Ledger, day: int, end: int, done: LinksJudged) -> None:
    """Judge one day of all that are to be judged on it."""
    stays, states, now, then = ledger.stays, ledger.states, ledger.days[day], ledger.days[day - rule.LAG_DAYS]
    rows = np.flatnonzero((now.stay >= 0) & (states.judged_on < day))
    if not len(rows):
        return
    stay = now.stay[rows]
    receiver = stays["receiver"][stay]
    _begin_anew(states, rows[states.receiver[rows] != receiver])
    counts = _counts(ledger, rows, receiver, now, then, day)
    links = rule.Links(states.score[rows], states.base_heard[rows], states.base_expected[rows], states.onset_on[rows])
    compared = rule.compare(links, counts)
    sum_z2, n = ledger.sums.get(day, (0.0, 0))
    ledger.sums[day] = (sum_z2 + compared.sum_z2, n + compared.n)
    ledger.new_sums.add(day)
    recent = [ledger.sums[one] for one in range(day - rule.PHI_DAYS + 1, day + 1) if one in ledger.sums]
    phi = rule.spread(sum(z2 for z2, _ in recent), sum(count for _, count in recent))
    after = rule.add_up(compared, counts, phi, day)
    states.receiver[rows], states.registration[rows] = receiver, stays["pk"][stay]
    states.customer[rows], states.judged_on[rows], states.touched[rows] = stays["customer"][stay], day, True
    _take(states, rows, after, counts, compared.is_scored, day, done)
    for pk, median in compared.outages.items():
        ledger.outages.add((pk, day))
        ledger.new_outages[pk, day] = median
    done.n_days += 1
    done.n_judged += int(compared.is_scored.sum())
    done.n_outages += len(compared.outages)


def _begin_anew(states: _States, rows: Ints) -> None:
    """Forget what was known elsewhere: another receiver is another path."""
    for column in (states.score, states.base_heard, states.base_expected):
        column[rows] = 0.0
    for days in (states.onset_on, states.amber_since, states.red_since):
        days[rows] = NO_DAY
    states.share_before[rows] = states.share_now[rows] = np.nan


def _counts(ledger: _Ledger, rows: Ints, receiver: Ints, now: _OneDay, then: _OneDay, day: int) -> rule.DayCounts:
    """The day's counts, with those of a week ago where the transmitter stood at the same receiver and that had no outage."""
    stays = ledger.stays
    interval = stays["interval_s"][now.stay[rows]].astype(np.float64)
    before = then.stay[rows]
    was_out = np.array([pk for pk, on in ledger.outages if on == day - rule.LAG_DAYS], dtype=np.int64)
    taught = (before >= 0) & (stays["receiver"][before] == receiver) & ~np.isin(receiver, was_out)
    return rule.DayCounts(
        receiver=receiver, heard=now.heard[rows], expected=now.expected[rows],
        per_day=DAY_S / np.maximum(interval, QUARTER_S), heard_then=np.where(taught, then.heard[rows], 0),
        expected_then=np.where(taught, then.expected[rows], 0),
    )  # fmt: skip


def _take(
    states: _States,
    rows: Ints,
    after: rule.Links,
    counts: rule.DayCounts,
    is_scored: Flags,
    day: int,
    done: LinksJudged,
) -> None:
    """Put the outcome of a day into the states."""
    was = states.amber_since[rows] != NO_DAY
    amber, red = rule.grade(after.score, counts.per_day, was)
    was_red = states.red_since[rows] != NO_DAY
    red = (red | was_red) & amber
    states.score[rows], states.onset_on[rows] = after.score, after.fine_on
    states.base_heard[rows], states.base_expected[rows] = after.heard, after.expected
    states.amber_since[rows] = np.where(amber, np.where(was, states.amber_since[rows], day), NO_DAY)
    states.red_since[rows] = np.where(red, np.where(was_red, states.red_since[rows], day), NO_DAY)
    states.share_before[rows] = np.where(amber & was, states.share_before[rows], after.share)
    today = np.minimum(counts.heard, counts.expected) / np.maximum(counts.expected, 1)
    held = states.share_now[rows]
    moved = np.where(np.isnan(held), today, held + (today - held) / NOW_DAYS)
    states.share_now[rows] = np.where(is_scored, moved, held)
    done.changed |= set(counts.receiver[(amber != was) | (red != was_red)].tolist())


# --- writing ----------------------------------------------------------------------------------------------------------


@transaction.atomic
def _write(ledger: _Ledger, fence: Fence | None, progress: tuple[int, int]) -> None:
    """Write what has been judged since the last time, unless somebody else has judged meanwhile."""
    if fence:
        fence(*progress)
    if sql.guard() != ledger.seen:
        raise OvertakenJudge(gettext("The radio links were judged by another run meanwhile. Start this one again."))
    states = ledger.states
    rows = np.flatnonzero(states.touched)
    sql.write_states(
        {
            "transmitter_id": states.transmitter[rows], "customer_id": states.customer[rows],
            "registration_id": states.registration[rows],
        }
        | {name: getattr(states, name)[rows] for name, _ in sql.STATE[3:]}
    )  # fmt: skip
    states.touched[:] = False
    LinkDay.objects.bulk_create(
        [LinkDay(day=day_of(day), sum_z2=ledger.sums[day][0], n=ledger.sums[day][1]) for day in sorted(ledger.new_sums)],
        update_conflicts=True, unique_fields=["day"], update_fields=["sum_z2", "n"],
    )  # fmt: skip
    _write_outages(ledger)
    ledger.new_sums.clear()
    ledger.new_outages.clear()
    ledger.seen = sql.guard()


def _write_outages(ledger: _Ledger) -> None:
    customers = dict(
        Receiver.objects.filter(pk__in={pk for pk, _ in ledger.new_outages}).values_list("pk", "customer_id")
    )
    OutageDay.objects.bulk_create(
        [
            OutageDay(customer_id=customers[pk], receiver_id=pk, day=day_of(day), median=median)
            for (pk, day), median in sorted(ledger.new_outages.items())
        ],
        batch_size=1000, ignore_conflicts=True,
    )  # fmt: skip
