"""The embedded worker: one of several works, a missed night is made up, an error does not end it."""

import time
from datetime import timedelta

import pytest
from django.utils import timezone

from company import jobs
from company.models import ClockRun, Customer, Job, Leader
from company.worker import Worker

HERE = "tests.company.test_jobs"


def wait_for(holds, seconds=20):
    ends = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < ends
        time.sleep(0.05)


@pytest.mark.django_db
def test_only_one_of_two_workers_holds_the_lead_and_a_dead_ones_lease_runs_out():
    first, second = Worker(), Worker()
    assert first.hold_lead()
    assert first.hold_lead()
    assert not second.hold_lead()
    Leader.objects.update(until=timezone.now() - timedelta(seconds=1))
    assert second.hold_lead()
    assert not first.hold_lead()
    second.give_up_lead()
    assert first.hold_lead()


@pytest.mark.django_db
def test_a_missed_night_is_made_up_once():
    nights = []
    worker = Worker(nightly=lambda: nights.append(1))
    worker.keep_clock()
    worker.keep_clock()
    assert nights == [1]
    assert ClockRun.objects.count() == 1


@pytest.mark.django_db(transaction=True)
def test_a_job_that_raises_does_not_end_the_thread():
    bad = jobs.enqueue(handler=f"{HERE}.burst", key="bad", title="Burst")
    good = jobs.enqueue(handler=f"{HERE}.count_up", key="good", title="Count", args={"name": "x"})
    worker = Worker()
    worker.start()
    try:
        wait_for(lambda: Job.objects.get(pk=good.pk).state == "done")
        wait_for(lambda: Job.objects.get(pk=bad.pk).attempts == 1)
    finally:
        worker.stop()
    assert Customer.objects.count() == 1
    assert not Leader.objects.exists()


@pytest.mark.django_db(transaction=True)
def test_the_watch_goes_on_beside_a_job_and_after_an_error(settings):
    settings.WATCH_EVERY_S = 0.05
    looks = []

    def look():
        looks.append(1)
        raise RuntimeError("nothing there")

    worker = Worker(watch=look)
    worker.start()
    try:
        wait_for(lambda: len(looks) >= 3)
    finally:
        worker.stop()
    n = len(looks)
    time.sleep(0.2)
    assert len(looks) == n
