"""Celery's doors to the clocked work: two-line wrappers around actions, each of which may run twice."""

from __future__ import annotations

from typing import Any

from celery import shared_task
from django.db import OperationalError

from company import jobs
from maintenance.actions import due
from maintenance.actions import watch as looks


# Nobody asks for a night again: a database that is locked or away for a moment must not cost it.
@shared_task(ignore_result=True, autoretry_for=(OperationalError,), retry_backoff=2, max_retries=8)
def nightly(**unknown: Any) -> None:
    """Start or resume tonight's refresh of due dates."""
    due.start_nightly()


@shared_task(ignore_result=True)
def sweep(**unknown: Any) -> None:
    """Send every claimable job again, and start a night that nobody has: lost messages, dead workers, an emptied Redis."""
    jobs.send_again()
    due.catch_up_night()


@shared_task(ignore_result=True, acks_late=False)
def watch(**unknown: Any) -> None:
    """Look for silence, lost links, days that are over and mails to send; lost is not lost, the next look comes soon."""
    looks.watch()
