"""Writes of due dates: some receivers at once after a change, the fleet at night through Job rows that may run twice."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from company import jobs
from company.jobs import Handle
from company.models import Job
from devices.actions.months import ensure_months
from devices.models import Receiver
from maintenance.actions.due_items import (
    MODEL_VERSION,
    Judged,
    Refreshed,
    facts_of,
    judge,
    policy_limits,
    seen_by,
    write,
)
from maintenance.models import DueChange, DueItem, RefreshRun
from maintenance.querysets.wear import read_worn, receiver_versions

TRIES = 3
"""Attempts at a portion that another refresh keeps writing to; the next night finds what is left."""
RECEIVERS_A_WRITE = 100
"""Receivers per transaction: a few thousand rows, so that nobody else waits long for the database."""
RECEIVERS_A_CHUNK = 5000
"""Receivers per job: a fleet of 100,000 fittings is one chunk; larger ones are cut to bound memory and the retry."""

# --- some receivers ---------------------------------------------------------------------------------------------------


def refresh_receivers(*, receiver_ids: list[int], at: datetime | None = None, today: date | None = None) -> Refreshed:
    """Work out due dates of these receivers anew and write what is different. May be repeated.

    Called after a change has been committed, so exact dates are published; only the nightly run holds dates still.
    """
    at = at or timezone.now()
    return _refresh(sorted(set(receiver_ids)), today=today or at.date(), at=at)


def _refresh(
    receiver_ids: list[int],
    *,
    today: date,
    at: datetime,
    run: RefreshRun | None = None,
    fence: Callable[[], None] | None = None,
) -> Refreshed:
    """Refresh in portions, each written in a short transaction of its own."""
    done = Refreshed()
    limits, policies = policy_limits()
    for start in range(0, len(receiver_ids), RECEIVERS_A_WRITE):
        portion = receiver_ids[start : start + RECEIVERS_A_WRITE]
        for _ in range(TRIES):
            # Read and judged outside the transaction: on SQLite everybody else would wait for it.
            versions = receiver_versions(portion)
            worn = read_worn(portion)
            judged = judge(portion, worn, facts_of(worn, limits, policies), today=today, at=at, run=run)
            written = _write_if_unchanged(portion, versions, judged, fence)
            if written is not None:
                done.add(written)
                break
    return done


@transaction.atomic
def _write_if_unchanged(
    receiver_ids: list[int], versions: dict[int, int], judged: Judged, fence: Callable[[], None] | None
) -> Refreshed | None:
    """Write, unless another refresh has written at these receivers since: then None, and they are judged again."""
    if fence:
        fence()
    locked = Receiver.objects.select_for_update(of=("self",)).filter(pk__in=receiver_ids).order_by("pk")
    now = dict(locked.values_list("pk", "version"))
    if seen_by(receiver_ids) != judged.seen:
        return None
    # Whoever changed a receiver meanwhile has it refreshed with newer facts than these.
    return write(judged, {pk for pk in receiver_ids if versions.get(pk) != now.get(pk)})


# --- the fleet --------------------------------------------------------------------------------------------------------


def business_day(at: datetime) -> date:
    """Day that a run started at this time belongs to: before the nightly hour (UTC) it is still yesterday's."""
    hour, minute = (int(part) for part in settings.NIGHTLY_AT_UTC.split(":"))
    return (at.astimezone(UTC) - timedelta(hours=hour, minutes=minute)).date()


@transaction.atomic
def start_nightly(*, day: date | None = None, at: datetime | None = None) -> RefreshRun:
    """Start the run of a business day, or resume it: its unfinished chunks are asked for again. May be repeated."""
    at = at or timezone.now()
    day = day or business_day(at)
    ensure_months(today=at.date())
    run, made = RefreshRun.objects.get_or_create(
        business_day=day, defaults={"model_version": MODEL_VERSION, "started_at": at}
    )
    if made:
        receiver_ids = list(Receiver.objects.order_by("pk").values_list("pk", flat=True))
        starts = receiver_ids[::RECEIVERS_A_CHUNK]
        for n, low in enumerate(starts):
            # The last chunk has no end, so that receivers added meanwhile are not left out.
            high = starts[n + 1] if n + 1 < len(starts) else None
            jobs.enqueue(
                handler="maintenance.actions.due.refresh_chunk",
                key=f"{_chunk_prefix(day)}{low}",
                title=f"Due dates of {day:%d %B %Y}, part {n + 1} of {len(starts)}",
                args={"run_id": run.pk, "low": low, "high": high},
            )
        run.n_chunks = len(starts)
        run.save(update_fields=["n_chunks"])
        _close_if_done(run, at)
    elif run.state == RefreshRun.State.OPEN:
        for job in Job.objects.filter(key__startswith=_chunk_prefix(day), state=Job.State.FAILED):
            jobs.retry(job)
    return run


def _chunk_prefix(day: date) -> str:
    return f"due:{day.isoformat()}:"


def refresh_chunk(handle: Handle, *, run_id: int, low: int, high: int | None, **unknown: Any) -> None:
    """Do one chunk of a run. Every write first proves that the job is still ours; the last one marks it done."""
    run = RefreshRun.objects.get(pk=run_id)
    within = Receiver.objects.filter(pk__gte=low)
    receiver_ids = list((within.filter(pk__lt=high) if high else within).order_by("pk").values_list("pk", flat=True))
    done, total = 0, len(receiver_ids)
    counts = Refreshed()

    def fence() -> None:
        handle.progress(done, total, f"{done} of {total} receivers")

    for start in range(0, total, RECEIVERS_A_WRITE):
        portion = receiver_ids[start : start + RECEIVERS_A_WRITE]
        counts.add(_refresh(portion, today=run.business_day, at=timezone.now(), run=run, fence=fence))
        done = start + len(portion)
    fence()
    with transaction.atomic():
        locked = RefreshRun.objects.select_for_update().get(pk=run_id)
        handle.finish({"items": counts.n_items, "moved": counts.n_moved, "written": counts.n_written})
        _close_if_done(locked, timezone.now())


def _close_if_done(run: RefreshRun, at: datetime) -> None:
    """Close a run when no chunk is left; with the run row locked, exactly one caller finds that to be so."""
    left = Job.objects.filter(key__startswith=_chunk_prefix(run.business_day)).exclude(state=Job.State.DONE)
    if run.state != RefreshRun.State.OPEN or left.exists():
        return
    run.state, run.closed_at = RefreshRun.State.CLOSED, at
    run.n_items = DueItem.objects.filter(is_closed=False).count()
    run.n_changed = DueChange.objects.filter(run=run).count()
    run.save(update_fields=["state", "closed_at", "n_items", "n_changed"])


def refresh_all(*, today: date, at: datetime) -> Refreshed:
    """Work out every due date at once, outside any run: after a changed policy, or by hand. May be repeated."""
    return _refresh(list(Receiver.objects.order_by("pk").values_list("pk", flat=True)), today=today, at=at)


def refresh_after_policy(handle: Handle) -> None:
    """Job handler: work out every due date anew. A second run writes nothing."""
    now = timezone.now()
    refreshed = refresh_all(today=timezone.localdate(now), at=now)
    handle.finish({"moved": refreshed.n_moved, "written": refreshed.n_written})
