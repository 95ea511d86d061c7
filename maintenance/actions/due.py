"""Writes of due dates: some receivers at once after a change, the fleet at night through Job rows that may run twice."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from contextvars import ContextVar
from datetime import UTC, date, datetime, timedelta
from datetime import time as clock_time
from typing import Any

import numpy as np
from django.conf import settings
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from company import jobs
from company.jobs import Handle
from company.manner import day_said
from company.models import Job
from devices.actions.months import keep_months
from devices.models import Receiver, Transmitter
from maintenance.actions import backtest, findings, fits, links
from maintenance.actions.due_items import (
    Basis,
    Judged,
    Portion,
    Refreshed,
    basis,
    judge,
    portions,
    seen_again,
    things_at,
    write,
)
from maintenance.actions.recall_states import follow_changes
from maintenance.models import BatteryFit, DueChange, DueItem, RefreshRun
from maintenance.querysets.fleet_raw import Raw, Scope, open_part, read_open, read_whole

logger = logging.getLogger(__name__)

TRIES = 3
"""Attempts at a portion that another refresh keeps writing to; the next night finds what is left."""
RECEIVERS_A_WRITE = 100
"""Receivers per transaction of the immediate path."""
ROWS_A_WRITE = 500
"""Rows per transaction, so that nobody else waits long for them (on SQLite: for the database)."""
TRANSMITTERS_A_CHUNK = 250_000
"""Transmitters per job: most fleets are one chunk; larger ones are cut to bound memory and what a retry repeats."""

CHUNK = "maintenance.actions.due.refresh_chunk"
GO_ON_S = 120.0
"""The job that fitted the model begins no further chunk after so long."""
LATEST_START = timedelta(hours=20)
"""So long after its hour a night is still caught up; later the next one is near, and does the same."""
Fence = Callable[[int, int], None]
_read_tonight: ContextVar[tuple[int, Raw] | None] = ContextVar("read_tonight", default=None)
"""Run and tables, while the job that has read them for the fit does the run's chunks."""

# --- some receivers ---------------------------------------------------------------------------------------------------


def refresh_receivers(*, receiver_ids: list[int], at: datetime | None = None, today: date | None = None) -> Refreshed:
    """Work out due dates of these receivers anew and write what is different. May be repeated.

    Called after a change has been committed, so exact dates are published; only the nightly run holds dates still.
    """
    at = at or timezone.now()
    done, on = Refreshed(), basis()
    wanted = sorted(set(receiver_ids))
    for start in range(0, len(wanted), RECEIVERS_A_WRITE):
        scope = Scope(receivers=tuple(wanted[start : start + RECEIVERS_A_WRITE]))
        done.add(_refresh(scope, on, today=today or at.date(), at=at))
    return done


def _refresh(
    scope: Scope, on: Basis, *, today: date, at: datetime, run: RefreshRun | None = None, fence: Fence | None = None,
    whole: Raw | None = None,
) -> Refreshed:  # fmt: skip
    """Refresh a scope, written in short transactions; what somebody else has written meanwhile is judged again."""
    done = Refreshed()
    for _ in range(TRIES):
        # Read and judged outside the transactions: on SQLite everybody else would wait for it.
        raw = open_part(whole, scope) if whole is not None else read_open(scope)
        whole = None  # what is tried again is read again
        things, facts = things_at(scope, on, today, raw)
        judged = judge(scope, on, things, facts, today=today, at=at, run=run, versions=raw.receivers)
        done.n_items, done.n_overtaken = len(things), 0
        n_done, n_all = 0, judged.n_to_write
        size = max(n_all, 1) if scope.receivers is not None else ROWS_A_WRITE
        for portion in portions(judged, size):
            written = _write_if_unchanged(judged, portion, fence, (n_done, n_all))
            n_done += len(portion)
            done.add(written)
        if not done.n_overtaken:
            break
    return done


@transaction.atomic
def _write_if_unchanged(judged: Judged, portion: Portion, fence: Fence | None, progress: tuple[int, int]) -> Refreshed:
    """Write a portion with its receivers locked, less what is not as it was judged any more."""
    if fence:
        fence(*progress)
    # Not for their keys: whoever adds a fault or a visit at a receiver need not wait.
    locked = Receiver.objects.select_for_update(of=("self",), no_key=True)
    now = dict(locked.filter(pk__in=portion.receivers(judged)).order_by("pk").values_list("pk", "version"))
    if judged.scope.receivers is not None and not seen_again(judged):
        return Refreshed(n_overtaken=len(portion))
    # Whoever changed a receiver meanwhile has it refreshed with newer facts than these.
    was = dict(zip(judged.versions["pk"].tolist(), judged.versions["version"].tolist(), strict=True))
    return write(judged, portion, {pk for pk, version in now.items() if was.get(pk, version) != version})


