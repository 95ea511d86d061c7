"""Planning a technician's day by hand: make it, change it, publish it, call it off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time

from django.db import transaction
from django.db.models import Max
from django.utils.translation import gettext as _

from company.actions import ensure_firm, facts_of, record_change
from company.errors import Refused
from company.models import Firm, User
from maintenance.actions.findings import look_again_where_late
from maintenance.actions.stops import (
    ROUND_FACTS,
    NoStops,
    RoundOver,
    UnderWay,
    add_visit,
    changed,
    lock,
    refuse_technician,
    reorder,
    route,
    say_why,
    set_crew,
    standing,
)
from maintenance.models import Round, Visit
from sites.models import Site


class DayPast(Refused):
    """A round cannot be planned for a day that is over."""


@dataclass(frozen=True, slots=True)
class RoundPlan:
    """What the office decides about a round. `horizon_weeks`: what falls due within them is changed while there."""

    name: str
    day: date
    technician: User
    starts: time
    horizon_weeks: int
    note: str = ""


@transaction.atomic
def plan_round(*, plan: RoundPlan, sites: Sequence[Site], by: User, at: datetime, today: date) -> Round:
    """Make a draft round with its stops ordered by route.

    Raises
    ------
    NotATechnician, DayPast, NoStops
        Nothing is written.
    """
    if not sites:
        raise NoStops(_("Pick at least one site."))
    _refuse_plan(plan, today)
    # One row that every new round locks: two people planning at once get two numbers.
    ensure_firm()
    Firm.objects.select_for_update().get(pk=1)
    number = (Round.objects.aggregate(last=Max("number"))["last"] or 0) + 1
    round = Round.objects.create(
        number=number, name=plan.name.strip()[:80], day=plan.day, technician=plan.technician, starts=plan.starts,
        note=plan.note.strip()[:300], made_by=by, made_at=at,
    )  # fmt: skip
    for site in sites:
        add_visit(round, site, plan.horizon_weeks)
    reorder(round, route(round))
    record_change(by=by, at=at, verb="plan_round", subject=round, after=facts_of(round, *ROUND_FACTS))
    look_again_where_late(site_ids=[site.pk for site in sites])
    return round


@transaction.atomic
def edit_round(*, round: Round, plan: RoundPlan, seen_version: int, by: User, at: datetime, today: date) -> Round:
    """Change day, person, start, name or horizon; times and reasons of every stop are worked out anew.

    Raises
    ------
    StaleRound, RoundOver, UnderWay, NotATechnician, DayPast
        Nothing is written.
    """
    round = lock(round, seen_version)
    before = facts_of(round, *ROUND_FACTS)
    if plan.day != round.day or plan.technician.pk != round.technician_id:
        _refuse_plan(plan, today)
        if round.visits.exclude(state__in=["planned", "cancelled"]).exists():
            raise UnderWay(_("A stop of this round has begun: its day and technician stay as they are."))
    old_technician = round.technician
    round.name, round.day, round.technician = plan.name.strip()[:80], plan.day, plan.technician
    round.starts, round.note = plan.starts, plan.note.strip()[:300]
    round.save(update_fields=["name", "day", "technician", "starts", "note"])
    for visit in standing(round):
        if visit.state == Visit.State.PLANNED:
            set_crew(visit, old_technician, round.technician)
            visit.planned_on = round.day
            say_why(visit, plan.horizon_weeks)
    reorder(round, [visit.pk for visit in standing(round)])
    return changed(round, "edit_round", by, at, before)


@transaction.atomic
def publish_round(*, round: Round, seen_version: int, by: User, at: datetime) -> Round:
    """Show the round to its technician. Warnings do not stop it: the office may know better.

    Raises
    ------
    StaleRound, RoundOver, NoStops, NotATechnician
        Nothing is written.
    """
    round = lock(round, seen_version)
    if round.state == Round.State.PUBLISHED:
        raise RoundOver(_("This round is published already."))
    if not standing(round):
        raise NoStops(_("This round has no stops. Add one first."))
    refuse_technician(round.technician)
    before = facts_of(round, *ROUND_FACTS)
    round.state, round.published_at = Round.State.PUBLISHED, at
    round.save(update_fields=["state", "published_at"])
    return changed(round, "publish_round", by, at, before)


@transaction.atomic
def cancel_round(*, round: Round, reason: str, seen_version: int, by: User, at: datetime) -> Round:
    """Call the day off: its stops are cancelled, what was due there is in nobody's round again.

    Raises
    ------
    StaleRound, RoundOver, UnderWay
        Nothing is written.
    """
    round = lock(round, seen_version)
    if round.visits.filter(state__in=[Visit.State.OPEN, Visit.State.FINISHED]).exists():
        raise UnderWay(_("A stop of this round has begun. Move or remove the other stops instead."))
    before = facts_of(round, *ROUND_FACTS)
    round.visits.filter(state=Visit.State.PLANNED).update(state=Visit.State.CANCELLED)
    round.state = Round.State.CANCELLED
    round.save(update_fields=["state"])
    return changed(round, "cancel_round", by, at, before, reason=reason)


def _refuse_plan(plan: RoundPlan, today: date) -> None:
    refuse_technician(plan.technician)
    if plan.day < today:
        raise DayPast(_("That day is over. Choose today or a later day."))
