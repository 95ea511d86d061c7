"""What a refresh judges and writes: published due items against what the rules say today. Used by `actions/due.py`."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from django.db.models import Q

from company.actions import ensure_policies
from maintenance.models import DueChange, DueItem, RefreshRun
from maintenance.querysets.wear import DUTIES, Worn
from maintenance.rules.battery.limits import Limit, RiskPolicy, exposure_limit
from maintenance.rules.battery.posterior import learn
from maintenance.rules.due import RULES, Due, DueColumns, due_columns, due_date, flag_names, keeps_published
from maintenance.rules.due_facts import FAR_DAY, FittingFacts, facts_of_rows, to_date, to_day

MODEL_VERSION = "catalogue-1"
"""Which battery model gave the dates: the catalogue's figures and the prior; no fleet data yet."""
FLOOR_SHARE, MIN_ENDS = 0.35, 3
"""Least share of the median life that a limit may fall to, once so many lives have ended (battery model, section 4.5)."""
UNKNOWN_AGE_SHARE = 0.5
"""Cells of unknown age have, on average, half of their time behind them when our records begin."""

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


@dataclass(slots=True)
class Judged:
    """What is to be written for some receivers, and the published state that it was judged against."""

    n_items: int = 0
    new: list[DueItem] = field(default_factory=list)
    changed: list[DueItem] = field(default_factory=list)
    gone: list[DueItem] = field(default_factory=list)
    moves: list[DueChange] = field(default_factory=list)
    seen: set[tuple[Any, ...]] = field(default_factory=set)


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


def judge(
    receiver_ids: list[int],
    worn: list[Worn],
    facts: FittingFacts,
    *,
    today: date,
    at: datetime,
    run: RefreshRun | None,
) -> Judged:
    """Compare what is published with what the rules say today. Nothing is written.

    In a run, a wavering forecast is held still; without one (a person changed something) the exact date is published.
    """
    items = _published(receiver_ids, worn)
    judged = Judged(n_items=len(worn), seen=seen_by(receiver_ids))
    answer = due_columns(facts, to_day(today))
    for i, thing in enumerate(worn):
        item = items.pop(thing.key, None)
        if item is not None and not _place_differs(item, thing) and not _answer_differs(item, facts, answer, i, run):
            continue
        due = due_date(facts.row(i), today)
        if item is not None and (item.due_on, item.reason) != (due.due_on, due.code) and not item.is_closed:
            judged.moves.append(
                DueChange(due_item=item, customer_id=thing.customer_id, at=at, run=run, from_on=item.due_on,
                          from_reason=item.reason, to_on=due.due_on, to_reason=due.code)
            )  # fmt: skip
        (judged.changed if item else judged.new).append(_filled(item or DueItem(), thing, facts, i, due, today))
    judged.gone = [item for item in items.values() if not item.is_closed]
    return judged


def seen_by(receiver_ids: list[int]) -> set[tuple[Any, ...]]:
    """Key and version of what is published at these receivers: differs as soon as somebody else has written there."""
    rows = DueItem.objects.filter(receiver_id__in=receiver_ids)
    return set(rows.values_list("pk", "is_closed", "due_on", "reason", "as_of"))


def write(judged: Judged, stale: set[int]) -> Refreshed:
    """Write what was judged, less the receivers that were changed meanwhile."""
    new = [row for row in judged.new if row.receiver_id not in stale]
    changed = [row for row in judged.changed if row.receiver_id not in stale]
    gone = [row for row in judged.gone if row.receiver_id not in stale]
    moves = [move for move in judged.moves if move.due_item.receiver_id not in stale]
    for row in gone:
        row.is_closed = True
    DueItem.objects.bulk_update(gone, ["is_closed"], batch_size=200)
    DueItem.objects.bulk_update(
        sorted(changed, key=lambda row: row.pk), [*_names(PLACE_FIELDS), *ANSWER_FIELDS], batch_size=50
    )
    DueItem.objects.bulk_create(new, batch_size=500)
    DueChange.objects.bulk_create(moves, batch_size=500)
    return Refreshed(judged.n_items, len(moves), len(new) + len(changed) + len(gone))


