"""Writes of due dates: some receivers at once after a change, the fleet at night through Job rows that may run twice."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
from django.conf import settings
from django.db import transaction
from django.utils import timezone

from company import jobs
from company.actions import ensure_policies
from company.jobs import Handle
from company.models import Job
from devices.models import Receiver
from maintenance.models import DueChange, DueItem, RefreshRun
from maintenance.querysets.wear import DUTIES, Worn, read_worn, receiver_versions
from maintenance.rules.battery.limits import Limit, RiskPolicy, exposure_limit
from maintenance.rules.battery.posterior import learn
from maintenance.rules.charts import Curve, survival_curve
from maintenance.rules.due import RULES, Due, due_columns, due_date, flag_names, keeps_published
from maintenance.rules.due_facts import FAR_DAY, FittingFacts, facts_of_rows, to_date, to_day
from maintenance.rules.due_figures import limit_words, survival_words, what_would_change

MODEL_VERSION = "catalogue-1"
"""Which battery model gave the dates: the catalogue's figures and the prior; no fleet data yet."""
FLOOR_SHARE, MIN_ENDS = 0.35, 3
"""Least share of the median life that a limit may fall to, once so many lives have ended (battery model, section 4.5)."""
UNKNOWN_AGE_SHARE = 0.5
"""Cells of unknown age have, on average, half of their time behind them when our records begin."""
CURVE_TO = 1.75
"""Charge used up to which the survival picture is drawn: hardly any battery lasts longer."""
RECEIVERS_A_WRITE = 100
"""Receivers per transaction: a few thousand rows, so that nobody else waits long for the database."""
RECEIVERS_A_CHUNK = 5000
"""Receivers per job: a fleet of 100,000 fittings is one chunk; larger ones are cut to bound memory and the retry."""

PLACE_FIELDS = (
    "customer_id", "site_id", "receiver_id", "registration_id", "transmitter_id", "fitting_id", "kind", "duty", "harm",
    "is_closed",
)  # fmt: skip
ANSWER_FIELDS = (
    "due_on", "reason", "opinions", "flags", "exposure", "exposure_limit", "rate_per_day", "planning_q", "figures",
    "model_version", "as_of",
)  # fmt: skip


@dataclass(slots=True)
class Refreshed:
    """What a refresh did: things looked at, dates or reasons that moved, rows written."""

    n_items: int = 0
    n_moved: int = 0
    n_written: int = 0

    def add(self, other: Refreshed) -> None:
        self.n_items += other.n_items
        self.n_moved += other.n_moved
        self.n_written += other.n_written


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
    """Refresh in portions, each in a short transaction of its own."""
    done = Refreshed()
    limits, policies = policy_limits()
    for start in range(0, len(receiver_ids), RECEIVERS_A_WRITE):
        portion = receiver_ids[start : start + RECEIVERS_A_WRITE]
        # Read and judged outside the transaction: on SQLite everybody else would wait for it.
        seen = receiver_versions(portion)
        worn = read_worn(portion)
        facts = facts_of(worn, limits, policies)
        with transaction.atomic():
            if fence:
                fence()
            now = dict(Receiver.objects.select_for_update(of=("self",)).filter(pk__in=portion).order_by("pk")
                       .values_list("pk", "version"))  # fmt: skip
            # Whoever changed a receiver meanwhile has it refreshed with newer facts than these.
            stale = {pk for pk in portion if seen.get(pk) != now.get(pk)}
            done.add(_write(portion, worn, facts, stale, today=today, at=at, run=run))
    return done


def policy_limits() -> tuple[dict[str, Limit], dict[str, Any]]:
    """Limit and policy row per duty class. No fleet model yet: every stratum has the prior's limit."""
    policies = ensure_policies()
    prior = learn()
    limits = {
        duty: exposure_limit(prior, RiskPolicy(row.p_dead, max(row.p_call, row.p_dead)), floor_share=FLOOR_SHARE,
                             min_ends=MIN_ENDS)
        for duty, row in policies.items()
    }  # fmt: skip
    return limits, policies


