"""Which transmitters a recall names, what has become of each, and how that is said. No database and no clock here."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from datetime import date
from enum import StrEnum
from typing import Any

from devices.rules.slot_map import FIRST_YEAR
from maintenance.rules.due_words import day_words

LAST_YEAR = 2099
"""No cells on record were fitted after it: a later year is a slip. Decided for this product."""
MOST_LOTS = 50
"""Lot codes in one recall. More is a pasted column of something else. Decided for this product."""


def natural_key(serial: str) -> tuple[tuple[int, int, str], ...]:
    """Order serials as people count: digits by value, letters without regard to case, so SK-999 stands before SK-01000.

    Parameters
    ----------
    serial : str
        As written on the unit; blanks around it do not matter.

    Returns
    -------
    tuple
        Compares with the key of any other serial; a number stands before a letter in the same place.
    """
    parts = re.findall(r"[0-9]+|[^0-9]+", serial.strip().casefold())
    return tuple((0, int(part), "") if part[0] in "0123456789" else (1, 0, part) for part in parts)


def same_beginning(one: str, two: str) -> str:
    """Letters before the first digit, where both serials begin with the same: every serial between them then begins so too."""
    letters = [re.match(r"[^0-9]*", text.strip()) for text in (one, two)]
    first, second = (match.group() if match else "" for match in letters)
    return first if first.casefold() == second.casefold() else ""


@dataclass(frozen=True, slots=True)
class RecallFilter:
    """What a recall is made from. Lot codes and unknown lots add up; everything else narrows.

    Attributes
    ----------
    lots : tuple of str
        Lot or date codes; case does not matter.
    unknown_from, unknown_to : date or None
        Cells without a noted lot that were fitted from … to, both days included.
    with_undated : bool
        Also cells without a noted lot whose day of fitting nobody knows and which may have been fitted then.
    serial_from, serial_to : str
        Both ends of a range of serials, in the order of `natural_key`.
    transmitter_type, battery_type, customer, site : int or None
        Keys of the records that narrow the list.
    """

    lots: tuple[str, ...] = ()
    unknown_from: date | None = None
    unknown_to: date | None = None
    with_undated: bool = True
    serial_from: str = ""
    serial_to: str = ""
    transmitter_type: int | None = None
    battery_type: int | None = None
    customer: int | None = None
    site: int | None = None

    @property
    def asks_for_lots(self) -> bool:
        """Whether the cells themselves are named, by lot or by when they were fitted."""
        return bool(self.lots) or self.unknown_from is not None

    @property
    def is_empty(self) -> bool:
        """Whether nothing at all is named: that would be the whole fleet."""
        narrowing = (self.transmitter_type, self.battery_type, self.customer, self.site)
        return not (self.asks_for_lots or self.serial_from or self.serial_to or any(narrowing))

    def problems(self) -> list[tuple[str, str]]:
        """What is wrong with it, as pairs of field and sentence; empty if it can be used."""
        found = []
        if self.is_empty and self.unknown_to is None:
            found.append(
                ("", "Name at least one lot, a time of fitting, serials, a type or a place: a recall needs a bound.")
            )
        if len(self.lots) > MOST_LOTS:
            found.append(("lots", f"That is {len(self.lots)} codes; a recall takes up to {MOST_LOTS}."))
        if any(len(lot) > 40 for lot in self.lots):
            found.append(("lots", "A lot code has at most 40 characters. Put a comma between two codes."))
        for name in ("unknown_from", "unknown_to"):
            day = getattr(self, name)
            if day is not None and not FIRST_YEAR <= day.year <= LAST_YEAR:
                found.append((name, f"Give a day between {FIRST_YEAR} and {LAST_YEAR}. Is the year right?"))
        if (self.unknown_from is None) != (self.unknown_to is None):
            missing = "unknown_to" if self.unknown_to is None else "unknown_from"
            found.append((missing, "Give both days, from and to."))
        elif self.unknown_from and self.unknown_to and self.unknown_to < self.unknown_from:
            found.append(("unknown_to", "The last day lies before the first."))
        if bool(self.serial_from) != bool(self.serial_to):
            missing = "serial_to" if self.serial_from else "serial_from"
            found.append((missing, "Name both ends of the range, the first and the last serial."))
        elif self.serial_from and natural_key(self.serial_to) < natural_key(self.serial_from):
            found.append(("serial_to", f"{self.serial_to} stands before {self.serial_from}. Swap the two."))
        return found

    def has_serial(self, serial: str) -> bool:
        """Whether a serial lies in the range, ends included; any serial does where no range is named."""
        if not self.serial_from:
            return True
        return natural_key(self.serial_from) <= natural_key(serial) <= natural_key(self.serial_to)

    def has_cells(self, lots: Iterable[str], fitted_on: date | None, entered_on: date | None) -> bool:
        """Whether a set of cells is one of those asked for.

        Parameters
        ----------
        lots : iterable of str
            Codes noted for the set; a mixed set has several, and one that is named is enough.
        fitted_on : date or None
            Day of fitting at the site; None = nobody knows.
        entered_on : date or None
            Day since when our records know the set.
        """
        if not self.asks_for_lots:
            return True
        noted = {lot.casefold() for lot in lots}
        if noted:
            return bool(noted & {lot.casefold() for lot in self.lots})
        if self.unknown_from is None or self.unknown_to is None:
            return False
        if fitted_on is not None:
            return self.unknown_from <= fitted_on <= self.unknown_to
        # It was fitted on some day before our records begin: only those known since before the first day are out.
        return self.with_undated and (entered_on is None or entered_on >= self.unknown_from)

    def to_json(self) -> dict[str, Any]:
        """Give what is named, as JSON can hold it."""
        kept: dict[str, Any] = {}
        for f in fields(self):
            value = getattr(self, f.name)
            if value in ((), "", None):
                continue
            kept[f.name] = value.isoformat() if isinstance(value, date) else list(value) if f.name == "lots" else value
        return kept

    @classmethod
    def from_json(cls, kept: Mapping[str, Any]) -> RecallFilter:
        """Read what `to_json` gave; names that are not known (any more) are left out."""
        values = {f.name: kept[f.name] for f in fields(cls) if f.name in kept}
        for name in ("unknown_from", "unknown_to"):
            if values.get(name):
                values[name] = date.fromisoformat(values[name])
        if "lots" in values:
            values["lots"] = tuple(values["lots"])
        return cls(**values)


LONGEST_WEEKS = 104
"""A round looks no further ahead than this (`rounds.packing.change_until`)."""


def weeks_until(due_by: date | None, day: date, least_weeks: int) -> int:
    """Give the weeks ahead that a round must be planned with so that it changes what is due by a day.

    Parameters
    ----------
    due_by : date or None
        What is due by then must be changed; None asks for nothing more than the least.
    day : date
        Day of the round.
    least_weeks : int
        Weeks that are planned with anyway [weeks].
    """
    if due_by is None:
        return least_weeks
    needed_weeks = -((day - due_by).days // 7)
    return min(LONGEST_WEEKS, max(least_weeks, needed_weeks))


def filter_words(wanted: RecallFilter, names: Mapping[str, str]) -> list[str]:
    """Say what a recall was made from, one phrase for each thing named.

    Parameters
    ----------
    wanted : RecallFilter
        What is named.
    names : mapping
        Names of the records of `transmitter_type`, `battery_type`, `customer` and `site`.
    """
    said = []
    cells = []
    if wanted.lots:
        cells.append(f"lot{'' if len(wanted.lots) == 1 else 's'} {_listed(wanted.lots)}")
    if wanted.unknown_from and wanted.unknown_to:
        undated = ", or on an unknown day" if wanted.with_undated else ""
        span = f"{day_words(wanted.unknown_from)} to {day_words(wanted.unknown_to)}"
        cells.append(f"no lot noted and fitted {span}{undated}")
    if cells:
        said.append("; or ".join(cells))
    if wanted.serial_from:
        said.append(f"serials {wanted.serial_from} to {wanted.serial_to}")
    for field, word in (("transmitter_type", ""), ("battery_type", "cells "), ("customer", "at "), ("site", "at ")):
        if getattr(wanted, field) is not None:
            said.append(f"{word}{names.get(field, 'a record that is gone')}")
    return said


def _listed(words: Iterable[str]) -> str:
    *most, last = words
    return f"{', '.join(most)} and {last}" if most else last


class ItemState(StrEnum):
    """What has become of one transmitter of a recall."""

    OPEN = "open"
    DONE = "done"
    NOT_AFFECTED = "not_affected"
    GONE = "gone"


@dataclass(frozen=True, slots=True)
class ItemFacts:
    """What the records say about one transmitter of a recall today.

    Attributes
    ----------
    what : str
        "cells" or "unit".
    state : str
        State so far.
    is_in_service : bool
        Whether the transmitter stands in a slot.
    has_successor : bool
        Whether another transmitter stands in the slot in which this one last stood.
    listed_fitting, present_fitting : int or None
        Keys of the cells that the list was made of and of those in it now.
    fitted_since : bool
        Whether the present cells were fitted after the transmitter came onto the list. Asked only where the listed cells are unknown.
    is_named_again : bool
        Whether the present cells are once more of a lot that the recall names.
    """

    what: str
    state: str
    is_in_service: bool
    has_successor: bool
    listed_fitting: int | None
    present_fitting: int | None
    fitted_since: bool
    is_named_again: bool


def state_now(facts: ItemFacts) -> str:
    """Tell what has become of a transmitter. What a person has looked at and found not affected stays so.

    Notes
    -----
    The cells themselves are followed, not dates: a change recorded late, or backdated, counts as well, and one that is
    taken back counts no more. New cells of the same bad lot settle nothing.
    """
    if facts.state == ItemState.NOT_AFFECTED:
        return ItemState.NOT_AFFECTED
    if facts.what == "unit":
        if facts.is_in_service:
            return ItemState.OPEN
        was_done = facts.state == ItemState.DONE
        return ItemState.DONE if facts.has_successor or was_done else ItemState.GONE
    if _cells_are_out(facts):
        return ItemState.DONE
    return ItemState.OPEN if facts.is_in_service else ItemState.GONE


def _cells_are_out(facts: ItemFacts) -> bool:
    if facts.is_named_again:
        return False
    if facts.listed_fitting is None:
        was_done = facts.state == ItemState.DONE
        return was_done if facts.present_fitting is None else facts.fitted_since
    return facts.present_fitting != facts.listed_fitting


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a recall has come. `placed`, `grave` and `grave_placed` count within `open`."""

    n: int
    open: int
    placed: int
    done: int
    not_affected: int
    gone: int
    grave: int = 0

    @property
    def settled(self) -> int:
        """Number for which nothing is left to do."""
        return self.n - self.open

    @property
    def is_settled(self) -> bool:
        """Whether nothing is left to do."""
        return self.open == 0

    @property
    def share(self) -> float:
        """Settled part, 0 … 1; an empty list is settled."""
        return self.settled / self.n if self.n else 1.0