# --- the fleet --------------------------------------------------------------------------------------------------------


def business_day(at: datetime) -> date:
    """Day that a run started at this time belongs to: before the nightly hour (UTC) it is still yesterday's."""
    hour, minute = (int(part) for part in settings.NIGHTLY_AT_UTC.split(":"))
    return (at.astimezone(UTC) - timedelta(hours=hour, minutes=minute)).date()


@transaction.atomic
def start_nightly(*, day: date | None = None, at: datetime | None = None) -> RefreshRun:
    """Start the run of a business day, or resume it: its unfinished parts are asked for again. May be repeated.

    Its first part fits the battery model; that part's last transaction asks for the others.
    """
    at = at or timezone.now()
    day = day or business_day(at)
    keep_months(today=at.date())
    # What a signal has missed: cells that have come out must not keep the date of their recall.
    follow_changes(at=at)
    run, made = RefreshRun.objects.get_or_create(
        business_day=day, defaults={"model_version": fits.MODEL_VERSION, "started_at": at}
    )
    if made:
        # First in the queue: the findings of the night come last and tell of weak links too.
        links.ask_for_night(day=day)
        jobs.enqueue(
            handler="maintenance.actions.due.fit_night", key=f"{_prefix(day)}fit",
            title=gettext("Battery model of %(day)s") % {"day": day_said(day)}, args={"run_id": run.pk},
        )  # fmt: skip
    elif run.state == RefreshRun.State.OPEN:
        for job in Job.objects.filter(key__startswith=_prefix(day), state=Job.State.FAILED):
            jobs.retry(job)
    return run


def catch_up_night(*, at: datetime | None = None) -> RefreshRun | None:
    """Start the run of the present business day where nobody has; None where there is one, or the next hour is near.

    With Celery the word of a night is in Redis alone until somebody takes it: emptied, or with beat away at the hour, the
    night would be lost. A run that has begun is left to its jobs. May be repeated, and by two at once.
    """
    at = at or timezone.now()
    day = business_day(at)
    if at - _hour_of(day) > LATEST_START or RefreshRun.objects.filter(business_day=day).exists():
        return None
    logger.warning("The night of %s was not started at its hour; it is started now.", day)
    return start_nightly(day=day, at=at)


def _hour_of(day: date) -> datetime:
    hour, minute = (int(part) for part in settings.NIGHTLY_AT_UTC.split(":"))
    return datetime.combine(day, clock_time(hour, minute), UTC)


def _prefix(day: date) -> str:
    return f"due:{day.isoformat()}:"


def fit_night(handle: Handle, *, run_id: int, **unknown: Any) -> None:
    """Fit the model for a run and ask for its chunks, all at once with the fit being put in use.

    A night without a new fit is better than one without dates: where earlier attempts died over it, the last attempt
    leaves the model as it was.
    """
    run = RefreshRun.objects.get(pk=run_id)
    fit = whole = None
    if handle.attempt < settings.JOB_MAX_ATTEMPTS:
        steps = 0

        def step(text: str) -> None:
            nonlocal steps
            steps += 1
            handle.progress(min(steps, 99), 100, text)

        step(gettext("reading the fleet"))
        whole = read_whole()
        fit = fits.make_fit(at=timezone.now(), as_of=run.business_day, run=run, step=step, raw=whole)
    else:
        logger.error("Run %s goes on with the battery model of an earlier night.", run_id)
    with transaction.atomic():
        locked = RefreshRun.objects.select_for_update().get(pk=run_id)
        if fit is not None:
            fits.put_in_use(fit=fit)
        _enqueue_chunks(locked, whole)
        if fit is not None:
            backtest.ensure_backtest(fit=fit, at=timezone.now())
        handle.finish(_fit_result(fit))
        _close_if_done(locked, timezone.now())
    _go_on(run, whole)


def _go_on(run: RefreshRun, whole: Raw | None) -> None:
    """Do what chunks nobody else has taken yet with what has just been read. Each is claimed as any worker would.

    Not for long: a worker ends a task that takes ten minutes. What is left is in the queue like any other job.
    """
    if whole is None:
        return
    end = time.monotonic() + GO_ON_S
    held = _read_tonight.set((run.pk, whole))
    try:
        for pk in Job.objects.filter(key__startswith=_prefix(run.business_day), handler=CHUNK).values_list(
            "pk", flat=True
        ):
            if time.monotonic() < end:
                jobs.run(pk)
    finally:
        _read_tonight.reset(held)


