"""A night of which the word was lost begins later the same day, once, by the sweep that Celery's beat asks for."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
import time_machine

from company import jobs
from company.models import Job
from maintenance import tasks
from maintenance.actions.due import LATEST_START, catch_up_night, start_nightly
from maintenance.models import RefreshRun
from tests.conftest import World

pytestmark = pytest.mark.django_db

DAY = date(2026, 11, 25)
AT_THE_HOUR = datetime(2026, 11, 25, 3, 10, tzinfo=UTC)
"""As NIGHTLY_AT_UTC says unless somebody sets it."""


@pytest.mark.parametrize(
    "later", [timedelta(0), timedelta(minutes=5), timedelta(hours=9), timedelta(hours=20)], ids=str
)
def test_a_sweep_starts_the_night_that_nobody_has(later: timedelta) -> None:
    with time_machine.travel(AT_THE_HOUR + later, tick=False):
        tasks.sweep()
    assert RefreshRun.objects.get().business_day == DAY
    assert Job.objects.filter(key=f"due:{DAY.isoformat()}:fit").exists()


def test_every_further_sweep_leaves_it_alone(world: World) -> None:
    with time_machine.travel(AT_THE_HOUR + timedelta(hours=1), tick=False):
        tasks.sweep()
        before = list(Job.objects.order_by("pk").values())
        tasks.sweep()
        assert list(Job.objects.order_by("pk").values()) == before
        assert RefreshRun.objects.count() == 1


def test_a_night_that_began_at_its_hour_is_not_begun_again_when_it_is_done(world: World) -> None:
    with time_machine.travel(AT_THE_HOUR, tick=False):
        tasks.nightly()
        while (pk := Job.objects.filter(state=Job.State.WAITING).values_list("pk", flat=True).first()) is not None:
            jobs.run(pk)
        n_jobs = Job.objects.count()
    assert RefreshRun.objects.get().state == RefreshRun.State.CLOSED
    with time_machine.travel(AT_THE_HOUR + timedelta(hours=5), tick=False):
        tasks.sweep()
    assert (RefreshRun.objects.count(), Job.objects.count()) == (1, n_jobs)


def test_a_part_that_failed_waits_for_a_person_and_not_for_the_next_sweep() -> None:
    start_nightly(day=DAY, at=AT_THE_HOUR)
    Job.objects.filter(key=f"due:{DAY.isoformat()}:fit").update(state=Job.State.FAILED, error="Traceback")
    with time_machine.travel(AT_THE_HOUR + timedelta(minutes=5), tick=False):
        tasks.sweep()
    assert Job.objects.get(key=f"due:{DAY.isoformat()}:fit").state == Job.State.FAILED


def test_shortly_before_the_next_hour_the_night_before_is_let_go() -> None:
    assert catch_up_night(at=AT_THE_HOUR + LATEST_START + timedelta(minutes=1)) is None
    assert catch_up_night(at=AT_THE_HOUR + timedelta(days=1) - timedelta(minutes=1)) is None
    assert not RefreshRun.objects.exists()


def test_an_hour_late_in_the_evening_belongs_to_its_own_day_past_midnight(settings) -> None:
    settings.NIGHTLY_AT_UTC = "23:30"
    run = catch_up_night(at=datetime(2026, 11, 26, 1, 0, tzinfo=UTC))
    assert run is not None
    assert run.business_day == DAY
