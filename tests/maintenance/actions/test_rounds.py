"""Planning a day by hand: drafts, stops, order, publishing."""

from datetime import UTC, date, datetime, time

import pytest

from company.models import Technician
from maintenance.actions.rounds import DayPast, RoundPlan, cancel_round, edit_round, plan_round, publish_round
from maintenance.actions.stops import (
    AlreadyAStop,
    NoStops,
    NotATechnician,
    RoundOver,
    StaleRound,
    UnderWay,
    add_stop,
    move_stop,
    order_stops,
    remove_stop,
    set_stop_minutes,
    shift_stop,
)
from maintenance.models import DueItem, Round, Visit
from maintenance.querysets.days import until_of, why_texts
from tests import factories

AT = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)
TODAY = date(2026, 11, 25)


def a_plan(technician, **over):
    fields = {"name": "Harbour side", "day": date(2026, 11, 27), "starts": time(8, 30), "horizon_weeks": 4}
    return RoundPlan(technician=technician, **(fields | over))


@pytest.fixture
def sites(world):
    Technician.objects.create(user=world.technician, start_latitude=56.0, start_longitude=-6.0)
    places = [("far", 56.4), ("near", 56.1), ("middle", 56.2)]
    return [factories.make_site(world.own, name=name, latitude=latitude, longitude=-6.0) for name, latitude in places]


@pytest.fixture
def round(world, sites):
    return plan_round(plan=a_plan(world.technician), sites=sites, by=world.office, at=AT, today=TODAY)


def names(round):
    rows = Visit.objects.filter(round=round).exclude(state="cancelled").order_by("position")
    return [row.site.name for row in rows]


def stop(round, name):
    return Visit.objects.exclude(state="cancelled").select_related("round").get(round=round, site__name=name)


def test_a_new_round_is_a_draft_with_its_stops_ordered_by_route_and_timed(world, round):
    assert (round.state, names(round)) == ("draft", ["near", "middle", "far"])
    times = list(Visit.objects.filter(round=round).order_by("position").values_list("planned_at", flat=True))
    assert times == sorted(times)
    assert times[0] > time(8, 30)
    assert all(world.technician in [row.user for row in v.crew.all()] for v in Visit.objects.filter(round=round))


def test_rounds_are_numbered_one_after_the_other(world, sites, round):
    other = plan_round(plan=a_plan(world.technician), sites=sites[:1], by=world.office, at=AT, today=TODAY)
    assert other.number == round.number + 1


@pytest.mark.parametrize(
    ("over", "refusal"),
    [({"day": date(2026, 11, 24)}, DayPast), ({"technician": "office"}, NotATechnician), ({}, NoStops)],
)
def test_a_plan_that_cannot_be_is_refused(world, sites, over, refusal):
    if "technician" in over:
        over = {"technician": world.office}
    plan = a_plan(**({"technician": world.technician} | over))
    with pytest.raises(refusal):
        plan_round(plan=plan, sites=[] if refusal is NoStops else sites, by=world.office, at=AT, today=TODAY)
    assert not Round.objects.exists()


def test_a_stop_says_why_and_what_is_changed_until_when(world):
    row = world.own_registration
    DueItem.objects.create(
        customer=world.own, site=world.own_site, kind="cells", fitting=world.own_fitting, receiver=world.own_receiver,
        registration=row, transmitter=row.transmitter, duty="life_safety", harm=0, due_on=date(2026, 11, 20),
        reason="calendar_cap", model_version="1", as_of=TODAY,
    )  # fmt: skip
    plan = a_plan(world.technician, horizon_weeks=6)
    round = plan_round(plan=plan, sites=[world.own_site], by=world.office, at=AT, today=TODAY)
    visit = round.visits.get()
    assert until_of(visit) == date(2027, 1, 8)
    assert why_texts(visit) == ["1 life safety late"]
    assert visit.planned_minutes == 25


def test_what_was_asked_for_on_an_older_page_is_refused(world, round, sites):
    shift_stop(visit=stop(round, "far"), by_places=-1, seen_version=round.version, by=world.office, at=AT)
    with pytest.raises(StaleRound):
        publish_round(round=round, seen_version=round.version, by=world.office, at=AT)
    round.refresh_from_db()
    assert (round.state, names(round)) == ("draft", ["near", "far", "middle"])


def test_stops_move_up_and_down_and_stay_at_the_ends(world, round):
    round = shift_stop(visit=stop(round, "near"), by_places=-1, seen_version=round.version, by=world.office, at=AT)
    assert names(round) == ["near", "middle", "far"]
    round = shift_stop(visit=stop(round, "near"), by_places=1, seen_version=round.version, by=world.office, at=AT)
    assert names(round) == ["middle", "near", "far"]
    round = order_stops(round=round, seen_version=round.version, by=world.office, at=AT)
    assert names(round) == ["near", "middle", "far"]


