"""Writes to the stops of a round: add, take out, move, reorder. Stops are visits; one taken out is cancelled, never deleted."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, time

from django.db import transaction
from django.db.models import Max
from django.utils.translation import gettext as _

from company.actions import facts_of, record_change
from company.errors import Refused
from company.models import User
from devices.models import Receiver
from maintenance.actions.findings import look_again_where_late
from maintenance.models import DueItem, Round, Visit, VisitCrew
from maintenance.querysets.days import CELLS_PATHS, day_plan, route_order, things_by_site, until_of
from maintenance.rules.rounds.packing import change_until, is_chosen, visit_minutes, why_stop
from sites.models import Site

ROUND_FACTS = ("name", "day", "technician", "starts", "state", "note")
WHO_GOES = frozenset({"publish_round", "cancel_round", "add_stop", "remove_stop", "move_stop"})
"""Changes of a round that decide whether anybody goes to a site."""


class StaleRound(Refused):
    """The round was changed after the page was loaded."""


class RoundOver(Refused):
    """The round is done or cancelled."""


class NotATechnician(Refused):
    """Only an active technician goes out."""


class AlreadyAStop(Refused):
    """The site is a stop of that round already."""


class UnderWay(Refused):
    """The stop has begun, so it cannot be taken away."""


class NoStops(Refused):
    """A round without stops is not worth publishing."""


@transaction.atomic
def add_stop(*, round: Round, site: Site, horizon_weeks: int, seen_version: int, by: User, at: datetime) -> Visit:
    """Add a site as the last stop.

    Raises
    ------
    StaleRound, RoundOver, AlreadyAStop
        Nothing is written.
    """
    round = lock(round, seen_version)
    visit = add_visit(round, site, horizon_weeks)
    reorder(round, [row.pk for row in standing(round)])
    changed(round, "add_stop", by, at, after={"site": site.name})
    return visit


@transaction.atomic
def remove_stop(*, visit: Visit, seen_version: int, by: User, at: datetime) -> Visit:
    """Take a stop out of its round; the visit stays on record as cancelled.

    Raises
    ------
    StaleRound, RoundOver, UnderWay
        Nothing is written.
    """
    round = lock(_round_of(visit), seen_version)
    visit = _refuse_begun(visit)
    visit.state = Visit.State.CANCELLED
    visit.version += 1
    visit.save(update_fields=["state", "version"])
    reorder(round, [row.pk for row in standing(round)])
    changed(round, "remove_stop", by, at, after={"site": visit.site.name})
    end_if_over(round, by, at)
    return visit


@transaction.atomic
def move_stop(*, visit: Visit, to: Round, seen_version: int, by: User, at: datetime) -> Visit:
    """Move a stop to the end of another round, with that round's day and technician.

    Raises
    ------
    StaleRound, RoundOver, UnderWay, AlreadyAStop
        Nothing is written.
    """
    old, to = _lock_two(_round_of(visit), to, seen_version)
    visit = _refuse_begun(visit)
    if to.visits.exclude(state=Visit.State.CANCELLED).filter(site=visit.site_id).exists():
        raise AlreadyAStop(_("%(site)s is a stop of %(to)s already.") % {"site": visit.site.name, "to": to})
    weeks = horizon_of([visit])
    visit.round, visit.planned_on = to, to.day
    visit.position = (to.visits.aggregate(last=Max("position"))["last"] or 0) + 1
    visit.version += 1
    visit.save(update_fields=["round", "planned_on", "position", "version"])
    set_crew(visit, old.technician, to.technician)
    say_why(visit, weeks)
    for round in (old, to):
        reorder(round, [row.pk for row in standing(round)])
        changed(round, "move_stop", by, at, after={"site": visit.site.name, "to": to.number})
    end_if_over(old, by, at)
    return visit


@transaction.atomic
def shift_stop(*, visit: Visit, by_places: int, seen_version: int, by: User, at: datetime) -> Round:
    """Move a stop up (−1) or down (+1) in its round; at either end it stays where it is.

    Raises
    ------
    StaleRound, RoundOver
        Nothing is written.
    """
    round = lock(_round_of(visit), seen_version)
    order = [row.pk for row in standing(round)]
    if visit.pk not in order:
        raise RoundOver(_("This stop is no longer in the round."))
    place = order.index(visit.pk)
    order.insert(max(0, place + by_places), order.pop(place))
    reorder(round, order)
    return changed(round, "shift_stop", by, at)


@transaction.atomic
def order_stops(*, round: Round, seen_version: int, by: User, at: datetime) -> Round:
    """Put the stops in order by route: nearest next from the start, doors respected.

    Raises
    ------
    StaleRound, RoundOver
        Nothing is written.
    """
    round = lock(round, seen_version)
    reorder(round, route(round))
    return changed(round, "order_stops", by, at)


@transaction.atomic
def set_stop_minutes(*, visit: Visit, minutes: int, seen_version: int, by: User, at: datetime) -> Round:
    """Plan another time on site; from then on it is no longer worked out from what is due.

    Raises
    ------
    StaleRound, RoundOver
        Nothing is written.
    """
    round = lock(_round_of(visit), seen_version)
    visit = Visit.objects.get(pk=visit.pk)
    visit.planned_minutes = minutes
    visit.why = [row for row in visit.why if row.get("code") != "by_hand"] + [{"code": "by_hand"}]
    visit.save(update_fields=["planned_minutes", "why"])
    reorder(round, [row.pk for row in standing(round)])
    return changed(round, "set_stop_minutes", by, at, after={"site": visit.site_id, "minutes": minutes})


# --- what the verbs of rounds and stops share ---------------------------------------------------------------------------


def lock(round: Round, seen_version: int) -> Round:
    """Lock a round and refuse what was asked for on an older state of it, or when it is over."""
    round = Round.objects.select_for_update(of=("self",)).select_related("technician").get(pk=round.pk)
    if round.version != seen_version:
        raise StaleRound(
            _("This round was changed after you opened the page, so nothing was saved. Look again, then retry.")
        )
    if round.state not in (Round.State.DRAFT, Round.State.PUBLISHED):
        raise RoundOver(_("This round is %(state)s.") % {"state": round.get_state_display()})
    return round


def end_if_over(round: Round, by: User, at: datetime) -> None:
    """A published round is done when none of its visits is to come and at least one was made. The round is locked."""
    if round.state != Round.State.PUBLISHED or round.visits.to_come().exists():
        return
    if round.visits.filter(state=Visit.State.FINISHED).exists():
        round.state = Round.State.DONE
        round.version += 1
        round.save(update_fields=["state", "version"])
        record_change(by=by, at=at, verb="end_round", subject=round)


def _lock_two(old: Round, to: Round, seen_version: int) -> tuple[Round, Round]:
    if old.pk == to.pk:
        raise AlreadyAStop(_("The stop is in this round already."))
    rows = {
        row.pk: row
        for row in Round.objects.select_for_update(of=("self",)).filter(pk__in=[old.pk, to.pk]).order_by("pk")
    }
    return lock(rows[old.pk], seen_version), lock(rows[to.pk], rows[to.pk].version)


def standing(round: Round) -> list[Visit]:
    """Stops of a round that are not cancelled, in order, with what the timetable asks."""
    rows = Visit.objects.filter(round=round).exclude(state=Visit.State.CANCELLED)
    return list(rows.for_plan().order_by("position", "pk"))


def horizon_of(visits: Sequence[Visit]) -> int:
    """Weeks ahead that the stops were planned with: the longest of them."""
    return max((max(0, (until_of(visit) - visit.planned_on).days // 7) for visit in visits), default=4)


def _round_of(visit: Visit) -> Round:
    if visit.round is None:
        raise RoundOver(_("This visit is in no round."))
    return visit.round


def refuse_technician(user: User) -> None:
    if not user.is_technician or not user.is_active:
        raise NotATechnician(_("%(user)s is not an active technician.") % {"user": user.name})


def _refuse_begun(visit: Visit) -> Visit:
    visit = Visit.objects.select_for_update(of=("self",)).select_related("site").get(pk=visit.pk)
    if visit.state != Visit.State.PLANNED:
        raise UnderWay(
            _("The visit to %(site)s is %(state)s.") % {"site": visit.site.name, "state": visit.get_state_display()}
        )
    return visit


def add_visit(round: Round, site: Site, horizon_weeks: int) -> Visit:
    if round.visits.exclude(state=Visit.State.CANCELLED).filter(site=site).exists():
        raise AlreadyAStop(_("%(site)s is a stop of this round already.") % {"site": site.name})
    last = round.visits.aggregate(last=Max("position"))["last"] or 0
    visit = Visit.objects.create(
        customer_id=site.customer_id, site=site, round=round, position=last + 1, planned_on=round.day
    )
    set_crew(visit, None, round.technician)
    say_why(visit, horizon_weeks)
    return visit


def set_crew(visit: Visit, old: User | None, new: User) -> None:
    """The round's technician goes; others whom the office put on the visit stay."""
    if old is not None and old.pk != new.pk:
        VisitCrew.objects.filter(visit=visit, user=old).delete()
    VisitCrew.objects.get_or_create(visit=visit, user=new)


