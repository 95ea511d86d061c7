"""What a refresh judges and writes: published due items against what the rules say today. Used by `actions/due.py`."""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

import numpy as np
from django.utils import timezone

from company.actions import ensure_policies
from maintenance.actions import due_sql
from maintenance.actions.fits import MODEL_VERSION
from maintenance.models import DueItem, RefreshRun
from maintenance.querysets.fits import CurrentFit, fit_in_use, policy_columns
from maintenance.querysets.fleet import DUTIES, KINDS, Scope, Table, read_closed, read_fleet, read_published
from maintenance.querysets.wear import Worn
from maintenance.rules.battery.limits import Limit
from maintenance.rules.due import (
    EARLIER_BY_DAYS,
    LATER_BY_DAYS,
    WAVERING,
    Due,
    DueColumns,
    due_columns,
    told,
)
from maintenance.rules.due_facts import FAR_DAY, DayArray, FittingFacts, to_day
from maintenance.rules.fleet_columns import NO_KEY, BoolArray, FloatArray, IntArray, row_of
from maintenance.rules.fleet_facts import Model, Policy, Things, fleet_facts

AHEAD_DAYS = 90.0
"""Span of the chance that is kept for the order of work [day]."""
_VERSION = zlib.crc32(MODEL_VERSION.encode()) & 0x7FFF


@dataclass(slots=True)
class Refreshed:
    """What a refresh did: things looked at, dates or reasons that moved, rows written; and what somebody else had
    written meanwhile, which is judged again.
    """

    n_items: int = 0
    n_moved: int = 0
    n_written: int = 0
    n_overtaken: int = 0

    def add(self, other: Refreshed) -> None:
        self.n_items += other.n_items
        self.n_moved += other.n_moved
        self.n_written += other.n_written
        self.n_overtaken += other.n_overtaken


@dataclass(frozen=True, slots=True)
class Basis:
    """What all dates of a refresh rest on besides the facts: the model in use and the firm's policy."""

    fit: CurrentFit
    model: Model
    policy: Policy


def basis() -> Basis:
    """The model in use and the policy as they stand now."""
    policies = ensure_policies()
    fit = fit_in_use()
    return Basis(fit, fit.model(policies), policy_columns(policies))


@dataclass(frozen=True, slots=True)
class Judged:
    """What is to be written for a scope, and the published state that it was judged against.

    `row` is the row of `published` that each thing has, −1 for a new one; `changed` are the things to be written,
    `gone` the rows of `published` of which nothing is left. `versions` are those of the receivers before the read.
    """

    scope: Scope
    today: date
    at: datetime
    run: RefreshRun | None
    fit: CurrentFit
    things: Things
    facts: FittingFacts
    answer: DueColumns
    published: Table
    row: IntArray
    changed: IntArray
    gone: IntArray
    versions: Table = field(default_factory=dict)


def things_at(scope: Scope, on: Basis, today: date) -> tuple[Things, FittingFacts]:
    """Everything that wears in a scope, with its facts."""
    return fleet_facts(read_fleet(scope, lot_codes=on.model.codes), on.model, on.policy, to_day(today))


def judge(
    scope: Scope, on: Basis, things: Things, facts: FittingFacts, *, today: date, at: datetime, run: RefreshRun | None,
    versions: Table,
) -> Judged:  # fmt: skip
    """Compare what is published with what the rules say today. Nothing is written.

    In a run, a wavering forecast is held still; without one (a person changed something) the exact date is published.
    """
    answer = due_columns(facts, to_day(today))
    published, row = _matched(scope, things)
    n_open = int(np.count_nonzero(published["is_closed"] == 0))
    is_found = np.zeros(len(published["pk"]), dtype=np.bool_)
    is_found[row[row >= 0]] = True
    gone = np.flatnonzero(~is_found[:n_open])
    is_new = row < 0
    differs = is_new.copy()
    old = np.flatnonzero(~is_new)
    differs[old] = _place_differs(published, row[old], things.rows(old)) | _answer_differs(
        published, row[old], facts.rows(old), _of_rows(answer, old), is_run=run is not None
    )
    return Judged(
        scope, today, at, run, on.fit, things, facts, answer, published, row, np.flatnonzero(differs), gone, versions
    )