def progress_words(progress: Progress, *, is_closed: bool = False) -> str:
    """Say how far a recall has come in one sentence; of a closed one, with how many left it was closed."""
    if not progress.n:
        return "Nothing is on this list."
    parts = [
        f"{count} {words}"
        for count, words in (
            (progress.done, "done"),
            (progress.not_affected, "looked at and not affected"),
            (progress.gone, "no longer in service"),
        )
        if count
    ]
    if progress.is_settled:
        return f"{'Settled' if progress.n == 1 else f'All {progress.n} are settled'}: {', '.join(parts)}."
    if is_closed:
        parts.append(f"closed with {progress.open} left")
        return f"{progress.settled} of {progress.n} settled: {', '.join(parts)}.{_grave_words(progress)}"
    to_do = progress.open - progress.placed
    if progress.placed:
        parts.append(f"{progress.placed} in a round")
    if to_do:
        parts.append(f"{to_do} to do and in no round")
    return f"{progress.settled} of {progress.n} settled: {', '.join(parts)}.{_grave_words(progress)}"


def _grave_words(progress: Progress) -> str:
    if not progress.grave:
        return ""
    return f" {progress.grave} of what is left {'is' if progress.grave == 1 else 'are'} on life safety."


def preview_words(n_things: int, n_sites: int, n_grave: int) -> str:
    """Say what a list would hold before it is opened: "312 transmitters at 14 sites; 9 on life safety"."""
    if not n_things:
        return "No transmitter in service is like that."
    things = f"{n_things} transmitter{'' if n_things == 1 else 's'} at {n_sites} site{'' if n_sites == 1 else 's'}"
    return f"{things}; {n_grave or 'none'} on life safety."


