"""The merge rule of check-in days for many days at once, on arrays: the same answers as `devices.rules.day_merge`. Pure.

One element, or one row of a mask, a day. Masks are 12 bytes of `uint8`, quarter q in bit q % 8 (lowest first) of byte
q // 8, all zero where a day has none; what has one is told by a flag. What is not known is the smallest number of the
column: see `NO_MARGIN` and `NO_TIME`.

Activations by quarter hour are taken where nothing tells several sources apart: see `is_plain`. Whoever merges here leaves
`acted` of all other days alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Any

import numpy as np
from numpy.typing import NDArray

from devices.rules.day_acts import MOST_SOURCE
from devices.rules.day_merge import CAPPED, MOST, DayRow, DayState
from devices.rules.presence import DAY_S, EMPTY, N_BYTES, QUARTER_S, QUARTERS

NO_MARGIN, NO_TIME = -32768, -1
Ints = NDArray[np.int64]
Masks = NDArray[np.uint8]
Flags = NDArray[np.bool_]


@dataclass(slots=True)
class States:
    """Days as they are on record, `DayState` by columns."""

    heard: Ints
    expected: Ints
    activations: Ints
    loss_runs: Ints
    lowest_margin_db: Ints
    flags: Ints
    last_heard_s: Ints
    presence: Masks
    has_presence: Flags
    has_acted: Flags

    @classmethod
    def nothing(cls, n: int) -> States:
        """Give n days of which nothing is on record."""
        heard, expected, activations, loss_runs, flags = (np.zeros(n, np.int64) for _ in range(5))
        return cls(
            heard, expected, activations, loss_runs, np.full(n, NO_MARGIN, np.int64), flags,
            np.full(n, NO_TIME, np.int64), np.zeros((n, N_BYTES), np.uint8), np.zeros(n, np.bool_), np.zeros(n, np.bool_),
        )  # fmt: skip

    @classmethod
    def of(cls, states: Sequence[DayState]) -> States:
        """Give days by columns."""
        found = cls.nothing(len(states))
        if not states:
            return found
        columns = DayState._make(zip(*states, strict=True))
        for name in ("heard", "expected", "activations", "loss_runs", "flags"):
            setattr(found, name, np.array(getattr(columns, name), np.int64))
        found.lowest_margin_db = _known(columns.lowest_margin_db, NO_MARGIN)
        found.last_heard_s = _known(columns.last_heard_s, NO_TIME)
        found.presence, found.has_presence = _masks(columns.presence)
        found.has_acted = np.array([bool(state.acted) for state in states], np.bool_)
        return found

    def put(self, places: Ints, states: States) -> None:
        """Overwrite the days at some places."""
        for name in self.__slots__:
            getattr(self, name)[places] = getattr(states, name)

    def taken(self, which: Any) -> States:
        """Give some of the days."""
        return States(*(getattr(self, name)[which] for name in self.__slots__))

    def differs(self, other: States) -> Flags:
        """Tell which days are not the same in both."""
        found = np.zeros(len(self.heard), np.bool_)
        for name in self.__slots__:
            one = getattr(self, name) != getattr(other, name)
            found |= one.any(axis=1) if one.ndim == 2 else one
        return found

    def state(self, place: int) -> DayState:
        """Give one day, but for its activations by source and quarter hour."""
        margin, last = int(self.lowest_margin_db[place]), int(self.last_heard_s[place])
        return DayState(
            int(self.heard[place]), int(self.expected[place]), int(self.activations[place]), int(self.loss_runs[place]),
            None if margin == NO_MARGIN else margin, int(self.flags[place]), None if last == NO_TIME else last,
            self.presence[place].tobytes() if self.has_presence[place] else None,
        )  # fmt: skip


@dataclass(slots=True)
class Rows:
    """What was said of days, `DayRow` by columns; activations by quarter hours as (place of the day, quarter) → n."""

    heard: Ints
    expected: Ints
    activations: Ints
    loss_runs: Ints
    lowest_margin_db: Ints
    flags: Ints
    last_heard_s: Ints
    presence: Masks
    has_presence: Flags
    act_place: Ints
    act_quarter: Ints
    act_n: Ints
    source_id: Ints
    interval_s: Ints
    from_s: Ints
    to_s: Ints

    @classmethod
    def of(cls, rows: Sequence[DayRow]) -> Rows:
        """Give rows, one a day, by columns.

        Raises
        ------
        ValueError
            If a count is below nothing, a mask is not 12 bytes or an activation lies beyond the day.
        """
        columns = DayRow._make(zip(*rows, strict=True)) if rows else DayRow._make([()] * len(DayRow._fields))
        place = np.repeat(np.arange(len(rows)), np.fromiter(map(len, columns.acts), np.int64, len(rows)))  # type: ignore[arg-type]
        flat: Any = chain.from_iterable(chain.from_iterable(columns.acts))  # type: ignore[arg-type]
        quarter, n = np.fromiter(flat, np.int64, 2 * len(place)).reshape(-1, 2).T
        presence, has_presence = _masks(columns.presence)
        whole = {
            name: np.array(getattr(columns, name), np.int64)
            for name in ("heard", "expected", "activations", "loss_runs", "flags", "source_id", "from_s")
        }
        counts = (whole["heard"], whole["expected"], whole["activations"], whole["loss_runs"], n)
        if any((column < 0).any() for column in counts):
            raise ValueError("A count is less than nothing.")
        if ((quarter < 0) | (quarter >= QUARTERS)).any():
            raise ValueError("A day has no quarter hour beyond the 96th.")
        return cls(
            lowest_margin_db=_known(columns.lowest_margin_db, NO_MARGIN), last_heard_s=_known(columns.last_heard_s, NO_TIME),
            presence=presence, has_presence=has_presence, act_place=place, act_quarter=quarter, act_n=n,
            interval_s=_known(columns.interval_s, 0), to_s=_known(columns.to_s, NO_TIME), **whole,
        )  # fmt: skip

    @property
    def has_acts(self) -> Flags:
        """Whose activations are told by quarter hours."""
        found = np.zeros(len(self.heard), np.bool_)
        found[self.act_place] = True
        return found

    @property
    def acted(self) -> Masks:
        """In which quarter hours."""
        found = np.zeros((len(self.heard), N_BYTES), np.uint8)
        bit = (1 << (self.act_quarter & 7)).astype(np.uint8)
        np.bitwise_or.at(found, (self.act_place, self.act_quarter >> 3), bit)
        return found

    @property
    def acts_source(self) -> Ints:
        """The key beside these: 0 for files, and where there are none."""
        return np.where(self.has_acts & (self.source_id <= MOST_SOURCE), self.source_id, 0)


def is_plain(old: States, row: Rows) -> Flags:
    """Tell which days can be merged here: no activations by quarter hour, or the first of a day, one each."""
    n_several = np.bincount(row.act_place, row.act_n != 1, len(old.heard))
    return ~row.has_acts | (~old.has_acted & (old.activations == 0) & (n_several == 0))


def _known(values: Any, missing: int) -> Ints:
    return np.array([missing if value is None else value for value in values], np.int64)


def _masks(values: Any) -> tuple[Masks, Flags]:
    """Masks one under the other, and which there are. Empty ones are none: sealed."""
    has = np.fromiter(map(bool, values), np.bool_, len(values))
    joined = b"".join([value or EMPTY for value in values])
    if set(map(len, values if has.all() else filter(None, values))) - {N_BYTES}:
        raise ValueError("A mask of quarter hours is not 12 bytes.")
    return np.frombuffer(joined, np.uint8).reshape(-1, N_BYTES), has


def merge_arrays(old: States, row: Rows) -> States:
    """Give the days as they are once each row has been merged into its day; `day_merge.merge` for each of them.

    What was acted is in the rows, for those that have any: their days had none. All must be plain, see `is_plain`.
    """
    is_sealed = ~old.has_presence & (old.heard > 0)
    is_masked = old.has_presence | row.has_presence
    bits = old.presence | row.presence
    quarters = np.unpackbits(bits, axis=1, bitorder="little")
    heard = np.maximum(old.heard, row.heard)
    heard = np.where(is_masked, np.maximum(heard, quarters.sum(axis=1, dtype=np.int64)), heard)
    has_presence = is_masked & ~is_sealed
    last_heard_s = np.maximum(old.last_heard_s, row.last_heard_s)
    to_s = _end_of(old, row, last_heard_s)
    expected = np.maximum(np.maximum(old.expected, row.expected), _expected(row, to_s))
    loss_runs = _loss_runs(old, row, quarters, heard, has_presence, is_sealed, to_s)
    sent = np.bincount(row.act_place, row.act_n, len(old.heard)).astype(np.int64)
    activations = old.activations + row.activations + sent
    flags = old.flags | row.flags
    is_capped = np.maximum(np.maximum(heard, expected), np.maximum(activations, loss_runs)) > MOST
    margins = np.where(row.lowest_margin_db == NO_MARGIN, old.lowest_margin_db, row.lowest_margin_db)
    return States(
        np.minimum(heard, MOST), np.minimum(expected, MOST), np.minimum(activations, MOST), np.minimum(loss_runs, MOST),
        np.where(old.lowest_margin_db == NO_MARGIN, margins, np.minimum(old.lowest_margin_db, margins)),
        np.where(is_capped, flags | CAPPED, flags), last_heard_s,
        np.where(has_presence[:, None], bits, np.uint8(0)), has_presence, old.has_acted | row.has_acts,
    )  # fmt: skip


def _expected(row: Rows, to_s: Ints | int) -> Ints:
    span_s = np.maximum(np.minimum(to_s, DAY_S) - np.maximum(row.from_s, 0), 0)
    return np.where(row.interval_s > 0, span_s // np.maximum(row.interval_s, QUARTER_S), 0)


def _end_of(old: States, row: Rows, last_heard_s: Ints) -> Ints:
    is_closed = (old.expected > 0) & (row.interval_s > 0) & (old.expected >= _expected(row, DAY_S))
    return np.where(row.to_s != NO_TIME, row.to_s, np.where(is_closed, DAY_S, np.maximum(last_heard_s, 0)))


def _loss_runs(
    old: States, row: Rows, quarters: Masks, heard: Ints, has_presence: Flags, is_sealed: Flags, to_s: Ints
) -> Ints:
    counted = _runs_of_losses(np.where(has_presence[:, None], quarters, np.uint8(0)), row, to_s)
    is_counted = ~is_sealed & (row.interval_s > 0) & (has_presence | (heard == 0))
    kept = np.where(is_sealed, old.loss_runs, np.maximum(old.loss_runs, row.loss_runs))
    return np.where(is_counted, counted, kept)


def _runs_of_losses(quarters: Masks, row: Rows, to_s: Ints) -> Ints:
    """`presence.loss_runs_in` of the span in which check-ins are expected."""
    from_q = np.maximum(row.from_s // QUARTER_S, 0)
    to_q = np.where(to_s >= DAY_S, QUARTERS, -(-to_s // QUARTER_S))
    width = to_q - from_q
    interval_s = np.maximum(row.interval_s, QUARTER_S)
    shortest = np.minimum(np.maximum(3 * interval_s // (2 * QUARTER_S), 1), width)
    # Small numbers in small types: this is the only part that looks at every quarter hour.
    begin, end, least = (np.clip(column, -1, QUARTERS + 1).astype(np.int8) for column in (from_q, to_q, shortest))
    run = np.zeros(len(to_s), np.int8)
    found = np.zeros(len(to_s), np.int8)
    for q, here in enumerate(np.ascontiguousarray(quarters.T)):
        # A run counts at the moment when it has become long enough, so once.
        run += 1
        run *= (here == 0) & (begin <= q) & (end > q)
        found += run == least
    return np.where((row.interval_s > 0) & (width * QUARTER_S >= interval_s), found, 0)
