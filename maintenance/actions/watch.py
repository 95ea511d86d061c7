"""The look every twenty seconds: who has fallen silent, which days are over, which mails are to go.

Whoever keeps the clock calls `watch`: the embedded worker by a thread of its own, so that a long job holds nothing up, or
Celery beat. What was found is followed by the listeners of `faults_changed`, as it is for faults that were reported.
"""

from __future__ import annotations

import logging
import uuid
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.db import IntegrityError, transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from company import jobs
from company.jobs import Handle
from company.models import Leader
from devices.actions.close_days import close_days
from devices.actions.fault_life import settle_life_cycle
from devices.actions.silence import judge_receivers
from maintenance.actions.notices import send_due

logger = logging.getLogger(__name__)

NAME = "watch"
LEASE = timedelta(seconds=60)
"""One that died is followed after so long. Two at once would do no harm, only the same work."""
EARLY = 0.75
"""Share of the time between two looks after which the next one may begin: clocks of several processes do not agree."""

STEPS: tuple[tuple[str, Callable[[datetime], Any]], ...] = (
    # What a listener has missed: faults of cells that were changed, of units that went.
    ("life", lambda at: settle_life_cycle(at=at)),
    ("silence", lambda at: judge_receivers(at=at)),
    ("days", lambda at: close_days(at=at)),
    ("notices", lambda at: send_due(at=at)),
)


def watch(at: datetime | None = None) -> bool:
    """Look once; False where another process has just looked or is looking. Never raises for what goes wrong in a step.

    A step that fails leaves the others to be done; it is logged, and tried again by a background job, which says on its
    page and on the home page what is wrong if that fails too. May be repeated.
    """
    now = at or timezone.now()
    holder = uuid.uuid4().hex
    if not _take(holder, now):
        return False
    failed = []
    try:
        for name, step in STEPS:
            try:
                step(now)
            except Exception:
                logger.exception("The look at %s failed; it is tried again.", name)
                failed.append(name)
    finally:
        until = now + timedelta(seconds=settings.WATCH_EVERY_S * EARLY)
        Leader.objects.filter(name=NAME, holder=holder).update(until=until)
    if failed:
        _ask_again(now)
    return True


def _take(holder: str, now: datetime) -> bool:
    """Take the lease by a conditional update, so that of several processes one looks."""
    if Leader.objects.filter(name=NAME, until__lte=now).update(holder=holder, until=now + LEASE):
        return True
    if Leader.objects.filter(name=NAME).exists():
        return False
    try:
        with transaction.atomic():
            Leader.objects.create(name=NAME, holder=holder, until=now + LEASE)
        return True
    except IntegrityError:
        return False


def _ask_again(now: datetime) -> None:
    """One job an hour at most: what goes on failing would else fill the list of jobs."""
    jobs.enqueue(
        handler="maintenance.actions.watch.again", key=f"watch:{now:%Y-%m-%dT%H}",
        title=_("Watch over silence, days and notices"),
    )  # fmt: skip


def again(handle: Handle, **unknown: Any) -> None:
    """Job handler: do every step once more, and fail where one fails."""
    now = timezone.now()
    for place, (name, step) in enumerate(STEPS):
        handle.progress(place, len(STEPS), name)
        step(now)
    handle.finish({"steps": len(STEPS)})