def _matched(scope: Scope, things: Things) -> tuple[Table, IntArray]:
    """What is published, open rows first, then those that things taken up again had; and the row of each thing."""
    tables = [read_published(scope)]
    row = np.full(len(things), NO_KEY, dtype=np.int64)
    for kind in range(len(KINDS)):
        mine = np.flatnonzero(things.kind == kind)
        row[mine] = _rows_of(tables[0], kind, things.owner[mine])
    offset = len(tables[0]["pk"])
    for kind, name in enumerate(KINDS):
        missing = np.flatnonzero((things.kind == kind) & (row < 0))
        if len(missing):
            closed = read_closed(name, things.owner[missing].tolist())
            found = row_of(closed["owner"], things.owner[missing])
            row[missing] = np.where(found >= 0, found + offset, NO_KEY)
            tables.append(closed)
            offset += len(closed["pk"])
    return {name: np.concatenate([table[name] for table in tables]) for name in tables[0]}, row


def _rows_of(published: Table, kind: int, owners: IntArray) -> IntArray:
    rows = np.flatnonzero(published["kind"] == kind)
    order = rows[np.argsort(published["owner"][rows], kind="stable")]
    found = row_of(published["owner"][order], owners)
    return np.where(found >= 0, order[found] if len(order) else NO_KEY, NO_KEY)


def _of_rows(answer: DueColumns, rows: IntArray) -> DueColumns:
    return DueColumns(
        answer.due_day[rows], answer.code_index[rows], answer.days_by_rule[:, rows], answer.u[rows],
        answer.u_limit[rows], answer.rate_per_day[rows], answer.flags[rows], answer.codes,
    )  # fmt: skip


def _place_differs(published: Table, row: IntArray, things: Things) -> BoolArray:
    """Tell whether a thing has been closed, has moved or has another duty."""
    differs = published["is_closed"][row] != 0
    for name in ("customer", "site", "receiver", "registration"):
        differs |= published[name][row] != getattr(things, name)
    return np.asarray(differs | (published["harm"][row] != things.duty))


def signature(answer: DueColumns) -> DayArray:
    """Pack model version, rules that have an opinion, flags and reason into one number: it differs where they do."""
    rules = ((answer.days_by_rule < FAR_DAY) * (1 << np.arange(len(answer.days_by_rule)))[:, np.newaxis]).sum(axis=0)
    return np.asarray((_VERSION << 40) + (rules << 16) + (answer.flags << 8) + answer.code_index, dtype=np.int64)


def effective_limit(facts: FittingFacts) -> FloatArray:
    """Exposure limit with the factor of a lot of short lives [1]."""
    return facts.u_limit * facts.lot_factor


def _answer_differs(
    published: Table, row: IntArray, facts: FittingFacts, answer: DueColumns, *, is_run: bool
) -> BoolArray:
    """Tell whether what is published has to be written anew. Exposure grows every day and is no reason.

    A night's fit moves limits a little: without a moved date that is none either.
    """
    differs = published["signature"][row] != signature(answer)
    new = np.where(answer.due_day < FAR_DAY, answer.due_day, np.nan)
    moved = np.nan_to_num(new, nan=FAR_DAY) - np.nan_to_num(published["due_day"][row], nan=FAR_DAY)
    if not is_run:
        was, limit = published["exposure_limit"][row], effective_limit(facts)
        same = np.isclose(was, limit, rtol=1e-9, atol=0.0, equal_nan=True)
        return np.asarray(differs | (moved != 0) | ~same)
    # Only the forecast of the charge wavers from night to night; every other date is exact.
    wavering = np.isin(answer.code_index, [answer.codes.index(code) for code in WAVERING])
    stays = wavering & (moved >= -EARLIER_BY_DAYS) & (moved <= LATER_BY_DAYS)
    return np.asarray(differs | ((moved != 0) & ~stays))


# --- rows -------------------------------------------------------------------------------------------------------------


