"""Numbers without gaps while several workers issue at once, each on a database connection of its own."""

from __future__ import annotations

import threading

import pytest
from django.db import connection

from company.jobs import run
from maintenance.actions.reports import ask_for_service_report
from maintenance.models import IssuedReport
from tests import factories
from tests.maintenance.reports.paper_world import make_paper_world

N_AT_ONCE = 4


@pytest.mark.slow
@pytest.mark.django_db(transaction=True)
def test_reports_issued_at_once_take_neighbouring_numbers() -> None:
    worlds = [make_paper_world(factories.make_site()) for _ in range(N_AT_ONCE)]
    jobs = [ask_for_service_report(visit=world.visit, by=world.by, at=factories.NOW) for world in worlds]
    gate = threading.Barrier(N_AT_ONCE)

    def work(pk: int) -> None:
        gate.wait()
        try:
            run(pk)
        finally:
            connection.close()

    threads = [threading.Thread(target=work, args=(job.pk,)) for job in jobs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for job in jobs:
        job.refresh_from_db()
        assert job.state == "done", job.error
    numbers = sorted(IssuedReport.objects.values_list("number", flat=True))
    year = IssuedReport.objects.first().issued_at.year  # type: ignore[union-attr]
    assert numbers == [f"SR-{year}-{n:04}" for n in range(1, N_AT_ONCE + 1)]
