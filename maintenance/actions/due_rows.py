"""Rows of due items as they are written: place, date, reason, sentences and the figures behind them. Writes nothing itself."""

from __future__ import annotations

import math
import zlib
from datetime import date
from typing import Any

import numpy as np

from maintenance.actions.fits import MODEL_VERSION
from maintenance.querysets.fits import CurrentFit
from maintenance.querysets.fleet import KINDS
from maintenance.querysets.fleet_raw import DUTIES
from maintenance.rules.due import Due, DueColumns, told
from maintenance.rules.due_facts import FAR_DAY, DayArray, FittingFacts
from maintenance.rules.fleet_columns import FloatArray, IntArray
from maintenance.rules.fleet_facts import Things

AHEAD_DAYS = 90.0
"""Span of the chance that is kept for the order of work [day]."""
_VERSION = zlib.crc32(MODEL_VERSION.encode()) & 0x7FFF


def of_rows(answer: DueColumns, rows: IntArray) -> DueColumns:
    return DueColumns(
        answer.due_day[rows], answer.code_index[rows], answer.days_by_rule[:, rows], answer.u[rows],
        answer.u_limit[rows], answer.rate_per_day[rows], answer.flags[rows], answer.codes,
    )  # fmt: skip


def signature(things: Things, answer: DueColumns) -> DayArray:
    """Pack place, model version, rules that speak, flags and reason into one number: it differs where any of them does.

    A night then compares one column of what is published instead of a dozen. 63 bits of a hash: no two answers of one
    thing will ever share it.
    """
    rules = ((answer.days_by_rule < FAR_DAY) * (1 << np.arange(len(answer.days_by_rule)))[:, np.newaxis]).sum(axis=0)
    parts = (
        np.full(len(things), _VERSION), rules, answer.flags, answer.code_index, things.customer, things.site,
        things.receiver, things.registration, things.duty,
    )  # fmt: skip
    packed = np.zeros(len(things), dtype=np.uint64)
    for part in parts:
        # The mixing step of splitmix64 (public domain): every bit of a part reaches every bit of the number.
        packed = (packed ^ part.astype(np.uint64)) + np.uint64(0x9E3779B97F4A7C15)
        packed = (packed ^ (packed >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        packed = (packed ^ (packed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        packed ^= packed >> np.uint64(31)
    return (packed >> np.uint64(1)).astype(np.int64)


def effective_limit(facts: FittingFacts) -> FloatArray:
    """Exposure limit with the factor of a lot of short lives [1]."""
    return facts.u_limit * facts.lot_factor


def prepared(
    fit: CurrentFit, things: Things, facts: FittingFacts, answer: DueColumns, today: date
) -> list[tuple[Any, ...]]:
    """Rows of the table for some things, in the order of `due_sql.COLUMNS`, sentences and all."""
    places = zip(
        *(getattr(things, name).tolist() for name in
          ("customer", "site", "receiver", "registration", "transmitter", "fitting", "kind", "duty")),
        strict=True,
    )  # fmt: skip
    numbers = zip(
        chance_ahead(fit, facts, answer).tolist(), effective_limit(facts).tolist(),
        signature(things, answer).tolist(), strict=True,
    )  # fmt: skip
    words = zip(told(facts, answer, today), facts.plain_rows(), strict=True)
    return [
        _row(place, due, row, number, today) for place, number, (due, row) in zip(places, numbers, words, strict=True)
    ]


def _row(
    place: tuple[int, ...], due: Due, row: dict[str, float], numbers: tuple[float, float, int], today: date
) -> tuple[Any, ...]:
    *keys, kind, duty = place
    chance, limit, packed = numbers
    opinions = [{"due_on": o.due_on.isoformat(), "code": o.code, "why": o.why} for o in due.opinions]
    # The inputs are not kept: a page works them out anew, and they would be the longest part of a row.
    figures = {"why": due.why, "notes": list(due.notes)}
    return (
        *(key if key >= 0 else None for key in keys), KINDS[kind], DUTIES[duty], duty,
        due.due_on, due.code, opinions, list(due.flags),
        number(due.u), number(limit), number(due.rate_per_day), number(row["planning_probability"]), number(chance),
        int(row["n_ends"]), row["lot_factor"] if row["lot_factor"] < 1 else None,
        figures, packed, MODEL_VERSION, today, False,
    )  # fmt: skip


def chance_ahead(fit: CurrentFit, facts: FittingFacts, answer: DueColumns) -> FloatArray:
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
