"""The night's run over all dates: once, in chunks that may die, and by the command."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import pytest
import time_machine
from django.core.management import CommandError, call_command
from django.utils import timezone

from company import jobs
from company.models import Job
from devices.models import Fitting, Receiver
from maintenance.actions import due
from maintenance.models import DueItem, RefreshRun
from tests import factories
from tests.factories import NOW, TODAY
from tests.maintenance.actions.test_due import item_of, refresh, slot

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


@pytest.fixture
def receiver(db: Any) -> Receiver:
    return factories.make_receiver()


def world(n_receivers: int = 3) -> list[Fitting]:
    receivers = [factories.make_receiver() for _ in range(n_receivers)]
    return [slot(receiver, number)[1] for receiver in receivers for number in (1, 2)]


def run_jobs() -> int:
    """Do what is ready. The test of earlier predictions, which a night may ask for, is not counted."""
    tests = Job.objects.filter(key__startswith="backtest:", state="done")
    before = tests.count()
    return jobs.run_ready() - (tests.count() - before)


# --- the night --------------------------------------------------------------------------------------------------------


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
    jobs.run(Job.objects.get(handler__endswith="fit_night").pk)
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
    jobs.run(Job.objects.get(handler__endswith="fit_night").pk)
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