def facts_of(worn: list[Worn], limits: dict[str, Limit], policies: dict[str, Any]) -> FittingFacts:
    """Add policy and limit to the facts of each thing and put them into columns."""
    rows = []
    for item in worn:
        policy, limit = policies[item.duty], limits[item.duty]
        facts = {
            "duty": float(DUTIES.index(item.duty)),
            "grace_days": float(policy.grace_days),
            "u_limit": limit.u,
            "planning_probability": limit.q,
            "is_reachable": float(limit.is_reachable),
            "n_ends": float(limit.n_ends),
        }
        if item.kind == "cells":
            facts["cap_days"] = float(policy.calendar_cap_days)
            facts["unknown_age_days"] = round(policy.calendar_cap_days * UNKNOWN_AGE_SHARE)
        else:
            facts["unknown_age_days"] = round(item.facts["unit_life_days"] * UNKNOWN_AGE_SHARE)
        rows.append(facts | item.facts)
    return facts_of_rows(rows)


def _write(
    receiver_ids: list[int],
    worn: list[Worn],
    facts: FittingFacts,
    stale: set[int],
    *,
    today: date,
    at: datetime,
    run: RefreshRun | None,
) -> Refreshed:
    """Write what differs from what is published; close what is no longer there."""
    items = _published(receiver_ids, worn)
    answer = due_columns(facts, to_day(today))
    new: list[DueItem] = []
    changed: list[DueItem] = []
    moves: list[DueChange] = []
    for i, thing in enumerate(worn):
        if thing.receiver_id in stale:
            continue
        item = items.pop(thing.key, None)
        code, day = answer.codes[int(answer.code_index[i])], int(answer.due_day[i])
        if item is not None and not _differs(item, thing, facts, answer, i, code, day, settle=run is not None):
            continue
        due = due_date(facts.row(i), today)
        row = item or DueItem()
        if item is not None and (item.due_on, item.reason) != (due.due_on, due.code) and not item.is_closed:
            moves.append(DueChange(due_item=item, customer_id=thing.customer_id, at=at, run=run, from_on=item.due_on,
                                   from_reason=item.reason, to_on=due.due_on, to_reason=due.code))  # fmt: skip
        _fill(row, thing, facts, i, due, today)
        (changed if item else new).append(row)
    gone = [item for item in items.values() if not item.is_closed and item.receiver_id not in stale]
    for item in gone:
        item.is_closed = True
    DueItem.objects.bulk_update(gone, ["is_closed"], batch_size=200)
    DueItem.objects.bulk_update(
        sorted(changed, key=lambda row: row.pk), [*_names(PLACE_FIELDS), *ANSWER_FIELDS], batch_size=50
    )
    DueItem.objects.bulk_create(new, batch_size=500)
    DueChange.objects.bulk_create(moves, batch_size=500)
    return Refreshed(len(worn), len(moves), len(new) + len(changed) + len(gone))


def _names(fields: tuple[str, ...]) -> list[str]:
    return [name.removesuffix("_id") for name in fields]


def _published(receiver_ids: list[int], worn: list[Worn]) -> dict[tuple[str, int | None], DueItem]:
    """Items of these receivers and of these things, also where a thing was published at another receiver before."""
    rows = list(DueItem.objects.filter(receiver_id__in=receiver_ids, is_closed=False))
    rows += DueItem.objects.filter(fitting_id__in=[w.fitting_id for w in worn if w.kind == "cells"])
    rows += DueItem.objects.filter(kind="unit", transmitter_id__in=[w.transmitter_id for w in worn if w.kind == "unit"])
    rows += DueItem.objects.filter(kind="standby", receiver_id__in=receiver_ids)
    found: dict[tuple[str, int | None], DueItem] = {}
    for row in sorted({row.pk: row for row in rows}.values(), key=lambda row: (not row.is_closed, row.pk)):
        owner = {"cells": row.fitting_id, "unit": row.transmitter_id, "standby": row.receiver_id}[row.kind]
        found[(row.kind, owner)] = row
    return found