def _fit_result(fit: BatteryFit | None) -> dict[str, Any]:
    return {"batteries": fit.n_batteries, "ends": fit.n_ends, "left_out": fit.n_left_out} if fit else {"fit": None}


def _enqueue_chunks(run: RefreshRun, whole: Raw | None) -> None:
    """Ask for the chunks of a run: ranges of transmitters; the first one takes the receivers' standby batteries along."""
    if whole is not None:
        pks = whole.units["pk"]
    else:
        rows = Transmitter.objects.order_by("pk").values_list("pk", flat=True)
        pks = np.fromiter(rows.iterator(10_000), dtype=np.int64)
    starts = pks[::TRANSMITTERS_A_CHUNK].tolist()
    if not starts and Receiver.objects.exists():
        starts = [0]
    for n, low in enumerate(starts):
        # The first and the last chunk have no end, so that what was added meanwhile is not left out.
        jobs.enqueue(
            handler=CHUNK,
            key=f"{_prefix(run.business_day)}{low if n else 0}",
            title=gettext("Due dates of %(day)s, part %(part)s of %(n)s")
            % {"day": day_said(run.business_day), "part": n + 1, "n": len(starts)},
            args={"run_id": run.pk, "low": low if n else 0, "high": starts[n + 1] if n + 1 < len(starts) else None},
        )  # fmt: skip
    run.n_chunks = len(starts)
    run.save(update_fields=["n_chunks"])


def refresh_chunk(handle: Handle, *, run_id: int, low: int, high: int | None, **unknown: Any) -> None:
    """Do one chunk of a run. Every write first proves that the job is still ours; the last one marks it done."""
    run = RefreshRun.objects.get(pk=run_id)

    def fence(done: int, total: int) -> None:
        handle.progress(done, total, gettext("%(done)s of %(total)s dates written") % {"done": done, "total": total})

    handle.progress(0, 0, gettext("reading and working out"))
    scope = Scope(low=low, high=high, with_standby=low == 0)
    read = _read_tonight.get()
    counts = _refresh(
        scope, basis(), today=run.business_day, at=timezone.now(), run=run, fence=fence,
        whole=read[1] if read is not None and read[0] == run_id else None,
    )  # fmt: skip
    with transaction.atomic():
        locked = RefreshRun.objects.select_for_update().get(pk=run_id)
        handle.finish(
            {"items": counts.n_items, "moved": counts.n_moved, "written": counts.n_written, "ranked": counts.n_ranked}
        )
        _close_if_done(locked, timezone.now())


def _close_if_done(run: RefreshRun, at: datetime) -> None:
    """Close a run when no chunk is left; with the run row locked, exactly one caller finds that to be so."""
    left = Job.objects.filter(key__startswith=_prefix(run.business_day)).exclude(state=Job.State.DONE)
    if run.state != RefreshRun.State.OPEN or left.exists():
        return
    run.state, run.closed_at = RefreshRun.State.CLOSED, at
    run.n_items = DueItem.objects.filter(is_closed=False).count()
    run.n_changed = DueChange.objects.filter(run=run).count()
    run.save(update_fields=["state", "closed_at", "n_items", "n_changed"])
    findings.ask_for_night(day=run.business_day)


def refresh_all(*, today: date, at: datetime) -> Refreshed:
    """Work out every due date at once, outside any run: after a changed policy, or by hand. May be repeated."""
    done, on = Refreshed(), basis()
    pks = Transmitter.objects.order_by("pk").values_list("pk", flat=True)
    starts = [0, *pks[TRANSMITTERS_A_CHUNK::TRANSMITTERS_A_CHUNK]]
    for low, high in zip(starts, [*starts[1:], None], strict=True):
        done.add(_refresh(Scope(low=low, high=high, with_standby=low == 0), on, today=today, at=at))
    return done


def refresh_after_policy(handle: Handle) -> None:
    """Job handler: work out every due date anew, then have the findings looked at. A second run writes nothing."""
    now = timezone.now()
    refreshed = refresh_all(today=timezone.localdate(now), at=now)
    with transaction.atomic():
        findings.ask_after(key=handle.job.key)
        handle.finish({"moved": refreshed.n_moved, "written": refreshed.n_written})
