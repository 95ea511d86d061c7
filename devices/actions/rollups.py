"""Days of check-ins with the running totals of the cells that were in: added together, or rebuilt from the days.

`FittingTotals` are derived from `CheckInDay`; adding and rebuilding must agree to the last count (`manage.py reconcile`).
The temperature columns come from elsewhere and are left as they are.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from django.db import transaction
from django.utils.translation import gettext

from company.errors import Refused
from company.manner import day_said
from devices.actions import rollup_sql as sql
from devices.models import FittingTotals, Registration
from devices.rules.setting_periods import Period, Setting, Stay, periods_of

CHUNK = 500
"""Transmitters whose totals are rebuilt in one go: bounds memory and the time for which they are locked."""
FAR = date(9999, 1, 1)
COUNTS = ("interval_s", "days_measured", "checkins", "activations")


class NotADay(Refused):
    """Counts that cannot be, or of a transmitter that is not on record."""


@dataclass(frozen=True, slots=True)
class DayRow:
    """What one transmitter said on a day of UTC, to be added to what is on record of that day.

    Counts are 0 or more; margin [dB]; `last_heard_s` seconds since midnight; `presence` 12 bytes, a bit a quarter hour.
    """

    transmitter_id: int
    day: date
    heard: int = 0
    expected: int = 0
    activations: int = 0
    loss_runs: int = 0
    lowest_margin_db: int | None = None
    flags: int = 0
    last_heard_s: int | None = None
    presence: bytes | None = None


@dataclass(frozen=True, slots=True)
class Recorded:
    """What a call of `record_days` did: days added to, and how many of them reached the largest count."""

    n_days: int
    n_capped: int


@dataclass(frozen=True, slots=True)
class Difference:
    """One figure of a setting-period that does not agree with the days. None: that row should not be, or is missing."""

    transmitter_id: int
    fitting_id: int
    from_on: date
    name: str
    recorded: int | None
    rebuilt: int | None


def record_days(rows: Iterable[DayRow]) -> Recorded:
    """Add days of check-ins, and the same increments to the totals of the cells in service on those days.

    All in one transaction, the caller's where one is open. Adding is not repeatable: whoever calls keeps a ledger of what
    was added. Order and lateness do not matter. Counts over 32,767 a day are cut off and the day is flagged.

    Raises
    ------
    NotADay
        Nothing is written.
    """
    merged = _merge(rows)
    if not merged:
        return Recorded(0, 0)
    with transaction.atomic():
        customers = sql.lock_transmitters(sorted({row.transmitter_id for row in merged}))
        unknown = sorted({row.transmitter_id for row in merged} - customers.keys())
        if unknown:
            raise NotADay(
                gettext("No transmitter on record has the key %(unknown)s. Set its check-ins aside.")
                % {"unknown": unknown[0]}
            )
        before = sql.read_days([(row.transmitter_id, row.day) for row in merged])
        written, added = [], []
        for row in merged:
            old = before.get((row.transmitter_id, row.day), sql.DayBefore(0, 0, None))
            written.append(_columns(row, customers[row.transmitter_id], old))
            added.append(_added(row, old))
        sql.add_days(written)
        _add_to_totals(merged, added)
    n_capped = sum(
        1 for row, (_, heard, acts) in zip(merged, added, strict=True) if heard < row.heard or acts < row.activations
    )
    return Recorded(len(merged), n_capped)


def _merge(rows: Iterable[DayRow]) -> list[DayRow]:
    """One row a transmitter and day, sorted by both."""
    found: dict[tuple[int, date], DayRow] = {}
    for row in rows:
        if min(row.heard, row.expected, row.activations, row.loss_runs) < 0:
            raise NotADay(
                gettext("A count of %(day)s is less than nothing. Nothing of this batch was taken.")
                % {"day": day_said(row.day)}
            )
        if row.presence is not None and len(row.presence) != 12:
            raise NotADay(
                gettext("The quarter hours of %(day)s are not 12 bytes. Nothing of this batch was taken.")
                % {"day": day_said(row.day)}
            )
        key = row.transmitter_id, row.day
        found[key] = _both(found[key], row) if key in found else row
    return [found[key] for key in sorted(found)]


def _both(one: DayRow, two: DayRow) -> DayRow:
    margins = [row.lowest_margin_db for row in (one, two) if row.lowest_margin_db is not None]
    last = [row.last_heard_s for row in (one, two) if row.last_heard_s is not None]
    return replace(
        one, heard=one.heard + two.heard, expected=one.expected + two.expected,
        activations=one.activations + two.activations, loss_runs=one.loss_runs + two.loss_runs,
        lowest_margin_db=min(margins, default=None), last_heard_s=max(last, default=None), flags=one.flags | two.flags,
        presence=_or(one.presence, two.presence),
    )  # fmt: skip


def _or(one: bytes | None, two: bytes | None) -> bytes | None:
    if one is None or two is None:
        return one if two is None else two
    return bytes(a | b for a, b in zip(one, two, strict=True))


def _columns(row: DayRow, customer_id: int, old: sql.DayBefore) -> tuple[Any, ...]:
    counts = (row.heard, row.expected, row.activations, row.loss_runs)
    flags = row.flags | (sql.CAPPED if max(counts) > sql.MOST else 0)
    presence = _or(row.presence, old.presence) if row.presence is not None else None
    return (
        row.transmitter_id, row.day, customer_id, row.last_heard_s, *(min(count, sql.MOST) for count in counts),
        row.lowest_margin_db, flags, presence,
    )  # fmt: skip


def _added(row: DayRow, old: sql.DayBefore) -> tuple[int, int, int]:
    """Days heard, check-ins and activations that a row really adds: what is cut off adds nothing."""
    heard = min(old.heard + row.heard, sql.MOST)
    activations = min(old.activations + row.activations, sql.MOST)
    return int(old.heard == 0 and heard > 0), heard - old.heard, activations - old.activations


# --- which cells were in, at which interval ---------------------------------------------------------------------------


def _periods(
    transmitter_ids: Sequence[int], since: date | None = None
) -> tuple[dict[int, list[Period]], dict[int, int]]:
    """Setting-periods of each transmitter, oldest first, and the customer of each fitting.

    With `since`, only of cells that were in after that day: they alone can have counts of it or later.
    """
    stays: dict[int, list[Stay]] = defaultdict(list)
    customers: dict[int, int] = {}
    for transmitter_id, pk, customer_id, begins, ends in sql.read_stays(transmitter_ids, since):
        stays[transmitter_id].append(Stay(pk, begins, ends))
        customers[pk] = customer_id
    settings: dict[int, list[Setting]] = defaultdict(list)
    for transmitter_id, begins, ends, interval_s in sql.read_settings(transmitter_ids):
        settings[transmitter_id].append(Setting(begins, ends, interval_s))
    return {pk: periods_of(rows, settings[pk]) for pk, rows in stays.items()}, customers


def _add_to_totals(rows: Sequence[DayRow], added: Sequence[tuple[int, int, int]]) -> None:
    since = min(row.day for row in rows)
    periods, customers = _periods(sorted({row.transmitter_id for row in rows}), since)
    sums: dict[tuple[int, date], list[int]] = {}
    hit: dict[tuple[int, date], Period] = {}
    for row, counts in zip(rows, added, strict=True):
        period = next((p for p in periods.get(row.transmitter_id, ()) if p.holds(row.day)), None)
        if period is None:
            continue
        # Every period of these cells is made with the first count: without the earlier ones their time would count wrong.
        for one in periods[row.transmitter_id]:
            if one.fitting_id == period.fitting_id:
                hit.setdefault((one.fitting_id, one.from_on), one)
        own = sums.setdefault((period.fitting_id, period.from_on), [0, 0, 0])
        for place, count in enumerate(counts):
            own[place] += count
    sql.add_totals((customers[key[0]], *key, hit[key].interval_s, *sums.get(key, (0, 0, 0))) for key in sorted(hit))


# --- rebuilding -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Rebuilt:
    """One setting-period as the days give it."""

    transmitter_id: int
    customer_id: int
    interval_s: int | None
    days_measured: int
    checkins: int
    activations: int


def _rebuild(transmitter_ids: Sequence[int]) -> dict[tuple[int, date], _Rebuilt]:
    """Every row there should be: all periods of cells with a day on record, or with more than one period."""
    periods, customers = _periods(transmitter_ids)
    listed = [(pk, one) for pk in sorted(periods) for one in periods[pk]]
    sums = sql.sum_stretches([(pk, one.from_on, one.to_on or FAR) for pk, one in listed])
    n_periods: dict[int, int] = defaultdict(int)
    for _, one in listed:
        n_periods[one.fitting_id] += 1
    has_days = {one.fitting_id for number, (_, one) in enumerate(listed) if number in sums}
    found = {}
    for number, (pk, one) in enumerate(listed):
        if one.fitting_id in has_days or n_periods[one.fitting_id] > 1:
            _, heard_days, heard, activations = sums.get(number, (0, 0, 0, 0))
            found[one.fitting_id, one.from_on] = _Rebuilt(
                pk, customers[one.fitting_id], one.interval_s, heard_days, heard, activations
            )
    return found


def _compare(
    recorded: dict[tuple[int, date], FittingTotals], rebuilt: dict[tuple[int, date], _Rebuilt]
) -> list[Difference]:
    found = []
    for key in sorted(recorded.keys() | rebuilt.keys()):
        is_, should = recorded.get(key), rebuilt.get(key)
        transmitter_id = should.transmitter_id if should else is_.fitting.transmitter_id  # type: ignore[union-attr]
        for name in COUNTS:
            one, two = getattr(is_, name, None), getattr(should, name, None)
            if one != two or (name == "checkins" and (is_ is None or should is None)):
                found.append(Difference(transmitter_id, *key, name, one, two))
    return found


def _recorded(transmitter_ids: Sequence[int]) -> dict[tuple[int, date], FittingTotals]:
    rows = FittingTotals.objects.filter(fitting__transmitter_id__in=transmitter_ids).select_related("fitting")
    return {(row.fitting_id, row.from_on): row for row in rows}


def differences(*, transmitter_ids: Sequence[int]) -> list[Difference]:
    """Where the totals of some transmitters do not agree with their days. One chunk: at most `CHUNK` transmitters."""
    with transaction.atomic():
        sql.lock_transmitters(sorted(transmitter_ids))
        return _compare(_recorded(transmitter_ids), _rebuild(transmitter_ids))


def rebuild_totals(*, transmitter_ids: Iterable[int]) -> list[Difference]:
    """Rebuild the totals of some transmitters from their days; gives what was different. A second call changes nothing.

    To be called whenever cells or a check-in interval of the past changed. Needs every day since the cells were fitted:
    days must not be dropped before the totals of their cells are sealed.
    """
    found: list[Difference] = []
    listed = sorted(set(transmitter_ids))
    for start in range(0, len(listed), CHUNK):
        some = listed[start : start + CHUNK]
        with transaction.atomic():
            sql.lock_transmitters(some)
            recorded, rebuilt = _recorded(some), _rebuild(some)
            different = _compare(recorded, rebuilt)
            if different:
                _mend(recorded, rebuilt, {(one.fitting_id, one.from_on) for one in different})
            found += different
    return found


def settle_slot(registration: Registration) -> None:
    """Rebuild after a registration began or ended: another check-in interval begins another setting-period."""
    if registration.transmitter_id is not None:
        rebuild_totals(transmitter_ids=[registration.transmitter_id])


def _mend(
    recorded: dict[tuple[int, date], FittingTotals],
    rebuilt: dict[tuple[int, date], _Rebuilt],
    different: set[tuple[int, date]],
) -> None:
    changed: list[FittingTotals] = []
    new: list[FittingTotals] = []
    for key in sorted(different & rebuilt.keys()):
        row = recorded.get(key) or FittingTotals(
            customer_id=rebuilt[key].customer_id, fitting_id=key[0], from_on=key[1]
        )
        for name in COUNTS:
            setattr(row, name, getattr(rebuilt[key], name))
        (new if row.pk is None else changed).append(row)
    gone = [recorded[key].pk for key in sorted(different - rebuilt.keys())]
    for start in range(0, len(gone), CHUNK):
        FittingTotals.objects.filter(pk__in=gone[start : start + CHUNK]).delete()
    FittingTotals.objects.bulk_update(changed, COUNTS, batch_size=200)
    FittingTotals.objects.bulk_create(new, batch_size=2000)
