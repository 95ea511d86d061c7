"""The one merge rule of check-in days, for every source and every path: what a batch says, and what is on record. Pure.

Quarter hours are merged by OR and are the truth: heard, expected and the runs of losses follow from them. Margin is the
least, flags are OR, last heard is the latest. All of this may come in any order, late, twice and from several sources.

Activations are counts and cannot be repeated, so they need the ledger: what one source says is added up. Of several sources
the one that counted most is believed in each quarter hour, and of files the largest, see `devices.rules.day_acts`. A file
that cuts a quarter hour in two loses the smaller part of it: files are to be cut at quarter hours, best at midnight.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import NamedTuple

from devices.rules.day_acts import MOST_SOURCE, add_acts, keep_acts, read_acts, sum_acts
from devices.rules.presence import DAY_S, N_BYTES, QUARTER_S, QUARTERS, expected_of, loss_runs_in, mask_of

MOST = 32767
"""Largest count of a day: its columns are 16-bit numbers. More is cut off and the day is flagged."""
CAPPED = 4


class DayRow(NamedTuple):
    """What one transmitter said on a day of UTC.

    Attributes
    ----------
    transmitter_id, day
        Whose, and which day of UTC.
    heard, expected, loss_runs : int
        Counts of who keeps no quarter hours; merged by the larger. 0 where `presence` is given.
    activations : int
        Counts without quarter hours: always added, so once only.
    lowest_margin_db : int or None
        [dB].
    flags : int
        1 low battery seen, 2 tamper seen, 4 counter capped.
    last_heard_s : int or None
        Last check-in [s since midnight UTC].
    presence : bytes or None
        12 bytes, a bit a quarter hour, see `devices.rules.presence`.
    acts : tuple of (int, int)
        Activations as (quarter hour, how many), counted by the rule above.
    source_id : int
        Key of the gateway or panel that says so; 0 = a file.
    interval_s : int or None
        Check-in interval of that day [s]; None = not known, then nothing is expected.
    from_s : int
        Check-ins are expected from then on [s since midnight UTC].
    to_s : int or None
        And until then, exclusive; None = the day is not over: until the last one heard.
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
    acts: tuple[tuple[int, int], ...] = ()
    source_id: int = 0
    interval_s: int | None = None
    from_s: int = 0
    to_s: int | None = None


class DayState(NamedTuple):
    """A day as it is on record; columns as in `CheckInDay`. `presence` None with heard > 0: sealed, its counts only rise.

    `acted` and `acts_source` are as `devices.rules.day_acts` keeps them.
    """

    heard: int = 0
    expected: int = 0
    activations: int = 0
    loss_runs: int = 0
    lowest_margin_db: int | None = None
    flags: int = 0
    last_heard_s: int | None = None
    presence: bytes | None = None
    acted: bytes | None = None
    acts_source: int = 0


NOTHING = DayState()
_from_bytes = int.from_bytes
# What `DayState(…)` does, without a call of Python for each of the days of a batch.
_tuple = tuple.__new__


def combine(one: DayRow, two: DayRow) -> DayRow:
    """Put two rows of one transmitter, day and source together, as if they had come in one.

    Raises
    ------
    ValueError
        If they are of different sources: then each must be merged by itself.
    """
    if one.source_id != two.source_id:
        raise ValueError("Rows of two sources cannot be put together.")
    acts = dict(one.acts)
    for quarter, n in two.acts:
        acts[quarter] = acts.get(quarter, 0) + n
    margins = [row.lowest_margin_db for row in (one, two) if row.lowest_margin_db is not None]
    intervals = [row.interval_s for row in (one, two) if row.interval_s]
    ends = [row.to_s for row in (one, two) if row.to_s is not None]
    presence = None
    if one.presence is not None or two.presence is not None:
        presence = mask_of(_bits(one.presence) | _bits(two.presence))
    return one._replace(
        heard=max(one.heard, two.heard), expected=max(one.expected, two.expected),
        activations=one.activations + two.activations, loss_runs=max(one.loss_runs, two.loss_runs),
        lowest_margin_db=min(margins, default=None), flags=one.flags | two.flags,
        last_heard_s=_later(one.last_heard_s, two.last_heard_s), presence=presence, acts=tuple(sorted(acts.items())),
        interval_s=min(intervals, default=None), from_s=min(one.from_s, two.from_s), to_s=max(ends, default=None),
    )  # fmt: skip


