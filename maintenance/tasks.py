"""Celery's doors to the clocked work: two-line wrappers around actions, each of which may run twice."""

from __future__ import annotations

from typing import Any

from celery import shared_task

from company import jobs
from maintenance.actions import due


@shared_task(ignore_result=True)
def nightly(**unknown: Any) -> None:
    """Start or resume tonight's refresh of due dates."""
    due.start_nightly()


@shared_task(ignore_result=True)
def sweep(**unknown: Any) -> None:
    """Send every claimable job again: lost messages, dead workers, an emptied Redis."""
    jobs.send_again()