def prepared(judged: Judged, rows: IntArray) -> list[tuple[Any, ...]]:
    """Rows of the table for some things, in the order of `due_sql.COLUMNS`, sentences and all."""
    things, facts, answer = judged.things.rows(rows), judged.facts.rows(rows), _of_rows(judged.answer, rows)
    places = zip(
        *(getattr(things, name).tolist() for name in
          ("customer", "site", "receiver", "registration", "transmitter", "fitting", "kind", "duty")),
        strict=True,
    )  # fmt: skip
    numbers = zip(
        _chance_ahead(judged.fit, facts, answer).tolist(), effective_limit(facts).tolist(),
        signature(answer).tolist(), strict=True,
    )  # fmt: skip
    words = zip(told(facts, answer, judged.today), facts.plain_rows(), strict=True)
    return [
        _row(place, due, row, number, judged.today)
        for place, number, (due, row) in zip(places, numbers, words, strict=True)
    ]


def _row(
    place: tuple[int, ...], due: Due, row: dict[str, float], numbers: tuple[float, float, int], today: date
) -> tuple[Any, ...]:
    *keys, kind, duty = place
    chance, limit, packed = numbers
    opinions = [{"due_on": o.due_on.isoformat(), "code": o.code, "why": o.why} for o in due.opinions]
    figures: dict[str, Any] = {"why": due.why, "notes": list(due.notes)}
    figures |= {name: round(value, 9) for name, value in row.items() if math.isfinite(value)}
    return (
        *(key if key >= 0 else None for key in keys), KINDS[kind], DUTIES[duty], duty,
        due.due_on, due.code, opinions, list(due.flags),
        number(due.u), number(limit), number(due.rate_per_day), number(row["planning_probability"]), number(chance),
        int(row["n_ends"]), row["lot_factor"] if row["lot_factor"] < 1 else None,
        figures, packed, MODEL_VERSION, today, False,
    )  # fmt: skip


def _chance_ahead(fit: CurrentFit, facts: FittingFacts, answer: DueColumns) -> FloatArray:
    """Chance of an end within 90 days; a bad lot has lived through more than its charge says."""
    chance = np.full(len(facts), np.nan)
    known = np.flatnonzero((facts.stratum >= 0) & np.isfinite(answer.u) & np.isfinite(answer.rate_per_day))
    if len(known):
        u, rate = answer.u[known] / facts.lot_factor[known], answer.rate_per_day[known] / facts.lot_factor[known]
        chance[known] = fit.fleet.chance_ahead(facts.stratum[known], u, AHEAD_DAYS * rate)
    return chance


def number(value: Any) -> float | None:
    """Plain number for the database; nothing for NaN and infinity, which JSON cannot hold."""
    number = float(value)
    return number if abs(number) < math.inf else None


# --- writes -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Portion:
    """What one transaction writes: things with their rows, and published rows of which nothing is left."""

    things: IntArray
    rows: list[tuple[Any, ...]]
    gone: IntArray

    def receivers(self, judged: Judged) -> set[int]:
        """Receivers concerned."""
        return {*judged.things.receiver[self.things].tolist(), *judged.published["receiver"][self.gone].tolist()}


def portions(judged: Judged, size: int) -> Iterator[Portion]:
    """Cut the work, in order of what is published, so that two refreshes lock rows in one order."""
    key = np.where(judged.row[judged.changed] >= 0, judged.row[judged.changed], len(judged.published["pk"]))
    things = judged.changed[np.argsort(key, kind="stable")]
    for start in range(0, len(things), size):
        mine = things[start : start + size]
        yield Portion(mine, prepared(judged, mine), judged.gone[:0])
    for start in range(0, len(judged.gone), size):
        yield Portion(judged.changed[:0], [], judged.gone[start : start + size])


