"""Sites of a recall become drafts, cut into days, and their cells stand on packing list and sheet."""

from datetime import date, time, timedelta

import pytest

from company.models import Technician, TechnicianDayOff
from maintenance.actions.recall_rounds import AllPlaced, Pull, TooManyDays, pull_into_round, pull_into_rounds
from maintenance.actions.rounds import DayPast, RoundPlan
from maintenance.actions.stops import NoStops, NotATechnician, StaleRound
from maintenance.models import DueItem, Round, Visit
from maintenance.querysets.days import due_on_visit, until_of
from tests import factories
from tests.factories import NOW, TODAY

FRIDAY = date(2026, 11, 27)
DUE_BY = TODAY + timedelta(days=60)


@pytest.fixture
def sites(world):
    Technician.objects.create(user=world.technician, start_latitude=56.0, start_longitude=-6.0)
    return [factories.make_site(world.own, name=f"s{n}", latitude=56.0 + n / 10, longitude=-6.0) for n in range(1, 6)]


def a_pull(technician, *, n_a_day=8, due_by=DUE_BY, **over):
    fields = {"name": "Lot 24A17", "day": FRIDAY, "starts": time(8, 30), "horizon_weeks": 4}
    return Pull(RoundPlan(technician=technician, **(fields | over)), n_a_day, due_by)


def pull(world, sites, *, grave=(), **over):
    technician = over.pop("technician", world.technician)
    return pull_into_rounds(
        pull=a_pull(technician, **over), sites=sites, grave=grave, by=world.office, at=NOW, today=TODAY
    )


def names(round):
    rows = Visit.objects.filter(round=round).exclude(state="cancelled").order_by("position")
    return [row.site.name for row in rows]


def test_every_stop_reaches_the_day_of_the_recall_so_that_its_cells_are_packed(world, sites):
    registration = factories.make_registration(factories.make_receiver(sites[0]), 1)
    item = DueItem.objects.create(
        customer=world.own, site=sites[0], kind="cells", fitting=factories.make_fitting(registration.transmitter),
        receiver=registration.receiver, registration=registration, transmitter=registration.transmitter, harm=0,
        duty="life_safety", due_on=DUE_BY, reason="recall", model_version="0", as_of=TODAY, opinions=[],
    )  # fmt: skip
    (round,) = pull(world, sites)
    assert (round.state, len(names(round))) == ("draft", 5)
    visit = Visit.objects.get(round=round, site=sites[0])
    assert until_of(visit) >= DUE_BY
    assert due_on_visit(visit) == [item]


def test_many_sites_are_cut_into_working_days_with_life_safety_first(world, sites):
    TechnicianDayOff.objects.create(technician=world.technician.technician, day=date(2026, 12, 1))
    factories.make_round(world.technician, day=date(2026, 12, 2))
    rounds = pull(world, sites, n_a_day=2, grave={sites[4].pk})
    # Friday; Monday; Tuesday off, Wednesday taken: Thursday.
    assert [round.day for round in rounds] == [FRIDAY, date(2026, 11, 30), date(2026, 12, 3)]
    assert "s5" in names(rounds[0])
    assert sorted(name for round in rounds for name in names(round)) == ["s1", "s2", "s3", "s4", "s5"]
    assert [round.name for round in rounds] == ["Lot 24A17 1/3", "Lot 24A17 2/3", "Lot 24A17 3/3"]


def test_the_same_form_sent_twice_makes_the_rounds_once(world, sites):
    pull(world, sites)
    with pytest.raises(AllPlaced):
        pull(world, sites)
    assert Round.objects.count() == 1
    more = factories.make_site(world.own, name="s6")
    (second,) = pull(world, [*sites, more])
    assert names(second) == ["s6"]


@pytest.mark.parametrize(
    ("over", "refusal"),
    [
        ({"sites": []}, NoStops),
        ({"day": TODAY - timedelta(days=1)}, DayPast),
        ({"technician": "office"}, NotATechnician),
        ({"n_a_day": 1, "closed": True}, TooManyDays),
    ],
)
def test_what_cannot_be_planned_is_refused_and_leaves_no_round(world, sites, over, refusal):
    if over.pop("closed", False):
        off = [
            TechnicianDayOff(technician=world.technician.technician, day=FRIDAY + timedelta(days=n))
            for n in range(1, 60)
        ]
        TechnicianDayOff.objects.bulk_create(off)
    if "technician" in over:
        over["technician"] = world.office
    with pytest.raises(refusal):
        pull(world, over.pop("sites", sites), **over)
    assert not Round.objects.exists()


def test_a_draft_takes_further_stops_and_makes_its_own_reach_the_day(world, sites):
    (round,) = pull(world, sites[:2], due_by=None)
    visit = Visit.objects.get(round=round, site=sites[0])
    assert until_of(visit) < DUE_BY
    round.refresh_from_db()
    with pytest.raises(StaleRound):
        pull_into_round(round=round, sites=sites, due_by=DUE_BY, seen_version=99, by=world.office, at=NOW)
    pull_into_round(round=round, sites=sites, due_by=DUE_BY, seen_version=round.version, by=world.office, at=NOW)
    assert names(round) == ["s1", "s2", "s3", "s4", "s5"]
    assert all(until_of(row) >= DUE_BY for row in Visit.objects.filter(round=round))
    round.refresh_from_db()
    with pytest.raises(AllPlaced):
        pull_into_round(round=round, sites=sites, due_by=DUE_BY, seen_version=round.version, by=world.office, at=NOW)
