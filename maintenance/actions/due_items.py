"""What a refresh judges and writes: published due items against what the rules say today. Used by `actions/due.py`."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

import numpy as np

from company.actions import ensure_policies
from maintenance.actions import due_sql
from maintenance.actions.due_rows import chance_ahead, effective_limit, of_rows, prepared, signature
from maintenance.models import DueItem, RefreshRun
from maintenance.querysets.fits import CurrentFit, fit_in_use, policy_columns
from maintenance.querysets.fleet import KINDS, read_closed, read_fleet, read_published
from maintenance.querysets.fleet_raw import DUTIES, Raw, Scope, Table
from maintenance.rules.battery.limits import Limit
from maintenance.rules.due import (
    EARLIER_BY_DAYS,
    LATER_BY_DAYS,
    WAVERING,
    DueColumns,
    due_columns,
)
from maintenance.rules.due_facts import FAR_DAY, FittingFacts, to_day
from maintenance.rules.fleet_columns import NO_KEY, BoolArray, FloatArray, IntArray, row_of
from maintenance.rules.fleet_facts import Model, Policy, Things, fleet_facts

NEAR_SHARE, RANKED_FROM, RANKED_RATIO = 0.5, 0.002, 1.25
"""The chance is kept up to date by itself where it may put things into another order: from half of the limit on, where it
matters at all, and once it has changed by a quarter. Own choice; each battery is then written some twenty times in its life."""


@dataclass(slots=True)
class Refreshed:
    """What a refresh did: things looked at, dates or reasons that moved, rows written, chances brought up to date; and what
    somebody else had written meanwhile, which is judged again.
    """

    n_items: int = 0
    n_moved: int = 0
    n_written: int = 0
    n_ranked: int = 0
    n_overtaken: int = 0

    def add(self, other: Refreshed) -> None:
        self.n_items += other.n_items
        self.n_moved += other.n_moved
        self.n_written += other.n_written
        self.n_ranked += other.n_ranked
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

    Of `published` the first `n_open` rows are open. `row` is the one that each thing has, −1 for a new one; `changed` are the things to be written,
    `gone` the rows of `published` of which nothing is left, `ranked` those of which only the chance is, `chance`. `versions` are those of the receivers before the read.
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
    n_open: int
    row: IntArray
    changed: IntArray
    gone: IntArray
    ranked: IntArray
    chance: FloatArray
    versions: Table = field(default_factory=dict)

    @property
    def n_to_write(self) -> int:
        """Rows to be written."""
        return len(self.changed) + len(self.gone) + len(self.ranked)


def things_at(scope: Scope, on: Basis, today: date, raw: Raw | None = None) -> tuple[Things, FittingFacts]:
    """Everything that wears in a scope, with its facts; `raw` is what `read_open` gave for it, if that is known already."""
    return fleet_facts(read_fleet(scope, lot_codes=on.model.codes, raw=raw), on.model, on.policy, to_day(today))


def judge(
    scope: Scope, on: Basis, things: Things, facts: FittingFacts, *, today: date, at: datetime, run: RefreshRun | None,
    versions: Table,
) -> Judged:  # fmt: skip
    """Compare what is published with what the rules say today. Nothing is written.

    In a run, a wavering forecast is held still; without one (a person changed something) the exact date is published.
    """
    answer = due_columns(facts, to_day(today))
    published, n_open, row = _matched(scope, things)
    is_found = np.zeros(len(published["pk"]), dtype=np.bool_)
    is_found[row[row >= 0]] = True
    gone = np.flatnonzero(~is_found[:n_open])
    differs = (row < 0) | (row >= n_open)
    old = np.flatnonzero(~differs)
    differs[old] = _differs(
        published, row[old], things.rows(old), facts.rows(old), of_rows(answer, old), is_run=run is not None
    )
    ranked, chance = _ranked(on.fit, facts, answer, published, np.where(differs, NO_KEY, row))
    return Judged(
        scope, today, at, run, on.fit, things, facts, answer, published, n_open, row, np.flatnonzero(differs), gone, ranked,
        chance, versions,
    )  # fmt: skip


def _ranked(
    fit: CurrentFit, facts: FittingFacts, answer: DueColumns, published: Table, row: IntArray
) -> tuple[IntArray, FloatArray]:
    """Published rows whose chance of an end soon has changed enough to matter for the order of work, and that chance."""
    with np.errstate(invalid="ignore"):
        near = np.flatnonzero((row >= 0) & (answer.u >= NEAR_SHARE * effective_limit(facts)))
        chance = chance_ahead(fit, facts.rows(near), of_rows(answer, near))
        was = np.nan_to_num(published["chance_ahead"][row[near]])
        # Both ways: a longer life learnt, or a recount of activations, may lower it.
        low, high = np.minimum(chance, was), np.maximum(chance, was)
        moved = (high >= RANKED_FROM) & (high > RANKED_RATIO * low)
    return row[near[moved]], chance[moved]


def _matched(scope: Scope, things: Things) -> tuple[Table, int, IntArray]:
    """What is published, open rows first, then those that things taken up again had; how many are open; each thing's row."""
    tables = [read_published(scope)]
    row = np.full(len(things), NO_KEY, dtype=np.int64)
    for kind in range(len(KINDS)):
        mine = np.flatnonzero(things.kind == kind)
        row[mine] = _rows_of(tables[0], kind, things.owner[mine])
    n_open = offset = len(tables[0]["pk"])
    for kind, name in enumerate(KINDS):
        missing = np.flatnonzero((things.kind == kind) & (row < 0))
        if len(missing):
            closed = read_closed(name, things.owner[missing].tolist())
            found = row_of(closed["owner"], things.owner[missing])
            row[missing] = np.where(found >= 0, found + offset, NO_KEY)
            tables.append(closed)
            offset += len(closed["pk"])
    return {name: np.concatenate([table[name] for table in tables]) for name in tables[0]}, n_open, row


