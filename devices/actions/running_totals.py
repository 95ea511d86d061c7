"""Running totals of cells: which setting-period a day of check-ins counts in, and what adds to it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any, NamedTuple

from devices.actions import rollup_sql as sql
from devices.rules.setting_periods import Period, Setting, Stay, periods_of


class Added(NamedTuple):
    """What a day really gained: what is cut off adds nothing."""

    transmitter_id: int
    day: date
    days: int
    checkins: int
    activations: int


def cut_periods(stays: sql.Rows, settings: sql.Rows) -> tuple[dict[int, list[Period]], dict[int, int]]:
    """Setting-periods of each transmitter, oldest first, and the customer of each fitting; rows as the asks read them."""
    by_unit: dict[int, dict[int, Stay]] = defaultdict(dict)
    customers: dict[int, int] = {}
    for transmitter_id, pk, customer_id, begins, ends, *_ in stays:
        by_unit[transmitter_id][pk] = Stay(pk, sql.as_day(begins), sql.as_day(ends))  # type: ignore[arg-type]
        customers[pk] = customer_id
    intervals: dict[int, list[Setting]] = defaultdict(list)
    for transmitter_id, begins, ends, interval_s in settings:
        intervals[transmitter_id].append(Setting(sql.as_day(begins), sql.as_day(ends), interval_s))  # type: ignore[arg-type]
    return {unit: periods_of(list(rows.values()), intervals[unit]) for unit, rows in by_unit.items()}, customers


Stays = Mapping[int, Sequence[tuple[Any, ...]]]
"""Cells of each transmitter, as `rollup_sql.stays_ask` reads them; none for one without cells."""


def by_unit(stays: Iterable[tuple[Any, ...]]) -> dict[int, list[tuple[Any, ...]]]:
    """Cells as `rollup_sql.stays_ask` reads them, by transmitter."""
    found: dict[int, list[tuple[Any, ...]]] = {}
    for row in stays:
        there = found.get(row[0])
        if there is None:
            found[row[0]] = [row]
        else:
            there.append(row)
    return found


def add_to_totals(added: Sequence[Added], stays: sql.Rows) -> None:
    """Add to the totals at once; see `totals_asks`."""
    sql.ask(*totals_asks(added, by_unit(stays)))


def totals_asks(added: Sequence[Added], stays: Stays) -> list[sql.Ask]:
    """Add to the setting-periods of the cells that were in on those days; days without cells belong to nobody.

    Periods on record are found from the stays alone: once one of a set of cells is there, all of them are.
    """
    sums: dict[int, tuple[int, int, int]] = {}
    unmade: list[Added] = []
    written = _Written()
    for one in added:
        unit, day, days, checkins, activations = one
        found = _period_on_record(stays.get(unit, ()), written[day])
        if found is None:
            continue
        if not found:
            unmade.append(one)
        elif found in sums:
            before = sums[found]
            sums[found] = (before[0] + days, before[1] + checkins, before[2] + activations)
        elif checkins or activations:
            sums[found] = one[2:]
    if unmade:
        units = {one.transmitter_id for one in unmade}
        _make_periods(unmade, [row for unit in sorted(units) for row in stays[unit]])
    return sql.totals_asks([(pk, *counts) for pk, counts in sorted(sums.items())])


class _Written(dict[date, Any]):
    """Days as stays have them, each worked out once."""

    def __missing__(self, day: date) -> Any:
        found = self[day] = sql.stay_day(day)
        return found


def _period_on_record(stays: Sequence[tuple[Any, ...]], day: Any) -> int | None:
    """Key of the period of a day; 0: its cells have no period on record yet; None: no cells were in.

    Stays as `rollup_sql.stays_ask` reads them, the day as `rollup_sql.stay_day` writes it.
    """
    if len(stays) == 1:
        # One set of cells at one interval, as nearly always.
        _, _, _, begins, ends, key, from_on = stays[0]
        if begins > day or (ends is not None and day >= ends):
            return None
        return key if from_on is not None and from_on <= day else 0
    # The later of two sets that overlap is the one that was in.
    here = max(((begins, fitting, ends) for _, fitting, _, begins, ends, _, _ in stays if begins <= day), default=None)
    if here is None:
        return None
    _, fitting_in, ends_in = here
    if ends_in is not None and day >= ends_in:
        return None
    begun = [
        (from_on, key)
        for _, fitting, _, _, _, key, from_on in stays
        if fitting == fitting_in and from_on is not None and from_on <= day
    ]
    return max(begun)[1] if begun else 0


def _make_periods(added: Sequence[Added], stays: sql.Rows) -> None:
    """Make every period of cells with their first count: without the earlier ones their time would count wrong."""
    (settings,) = sql.ask(sql.settings_ask(sorted({one.transmitter_id for one in added})))
    periods, customers = cut_periods(stays, settings)
    sums: dict[tuple[int, date], list[int]] = {}
    hit: dict[tuple[int, date], Period] = {}
    for one in added:
        period = next((p for p in periods.get(one.transmitter_id, ()) if p.holds(one.day)), None)
        if period is None:
            continue
        for other in periods[one.transmitter_id]:
            if other.fitting_id == period.fitting_id:
                hit.setdefault((other.fitting_id, other.from_on), other)
        own = sums.setdefault((period.fitting_id, period.from_on), [0, 0, 0])
        for place, count in enumerate(one[2:]):
            own[place] += count
    sql.make_totals((customers[key[0]], *key, hit[key].interval_s, *sums.get(key, (0, 0, 0))) for key in sorted(hit))
