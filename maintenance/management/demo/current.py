"""What is under way today, done through the same actions that people use: rounds planned and published, a stop begun."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from random import Random

from company import jobs
from company.models import User
from devices.models import BatteryType, Receiver, Registration
from maintenance.actions.backtest import refresh_backtest
from maintenance.actions.due import business_day, refresh_receivers
from maintenance.actions.entries import Saying, record_entry
from maintenance.actions.fits import MODEL_VERSION, refresh_fit
from maintenance.actions.recalls import NothingAffected, RecallPlan, open_recall
from maintenance.actions.reports import ask_for_service_report
from maintenance.actions.rounds import RoundPlan, plan_round, publish_round
from maintenance.actions.visits import start_visit
from maintenance.management.demo.clock import at, share_of
from maintenance.management.demo.lives import BAD_LOT_BATTERY, lot_days
from maintenance.management.demo.visits import BEAT_NAMES, LEFT_WHY
from maintenance.management.demo.world import DemoFirm, seeded_uuid
from maintenance.models import DueItem, Entry, Recall, RefreshRun, Round, Visit
from maintenance.rules.recalls import RecallFilter
from sites.models import Site

HORIZON_WEEKS = 9


@dataclass(frozen=True, slots=True)
class Hands:
    """Who does it: the office person and the technicians in order."""

    office: User
    technicians: Sequence[User]


def refresh_due(today: date) -> None:
    """Learn from all lives, hold earlier predictions against what happened, then work out every due date."""
    fit = refresh_fit(at=at(today, 3), as_of=today)
    refresh_backtest(fit=fit, at=at(today, 3, 5), today=today)
    refresh_receivers(
        receiver_ids=list(Receiver.objects.open().values_list("pk", flat=True)), at=at(today, 3, 10), today=today
    )


def close_night(today: date) -> RefreshRun:
    """Put the work of `refresh_due` and `load_findings` on record as last night's run, done before the office opened."""
    return RefreshRun.objects.create(
        business_day=business_day(at(today, 3, 10)), model_version=MODEL_VERSION, state=RefreshRun.State.CLOSED,
        started_at=at(today, 3, 10), closed_at=at(today, 3, 12), n_chunks=1,
        n_items=DueItem.objects.filter(is_closed=False).count(), n_changed=0,
    )  # fmt: skip


def explain_left(rng: Random, today: date) -> int:
    """Give the finished visits a reason for each thing whose date had come and that stayed in."""
    made = []
    late = DueItem.objects.late(today).filter(registration__isnull=False)
    for item in late.select_related("registration", "fitting").order_by("pk"):
        done = Visit.objects.filter(site=item.site_id, state="finished", finished_at__date__gte=item.due_on)
        for visit in done.order_by("planned_on", "pk"):
            assert visit.finished_at is not None
            begun = item.fitting.fitted_at if item.fitting else None
            if begun is None or begun > visit.finished_at or _is_answered(visit, item):
                continue
            made.append(_not_done(rng, visit, item))
    Entry.objects.bulk_create(made)
    return len(made)


def _is_answered(visit: Visit, item: DueItem) -> bool:
    return visit.entries.filter(registration=item.registration_id, kind__in=["battery", "not_done"]).exists()


def _not_done(rng: Random, visit: Visit, item: DueItem) -> Entry:
    why, words = rng.choice(LEFT_WHY)
    facts = {"why": why, "why_words": words}
    saying = Saying("not_done", facts, None, item.registration)
    assert visit.finished_at is not None
    when = visit.finished_at - timedelta(minutes=3)
    assert visit.finished_by is not None
    return Entry(
        key=seeded_uuid(rng), customer_id=visit.customer_id, visit=visit, receiver_id=item.receiver_id,
        registration_id=item.registration_id, kind="not_done", made_at=when, recorded_at=when + timedelta(seconds=20),
        by=visit.finished_by, facts=facts, sha256=saying.digest(visit, None),
    )  # fmt: skip


