"""Celery's door to Job rows."""

from typing import Any

from celery import shared_task

from company import jobs


@shared_task(ignore_result=True)
def run_job(*, job_id: int, **unknown: Any) -> None:
    """Run one Job row. A second copy finds nothing to claim."""
    jobs.run(job_id)
