"""Days of check-ins of transmitters whose every check-in reaches us, and the sums per fitting that follow from them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from devices.models import CheckInDay
from devices.rules.presence import QUARTER_S
from maintenance.management.demo.clock import at, share_of
from maintenance.management.demo.faults import weekends
from maintenance.management.demo.quarter_hours import draw
from maintenance.management.demo.world import RECORDS_DAYS, DemoFirm, DemoFitting, DemoSlot

N_DAYS = RECORDS_DAYS
"""Days of check-ins: all that the gateways handed over since the records began."""
DAY_S = 86400
HEARD_UNTIL_S = 6 * 3600
"""Today's part day ends at 06:00 UTC, the time up to which the gateways have reported."""


@dataclass(slots=True)
class Days:
    """One transmitter's days as equally long columns, oldest first."""

    row: DemoSlot
    first: date
    heard: NDArray[np.int64]
    expected: NDArray[np.int64]
    activations: NDArray[np.int64]
    loss_runs: NDArray[np.int64]
    margin_db: NDArray[np.int64]
    flags: NDArray[np.int64]
    last_heard_s: NDArray[np.int64]
    masks: list[tuple[bytes | None, bytes | None]]


def reported(firm: DemoFirm) -> list[DemoSlot]:
    """Open registrations whose every check-in reaches us, one per transmitter."""
    return [
        row
        for row in firm.slots
        if row.removed_at is None and row.transmitter and row.transmitter.type and row.input_number == 1
        and row.receiver.evidence == "every" and row.interval_s
    ]  # fmt: skip