def cells_words(codes: Iterable[str]) -> str:
    """Say which cells a list spans, most first: "CR2450 at 30, LR6 at 5"; empty where all hold the same.

    Parameters
    ----------
    codes : iterable of str
        Code of the cells of each transmitter; empty where nobody knows it.
    """
    counts = Counter(codes)
    if len(counts) < 2:
        return ""
    listed = sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))
    return ", ".join(f"{code or 'unknown cells'} at {n}" for code, n in listed)


@dataclass(frozen=True, slots=True)
class SiteCount:
    """How many transmitters of a list stand at one site, and how many of those on life safety."""

    site_id: int
    name: str
    n: int
    n_grave: int


def count_sites(rows: Iterable[tuple[int, str, str]]) -> list[SiteCount]:
    """Count a list by site: most on life safety first, then most, then by name. Rows are key, name and duty."""
    counts: dict[int, tuple[str, int, int]] = {}
    for site_id, name, duty in rows:
        _, n, n_grave = counts.get(site_id, (name, 0, 0))
        counts[site_id] = (name, n + 1, n_grave + (duty == "life_safety"))
    sites = [SiteCount(site_id, *count) for site_id, count in counts.items()]
    return sorted(sites, key=lambda site: (-site.n_grave, -site.n, site.name, site.site_id))
