"""What to load for a day, and how long the work takes: counted over the due things chosen."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

SIGN_IN_MIN = 10
"""Arriving, signing in, telling people, leaving. Own assumption, no source; every stop's minutes can be changed."""

RECEIVER_MIN = 10
"""Supply measured, covers looked at, receiver cleared. Own assumption, no source."""

BATTERY_MIN = 4
"""One battery changed and walk-tested, ladder included. Own assumption, no source."""

DEFAULT_SPARES_PERCENT = 10
DEFAULT_HORIZON_WEEKS = 4
UNKNOWN_CELLS = "not known"


@dataclass(frozen=True, slots=True)
class DueThing:
    """One thing that is due at a stop.

    Parameters
    ----------
    duty : str
        "life_safety", "security" or "convenience".
    due_on : date or None
        None: no estimate.
    cells : str
        IEC code of the cells, empty if not known.
    n_cells : int
        Cells in one set, at least 1.
    kind : str
        "cells", "standby" or "unit".
    name : str
        What it is called where it is no cells: a type of transmitter, or a receiver. Empty if not known.
    """

    duty: str
    due_on: date | None
    cells: str = ""
    n_cells: int = 1
    kind: str = "cells"
    name: str = ""

    def __post_init__(self) -> None:
        if self.n_cells < 1:
            raise ValueError("A set has at least one cell.")


@dataclass(frozen=True, slots=True)
class PackingLine:
    """Cells of one code, counted in single cells; or standby batteries and whole units, counted in pieces."""

    cells: str
    n_needed: int
    n_spare: int
    is_piece: bool = False

    @property
    def n_load(self) -> int:
        """Needed and spare together."""
        return self.n_needed + self.n_spare


@dataclass(frozen=True, slots=True)
class Why:
    """One reason for a stop: how many things of one duty, and whether they are late on the day."""

    code: str
    duty: str
    n: int
    text: str


def change_until(day: date, horizon_weeks: int) -> date:
    """Last due date of what is changed while there: the day of the visit and `horizon_weeks` (0 … 104) on.

    Raises
    ------
    ValueError
        If the horizon is outside 0 … 104 weeks.
    """
    if not 0 <= horizon_weeks <= 104:
        raise ValueError("The horizon is 0 to 104 weeks.")
    return day + timedelta(weeks=horizon_weeks)


def is_chosen(thing: DueThing, until: date) -> bool:
    """Whether a thing is changed on the visit: due by that date. What has no estimate is looked at, not packed for."""
    return thing.due_on is not None and thing.due_on <= until


def is_late(thing: DueThing, day: date) -> bool:
    """Whether a thing is past its date on the day of the visit."""
    return thing.due_on is not None and thing.due_on < day


def packing_list(things: Iterable[DueThing], *, spares_percent: int = DEFAULT_SPARES_PERCENT) -> list[PackingLine]:
    """Cells to load, per IEC code.

    Parameters
    ----------
    things : iterable of DueThing
        What is to be changed.
    spares_percent : int
        Spare share of the needed cells [%], 0 … 200; rounded up to whole sets of the largest set of that code, since a
        unit that takes two cells cannot use one. Any share above 0 gives at least one set.

    Returns
    -------
    list of PackingLine
        Cells by code, those of unknown type as "not known"; then standby batteries and whole units by name, without spares.

    Raises
    ------
    ValueError
        If the share is outside 0 … 200.
    """
    if not 0 <= spares_percent <= 200:
        raise ValueError("Spares are 0 to 200 per cent.")
    needed: dict[str, int] = {}
    largest_set: dict[str, int] = {}
    pieces: dict[str, int] = {}
    for thing in things:
        if thing.kind == "cells":
            code = thing.cells or UNKNOWN_CELLS
            needed[code] = needed.get(code, 0) + thing.n_cells
            largest_set[code] = max(largest_set.get(code, 1), thing.n_cells)
        else:
            words = piece_words(thing.kind, thing.name)
            pieces[words] = pieces.get(words, 0) + 1
    lines = []
    for code in sorted(needed, key=lambda code: (code == UNKNOWN_CELLS, code)):
        # Nobody can carry a spare of a cell that is not known.
        share = 0 if code == UNKNOWN_CELLS else spares_percent
        n_sets = math.ceil(needed[code] * share / (100 * largest_set[code]))
        lines.append(PackingLine(code, needed[code], n_sets * largest_set[code]))
    return lines + [PackingLine(words, pieces[words], 0, is_piece=True) for words in sorted(pieces)]


def piece_words(kind: str, name: str) -> str:
    """What to bring where it is no cells: "standby battery, receiver R1", or the type of a whole unit."""
    if kind == "standby":
        return f"standby battery, receiver {name}" if name else "standby battery"
    return name or "whole unit of unknown type"


def visit_minutes(*, n_batteries: int, n_receivers: int) -> int:
    """Planned time on site [min]: signing in, each receiver, each battery; rounded up to 5 minutes.

    Parameters
    ----------
    n_batteries, n_receivers : int
        At least 0.
    """
    minutes = SIGN_IN_MIN + n_receivers * RECEIVER_MIN + n_batteries * BATTERY_MIN
    return math.ceil(minutes / 5) * 5


_DUTIES = (("life_safety", "life safety"), ("security", "security"), ("convenience", "convenience"))


def why_stop(things: Sequence[DueThing], *, day: date, until: date) -> list[Why]:
    """Why a site is visited on that day: late things first, life safety first, in words.

    Parameters
    ----------
    things : sequence of DueThing
        Everything in service at the site.
    day, until : date
        Day of the visit; last due date of what is changed while there.
    """
    chosen = [thing for thing in things if is_chosen(thing, until)]
    whys = []
    for code in ("late", "due"):
        for duty, words in _DUTIES:
            n = sum(1 for t in chosen if t.duty == duty and is_late(t, day) == (code == "late"))
            if n:
                text = f"{n} {words} late" if code == "late" else f"{n} {words} due by {until.day} {until:%b %Y}"
                whys.append(Why(code, duty, n, text))
    return whys
