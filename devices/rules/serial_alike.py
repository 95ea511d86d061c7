"""Serials that differ by one slip of the hand: a sign typed wrongly, left out, doubled, or two changed round. Pure Python."""

from __future__ import annotations

from devices.rules.serials import serial_key

SHORTEST = 4
"""Shorter serials are alike by chance; own choice."""


def halves(serial: str) -> tuple[str, str]:
    """Give first and last half. One slip leaves one of them as it was, so that a database can look for either."""
    half = len(serial) // 2
    return serial[: max(half - 1, 1)], serial[half + 1 :] or serial[-1:]


def is_alike(one: str, other: str) -> bool:
    """Tell whether two serials are the same but for one slip, capitals, blanks and hyphens aside."""
    a, b = serial_key(one), serial_key(other)
    if a == b:
        return True
    if min(len(a), len(b)) < SHORTEST or abs(len(a) - len(b)) > 1:
        return False
    n = 0
    while n < min(len(a), len(b)) and a[n] == b[n]:
        n += 1
    if len(a) == len(b):
        changed_round = a[n : n + 2] == b[n : n + 2][::-1]
        return a[n + 1 :] == b[n + 1 :] or (changed_round and a[n + 2 :] == b[n + 2 :])
    longer, shorter = (a, b) if len(a) > len(b) else (b, a)
    return longer[n + 1 :] == shorter[n:]