def _differs(
    item: DueItem, thing: Worn, facts: FittingFacts, answer: Any, i: int, code: str, day: int, *, settle: bool
) -> bool:
    """Tell whether what is published has to be written anew. Exposure grows every day and is no reason."""
    if item.is_closed or item.model_version != MODEL_VERSION:
        return True
    place = (thing.customer_id, thing.site_id, thing.receiver_id, thing.registration_id, thing.duty)
    if place != (item.customer_id, item.site_id, item.receiver_id, item.registration_id, item.duty):
        return True
    if item.reason != code or item.flags != list(flag_names(int(answer.flags[i]))):
        return True
    if _number(facts.u_limit[i]) != item.exposure_limit and facts.kind[i] != 1:
        return True
    codes = {rule.code for rule, days in zip(RULES, answer.days_by_rule[:, i], strict=True) if days < FAR_DAY}
    if codes != {opinion["code"] for opinion in item.opinions}:
        return True
    due_on = to_date(day) if day < FAR_DAY else None
    if due_on == item.due_on:
        return False
    # Only the forecast of the charge wavers from night to night; every other date is exact.
    return not (
        settle
        and code == "risk_limit"
        and item.due_on is not None
        and keeps_published(to_day(item.due_on), item.reason, day, code)
    )


def _fill(item: DueItem, thing: Worn, facts: FittingFacts, i: int, due: Due, today: date) -> None:
    """Set place and answer of an item."""
    for name in ("customer_id", "site_id", "receiver_id", "registration_id", "transmitter_id", "fitting_id", "kind"):
        setattr(item, name, getattr(thing, name))
    item.duty, item.harm, item.is_closed = thing.duty, DUTIES.index(thing.duty), False
    item.due_on, item.reason = due.due_on, due.code
    item.opinions = [{"due_on": o.due_on.isoformat(), "code": o.code, "why": o.why} for o in due.opinions]
    item.flags = list(due.flags)
    item.exposure, item.rate_per_day = _number(due.u), _number(due.rate_per_day)
    item.exposure_limit = _number(facts.u_limit[i])
    item.planning_q = _number(facts.planning_probability[i])
    item.figures = {"why": due.why, "notes": list(due.notes)} | {
        name: round(value, 9)
        for name in FittingFacts.__slots__
        if (value := _number(getattr(facts, name)[i])) is not None
    }
    item.model_version, item.as_of = MODEL_VERSION, today


def _number(value: Any) -> float | None:
    """Plain number for the database; nothing for NaN and infinity, which JSON cannot hold."""
    number = float(value)
    return number if abs(number) < float("inf") else None


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


# --- why --------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Told:
    """Today's answer for one item, worked out anew, with its facts and the survival picture (None without exposure)."""

    due: Due
    row: dict[str, float]
    curve: Curve | None
    finding: str
    limit_words: str
    changes: list[str]


def explain(*, item: DueItem, today: date) -> Told | None:
    """Work out one item anew for the page that explains it; nothing is written. None where it has been changed since."""
    if item.is_closed:
        return None
    key = (item.kind, {"cells": item.fitting_id, "unit": item.transmitter_id, "standby": item.receiver_id}[item.kind])
    thing = next((worn for worn in read_worn([item.receiver_id]) if worn.key == key), None)
    if thing is None:
        return None
    facts = facts_of([thing], *policy_limits())
    due = due_date(facts, today)
    row = {name: getattr(facts, name)[0].item() for name in FittingFacts.__slots__}
    curve = None
    if _number(due.u) is not None:
        u = np.linspace(0.0, CURVE_TO, 121)
        curve = survival_curve(u, learn().survival(u), u_now=due.u, u_limit=_number(due.u_limit))
    reached_on = next((o.due_on for o in due.opinions if o.code == "risk_limit"), None)
    return Told(
        due, row, curve, survival_words(due.u, due.u_limit, reached_on, today), limit_words(reached_on),
        what_would_change(row, due.code),
    )  # fmt: skip
