"""Job rows: once each, whatever dies in between."""

from datetime import timedelta

import pytest
from django.utils import timezone

from company import jobs
from company.errors import Refused
from company.models import ChangeRow, Customer, Job
from tests import factories


def count_up(handle, *, name):
    """Handler for the tests: makes one customer per run."""
    handle.progress(1, 2, "half")
    Customer.objects.create(code=f"{name}-{Customer.objects.count()}", name=name)


def refuse(handle):
    raise Refused("The file has 3 faults.")


def burst(handle):
    raise RuntimeError("no such luck")


HERE = "tests.company.test_jobs"


@pytest.mark.django_db
def test_asking_twice_for_one_key_makes_one_job_that_runs_once():
    first = jobs.enqueue(handler=f"{HERE}.count_up", key="a", title="Count", args={"name": "x"})
    second = jobs.enqueue(handler=f"{HERE}.count_up", key="a", title="Count", args={"name": "x"})
    assert first == second
    assert jobs.run_ready() == 1
    assert not jobs.run(first.pk)
    first.refresh_from_db()
    assert (first.state, first.progress_done, first.progress_total) == ("done", 2, 2)
    assert Customer.objects.count() == 1


@pytest.mark.django_db
def test_a_refusal_ends_the_job_with_its_sentence():
    job = jobs.enqueue(handler=f"{HERE}.refuse", key="b", title="Refuse")
    jobs.run(job.pk)
    job.refresh_from_db()
    assert (job.state, job.error) == ("failed", "The file has 3 faults.")


@pytest.mark.django_db
def test_an_error_is_tried_again_later_and_given_up_after_three():
    job = jobs.enqueue(handler=f"{HERE}.burst", key="c", title="Burst")
    for attempt in (1, 2, 3):
        Job.objects.update(not_before=timezone.now())
        assert jobs.run(job.pk)
        job.refresh_from_db()
        assert job.attempts == attempt
    assert job.state == "failed"
    assert "no such luck" in job.error
    assert jobs.retry(job).state == "waiting"


@pytest.mark.django_db
def test_a_dead_workers_job_is_claimed_again_and_the_old_worker_can_write_nothing():
    job = jobs.enqueue(handler=f"{HERE}.count_up", key="d", title="Count", args={"name": "x"})
    old = jobs.claim(job.pk)
    assert jobs.claim(job.pk) is None
    Job.objects.update(lease_until=timezone.now() - timedelta(seconds=1))
    new = jobs.claim(job.pk)
    assert new.attempt == 2
    with pytest.raises(jobs.LeaseLost):
        old.progress(1, 1)
    with pytest.raises(jobs.LeaseLost):
        old.finish()
    new.finish({"n": 1})
    job.refresh_from_db()
    assert (job.state, job.result) == ("done", {"n": 1})


@pytest.mark.django_db
def test_only_a_failed_job_is_started_again_by_hand():
    job = jobs.enqueue(handler=f"{HERE}.count_up", key="e", title="Count", args={"name": "x"})
    with pytest.raises(Refused):
        jobs.retry(job)


@pytest.mark.django_db
def test_a_change_row_keeps_before_and_after():
    from company.actions import save_customer

    manager = factories.make_manager()
    customer = factories.make_customer(name="Old name")
    customer.name = "New name"
    save_customer(customer=customer, by=manager, at=factories.NOW, reason="typing slip")
    row = ChangeRow.objects.get()
    assert (row.before["name"], row.after["name"], row.reason) == ("Old name", "New name", "typing slip")