def say_why(visit: Visit, horizon_weeks: int) -> None:
    """Keep why the stop is made and what is changed there; the minutes too unless a person has set them."""
    until = change_until(visit.planned_on, horizon_weeks)
    items = DueItem.objects.open().filter(site_id=visit.site_id).select_related(*CELLS_PATHS)
    things = things_by_site(items).get(visit.site_id, [])
    by_hand = any(row.get("code") == "by_hand" for row in visit.why)
    whys = why_stop(things, day=visit.planned_on, until=until)
    visit.why = [
        {"code": "until", "on": until.isoformat()},
        *({"code": why.code, "duty": why.duty, "n": why.n, "text": why.text} for why in whys),
        *([{"code": "by_hand"}] if by_hand else []),
    ]
    if not by_hand:
        visit.planned_minutes = visit_minutes(
            n_batteries=sum(1 for thing in things if is_chosen(thing, until)),
            n_receivers=Receiver.objects.open().filter(site_id=visit.site_id).count(),
        )
    visit.save(update_fields=["why", "planned_minutes", "planned_on"])


def route(round: Round) -> list[int]:
    return route_order(round, standing(round))


def reorder(round: Round, order: Sequence[int]) -> None:
    """Number the stops in this order and work out when each begins."""
    by_key = {visit.pk: visit for visit in standing(round)}
    visits = [by_key[key] for key in order]
    for visit, call in zip(visits, day_plan(round, visits).calls, strict=True):
        visit.position = order.index(visit.pk) + 1
        minutes = call.begins_min % (24 * 60)
        visit.planned_at = time(minutes // 60, minutes % 60)
    Visit.objects.bulk_update(visits, ["position", "planned_at"])


def changed(
    round: Round, verb: str, by: User, at: datetime, before: dict | None = None, *, after: dict | None = None,
    reason: str = "",
) -> Round:  # fmt: skip
    round.version += 1
    round.save(update_fields=["version"])
    record_change(
        by=by, at=at, verb=verb, subject=round, before=before, reason=reason,
        after=after if after is not None else facts_of(round, *ROUND_FACTS),
    )  # fmt: skip
    if verb in WHO_GOES:
        look_again_where_late(site_ids=round.visits.values_list("site_id", flat=True))
    return round
