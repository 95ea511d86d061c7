"""Due dates in the database: one receiver at once, the night's run exactly once, whatever is killed on the way."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta
from typing import Any

import pytest
import time_machine
from django.core.management import CommandError, call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from company import jobs
from company.actions import ensure_policies
from company.models import Job, RiskPolicy
from devices.models import Fault, Fitting, FittingTotals, Receiver, Registration
from maintenance.actions import due
from maintenance.models import DueChange, DueItem, RefreshRun
from tests import factories
from tests.factories import NOW, TODAY

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _clock() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


def slot(receiver: Receiver, number: int = 1, **over: Any) -> tuple[Registration, Fitting]:
    fitting = {key.removeprefix("fitting_"): over.pop(key) for key in list(over) if key.startswith("fitting_")}
    if "transmitter" not in over:
        # Draws enough for the risk limit to come before every calendar rule.
        kind = factories.transmitter_type("test-busy", sleep_ua=10.0)
        over["transmitter"] = factories.make_transmitter(receiver.customer, type=kind)
    registration = factories.make_registration(receiver, number, **over)
    return registration, factories.make_fitting(registration.transmitter, **fitting)


@pytest.fixture
def receiver(db: Any) -> Receiver:
    return factories.make_receiver()


def refresh(*receivers: Receiver, today: date = TODAY) -> due.Refreshed:
    return due.refresh_receivers(receiver_ids=[row.pk for row in receivers], at=NOW, today=today)


def item_of(fitting: Fitting) -> DueItem:
    return DueItem.objects.get(fitting=fitting)


# --- one receiver -----------------------------------------------------------------------------------------------------


def test_cells_get_a_date_a_reason_and_their_working(receiver: Receiver) -> None:
    registration, fitting = slot(receiver)
    refresh(receiver)
    item = item_of(fitting)
    assert item.due_on is not None
    assert item.reason == "risk_limit"
    assert item.registration == registration
    assert (item.duty, item.harm) == ("life_safety", 0)
    assert item.flags == ["prior_only", "fallback_rate"]
    assert {o["code"] for o in item.opinions} == {"risk_limit", "calendar_cap", "shelf_life"}
    assert item.opinions[0]["why"].startswith("Change by ")
    assert item.planning_q == pytest.approx(RiskPolicy.objects.get(duty="life_safety").p_dead)
    assert item.figures["why"] == item.opinions[0]["why"]
    assert len(item.figures["notes"]) == 2


def test_refreshing_twice_writes_nothing(receiver: Receiver) -> None:
    slot(receiver)
    slot(receiver, 2, fitting_fitted_at=None)
    assert refresh(receiver).n_written == 2
    assert refresh(receiver).n_written == 0
    assert refresh(receiver, today=TODAY + timedelta(days=1)).n_written == 0


def test_a_low_battery_signal_brings_the_date_forward_and_is_logged(receiver: Receiver) -> None:
    _, fitting = slot(receiver)
    refresh(receiver)
    before = item_of(fitting)
    Fitting.objects.filter(pk=fitting.pk).update(first_low_at=NOW - timedelta(days=2))
    assert refresh(receiver).n_moved == 1
    item = item_of(fitting)
    grace = RiskPolicy.objects.get(duty="life_safety").grace_days
    assert (item.reason, item.due_on) == ("low_battery", TODAY - timedelta(days=2) + timedelta(days=grace))
    change = DueChange.objects.get(due_item=item)
    assert (change.from_on, change.from_reason, change.to_on) == (before.due_on, "risk_limit", item.due_on)


def test_an_open_low_battery_fault_counts_and_one_of_the_cells_before_does_not(receiver: Receiver) -> None:
    registration, fitting = slot(receiver)
    fault = Fault.objects.create(
        customer=receiver.customer, site=receiver.site, receiver=receiver, registration=registration,
        transmitter=registration.transmitter, kind="low_battery", raised_at=NOW - timedelta(days=500),
    )  # fmt: skip
    refresh(receiver)
    assert item_of(fitting).reason == "risk_limit"
    Fault.objects.filter(pk=fault.pk).update(raised_at=NOW - timedelta(days=1))
    refresh(receiver)
    assert item_of(fitting).reason == "low_battery"


def test_changed_cells_close_the_old_item_and_open_a_new_one(receiver: Receiver) -> None:
    _, old = slot(receiver, fitting_fitted_at=NOW - timedelta(days=3000))
    refresh(receiver)
    assert item_of(old).due_on < TODAY
    Fitting.objects.filter(pk=old.pk).update(removed_at=NOW, removed_why="preventive")
    new = factories.make_fitting(old.transmitter, fitted_at=NOW)
    refresh(receiver)
    assert item_of(old).is_closed
    assert not item_of(new).is_closed
    assert item_of(new).due_on > TODAY


def test_a_transmitter_taken_out_of_its_slot_is_due_no_more(receiver: Receiver) -> None:
    registration, fitting = slot(receiver)
    refresh(receiver)
    Registration.objects.filter(pk=registration.pk).update(removed_at=NOW)
    refresh(receiver)
    assert item_of(fitting).is_closed
    other = factories.make_receiver(receiver.site)
    factories.make_registration(other, 3, transmitter=registration.transmitter)
    refresh(other)
    assert not item_of(fitting).is_closed
    assert item_of(fitting).receiver == other


def test_a_transmitter_in_two_slots_is_one_thing_of_the_most_harmful_duty(receiver: Receiver) -> None:
    first, fitting = slot(receiver, duty="convenience", is_shared=True)
    second = factories.make_registration(
        factories.make_receiver(receiver.site), 9, transmitter=first.transmitter, duty="life_safety", is_shared=True
    )
    refresh(receiver)
    assert DueItem.objects.count() == 1
    assert item_of(fitting).registration == second
    assert item_of(fitting).harm == 0


def test_cells_of_unknown_age_are_due_half_a_cap_after_our_records_begin(receiver: Receiver) -> None:
    _, fitting = slot(receiver, fitting_fitted_at=None, fitting_entered_at=NOW - timedelta(days=10))
    refresh(receiver)
    item = item_of(fitting)
    cap = RiskPolicy.objects.get(duty="life_safety").calendar_cap_days
    assert item.reason == "unknown_age"
    assert item.due_on == TODAY - timedelta(days=10) + timedelta(days=round(cap / 2))
    assert "unknown_age" in item.flags


def test_cells_of_an_unknown_type_are_due_by_the_calendar(receiver: Receiver) -> None:
    _, fitting = slot(receiver, fitting_battery_type=None)
    refresh(receiver)
    assert item_of(fitting).reason == "calendar_cap"
    assert item_of(fitting).exposure is None


def test_a_standby_battery_and_a_whole_unit_are_due_by_their_years() -> None:
    kind = factories.receiver_type("test-standby", has_standby_battery=True, standby_life_years=4)
    receiver = factories.make_receiver(type=kind, standby_fitted_on=date(2023, 1, 1))
    smoke = factories.transmitter_type("test-smoke", unit_life_years=10)
    transmitter = factories.make_transmitter(receiver.customer, type=smoke, made_on=date(2017, 5, 1))
    slot(receiver, transmitter=transmitter)
    refresh(receiver)
    standby = DueItem.objects.get(kind="standby")
    assert standby.due_on == date(2023, 1, 1) + timedelta(days=1461)
    assert "a standby battery of this kind serves 4 years" in standby.opinions[0]["why"]
    assert standby.harm == 0
    unit = DueItem.objects.get(kind="unit")
    assert unit.due_on == date(2017, 5, 1) + timedelta(days=3652)
    assert "the whole unit serves 10 years from the day it was made" in unit.opinions[0]["why"]
    assert DueItem.objects.filter(kind="cells").count() == 1
    assert refresh(receiver).n_written == 0


def test_a_welded_cell_is_due_with_its_unit(receiver: Receiver) -> None:
    sealed = factories.transmitter_type("test-sealed", unit_life_years=10, welded_cell=True, sleep_ua=12.0)
    transmitter = factories.make_transmitter(receiver.customer, type=sealed)
    slot(receiver, transmitter=transmitter)
    refresh(receiver)
    item = DueItem.objects.get()
    assert item.kind == "unit"
    assert item.reason == "risk_limit"
    assert {o["code"] for o in item.opinions} == {"risk_limit", "unit_life"}


def test_counted_activations_and_earlier_settings_enter_the_exposure(receiver: Receiver) -> None:
    _, quiet = slot(receiver)
    _, busy = slot(receiver, 2)
    for interval_s, from_on, activations in ((600, date(2025, 10, 1), 9000), (3600, date(2026, 6, 1), 9000)):
        FittingTotals.objects.create(
            fitting=busy, customer=busy.customer, from_on=from_on, interval_s=interval_s, days_measured=1000,
            activations=activations,
        )  # fmt: skip
    refresh(receiver)
    assert item_of(busy).exposure > 1.5 * item_of(quiet).exposure
    assert item_of(busy).due_on < item_of(quiet).due_on
    assert "fallback_rate" not in item_of(busy).flags


def test_a_changed_policy_moves_dates(receiver: Receiver) -> None:
    _, fitting = slot(receiver)
    refresh(receiver)
    before = item_of(fitting).due_on
    RiskPolicy.objects.filter(duty="life_safety").update(p_dead=0.05, p_call=0.2)
    refresh(receiver)
    assert item_of(fitting).due_on > before


# --- the night --------------------------------------------------------------------------------------------------------


def world(n_receivers: int = 3) -> list[Fitting]:
    receivers = [factories.make_receiver() for _ in range(n_receivers)]
    return [slot(receiver, number)[1] for receiver in receivers for number in (1, 2)]


def run_jobs() -> int:
    """Do what is ready. The test of earlier predictions, which a night may ask for, is not counted."""
    tests = Job.objects.filter(key__startswith="backtest:", state="done")
    before = tests.count()
    return jobs.run_ready() - (tests.count() - before)


def test_the_night_run_closes_once_and_a_second_start_changes_nothing() -> None:
    fittings = world()
    run = due.start_nightly(at=NOW)
    assert run.business_day == TODAY
    assert due.start_nightly(at=NOW).pk == run.pk
    assert run_jobs() >= 1, "the fit, which goes on with the one chunk that it asked for"
    ours = Job.objects.filter(handler__startswith="maintenance.actions.due.")
    assert list(ours.values_list("state", flat=True)) == ["done", "done"]
    run.refresh_from_db()
    assert (run.state, run.n_items, run.n_changed) == ("closed", len(fittings), 0)
    before = list(DueItem.objects.order_by("pk").values())
    due.start_nightly(at=NOW)
    assert run_jobs() == 0
    assert RefreshRun.objects.count() == 1
    assert list(DueItem.objects.order_by("pk").values()) == before


@pytest.mark.parametrize(("published_later_by", "n_moved"), [(-7, 1), (8, 1), (3, 0), (-30, 0), (-31, 1)])
def test_the_next_night_holds_a_wavering_date_still(published_later_by: int, n_moved: int) -> None:
    # A date published too late by three days would move earlier by three: that is not worth a changed plan.
    fitting = world(1)[0]
    due.start_nightly(at=NOW)
    run_jobs()
    exact = item_of(fitting).due_on
    published = exact + timedelta(days=published_later_by)
    if published_later_by == -7:
        DueItem.objects.filter(fitting=fitting).update(
            reason="calendar_cap", signature=0
        )  # another reason is always news
    DueItem.objects.filter(fitting=fitting).update(due_on=published)
    with time_machine.travel(NOW + timedelta(days=1), tick=False):
        run = due.start_nightly()
        run_jobs()
    run.refresh_from_db()
    assert run.business_day == TODAY + timedelta(days=1)
    assert run.n_changed == n_moved
    assert item_of(fitting).due_on == (exact if n_moved else published)


def test_a_change_by_a_person_publishes_the_exact_date(receiver: Receiver) -> None:
    _, fitting = slot(receiver)
    refresh(receiver)
    exact = item_of(fitting).due_on
    DueItem.objects.update(due_on=exact + timedelta(days=3))
    refresh(receiver)
    assert item_of(fitting).due_on == exact


def test_a_killed_chunk_is_taken_up_after_its_lease_and_nothing_is_doubled(
    settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(due, "ROWS_A_WRITE", 2)
    fittings = world()
    run = due.start_nightly(at=NOW)
    monkeypatch.setattr(due, "_go_on", lambda *_: None)  # somebody else takes the chunk
    jobs.run(Job.objects.get().pk)
    job = Job.objects.get(handler__endswith="refresh_chunk")
    handle = jobs.claim(job.pk)
    assert handle is not None
    # The worker dies after its first portion: nothing marks the job, its lease stands.
    written = 0
    plain = due.write

    def dying(*args: Any, **kwargs: Any) -> Any:
        nonlocal written
        if written:
            raise KeyboardInterrupt
        written += 1
        return plain(*args, **kwargs)

    monkeypatch.setattr(due, "write", dying)
    with pytest.raises(KeyboardInterrupt):
        due.refresh_chunk(handle, **job.args)
    monkeypatch.setattr(due, "write", plain)
    assert DueItem.objects.count() == 2
    run_jobs()
    assert DueItem.objects.count() == 2, "the lease still stands"
    later = NOW + timedelta(seconds=settings.JOB_LEASE_S + 60)
    with time_machine.travel(later, tick=False):
        assert run_jobs() >= 1
        # The first worker was only asleep: it must not write any more, nor close anything.
        with pytest.raises(jobs.LeaseLost):
            due.refresh_chunk(handle, **job.args)
    run.refresh_from_db()
    assert run.state == "closed"
    assert DueItem.objects.count() == len(fittings)
    job.refresh_from_db()
    assert job.attempts == 2


def test_several_chunks_close_the_run_only_when_the_last_is_done(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(due, "TRANSMITTERS_A_CHUNK", 2)
    fittings = world(3)
    monkeypatch.setattr(due, "_go_on", lambda *_: None)  # other workers take the chunks
    run = due.start_nightly(at=NOW)
    jobs.run(Job.objects.get().pk)
    run.refresh_from_db()
    chunks = Job.objects.filter(handler__endswith="refresh_chunk")
    assert run.n_chunks == chunks.count() == 3
    for pk in chunks.order_by("-pk").values_list("pk", flat=True):
        run.refresh_from_db()
        assert run.state == "open"
        jobs.run(pk)
    run.refresh_from_db()
    assert (run.state, run.n_items) == ("closed", len(fittings))


def test_a_chunk_that_gave_up_is_tried_again_by_the_next_start(monkeypatch: pytest.MonkeyPatch) -> None:
    world(1)
    run = due.start_nightly(at=NOW)
    Job.objects.update(state="failed", attempts=3)
    due.start_nightly(at=NOW)
    assert run_jobs() >= 1
    run.refresh_from_db()
    assert run.state == "closed"


def test_a_firm_without_receivers_has_a_closed_run() -> None:
    run = due.start_nightly(at=NOW)
    run_jobs()
    run.refresh_from_db()
    assert (run.state, run.n_chunks, run.n_items) == ("closed", 0, 0)


def test_a_receiver_changed_meanwhile_is_left_to_its_own_refresh(
    receiver: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    slot(receiver)
    plain = due.things_at

    def slow(*args: Any) -> Any:
        found = plain(*args)
        Receiver.objects.filter(pk=receiver.pk).update(version=99)
        return found

    monkeypatch.setattr(due, "things_at", slow)
    refresh(receiver)
    assert not DueItem.objects.exists()


def test_two_refreshes_at_once_publish_a_thing_once(receiver: Receiver, monkeypatch: pytest.MonkeyPatch) -> None:
    slot(receiver)
    plain = due.judge
    calls = []

    def overtaken(*args: Any, **kwargs: Any) -> Any:
        judged = plain(*args, **kwargs)
        calls.append(1)
        if len(calls) == 1:
            refresh(receiver)  # another refresh writes between judging and writing
        return judged

    monkeypatch.setattr(due, "judge", overtaken)
    assert refresh(receiver).n_written == 0
    assert DueItem.objects.count() == 1
    assert len(calls) == 3, "judged, overtaken, judged again"


@pytest.mark.parametrize(
    ("at", "day"),
    [("2026-11-25T03:09:00+00:00", date(2026, 11, 24)), ("2026-11-25T03:10:00+00:00", date(2026, 11, 25))],
)
def test_the_business_day_begins_at_the_nightly_hour(settings: Any, at: str, day: date) -> None:
    settings.NIGHTLY_AT_UTC = "03:10"
    assert due.business_day(datetime.fromisoformat(at)) == day


# --- the command ------------------------------------------------------------------------------------------------------


def test_the_command_does_the_run_and_then_works_out_again(capsys: pytest.CaptureFixture[str]) -> None:
    fittings = world(1)
    call_command("refresh_due", "--on", "2026-11-25")
    assert "2 due dates of 2026-11-25 worked out, 0 moved" in capsys.readouterr().out
    Fitting.objects.filter(pk=fittings[0].pk).update(first_low_at=timezone.now())
    call_command("refresh_due", "--on", "2026-11-25")
    assert "2 due dates of 2026-11-25 worked out again, 1 moved" in capsys.readouterr().out


def test_the_command_refuses_a_day_that_is_none() -> None:
    with pytest.raises(CommandError, match="year-month-day"):
        call_command("refresh_due", "--on", "tomorrow")


def test_a_refresh_of_a_receiver_makes_the_same_number_of_queries_for_3_and_23_slots(
    receiver: Receiver,
) -> None:
    ensure_policies()
    counts = []
    for numbers in (range(1, 4), range(4, 24)):
        for number in numbers:
            slot(receiver, number)
        with CaptureQueriesContext(
            connection,
        ) as queries:
            refresh(receiver)
        counts.append(len(queries))
    assert counts[0] == counts[1]