def test_a_stop_taken_out_is_cancelled_not_deleted_and_may_come_back(world, round):
    visit = remove_stop(visit=stop(round, "middle"), seen_version=round.version, by=world.office, at=AT)
    round.refresh_from_db()
    assert (visit.state, names(round)) == ("cancelled", ["near", "far"])
    add_stop(
        round=round, site=visit.site, horizon_weeks=4, seen_version=round.version, by=world.office, at=AT
    )  # fmt: skip
    assert names(round) == ["near", "far", "middle"]


def test_a_site_is_a_stop_of_a_round_once(world, round, sites):
    with pytest.raises(AlreadyAStop):
        add_stop(round=round, site=sites[0], horizon_weeks=4, seen_version=round.version, by=world.office, at=AT)


def test_a_stop_moved_to_another_round_takes_its_day_and_technician(world, round):
    colleague = factories.make_user("technician")
    other = factories.make_round(colleague, day=date(2026, 12, 1), state="draft")
    visit = move_stop(visit=stop(round, "far"), to=other, seen_version=round.version, by=world.office, at=AT)
    assert (visit.round, visit.planned_on) == (other, date(2026, 12, 1))
    assert [row.user for row in visit.crew.all()] == [colleague]
    assert names(round) == ["near", "middle"]


def test_a_stop_that_has_begun_stays(world, round):
    visit = stop(round, "near")
    Visit.objects.filter(pk=visit.pk).update(state="open")
    with pytest.raises(UnderWay):
        remove_stop(visit=visit, seen_version=round.version, by=world.office, at=AT)
    with pytest.raises(UnderWay):
        cancel_round(round=round, reason="storm", seen_version=round.version, by=world.office, at=AT)
    plan = a_plan(world.technician, day=date(2026, 12, 2))
    with pytest.raises(UnderWay):
        edit_round(round=round, plan=plan, seen_version=round.version, by=world.office, at=AT, today=TODAY)


def test_another_day_and_technician_go_to_every_stop(world, round):
    colleague = factories.make_user("technician")
    plan = a_plan(colleague, day=date(2026, 12, 2), horizon_weeks=2)
    edit_round(round=round, plan=plan, seen_version=round.version, by=world.office, at=AT, today=TODAY)
    for visit in Visit.objects.filter(round=round):
        assert visit.planned_on == date(2026, 12, 2)
        assert until_of(visit) == date(2026, 12, 16)
        assert [row.user for row in visit.crew.all()] == [colleague]


def test_minutes_set_by_hand_survive_another_horizon(world, round):
    round = set_stop_minutes(
        visit=stop(round, "near"), minutes=90, seen_version=round.version, by=world.office, at=AT
    )  # fmt: skip
    plan = a_plan(world.technician, horizon_weeks=8)
    edit_round(round=round, plan=plan, seen_version=round.version, by=world.office, at=AT, today=TODAY)
    assert stop(round, "near").planned_minutes == 90
    assert stop(round, "far").planned_minutes != 90


def test_only_a_published_round_is_seen_by_its_technician(world, round):
    assert not Round.objects.visible_to(world.technician).exists()
    assert not Visit.objects.visible_to(world.technician).exists()
    publish_round(round=round, seen_version=round.version, by=world.office, at=AT)
    assert Round.objects.visible_to(world.technician).get() == round
    assert Visit.objects.visible_to(world.technician).count() == 3
    assert not Visit.objects.visible_to(factories.make_user("technician")).exists()


def test_a_customer_sees_planned_visits_of_its_own_sites_once_published(world, round):
    assert not Visit.objects.visible_to(world.own_user).exists()
    publish_round(round=round, seen_version=round.version, by=world.office, at=AT)
    assert Visit.objects.visible_to(world.own_user).count() == 3
    assert not Visit.objects.visible_to(world.other_user).exists()


def test_an_empty_round_is_not_published(world):
    round = factories.make_round(world.technician, state="draft")
    with pytest.raises(NoStops):
        publish_round(round=round, seen_version=round.version, by=world.office, at=AT)


def test_a_cancelled_round_frees_its_sites_and_takes_no_more_changes(world, round, sites):
    assert {visit.site_id for visit in round.visits.to_come()} == {site.pk for site in sites}
    round = cancel_round(round=round, reason="storm", seen_version=round.version, by=world.office, at=AT)
    assert not round.visits.to_come().exists()
    with pytest.raises(RoundOver):
        publish_round(round=round, seen_version=round.version, by=world.office, at=AT)