def days_of(firm: DemoFirm, row: DemoSlot) -> Days:
    """Draw one transmitter's days from its own generator, so that no other transmitter moves them."""
    unit, today = row.transmitter, firm.today
    assert unit is not None
    assert unit.type is not None
    interval = row.interval_s or DAY_S
    rng = np.random.default_rng([firm.seed, int(unit.serial[3:])])
    first = max(today - timedelta(days=N_DAYS), unit.since)
    n = (today - first).days + 1
    span = np.full(n, float(DAY_S))
    span[-1] = HEARD_UNTIL_S * share_of(today)
    silent = _silent_s(firm, row, first, n)
    awake = np.clip(span - silent, 0, None)
    # Check-ins closer than a quarter hour count once in it; the last one is as near as they come.
    often, interval = interval, max(interval, QUARTER_S)
    expected = np.maximum(span // interval, 0).astype(np.int64)
    possible = np.minimum((awake // interval).astype(np.int64), expected)
    ago = np.arange(n)[::-1]
    loss = rng.uniform(0.002, 0.012) * np.exp(rng.normal(0, 0.4, n))
    margin = float(rng.uniform(12, 30)) + rng.normal(0, 1.5, n)
    if unit.serial in firm.truth.weak_serials:
        fallen = np.clip(1 - ago / 140, 0, 1)
        loss, margin = loss + 0.38 * fallen**1.5, 18 - 15 * fallen + rng.normal(0, 1, n)
    # Of several check-ins in a quarter hour one comes through.
    heard = rng.binomial(possible, 1 - np.clip(loss, 0, 0.95) ** max(QUARTER_S // often, 1))
    lost = expected - heard
    per_day = unit.type["typical_activations_per_day"] * unit.per_day * awake / DAY_S
    weekend = np.array([(first + timedelta(days=i)).weekday() >= 5 for i in range(n)])
    quiet = 0.15 if row.receiver.site.profile in ("office", "school", "plant") else 1.0
    activations = rng.poisson(per_day * np.where(weekend, quiet, 1.4 - 0.4 * quiet))
    ends = (rng.uniform(0.2, 0.98, n) * often).astype(np.int64)
    ends_silent = _ends_silent(firm, row, first, n)
    last = np.maximum((span - np.minimum(silent * ends_silent, span) - ends).astype(np.int64), 0)
    activations = np.where(heard > 0, activations, 0)
    loss_runs = np.minimum(lost, rng.binomial(lost, 0.9) + (lost > 0))
    masks = draw(
        np.random.default_rng([firm.seed, int(unit.serial[3:]), 1]), interval_s=interval, span_s=span, silent_s=silent,
        ends_silent=ends_silent, heard=heard, activations=activations, last_heard_s=last, loss_runs=loss_runs, often_s=often,
    )  # fmt: skip
    margins = np.clip(np.round(margin), 1, 60).astype(np.int64)
    low = _low_flags(unit.fittings, first, n)
    return Days(row, first, heard, expected, activations, loss_runs, margins, low, last, masks)


def _silences(firm: DemoFirm, row: DemoSlot) -> list[tuple[datetime, datetime]]:
    """Times in which nothing of this transmitter could reach us: dead cells, the outage, the weekends of the carried-off one."""
    truth, unit = firm.truth, row.transmitter
    assert unit is not None
    now = at(firm.today, 6)
    spans = [(f.died_at, f.removed_at or now) for f in unit.fittings if f.died_at]
    if row.receiver.site.code == truth.outage_site and truth.outage_from and truth.outage_to:
        spans.append((truth.outage_from, truth.outage_to))
    if unit.serial == truth.carried_off_serial:
        spans += weekends(firm.today, row.registered_at)
    return spans


def _silent_s(firm: DemoFirm, row: DemoSlot, first: date, n: int) -> NDArray[np.float64]:
    """Seconds of silence per day."""
    silent = np.zeros(n)
    for begin, end in _silences(firm, row):
        for index in _touched(begin, end, first, n):
            midnight = datetime.combine(first + timedelta(days=index), time(), UTC)
            overlap = min(end, midnight + timedelta(days=1)) - max(begin, midnight)
            silent[index] += max(overlap.total_seconds(), 0)
    return silent


def _touched(begin: datetime, end: datetime, first: date, n: int) -> range:
    return range(max((begin.date() - first).days, 0), min((end.date() - first).days, n - 1) + 1)


def _ends_silent(firm: DemoFirm, row: DemoSlot, first: date, n: int) -> NDArray[np.float64]:
    """1 for days on which the silence lasts to the end of the day, so that the last check-in came before it."""
    ends = np.zeros(n)
    for begin, end in _silences(firm, row):
        for index in _touched(begin, end, first, n):
            if end.date() > first + timedelta(days=index):
                ends[index] = 1
    return ends


def _low_flags(fittings: list[DemoFitting], first: date, n: int) -> NDArray[np.int64]:
    flags = np.zeros(n, dtype=np.int64)
    for fitting in fittings:
        if fitting.first_low_at is None:
            continue
        until = fitting.removed_at.date() if fitting.removed_at else first + timedelta(days=n)
        begin = max((fitting.first_low_at.date() - first).days, 0)
        flags[begin : max((until - first).days, 0)] |= CheckInDay.LOW_BATTERY
    return flags


def as_rows(days: Days, transmitter_id: int, customer_id: int, day_of_index: Any) -> Iterator[tuple[Any, ...]]:
    """Rows in the order of the table's columns: transmitter, day, customer, last heard, heard, expected …"""
    columns = zip(
        days.heard.tolist(), days.expected.tolist(), days.activations.tolist(), days.loss_runs.tolist(),
        days.margin_db.tolist(), days.flags.tolist(), days.last_heard_s.tolist(), days.masks, strict=True,
    )  # fmt: skip
    for index, (heard, expected, activations, runs, margin, flags, last, (presence, acted)) in enumerate(columns):
        yield (
            transmitter_id, day_of_index(days.first, index), customer_id, last if heard else None, heard, expected,
            activations, runs, margin if heard else None, flags if heard else 0, presence, acted,
        )  # fmt: skip


def expected_totals(firm: DemoFirm, row: DemoSlot, fitting: DemoFitting) -> dict[str, Any] | None:
    """Sums as they would come out on average, for firms too large to draw every day."""
    unit = row.transmitter
    if fitting.fitted_at is None or unit is None or unit.type is None or not row.interval_s:
        return None
    start = max(fitting.fitted_at.date(), firm.today - timedelta(days=N_DAYS))
    n = max((firm.today - start).days, 1)
    return {
        "from_on": start, "interval_s": row.interval_s, "days_measured": n, "checkins": n * DAY_S // row.interval_s,
        "activations": round(n * unit.type["typical_activations_per_day"] * unit.per_day),
    }  # fmt: skip
