"""When a receiver counts as hearing nothing: more than half of its transmitters fell silent together. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

OUTAGE_FROM = 3
"""Of fewer transmitters nobody can tell a dead receiver from dead cells, and two lines that name the slots send somebody
to the right door at once; from three on, silence of more than half at one time is the receiver's. Decided here."""


class Heard(Protocol):
    """A transmitter with its last sign of life, when it counts as quiet, and when its window runs out."""

    @property
    def transmitter_pk(self) -> int: ...

    @property
    def last_at(self) -> datetime: ...

    @property
    def quiet_at(self) -> datetime: ...

    @property
    def out_at(self) -> datetime: ...


@dataclass(frozen=True, slots=True)
class Outage:
    """Transmitters that fell quiet together, of how many that count, and since when that is an outage."""

    members: frozenset[int]
    n_counted: int
    at: datetime


def outage_of(units: Sequence[Heard], mark: datetime) -> Outage | None:
    """Tell whether the receiver hears nothing: more than half of its transmitters fell quiet together.

    Parameters
    ----------
    units : sequence of Unit
        Supervised ones that are not away.
    mark : datetime
        Event time up to which the source has delivered.

    Returns
    -------
    Outage or None
        None where fewer than `OUTAGE_FROM` count, where not more than half of them are quiet, or where no window of theirs
        has run out yet. Transmitters that were silent before the others fell quiet do not count on either side.
    """
    quiet = [unit for unit in units if unit.quiet_at < mark]
    together = _together(quiet)
    n_counted = len(units) - (len(quiet) - len(together))
    out = [unit.out_at for unit in together if unit.out_at < mark]
    if n_counted < OUTAGE_FROM or 2 * len(together) <= n_counted or not out:
        return None
    half_at = sorted(unit.quiet_at for unit in together)[n_counted // 2]
    return Outage(frozenset(unit.transmitter_pk for unit in together), n_counted, max(half_at, min(out)))


def _together(quiet: Sequence[Heard]) -> list[Heard]:
    """The largest group of quiet ones that were all still in order at one moment; of equal ones the latest."""
    turns = sorted([(unit.last_at, 0) for unit in quiet] + [(unit.quiet_at, 1) for unit in quiet])
    best, moment, n = 0, None, 0
    for at, is_end in turns:
        n += -1 if is_end else 1
        if not is_end and n >= best:
            best, moment = n, at
    return [unit for unit in quiet if moment is not None and unit.last_at <= moment <= unit.quiet_at]