def write(judged: Judged, portion: Portion, stale: set[int]) -> Refreshed:
    """Write a portion, less the receivers that were changed meanwhile and the rows that somebody else has written."""
    now = _as_published(judged, portion)
    moves, old, new = [], [], []
    n_overtaken = 0
    for thing, row in zip(portion.things.tolist(), portion.rows, strict=True):
        if int(judged.things.receiver[thing]) in stale:
            continue
        place = int(judged.row[thing])
        if place < 0:
            new.append(row)
            continue
        pk = int(judged.published["pk"][place])
        if now.get(pk, ())[:4] != _seen(judged.published, place):
            n_overtaken += 1
            continue
        old.append((pk, row))
        _, _, _, is_closed, from_on, from_reason = now[pk]
        if not is_closed and (from_on, from_reason) != (row[_DUE_ON], row[_REASON]):
            run = judged.run.pk if judged.run else None
            moves.append((pk, row[0], judged.at, from_on, row[_DUE_ON], from_reason, row[_REASON], run))
    n_written = due_sql.update_items([pk for pk, _ in old], [row for _, row in old])
    n_added = due_sql.insert_items(new)
    due_sql.insert_changes(moves)
    return Refreshed(
        n_moved=len(moves),
        n_written=n_written + n_added + _close(judged, portion, stale),
        n_overtaken=n_overtaken + len(new) - n_added,
    )


_DUE_ON, _REASON = (list(due_sql.COLUMNS).index(name) for name in ("due_on", "reason"))


def _seen(published: Table, place: int) -> tuple[Any, ...]:
    due, as_of = published["due_day"][place], published["as_of"][place]
    return (
        None if np.isnan(due) else int(due), int(published["signature"][place]), int(as_of),
        bool(published["is_closed"][place]),
    )  # fmt: skip


def _as_published(judged: Judged, portion: Portion) -> dict[int, tuple[Any, ...]]:
    """What stands now of the rows to be written: day, signature, day of writing, closed; and day and reason as they are."""
    places = judged.row[portion.things]
    pks = judged.published["pk"][places[places >= 0]].tolist()
    found: dict[int, tuple[Any, ...]] = {}
    for n in range(0, len(pks), 1000):
        rows = DueItem.objects.filter(pk__in=pks[n : n + 1000])
        for pk, due_on, packed, as_of, is_closed, reason in rows.values_list(
            "pk", "due_on", "signature", "as_of", "is_closed", "reason"
        ):
            found[pk] = (to_day(due_on) if due_on else None, packed, to_day(as_of), is_closed, due_on, reason)
    return found


def _close(judged: Judged, portion: Portion, stale: set[int]) -> int:
    """Close what is no longer there."""
    receivers = judged.published["receiver"][portion.gone]
    pks = judged.published["pk"][portion.gone][~np.isin(receivers, list(stale))].tolist()
    return DueItem.objects.filter(pk__in=pks, is_closed=False).update(is_closed=True) if pks else 0


def seen_again(judged: Judged) -> bool:
    """Tell whether everything published in the scope still stands as it was judged."""
    now = read_published(judged.scope)
    was = {name: column[judged.published["is_closed"] == 0] for name, column in judged.published.items()}
    return all(np.array_equal(now[name], was[name], equal_nan=now[name].dtype.kind == "f") for name in now)


def policy_limits() -> tuple[dict[str, Limit], dict[str, Any]]:
    """Limit per duty class of a kind that no fit has seen, with activations counted; and the policies."""
    policies, fit = ensure_policies(), fit_in_use()
    limits, new = fit.limits(policies), fit.number_of(None, None, True)
    found = {
        duty: Limit(float(limits.q[new, n]), float(limits.u[new, n]), bool(limits.is_reachable[new, n]), 0)
        for n, duty in enumerate(DUTIES)
    }
    return found, policies


def facts_of(worn: list[Worn], limits: Any, policies: dict[str, Any]) -> FittingFacts:
    """Facts of one thing that `read_worn` gave; no row where its record does not wear (a unit without an end of life)."""
    on, today_day = basis(), to_day(timezone.localdate())
    things, facts = fleet_facts(worn[0].columns, on.model, on.policy, today_day)
    keys = list(zip((KINDS[kind] for kind in things.kind.tolist()), things.owner.tolist(), strict=True))
    return facts.rows(np.array([keys.index(thing.key) for thing in worn if thing.key in keys], dtype=np.int64))
