"""The night's look at links: asked for with the night, done once, and what it finds is a finding at once."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta

import pytest

from company import jobs
from company.models import Job
from devices.models import CheckInDay, LinkWatch
from maintenance.actions import due, links
from tests.factories import NOW, TODAY, make_receiver, make_registration

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def test_the_night_asks_for_the_links_once() -> None:
    due.start_nightly(at=NOW)
    due.start_nightly(at=NOW)
    assert Job.objects.filter(key=f"links:{TODAY.isoformat()}").count() == 1


def test_the_job_judges_and_a_second_night_finds_nothing_left() -> None:
    receiver = make_receiver(evidence="every", heard_until=NOW, days_closed_until=TODAY)
    since = datetime.combine(TODAY - timedelta(days=12), time(), UTC) - timedelta(hours=1)
    for slot in range(1, 5):
        row = make_registration(receiver, slot, registered_at=since)
        CheckInDay.objects.bulk_create(
            CheckInDay(
                transmitter_id=row.transmitter_id, day=TODAY - timedelta(days=n), customer_id=row.customer_id,
                heard=10 if slot == 1 else 24, expected=24,
            )
            for n in range(1, 11)
        )  # fmt: skip
    links.ask_for_night(day=TODAY)
    jobs.run_ready()
    job = Job.objects.get(key__startswith="links:")
    assert (job.state, job.error) == ("done", "")
    assert job.result == {"days": 12, "judged": 40, "outages": 0}
    assert (
        LinkWatch.objects.get(amber_since__isnull=False).transmitter_id
        == receiver.registrations.get(slot=1).transmitter_id
    )
    links.ask_for_night(day=TODAY + timedelta(days=1))
    jobs.run_ready()
    assert Job.objects.get(key=f"links:{TODAY + timedelta(days=1)}").result["days"] == 0
