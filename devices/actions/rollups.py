"""Days of check-ins with the running totals of the cells that were in: added together, or rebuilt from the days.

`FittingTotals` are derived from `CheckInDay`; adding and rebuilding must agree to the last count (`manage.py reconcile`).
The temperature columns come from elsewhere and are left as they are.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from django.db import transaction
from django.utils.translation import gettext

from company.errors import Refused
from company.manner import day_said
from devices.actions import rollup_sql as sql
from devices.actions.running_totals import Added, Stays, add_to_totals, by_unit, cut_periods, totals_asks
from devices.models import FittingTotals, Registration
from devices.rules.day_merge import CAPPED, MOST, NOTHING, DayRow, DayState, combine, fold, merge
from devices.rules.presence import N_BYTES
from devices.rules.setting_periods import Period

CHUNK = 500
"""Transmitters whose totals are rebuilt in one go: bounds memory and the time for which they are locked."""
FAR = date(9999, 1, 1)
COUNTS = ("interval_s", "days_measured", "checkins", "activations")
DROPPED = ("dropped_days", "dropped_checkins", "dropped_activations")


_periods = cut_periods
# What `Added(…)` does, without a call of Python for each day.
_tuple = tuple.__new__
__all__ = [
    "CHUNK", "Added", "DayRow", "Difference", "NotADay", "Recorded", "add_to_totals", "differences", "group_days",
    "merge_days", "rebuild_totals", "record_days", "settle_slot", "write_merged",
]  # fmt: skip


class NotADay(Refused):
    """Counts that cannot be, or of a transmitter that is not on record."""


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
    """Merge days of check-ins into those on record, and what that adds to the totals of the cells in service on those days.

    All in one transaction, the caller's where one is open. Quarter hours and everything merged by least, largest or OR may
    come again; activations are added, so whoever calls keeps a ledger of what was. Counts over 32,767 a day are cut off
    and the day is flagged. See `devices.rules.day_merge` for the rule.

    Raises
    ------
    NotADay
        Nothing is written.
    """
    grouped = group_days(rows)
    if not grouped:
        return Recorded(0, 0)
    ids = sorted({key[0] for key in grouped})
    with transaction.atomic():
        locked, days, stays = sql.ask(
            sql.lock_ask(ids), sql.days_ask(list(grouped)), sql.stays_ask(ids, min(key[1] for key in grouped))
        )
        return write_merged(grouped, sql.owners(locked), sql.as_states(days), stays)


def group_days(rows: Iterable[DayRow]) -> dict[sql.Key, list[DayRow]]:
    """Rows by transmitter and day, sorted by both; those of one source put together, so that they count as one batch.

    Raises
    ------
    NotADay
        For counts below nothing and masks that are not 12 bytes.
    """
    found: dict[sql.Key, list[DayRow]] = {}
    for row in rows:
        _refuse_impossible(row)
        there = found.setdefault((row.transmitter_id, row.day), [])
        for place, other in enumerate(there):
            if other.source_id == row.source_id:
                there[place] = combine(other, row)
                break
        else:
            there.append(row)
    return dict(sorted(found.items()))


def _refuse_impossible(row: DayRow) -> None:
    if min(row.heard, row.expected, row.activations, row.loss_runs) < 0 or any(n < 0 for _, n in row.acts):
        raise NotADay(
            gettext("A count of %(day)s is less than nothing. Nothing of this batch was taken.")
            % {"day": day_said(row.day)}
        )
    if row.presence is not None and len(row.presence) != N_BYTES:
        raise NotADay(
            gettext("The quarter hours of %(day)s are not 12 bytes. Nothing of this batch was taken.")
            % {"day": day_said(row.day)}
        )


def write_merged(
    grouped: Mapping[sql.Key, Sequence[DayRow]], customers: Mapping[int, int], before: Mapping[sql.Key, DayState],
    stays: sql.Rows,
) -> Recorded:  # fmt: skip
    """Merge rows into days and write them at once; see `merge_days`."""
    recorded, asks = merge_days(grouped, customers, before, by_unit(stays))
    sql.ask(*asks)
    return recorded


def merge_days(
    grouped: Mapping[sql.Key, Sequence[DayRow]], customers: Mapping[int, int], before: Mapping[sql.Key, DayState],
    stays: Stays,
) -> tuple[Recorded, list[sql.Ask]]:  # fmt: skip
    """Merge rows into days read under the lock of their transmitters; gives what writes them with their totals.

    Parameters
    ----------
    grouped : mapping
        As `group_days` gives it: sorted by key.
    customers : mapping of int to int
        Of the locked transmitters.
    before : mapping
        The days on record among these.
    stays : mapping of int to list of tuple
        As `running_totals.by_unit` gives them.

    Raises
    ------
    NotADay
        Of a transmitter that is not on record.
    """
    new_days: list[tuple[sql.Key, int, DayState]] = []
    changed: list[tuple[sql.Key, DayState, DayState]] = []
    added: list[Added] = []
    n_capped = 0
    for key, rows in grouped.items():
        unit, day = key
        customer_id = customers.get(unit)
        if customer_id is None:
            raise NotADay(
                gettext("No transmitter on record has the key %(unknown)s. Set its check-ins aside.")
                % {"unknown": unit}
            )
        was = before.get(key, NOTHING)
        new = merge(was, rows[0]) if len(rows) == 1 else fold(was, rows)
        if was is NOTHING:
            new_days.append((key, customer_id, new))
        elif new == was:
            continue
        else:
            changed.append((key, was, new))
        if new.flags & CAPPED:
            n_capped += not was.flags & CAPPED or new.activations == MOST
        heard_before = was.heard
        gained = new.heard - heard_before
        is_first = 1 if gained and not heard_before else 0
        added.append(_tuple(Added, (unit, day, is_first, gained, new.activations - was.activations)))
    days = sql.new_days_asks(new_days) + sql.changed_days_asks(changed)
    return Recorded(len(grouped), n_capped), days + totals_asks(added, stays)


# --- rebuilding -------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Rebuilt:
    """One setting-period as the days give it, with what days that are no longer kept had given."""

    transmitter_id: int
    customer_id: int
    interval_s: int | None
    days_measured: int
    checkins: int
    activations: int
    dropped_days: int = 0
    dropped_checkins: int = 0
    dropped_activations: int = 0

    def add_dropped(self, row: FittingTotals) -> None:
        """Count the dropped days of a row on record here."""
        for name, dropped in zip(COUNTS[1:], DROPPED, strict=True):
            n = getattr(row, dropped)
            setattr(self, name, getattr(self, name) + n)
            setattr(self, dropped, getattr(self, dropped) + n)


def _rebuild(
    transmitter_ids: Sequence[int], recorded: Mapping[tuple[int, date], FittingTotals]
) -> dict[tuple[int, date], _Rebuilt]:
    """Every row there should be: all periods of cells with a day on record or dropped, or with more than one period."""
    periods, customers = cut_periods(*sql.ask(sql.stays_ask(transmitter_ids, None), sql.settings_ask(transmitter_ids)))
    listed = [(pk, one) for pk in sorted(periods) for one in periods[pk]]
    sums = sql.sum_stretches([(pk, one.from_on, one.to_on or FAR) for pk, one in listed])
    kept = [(place, row) for row in recorded.values() if (place := _place_of_dropped(row, periods)) is not None]
    n_periods: dict[int, int] = defaultdict(int)
    for _, one in listed:
        n_periods[one.fitting_id] += 1
    has_days = {one.fitting_id for number, (_, one) in enumerate(listed) if number in sums} | {
        place[0] for place, _ in kept
    }
    found = {}
    for number, (pk, one) in enumerate(listed):
        if one.fitting_id in has_days or n_periods[one.fitting_id] > 1:
            _, heard_days, heard, activations = sums.get(number, (0, 0, 0, 0))
            found[one.fitting_id, one.from_on] = _Rebuilt(
                pk, customers[one.fitting_id], one.interval_s, heard_days, heard, activations
            )
    for place, row in kept:
        found[place].add_dropped(row)
    return found


def _place_of_dropped(row: FittingTotals, periods: Mapping[int, Sequence[Period]]) -> tuple[int, date] | None:
    """Where the dropped days of a row count now: in its period, or, where that is no more, in the one of its first day."""
    if not (row.dropped_days or row.dropped_checkins or row.dropped_activations):
        return None
    here = periods.get(row.fitting.transmitter_id, ())
    if any((one.fitting_id, one.from_on) == (row.fitting_id, row.from_on) for one in here):
        return row.fitting_id, row.from_on
    near = [one for one in here if one.holds(row.from_on)] or sorted(
        here, key=lambda one: abs((one.from_on - row.from_on).days)
    )
    return (near[0].fitting_id, near[0].from_on) if near else None


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
        recorded = _recorded(transmitter_ids)
        return _compare(recorded, _rebuild(transmitter_ids, recorded))


def rebuild_totals(*, transmitter_ids: Iterable[int]) -> list[Difference]:
    """Rebuild the totals of some transmitters from their days; gives what was different. A second call changes nothing.

    To be called whenever cells or a check-in interval of the past changed. Days that are no longer kept count with what
    they gave when they were dropped: no change of cells can share them out anew.
    """
    found: list[Difference] = []
    listed = sorted(set(transmitter_ids))
    for start in range(0, len(listed), CHUNK):
        some = listed[start : start + CHUNK]
        with transaction.atomic():
            sql.lock_transmitters(some)
            recorded = _recorded(some)
            rebuilt = _rebuild(some, recorded)
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
        for name in COUNTS + DROPPED:
            setattr(row, name, getattr(rebuilt[key], name))
        (new if row.pk is None else changed).append(row)
    gone = [recorded[key].pk for key in sorted(different - rebuilt.keys())]
    for start in range(0, len(gone), CHUNK):
        FittingTotals.objects.filter(pk__in=gone[start : start + CHUNK]).delete()
    FittingTotals.objects.bulk_update(changed, COUNTS + DROPPED, batch_size=200)
    FittingTotals.objects.bulk_create(new, batch_size=2000)