def _rows_of(published: Table, kind: int, owners: IntArray) -> IntArray:
    rows = np.flatnonzero(published["kind"] == kind)
    order = rows[np.argsort(published["owner"][rows], kind="stable")]
    found = row_of(published["owner"][order], owners)
    return np.where(found >= 0, order[found] if len(order) else NO_KEY, NO_KEY)


def _differs(
    published: Table, row: IntArray, things: Things, facts: FittingFacts, answer: DueColumns, *, is_run: bool
) -> BoolArray:
    """Tell whether what is published has to be written anew. Exposure grows every day and is no reason.

    A night's fit moves limits a little: without a moved date that is none either.
    """
    differs = published["signature"][row] != signature(things, answer)
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


# --- writes -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Portion:
    """What one transaction writes: things with their rows, and published rows of which nothing is left."""

    things: IntArray
    rows: list[tuple[Any, ...]]
    gone: IntArray
    gone_from: IntArray
    ranked: IntArray
    chance: FloatArray

    def __len__(self) -> int:
        return len(self.things) + len(self.gone) + len(self.ranked)

    def receivers(self, judged: Judged) -> set[int]:
        """Receivers concerned. A chance alone says nothing that a change at a receiver could make wrong."""
        return {*judged.things.receiver[self.things].tolist(), *self.gone_from.tolist()}


def _prepared(judged: Judged, rows: IntArray) -> list[tuple[Any, ...]]:
    return prepared(
        judged.fit, judged.things.rows(rows), judged.facts.rows(rows), of_rows(judged.answer, rows), judged.today
    )


def portions(judged: Judged, size: int) -> Iterator[Portion]:
    """Cut the work, in order of what is published, so that two refreshes lock rows in one order."""
    key = np.where(judged.row[judged.changed] >= 0, judged.row[judged.changed], len(judged.published["pk"]))
    things = judged.changed[np.argsort(key, kind="stable")]
    none, no_chance = judged.gone[:0], judged.chance[:0]
    for start in range(0, len(things), size):
        mine = things[start : start + size]
        yield Portion(mine, _prepared(judged, mine), none, none, none, no_chance)
    for start in range(0, len(judged.gone), size):
        part = judged.gone[start : start + size]
        yield Portion(none, [], part, _receivers_of(judged.published["pk"][part]), none, no_chance)
    order = np.argsort(judged.published["pk"][judged.ranked])
    for start in range(0, len(order), size):
        part = order[start : start + size]
        yield Portion(none, [], none, none, judged.ranked[part], judged.chance[part])


def _receivers_of(pks: IntArray) -> IntArray:
    """Receivers at which these items are published."""
    where = dict(DueItem.objects.filter(pk__in=pks.tolist()).values_list("pk", "receiver_id"))
    return np.array([where.get(pk, NO_KEY) for pk in pks.tolist()], dtype=np.int64)


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
        if now.get(pk, ())[:3] != _seen(judged, place):
            n_overtaken += 1
            continue
        old.append((pk, row))
        _, _, is_closed, from_on, from_reason = now[pk]
        if not is_closed and (from_on, from_reason) != (row[_DUE_ON], row[_REASON]):
            run = judged.run.pk if judged.run else None
            moves.append((pk, row[0], judged.at, from_on, row[_DUE_ON], from_reason, row[_REASON], run))
    n_written = due_sql.update_items([pk for pk, _ in old], [row for _, row in old])
    n_added = due_sql.insert_items(new)
    due_sql.insert_changes(moves)
    return Refreshed(
        n_moved=len(moves),
        n_written=n_written + n_added + _close(judged, portion, stale),
        n_ranked=due_sql.update_chances(
            list(zip(judged.published["pk"][portion.ranked].tolist(), portion.chance.tolist(), strict=True))
        ),
        n_overtaken=n_overtaken + len(new) - n_added,
    )


_DUE_ON, _REASON = (list(due_sql.COLUMNS).index(name) for name in ("due_on", "reason"))


def _seen(judged: Judged, place: int) -> tuple[Any, ...]:
    due = judged.published["due_day"][place]
    packed = int(judged.published["signature"][place])
    return None if np.isnan(due) else int(due), packed, place >= judged.n_open


def _as_published(judged: Judged, portion: Portion) -> dict[int, tuple[Any, ...]]:
    """What stands now of the rows to be written: day, signature, closed; and date and reason as they are."""
    places = judged.row[portion.things]
    pks = judged.published["pk"][places[places >= 0]].tolist()
    found: dict[int, tuple[Any, ...]] = {}
    for n in range(0, len(pks), 1000):
        rows = DueItem.objects.filter(pk__in=pks[n : n + 1000])
        for pk, due_on, packed, is_closed, reason in rows.values_list(
            "pk", "due_on", "signature", "is_closed", "reason"
        ):
            found[pk] = (to_day(due_on) if due_on else None, packed, is_closed, due_on, reason)
    return found


def _close(judged: Judged, portion: Portion, stale: set[int]) -> int:
    """Close what is no longer there."""
    pks = judged.published["pk"][portion.gone][~np.isin(portion.gone_from, list(stale))].tolist()
    return DueItem.objects.filter(pk__in=pks, is_closed=False).update(is_closed=True) if pks else 0


def seen_again(judged: Judged) -> bool:
    """Tell whether everything published in the scope still stands as it was judged."""
    now = read_published(judged.scope)
    was = {name: column[: judged.n_open] for name, column in judged.published.items()}
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