def _names(fields: tuple[str, ...]) -> list[str]:
    return [name.removesuffix("_id") for name in fields]


def _published(receiver_ids: list[int], worn: list[Worn]) -> dict[tuple[str, int | None], DueItem]:
    """Items of these receivers, and of things that were closed or stood at another receiver before."""
    # The figures are only ever written anew, and they are the longest part of a row.
    rows = DueItem.objects.defer("figures").order_by("is_closed", "pk")
    found: dict[tuple[str, int | None], DueItem] = {}
    for row in rows.filter(receiver_id__in=receiver_ids, is_closed=False):
        found[_key_of(row)] = row
    missing = [thing for thing in worn if thing.key not in found]
    if missing:
        for condition in (
            Q(fitting_id__in=[thing.fitting_id for thing in missing if thing.kind == "cells"]),
            Q(kind="unit", transmitter_id__in=[thing.transmitter_id for thing in missing if thing.kind == "unit"]),
            Q(kind="standby", receiver_id__in=[thing.receiver_id for thing in missing if thing.kind == "standby"]),
        ):
            for row in rows.filter(condition):
                found.setdefault(_key_of(row), row)
    return found


def _key_of(item: DueItem) -> tuple[str, int | None]:
    owner = {"cells": item.fitting_id, "unit": item.transmitter_id, "standby": item.receiver_id}
    return item.kind, owner[item.kind]


def _place_differs(item: DueItem, thing: Worn) -> bool:
    """Tell whether the thing has been closed, has moved or has another duty."""
    place = (thing.customer_id, thing.site_id, thing.receiver_id, thing.registration_id, thing.duty)
    return item.is_closed or place != (
        item.customer_id, item.site_id, item.receiver_id, item.registration_id, item.duty,
    )  # fmt: skip


def _answer_differs(item: DueItem, facts: FittingFacts, answer: DueColumns, i: int, run: RefreshRun | None) -> bool:
    """Tell whether what is published has to be written anew. Exposure grows every day and is no reason."""
    code, day = answer.codes[int(answer.code_index[i])], int(answer.due_day[i])
    if (item.model_version, item.reason) != (MODEL_VERSION, code):
        return True
    if item.flags != list(flag_names(int(answer.flags[i]))) or item.exposure_limit != number(facts.u_limit[i]):
        return True
    codes = {rule.code for rule, days in zip(RULES, answer.days_by_rule[:, i], strict=True) if days < FAR_DAY}
    if codes != {opinion["code"] for opinion in item.opinions}:
        return True
    if (to_date(day) if day < FAR_DAY else None) == item.due_on:
        return False
    # Only the forecast of the charge wavers from night to night; every other date is exact.
    return not (
        run is not None
        and code == "risk_limit"
        and item.due_on is not None
        and keeps_published(to_day(item.due_on), item.reason, day, code)
    )


def _filled(item: DueItem, thing: Worn, facts: FittingFacts, i: int, due: Due, today: date) -> DueItem:
    """Set place and answer of an item."""
    for name in ("customer_id", "site_id", "receiver_id", "registration_id", "transmitter_id", "fitting_id", "kind"):
        setattr(item, name, getattr(thing, name))
    item.duty, item.harm, item.is_closed = thing.duty, DUTIES.index(thing.duty), False
    item.due_on, item.reason = due.due_on, due.code
    item.opinions = [{"due_on": o.due_on.isoformat(), "code": o.code, "why": o.why} for o in due.opinions]
    item.flags = list(due.flags)
    item.exposure, item.rate_per_day = number(due.u), number(due.rate_per_day)
    item.exposure_limit = number(facts.u_limit[i])
    item.planning_q = number(facts.planning_probability[i])
    item.figures = {"why": due.why, "notes": list(due.notes)} | {
        name: round(value, 9)
        for name in FittingFacts.__slots__
        if (value := number(getattr(facts, name)[i])) is not None
    }
    item.model_version, item.as_of = MODEL_VERSION, today
    return item


def number(value: Any) -> float | None:
    """Plain number for the database; nothing for NaN and infinity, which JSON cannot hold."""
    number = float(value)
    return number if abs(number) < float("inf") else None
