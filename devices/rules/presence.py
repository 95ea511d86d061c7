"""Quarter hours of a day in which a transmitter was heard: masks of 96 bits, and what follows from them. Pure.

A day of UTC has 96 quarter hours, numbered from 0 (00:00–00:15). A mask is 12 bytes; quarter q is bit q % 8 (lowest first)
of byte q // 8. Masks are merged by OR, so that order, lateness, repeats and overlapping sources change nothing. Decided
for this product (quarter hours are the finest that a day's row of 12 bytes can hold).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime

QUARTERS = 96
QUARTER_S = 900
DAY_S = 86_400
N_BYTES = 12
EMPTY = bytes(N_BYTES)
FULL_BITS = (1 << QUARTERS) - 1


def quarter_of(at: datetime) -> int:
    """Give the quarter hour of a moment in UTC [0 … 95].

    Parameters
    ----------
    at : datetime
        Aware, in UTC: only its clock time is looked at.
    """
    return at.hour * 4 + at.minute // 15


def second_of(at: datetime) -> int:
    """Give the second of the day of a moment in UTC [0 … 86 399]."""
    return at.hour * 3600 + at.minute * 60 + at.second


def bits_of(mask: bytes | None) -> int:
    """Give a mask as a whole number, bit q for quarter q; None is empty.

    Raises
    ------
    ValueError
        If it is not 12 bytes.
    """
    if mask is None:
        return 0
    if len(mask) != N_BYTES:
        raise ValueError(f"A mask of quarter hours has {N_BYTES} bytes, not {len(mask)}.")
    return int.from_bytes(mask, "little")


def mask_of(bits: int) -> bytes:
    """Give the 12 bytes of a mask held as a whole number.

    Raises
    ------
    ValueError
        If a bit lies outside the day.
    """
    if not 0 <= bits <= FULL_BITS:
        raise ValueError("A day has no quarter hour beyond the 96th.")
    return bits.to_bytes(N_BYTES, "little")


def mask_of_quarters(quarters: Iterable[int]) -> bytes:
    """Give the mask of some quarter hours [0 … 95].

    Raises
    ------
    ValueError
        If one lies outside the day.
    """
    bits = 0
    for quarter in quarters:
        if not 0 <= quarter < QUARTERS:
            raise ValueError(f"A day has no quarter hour {quarter}.")
        bits |= 1 << quarter
    return mask_of(bits)


def quarters_in(mask: bytes | None) -> Iterator[int]:
    """Give the quarter hours that a mask holds, in order; ValueError as `bits_of`."""
    bits = bits_of(mask)
    while bits:
        lowest = bits & -bits
        yield lowest.bit_length() - 1
        bits ^= lowest


def both(one: bytes | None, two: bytes | None) -> bytes | None:
    """Merge two masks by OR; None is a mask that is not kept. ValueError as `bits_of`."""
    if one is None or two is None:
        return one if two is None else two
    return mask_of(bits_of(one) | bits_of(two))


def popcount(mask: bytes | None) -> int:
    """Give how many quarter hours a mask holds [0 … 96]; ValueError as `bits_of`."""
    return bits_of(mask).bit_count()


def expected_of(interval_s: int | None, from_s: int = 0, to_s: int = DAY_S) -> int:
    """Give how many check-ins a span of a day should bring, counted as quarter hours.

    Parameters
    ----------
    interval_s : int or None
        Time between check-ins [s]; None or 0 = not known.
    from_s, to_s : int
        Span within the day [s since midnight UTC], the end exclusive.

    Returns
    -------
    int
        ⌊span / max(interval, 900 s)⌋, at most 96: check-ins closer than a quarter hour count once in it. 0 where the
        interval is not known or the span is empty.
    """
    if not interval_s:
        return 0
    # Comparing takes a third of the time of min and max, and every day of every batch comes through here.
    if to_s > DAY_S:
        to_s = DAY_S
    if from_s < 0:
        from_s = 0
    step_s = interval_s if interval_s > QUARTER_S else QUARTER_S
    return (to_s - from_s) // step_s if to_s > from_s else 0


def shortest_loss_q(interval_s: int) -> int:
    """Give the shortest run of empty quarter hours that is a loss.

    Two marks g quarters apart lie between (g − 1) and (g + 1) quarters apart in truth. Without a loss that is one interval,
    with one lost it is two: half way between, g · 900 s > 1.5 · interval, a loss is told from a wandering clock. Between
    such marks lie g − 1 empty quarters.

    Parameters
    ----------
    interval_s : int
        Time between check-ins [s], counted as 900 s at least.
    """
    return 3 * interval_s // (2 * QUARTER_S) if interval_s > QUARTER_S else 1


def loss_runs_in(bits: int, interval_s: int | None, from_q: int = 0, to_q: int = QUARTERS) -> int:
    """Give the number of runs of lost check-ins of a mask held as a whole number; see `loss_runs_of`."""
    if not interval_s:
        return 0
    if from_q < 0:
        from_q = 0
    width = (to_q if to_q < QUARTERS else QUARTERS) - from_q
    step_s = interval_s if interval_s > QUARTER_S else QUARTER_S
    if width * QUARTER_S < step_s:
        return 0
    empty = (~bits >> from_q) & ((1 << width) - 1)
    # A span shorter than the shortest loss is one as a whole, or none: a daily check-in that did not come is a loss.
    shortest = shortest_loss_q(step_s)
    left = (shortest if shortest < width else width) - 1
    step = 1
    while left > 0 and empty:
        # What is left stands for the beginnings of runs at least so long; each turn doubles the length.
        if step > left:
            step = left
        empty &= empty >> step
        left -= step
        step *= 2
    return (empty & ~(empty << 1)).bit_count()


def loss_runs_of(mask: bytes | None, interval_s: int | None, from_q: int = 0, to_q: int = QUARTERS) -> int:
    """Give the number of runs of lost check-ins in a span of a day, by its gaps.

    Parameters
    ----------
    mask : bytes or None
        Quarter hours in which anything was heard.
    interval_s : int or None
        Time between check-ins [s]; None or 0 = not known.
    from_q, to_q : int
        Span [quarter hours], the end exclusive.

    Returns
    -------
    int
        Runs of empty quarter hours within the span that are at least `shortest_loss_q` long, or fill the whole span; 0 for
        a span shorter than an interval or where that is not known. A run over midnight counts on both days.

    Raises
    ------
    ValueError
        If the mask is not 12 bytes.
    """
    return loss_runs_in(bits_of(mask), interval_s, from_q, to_q)