def prepare_recall(firm: DemoFirm, hands: Hands) -> Recall | None:
    """The bad delivery is recalled, with the cells fitted then of which nobody noted the lot; None where none is left."""
    first, last = lot_days(firm.today)
    plan = RecallPlan(
        title=f"CR2450 of delivery {firm.truth.bad_lot}",
        why="Cells of this delivery have ended at about half the life of others of their kind.",
        due_on=firm.today + timedelta(days=42),
        filter=RecallFilter(
            lots=(firm.truth.bad_lot,), unknown_from=first, unknown_to=last,
            battery_type=BatteryType.objects.get(code=BAD_LOT_BATTERY).pk,
        ),
        key="demo",
    )  # fmt: skip
    try:
        return open_recall(plan=plan, by=hands.office, at=at(firm.today, 7, 20), today=firm.today)
    except NothingAffected:
        return None


def plan_rounds(firm: DemoFirm, sites: dict[str, Site], hands: Hands) -> list[Round]:
    """Today's round and next week's are published, the one after is a draft."""
    beats: dict[str, list[Site]] = {}
    days: dict[str, date] = {}
    for site in firm.sites:
        beats.setdefault(site.beat, []).append(sites[site.code])
        days[site.beat] = site.visit_days[-1]
    rounds = []
    for index, beat in enumerate(list(beats)[:3]):
        when = at(firm.today - timedelta(days=3), 14, 10 * index)
        plan = RoundPlan(
            name=BEAT_NAMES.get(beat[0], beat), day=days[beat], technician=hands.technicians[index % len(hands.technicians)],
            starts=time(8, 30), horizon_weeks=HORIZON_WEEKS,
        )  # fmt: skip
        made = plan_round(plan=plan, sites=beats[beat], by=hands.office, at=when, today=firm.today)
        if index < 2:
            made = publish_round(round=made, seen_version=made.version, by=hands.office, at=when + timedelta(minutes=5))
        rounds.append(made)
    return rounds


def begin_round(rng: Random, round: Round, today: date) -> Visit:
    """The first stop of today is under way: on test, two batteries changed and tested, more to do."""
    technician = round.technician
    visit = round.visits.filter(state="planned").select_related("site").order_by("position")[0]
    moment, minute = at(today, 8, 42), timedelta(minutes=share_of(today))
    visit = start_visit(visit=visit, by=technician, at=moment)
    _say(rng, visit, Saying("on_test", {"told": "Causeway Signal Desk"}), technician, moment + 4 * minute)
    # Dates follow a change after the commit, and the demo is one transaction: a unit swapped in it still bears its date.
    items = (
        DueItem.objects.open()
        .filter(site=visit.site, kind="cells", registration__removed_at=None)
        .exclude(registration=None)
    )
    moment += 12 * minute
    year, week, _ = (today - timedelta(days=120)).isocalendar()
    lot = f"{year % 100:02}-{week:02}F"
    for item in items.select_related("fitting__battery_type", "registration").order_by("due_on", "pk")[:2]:
        row = Registration.objects.select_related("receiver", "transmitter").get(pk=item.registration_id)
        assert item.fitting is not None
        assert item.fitting.battery_type is not None
        facts = {
            "cells": item.fitting.battery_type.code, "n_cells": item.fitting.n_cells, "lot": lot,
            "old_why": "low_battery" if item.fitting.first_low_at else "preventive", "old_v": 2.61, "old_under_load": True,
        }  # fmt: skip
        _say(rng, visit, Saying("battery", facts, None, row), technician, moment)
        facts = {"heard": True, "margin_db": 19}
        _say(rng, visit, Saying("walk_test", facts, None, row), technician, moment + 3 * minute)
        moment += 7 * minute
    return visit


def _say(rng: Random, visit: Visit, saying: Saying, by: User, moment: datetime) -> None:
    record_entry(visit=visit, saying=saying, key=seeded_uuid(rng), by=by, at=moment)


def issue_reports(hands: Hands, today: date, n: int) -> int:
    """Print the service reports of the newest finished visits of today's customers."""
    newest = Visit.objects.filter(state="finished", planned_on__lt=today).order_by("-planned_on", "pk")
    chosen = (
        list(newest.filter(customer__code="FVC")[:1]) + list(newest.filter(customer__code="SHT")[:1]) + list(newest[:1])
    )
    asked = [ask_for_service_report(visit=visit, by=hands.office, at=at(today, 7, 30)) for visit in chosen[:n]]
    return sum(jobs.run(job.pk) for job in asked)