def merge(old: DayState, row: DayRow) -> DayState:
    """Give the day as it is once a row has been merged into it.

    Returns
    -------
    DayState
        Counts at most 32,767; flag 4 is set where one was cut off. `heard` never falls.
    """
    heard, expected, activations, loss_runs, margin, flags, last_heard_s, presence, acted, acts_source = old
    # All of `DayRow` but its key and its source.
    (
        _, _, row_heard, row_expected, row_activations, row_loss_runs, row_margin, row_flags, row_last_s, row_presence, acts, _,
        interval_s, from_s, to_s,
    ) = row  # fmt: skip
    # A sealed day keeps no quarter hours: those of a late row alone would make its losses look like one long one.
    is_sealed = presence is None and heard > 0
    bits = _from_bytes(presence, "little") if presence else 0
    if row_presence:
        bits |= _from_bytes(row_presence, "little")
        if not is_sealed:
            presence = bits.to_bytes(N_BYTES, "little")
    n_quarters = bits.bit_count()
    if n_quarters < row_heard:
        n_quarters = row_heard
    if heard < n_quarters:
        heard = n_quarters
    if row_last_s is not None and (last_heard_s is None or row_last_s > last_heard_s):
        last_heard_s = row_last_s
    if interval_s:
        if to_s is None:
            to_s = _end_of(old, row, last_heard_s)
        due = expected_of(interval_s, from_s, to_s)
        if due < row_expected:
            due = row_expected
    else:
        due = row_expected
    if expected < due:
        expected = due
    if not is_sealed and interval_s and (presence is not None or not heard):
        # The quarter hour in which the last one was heard belongs to the span; one that only begins at its end does not.
        to_q = QUARTERS if to_s >= DAY_S else -(-to_s // QUARTER_S)  # type: ignore[operator]
        loss_runs = loss_runs_in(bits, interval_s, from_s // QUARTER_S, to_q)
    elif not is_sealed and row_loss_runs > loss_runs:
        loss_runs = row_loss_runs
    if acts or row_activations:
        activations, acted, acts_source = _count_acts(old, row)
    flags |= row_flags
    if heard > MOST or expected > MOST or activations > MOST or loss_runs > MOST:
        flags |= CAPPED
        heard, expected, activations, loss_runs = (min(n, MOST) for n in (heard, expected, activations, loss_runs))
    if row_margin is not None and (margin is None or row_margin < margin):
        margin = row_margin
    return _tuple(
        DayState,
        (heard, expected, activations, loss_runs, margin, flags, last_heard_s, presence, acted, acts_source),
    )


def fold(old: DayState, rows: Iterable[DayRow]) -> DayState:
    """Give the day after several rows, one after another."""
    for row in rows:
        old = merge(old, row)
    return old


def _bits(mask: bytes | None) -> int:
    return int.from_bytes(mask, "little") if mask else 0


def _later(one: int | None, two: int | None) -> int | None:
    if one is None or two is None:
        return two if one is None else one
    return one if one > two else two


def _end_of(old: DayState, row: DayRow, last_heard_s: int | None) -> int:
    """Until when check-ins are expected [s], where the row does not say: of a day that was closed, until its end."""
    if old.expected and row.interval_s and old.expected >= expected_of(row.interval_s, row.from_s):
        return DAY_S
    return last_heard_s or 0


def _count_acts(old: DayState, row: DayRow) -> tuple[int, bytes | None, int]:
    """Activations, those of each source as they are kept, and which of the sources was the first."""
    activations = old.activations + row.activations
    if not row.acts:
        return activations, old.acted, old.acts_source
    source = row.source_id if row.source_id <= MOST_SOURCE else 0
    if not old.acted and old.activations:
        # Sealed: nobody can tell any more which quarter hours were counted.
        sent = sum(n for _, n in row.acts)
        is_first = bool(source) and source == old.acts_source
        return (activations + sent if is_first else max(activations, sent)), None, old.acts_source
    first = old.acts_source if old.acted else source
    said = read_acts(old.acted, first)
    before = sum_acts(said)
    add_acts(said, source, row.acts)
    # Counts that came without quarter hours are in the sum on record alone, and stay.
    return activations + sum_acts(said) - before, keep_acts(said, first), first
