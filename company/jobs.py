"""Background work: a Job row is written with the data; whoever carries it, the row decides what is left.

With Redis a Celery message carries the id, without it one thread polls. Same lease, attempts and page in both.
"""

from __future__ import annotations

import logging
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.db import transaction
from django.db.models import F
from django.utils import timezone
from django.utils.module_loading import import_string
from django.utils.translation import gettext

from company.errors import Refused
from company.models import Job, User
from company.querysets import GIVEN_UP

logger = logging.getLogger(__name__)


class LeaseLost(Exception):
    """Another worker holds the job now; this one must stop without writing."""


@dataclass(slots=True)
class Handle:
    """What a handler gets: its job, and the only ways to touch the row while it runs."""

    job: Job
    attempt: int

    def _mine(self) -> Any:
        return Job.objects.filter(pk=self.job.pk, state=Job.State.RUNNING, attempts=self.attempt)

    def progress(self, done: int, total: int, text: str = "") -> None:
        """Show progress and prolong the lease.

        Raises
        ------
        LeaseLost
            If another worker has taken the job over.
        """
        lease = timezone.now() + timedelta(seconds=settings.JOB_LEASE_S)
        changed = self._mine().update(
            progress_done=done, progress_total=total, progress_text=text[:200], lease_until=lease
        )
        if not changed:
            raise LeaseLost(self.job.key)

    def finish(self, result: dict[str, Any] | None = None, *, url: str = "") -> None:
        """Mark the job done. Call it inside the transaction of the last write: both hold or neither (fencing).

        Raises
        ------
        LeaseLost
            If another worker has taken the job over; the surrounding transaction must roll back.
        """
        changed = self._mine().update(
            state=Job.State.DONE,
            result=result or {},
            result_url=url,
            finished_at=timezone.now(),
            lease_until=None,
            progress_done=F("progress_total"),
            error="",
        )
        if not changed:
            raise LeaseLost(self.job.key)


Handler = Callable[..., None]


def enqueue(
    *,
    handler: str,
    key: str,
    title: str,
    args: dict[str, Any] | None = None,
    by: User | None = None,
    not_before: datetime | None = None,
) -> Job:
    """Write a Job row in the present transaction; asking again for the same key gives the same job.

    Parameters
    ----------
    handler : str
        Dotted name of `function(handle, **args)`.
    key : str
        Unique for ever: put what makes the work one of its kind into it (a day, a uuid, a digest).
    title : str
        What a person sees on the job page.
    args : dict
        Keyword arguments; only what JSON can hold (ids, ISO dates).
    """
    import_string(handler)
    job, made = Job.objects.get_or_create(
        key=key,
        defaults={
            "handler": handler,
            "args": args or {},
            "title": title,
            "requested_by": by,
            "not_before": not_before or timezone.now(),
        },
    )
    if made and settings.REDIS_URL:
        from company.tasks import run_job

        transaction.on_commit(lambda: _send(run_job, job.pk))
    return job


def _send(task: Any, pk: int) -> None:
    """Hand the id to Celery; a broker that is away loses nothing, the sweep sends it again."""
    try:
        task.delay(job_id=pk)
    except Exception:
        logger.exception("Job %s could not be sent; the sweep will send it again.", pk)


def retry(job: Job) -> Job:
    """Let a failed job start again from a person's hand."""
    changed = Job.objects.filter(pk=job.pk, state=Job.State.FAILED).update(
        state=Job.State.WAITING, attempts=0, error="", not_before=timezone.now(), finished_at=None
    )
    if not changed:
        raise Refused(gettext("Only a job that has failed can be started again."))
    job.refresh_from_db()
    if settings.REDIS_URL:
        from company.tasks import run_job

        transaction.on_commit(lambda: _send(run_job, job.pk))
    return job


def claim(pk: int, now: datetime | None = None) -> Handle | None:
    """Take a job by a conditional update, so that two workers cannot both have it."""
    now = now or timezone.now()
    lease = now + timedelta(seconds=settings.JOB_LEASE_S)
    taken = (
        Job.objects.ready(now)
        .filter(pk=pk)
        .order_by()
        .update(state=Job.State.RUNNING, lease_until=lease, attempts=F("attempts") + 1, started_at=now)
    )
    if not taken:
        return None
    job = Job.objects.get(pk=pk)
    if job.attempts > settings.JOB_MAX_ATTEMPTS:
        _fail(job, job.attempts, f"{GIVEN_UP}: the work was interrupted every time it was started.")
        return None
    return Handle(job=job, attempt=job.attempts)


def run(pk: int) -> bool:
    """Claim and do one job. True if this call did it (well or not), False if there was nothing to claim."""
    handle = claim(pk)
    if handle is None:
        return False
    try:
        import_string(handle.job.handler)(handle, **handle.job.args)
        if Job.objects.filter(pk=pk, state=Job.State.RUNNING, attempts=handle.attempt).exists():
            handle.finish()
    except LeaseLost:
        logger.warning("Job %s was taken over by another worker.", pk)
    except Refused as refusal:
        _fail(handle.job, handle.attempt, refusal.message)
    except Exception:
        logger.exception("Job %s failed in attempt %s.", pk, handle.attempt)
        _try_again(handle.job, handle.attempt, traceback.format_exc(limit=20))
    return True


def _fail(job: Job, attempt: int, text: str) -> None:
    Job.objects.filter(pk=job.pk, state=Job.State.RUNNING, attempts=attempt).update(
        state=Job.State.FAILED, error=text, finished_at=timezone.now(), lease_until=None
    )


def _try_again(job: Job, attempt: int, text: str) -> None:
    """Put a job that raised back with a growing pause, or give up after the last attempt."""
    if attempt >= settings.JOB_MAX_ATTEMPTS:
        _fail(job, attempt, text)
        return
    Job.objects.filter(pk=job.pk, state=Job.State.RUNNING, attempts=attempt).update(
        state=Job.State.WAITING,
        lease_until=None,
        error=text,
        not_before=timezone.now() + timedelta(seconds=5 * 4 ** (attempt - 1)),
    )


def run_ready(limit: int = 1000) -> int:
    """Do every job that may be claimed now, oldest first, and return how many were done."""
    done = 0
    while done < limit:
        pk = Job.objects.ready(timezone.now()).values_list("pk", flat=True).first()
        if pk is None:
            return done
        run(pk)
        done += 1
    return done


def send_again() -> int:
    """Send the ids of all claimable jobs once more (lost messages, dead workers). Harmless to repeat."""
    from company.tasks import run_job

    pks = list(Job.objects.ready(timezone.now()).values_list("pk", flat=True)[:1000])
    for pk in pks:
        _send(run_job, pk)
    return len(pks)
