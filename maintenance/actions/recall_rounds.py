"""Pull the sites of a recall or of a lot into rounds: one draft a working day, or into a draft that is there already."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db import transaction
from django.utils.translation import gettext as _

from company.errors import Refused
from company.models import User
from maintenance.actions.rounds import DayPast, RoundPlan, plan_round
from maintenance.actions.stops import (
    NoStops,
    NotATechnician,
    add_visit,
    changed,
    horizon_of,
    lock,
    reorder,
    say_why,
    standing,
)
from maintenance.models import Round, Visit
from maintenance.querysets.days import place_of, shift_of, to_minutes
from maintenance.querysets.recalls import covers, stops_of
from maintenance.rules.recalls import weeks_until
from maintenance.rules.rounds.travel import Stop, order_by_route
from sites.models import Site

USUAL_MINUTES = 45
"""Time on site by which days are cut only; each round's own timetable counts what is due. Own assumption, no source."""
LOOK_AHEAD_DAYS = 60
FURTHEST_DAYS = 2 * 365
"""Nobody plans a round further ahead: a later day is a slip of the year. Decided for this product."""


class TooManyDays(Refused):
    """The technician does not work on so many days in the weeks to come."""


class DayTooFar(Refused):
    """The first day lies years ahead."""


class AllPlaced(Refused):
    """Every site picked is in a round that does it already."""


@dataclass(frozen=True, slots=True)
class Pull:
    """What is pulled into rounds: the first day and its technician, and how many stops a day takes.

    `due_by`: what is due by then is changed there, whatever the plan's own weeks say; None leaves those as they are.
    """

    plan: RoundPlan
    n_a_day: int
    due_by: date | None = None


@transaction.atomic
def pull_into_rounds(
    *, pull: Pull, sites: Sequence[Site], grave: Collection[int], by: User, at: datetime, today: date
) -> list[Round]:
    """Make drafts with these sites as stops, those with life safety first, on the technician's next working days.

    Sites that stand in a round which does them already are left out, so a form sent twice makes the rounds once.

    Parameters
    ----------
    grave : collection of int
        Keys of the sites where life safety is concerned.

    Raises
    ------
    NoStops, AllPlaced, TooManyDays, NotATechnician, DayPast, DayTooFar
        Nothing is written.
    """
    _refuse_day(pull.plan.day, today)
    left = _unplaced(sites, pull.due_by)
    # Asked before the first day is cut, since a person of the office has no working days.
    if not pull.plan.technician.is_technician:
        raise NotATechnician(_("%(technician)s is not a technician.") % {"technician": pull.plan.technician.name})
    days = _days(pull.plan, -(-len(left) // pull.n_a_day))
    ordered = _in_order(left, pull.plan, grave)
    rounds = []
    for n, day in enumerate(days):
        part = ordered[n * pull.n_a_day : (n + 1) * pull.n_a_day]
        name = pull.plan.name if len(days) == 1 else f"{pull.plan.name[:70]} {n + 1}/{len(days)}"
        plan = RoundPlan(
            name=name, day=day, technician=pull.plan.technician, starts=pull.plan.starts, note=pull.plan.note,
            horizon_weeks=weeks_until(pull.due_by, day, pull.plan.horizon_weeks),
        )  # fmt: skip
        rounds.append(plan_round(plan=plan, sites=part, by=by, at=at, today=today))
    return rounds


@transaction.atomic
def pull_into_round(
    *, round: Round, sites: Sequence[Site], due_by: date | None, seen_version: int, by: User, at: datetime
) -> Round:
    """Add sites to a draft as its last stops; a site that is a stop of it already is made to reach the day.

    Raises
    ------
    NoStops, AllPlaced, StaleRound, RoundOver
        Nothing is written.
    """
    round = lock(round, seen_version)
    left = _unplaced(sites, due_by)
    there = {visit.site_id: visit for visit in standing(round)}
    weeks = weeks_until(due_by, round.day, horizon_of(list(there.values())))
    for site in left:
        visit = there.get(site.pk)
        if visit is None:
            add_visit(round, site, weeks)
        elif visit.state == Visit.State.PLANNED:
            say_why(visit, weeks)
    reorder(round, [visit.pk for visit in standing(round)])
    return changed(round, "pull_into_round", by, at, after={"sites": [site.name for site in left]})


def _refuse_day(day: date, today: date) -> None:
    """Before any day is counted from it: the calendar itself ends."""
    if day < today:
        raise DayPast(_("That day is over. Choose today or a later day."))
    if (day - today).days > FURTHEST_DAYS:
        raise DayTooFar(_("The first day is more than two years away. Is the year right?"))


def _unplaced(sites: Sequence[Site], due_by: date | None) -> list[Site]:
    if not sites:
        raise NoStops(_("Pick at least one site."))
    stops = stops_of([site.pk for site in sites])
    left = [site for site in sites if not any(due_by is None or covers(v, due_by) for v in stops.get(site.pk, []))]
    if not left:
        raise AllPlaced(_("Every site picked is in a round already, so no round was made."))
    return left


def _days(plan: RoundPlan, n_days: int) -> list[date]:
    """The day asked for, then those on which the technician works and has no round yet."""
    taken = set(Round.objects.open().filter(technician=plan.technician, day__gt=plan.day).values_list("day", flat=True))
    days = [plan.day]
    for ahead in range(1, LOOK_AHEAD_DAYS):
        if len(days) == n_days:
            return days
        day = plan.day + timedelta(days=ahead)
        if day.weekday() < 5 and day not in taken and not shift_of(plan.technician, day).is_off:
            days.append(day)
    if len(days) < n_days:
        raise TooManyDays(
            _(
                "%(technician)s has only %(n)s free days in the %(days_ahead)s from then on, and %(n_days)s are "
                "needed. Pick fewer sites, or more stops a day."
            )
            % {"technician": plan.technician.name, "n": len(days), "days_ahead": LOOK_AHEAD_DAYS, "n_days": n_days}
        )
    return days


def _in_order(sites: Sequence[Site], plan: RoundPlan, grave: Collection[int]) -> list[Site]:
    """By route, first the sites where life safety is concerned: cut into days, the gravest come first."""
    by_key = {site.pk: site for site in sites}
    start = shift_of(plan.technician, plan.day).start
    ordered: list[Site] = []
    for is_grave in (True, False):
        stops = [
            Stop(site.pk, place_of(site.latitude, site.longitude), USUAL_MINUTES)
            for site in sites
            if (site.pk in grave) is is_grave
        ]
        found = order_by_route(stops, start=start, starts_min=to_minutes(plan.starts))
        ordered += [by_key[stop.key] for stop in found]
        if ordered:
            start = place_of(ordered[-1].latitude, ordered[-1].longitude) or start
    return ordered
