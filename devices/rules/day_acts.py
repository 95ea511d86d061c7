"""Activations of a day, by source and quarter hour: what is kept, and what they come to. Pure.

In each quarter hour the source that counted most is believed: two that heard one press both count it, and neither knows of
the other. So order, lateness and overlapping sources change nothing. What one source says is added up, which needs the
ledger; files overlap each other and bear no number of their own, so of files (source 0) the largest of each quarter hour
counts. That quarter hours are fine enough to tell two sources apart is our own choice.

Kept are 12 bytes, a bit for each quarter hour in which the first source of the day counted (whose key stands beside), and
then `ENTRY` for each count that these do not say: those of the first source above 1, and all of other sources. Nearly
every day has one source, so nearly every day needs the 12 bytes alone.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable

from devices.rules.presence import N_BYTES, mask_of, quarters_in

ENTRY = struct.Struct("<HBH")
"""Source, quarter hour, count."""
MOST_KEPT = 0xFFFF
MOST_SOURCE = 32767
"""Sources with a larger key are not told apart: they count as files do. Their column is a 16-bit number."""

Counts = dict[int, dict[int, int]]
"""By source and quarter hour."""


def read_acts(acted: bytes | None, first: int) -> Counts:
    """Give the counts that are kept [activations in a quarter hour]; `first` is the key beside them.

    Raises
    ------
    ValueError
        If it is neither empty nor 12 bytes with whole entries behind.
    """
    if not acted:
        return {}
    if len(acted) < N_BYTES or (len(acted) - N_BYTES) % ENTRY.size:
        raise ValueError(f"Counts are {N_BYTES} bytes with whole entries behind, not {len(acted)} bytes.")
    said: Counts = {first: dict.fromkeys(quarters_in(acted[:N_BYTES]), 1)}
    for source, quarter, n in ENTRY.iter_unpack(acted[N_BYTES:]):
        said.setdefault(source, {})[quarter] = n
    return said


def keep_acts(said: Counts, first: int) -> bytes:
    """Give counts as they are kept; at most 65,535 of a source in a quarter hour."""
    own = said.get(first, {})
    bits = 0
    for quarter in own:
        bits |= 1 << quarter
    kept = [mask_of(bits)]
    for source in sorted(said):
        for quarter, n in sorted(said[source].items()):
            if source != first or n > 1:
                kept.append(ENTRY.pack(source, quarter, min(n, MOST_KEPT)))
    return b"".join(kept)


def sum_acts(said: Counts) -> int:
    """Give what they come to: in each quarter hour the largest."""
    if len(said) == 1:
        (own,) = said.values()
        return sum(own.values())
    most: dict[int, int] = {}
    for counts in said.values():
        for quarter, n in counts.items():
            if n > most.get(quarter, 0):
                most[quarter] = n
    return sum(most.values())


def add_acts(said: Counts, source: int, acts: Iterable[tuple[int, int]]) -> None:
    """Count what a source says more; of files (0) the largest counts. Counts of nothing are no counts."""
    there = said.setdefault(source, {})
    for quarter, n in acts:
        if n:
            there[quarter] = there.get(quarter, 0) + n if source else max(there.get(quarter, 0), n)
