"""Times in an event log: which forms there are, which one a column has, and what moment a cell means. Pure.

Day-first and month-first look alike until a number above 12 comes; where none comes a person is asked. A clock on the wall
shows one hour twice in autumn: rows are then taken in the order of the file.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta, timezone, tzinfo
from functools import lru_cache
from typing import Any

from company.sheets import Cell

FORMATS = ("iso", "dmy", "mdy", "ymd", "epoch")
"""year-month-day; day first; month first; digits run together, year first; seconds since 1970."""

_CLOCK = (
    r"(?P<h>[0-9]{1,2})[:.](?P<mi>[0-9]{2})(?:[:.](?P<s>[0-9]{2})(?:[.,](?P<f>[0-9]{1,9}))?)?"
    r"(?:\s*(?P<half>[ap])\.?m\.?)?(?:\s*(?P<zone>Z|UTC|GMT|[+\-][0-9]{2}:?[0-9]{2}))?"
)
_END = rf"(?:(?:\s*[T,]\s*|\s+)(?:{_CLOCK}))?"
_ISO = re.compile(rf"(?P<y>[0-9]{{4}})[-/.](?P<m>[0-9]{{1,2}})[-/.](?P<d>[0-9]{{1,2}}){_END}", re.IGNORECASE)
_PARTED = re.compile(
    rf"(?P<a>[0-9]{{1,2}})(?P<sep>[-/.])(?P<b>[0-9]{{1,2}})(?P=sep)(?P<y>[0-9]{{4}}|[0-9]{{2}}){_END}", re.IGNORECASE
)
_RUN = re.compile(
    r"(?P<y>(?:19|20)[0-9]{2})(?P<m>[0-9]{2})(?P<d>[0-9]{2})(?:[ T]?(?P<h>[0-9]{2}):?(?P<mi>[0-9]{2})(?::?(?P<s>[0-9]{2}))?)?"
)
_NAMED = re.compile(
    rf"(?:[a-z]{{3,9}},?\s+)?(?:(?P<d>[0-9]{{1,2}})(?:st|nd|rd|th)?[ \-./]+(?P<m>[a-z]{{3,9}})\.?|(?P<m2>[a-z]{{3,9}})\.?[ \-]+(?P<d2>[0-9]{{1,2}})(?:st|nd|rd|th)?,?)"
    rf"[ \-./,]+(?P<y>[0-9]{{4}}|[0-9]{{2}}){_END}",
    re.IGNORECASE,
)  # fmt: skip
_EPOCH = re.compile(r"(?P<s>[0-9]{9,10})(?:[.,][0-9]+)?|(?P<ms>[0-9]{12,13})")
_CLOCK_ALONE = re.compile(_CLOCK, re.IGNORECASE)
_MONTHS = {name: n for n, name in enumerate(("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"), 1)}  # fmt: skip
_JITTER = timedelta(minutes=2)
_FIRST_YEAR = 2000


class NotATime(ValueError):
    """The cell is no time in the chosen form; the text says what was expected."""


@dataclass(slots=True)
class Tally:
    """What the cells of one column look like as times, counted one by one."""

    n: int = 0
    iso: int = 0
    epoch: int = 0
    run: int = 0
    named: int = 0
    cells: int = 0
    clocks: int = 0
    parted: int = 0
    first_above_12: int = 0
    second_above_12: int = 0
    with_clock: int = 0
    shapes: dict[str, int] = field(default_factory=dict)

    def add(self, cell: Cell) -> None:
        """Count one cell; empty ones are left out."""
        if cell is None or cell == "":
            return
        self.n += 1
        if isinstance(cell, (datetime, date)):
            self.cells += 1
            self.with_clock += isinstance(cell, datetime) and cell.time() != time(0)
            return
        if isinstance(cell, (time, timedelta)):
            self.clocks += 1
            return
        self._add_text(str(cell))

    def _add_text(self, text: str) -> None:
        if match := _PARTED.fullmatch(text):
            self.parted += 1
            self.first_above_12 += int(match["a"]) > 12
            self.second_above_12 += int(match["b"]) > 12
        elif match := _ISO.fullmatch(text):
            self.iso += 1
        elif _EPOCH.fullmatch(text):
            self.epoch += 1
            self.with_clock += 1
            return
        elif match := _RUN.fullmatch(text):
            self.run += 1
        elif match := _NAMED.fullmatch(text):
            self.named += 1
        elif _CLOCK_ALONE.fullmatch(text):
            self.clocks += 1
            return
        if match:
            self.with_clock += match["h"] is not None

    @property
    def n_days(self) -> int:
        """Cells that hold a day, with or without a time of day."""
        return self.iso + self.epoch + self.run + self.named + self.cells + self.parted

    @property
    def is_time(self) -> bool:
        return self.n > 0 and self.n_days >= 0.6 * self.n

    @property
    def is_clock(self) -> bool:
        return self.n > 0 and self.clocks >= 0.6 * self.n

    @property
    def has_clock(self) -> bool:
        """Whether its cells hold the time of day too."""
        return self.with_clock > 0

    @property
    def format(self) -> str:
        """The form that its cells have; empty where day and month cannot be told apart, or nothing is a time."""
        if not self.n_days:
            return ""
        if self.parted and self.parted >= max(self.iso, self.epoch, self.run):
            if self.first_above_12 and not self.second_above_12:
                return "dmy"
            return "mdy" if self.second_above_12 and not self.first_above_12 else ""
        counts = {"iso": self.iso + self.named + self.cells, "epoch": self.epoch, "ymd": self.run}
        return max(counts, key=lambda name: counts[name])

    @property
    def is_asked(self) -> bool:
        """Whether day and month could be either way round, so that a person must say."""
        return self.n_days > 0 and not self.format


def wall_or_moment(cell: Cell, form: str) -> tuple[datetime, bool]:
    """Read a cell as a time.

    Returns
    -------
    tuple
        The time, and whether it carries its own zone (then it is aware; else it is what a clock on the wall shows).

    Raises
    ------
    NotATime
        With what was expected.
    """
    if isinstance(cell, datetime):
        return cell, False
    if isinstance(cell, date):
        return datetime.combine(cell, time()), False
    if isinstance(cell, (time, timedelta)) or cell is None:
        raise NotATime("There is no day in the cell. Choose the column with the day as well.")
    return _text_time(str(cell), form)


@lru_cache(maxsize=2048)
def _text_time(text: str, form: str) -> tuple[datetime, bool]:
    try:
        if form == "epoch":
            return _epoch(text), True
        # Spelt-out months and years in front can be read in one way only, whatever was chosen.
        if match := _ISO.fullmatch(text) or (_RUN.fullmatch(text) if form == "ymd" else None):
            return _put_together(match, int(match["y"]), int(match["m"]), int(match["d"]))
        if match := _NAMED.fullmatch(text):
            month = _MONTHS.get((match["m"] or match["m2"])[:3].casefold(), 0)
            return _put_together(match, int(match["y"]), month, int(match["d"] or match["d2"]))
        if form in ("dmy", "mdy") and (match := _PARTED.fullmatch(text)):
            one, two = int(match["a"]), int(match["b"])
            day, month = (one, two) if form == "dmy" else (two, one)
            return _put_together(match, int(match["y"]), month, day)
    except (ValueError, OverflowError, OSError):
        raise NotATime(f"“{text[:40]}” is no day or time that there is. {_EXPECTED[form]}") from None
    raise NotATime(f"“{text[:40]}” is no time in the form that was chosen. {_EXPECTED[form]}")


_EXPECTED = {
    "iso": "Expected is year-month-day, as 2026-11-03 14:05.",
    "dmy": "Expected is the day first, as 03/11/2026 14:05.",
    "mdy": "Expected is the month first, as 11/03/2026 14:05.",
    "ymd": "Expected are digits with the year first, as 20261103140500.",
    "epoch": "Expected are seconds since 1970, as 1793714700.",
}


def _epoch(text: str) -> datetime:
    match = _EPOCH.fullmatch(text)
    if match is None:
        raise NotATime(f"“{text[:40]}” is no time in the form that was chosen. {_EXPECTED['epoch']}")
    seconds = int(match["ms"]) / 1000 if match["ms"] else float(text.replace(",", "."))
    return datetime.fromtimestamp(seconds, UTC)


def _put_together(match: re.Match[str], year: int, month: int, day: int) -> tuple[datetime, bool]:
    # Only a year of two digits lacks its century: 0001-01-01 is how some programs write that there is no date.
    wall = datetime.combine(date(year + 2000 if len(match["y"]) == 2 else year, month, day), time())
    if wall.year < _FIRST_YEAR:
        raise ValueError(wall)
    parts: Mapping[str, Any] = match.groupdict()
    if parts.get("h") is None:
        return wall, False
    clock, zone = _clock_of(parts)
    wall += clock
    return (wall.replace(tzinfo=zone), True) if zone else (wall, False)


def _clock_of(parts: Mapping[str, Any]) -> tuple[timedelta, tzinfo | None]:
    hour, minute, second = int(parts["h"]), int(parts["mi"]), int(parts.get("s") or 0)
    half = (parts.get("half") or "").casefold()
    if half:
        if not 1 <= hour <= 12:
            raise ValueError(hour)
        hour = hour % 12 + (12 if half == "p" else 0)
    if not (hour <= 23 or (hour, minute, second) == (24, 0, 0)) or minute > 59 or second > 60:
        raise ValueError(hour)
    return timedelta(hours=hour, minutes=minute, seconds=min(second, 59)), _zone_of(parts.get("zone") or "")


def _zone_of(text: str) -> tzinfo | None:
    if not text:
        return None
    if text[0] not in "+-":
        return UTC
    digits = text[1:].replace(":", "")
    offset = timedelta(hours=int(digits[:2]), minutes=int(digits[2:]))
    return timezone(offset if text[0] == "+" else -offset)


def add_clock(day: datetime, cell: Cell) -> tuple[datetime, bool]:
    """Put the time of day of another column to a day.

    Raises
    ------
    NotATime
        If the cell is no time of day.
    """
    if isinstance(cell, datetime):
        return datetime.combine(day.date(), cell.time()), False
    if isinstance(cell, time):
        return datetime.combine(day.date(), cell.replace(tzinfo=None)), False
    if isinstance(cell, timedelta) and timedelta() <= cell < timedelta(days=1):
        return day.replace(hour=0, minute=0, second=0) + cell, False
    match = _CLOCK_ALONE.fullmatch(str(cell)) if cell is not None else None
    try:
        if match is None:
            raise ValueError(cell)
        clock, zone = _clock_of(match.groupdict())
    except ValueError:
        shown = f"“{str(cell)[:40]}”" if cell is not None else "An empty cell"
        raise NotATime(f"{shown} is no time of day. Expected is hours and minutes, as 14:05 or 2:05 pm.") from None
    wall = day.replace(hour=0, minute=0, second=0, microsecond=0) + clock
    return (wall.replace(tzinfo=zone), True) if zone else (wall, False)


@lru_cache(maxsize=4096)
def _offsets(hour: datetime, zone: tzinfo) -> tuple[timedelta, timedelta]:
    first, second = (hour.replace(tzinfo=zone, fold=fold).utcoffset() or timedelta() for fold in (0, 1))
    return first, second


class WallClock:
    """Turns what a clock on the wall showed, row by row in the order of the file, into moments of UTC.

    Parameters
    ----------
    zone : tzinfo
        Of the clock.
    is_falling : bool
        The newest row stands first.
    """

    def __init__(self, zone: tzinfo, *, is_falling: bool = False) -> None:
        self._zone = zone
        self._is_falling = is_falling
        self._is_second: bool | None = None
        self._last: datetime | None = None

    def moment(self, wall: datetime) -> datetime:
        """Give the moment in UTC.

        Raises
        ------
        NotATime
            In the hour that is left out when clocks go forward.
        """
        first, second = _offsets(wall.replace(second=0, microsecond=0), self._zone)
        if first == second:
            self._is_second = None
            self._last = wall
            return (wall - first).replace(tzinfo=UTC)
        if first < second:
            raise NotATime(
                f"Clocks went forward that night and left {wall:%H:%M} out. Is the time zone of the source the right one?"
            )
        return (wall - (second if self._came_again(wall) else first)).replace(tzinfo=UTC)

    def _came_again(self, wall: datetime) -> bool:
        """Whether the second of the two is meant: a step against the order of the file shows where the hour begins anew."""
        last = self._last
        if self._is_second is None:
            # Out of the unambiguous part: coming from later in an older-first file the second is nearer.
            is_late = last is not None and last > wall and last - wall < timedelta(hours=12)
            self._is_second = is_late or (self._is_falling and not (last is not None and last < wall))
        elif last is not None:
            if not self._is_falling and wall < last - _JITTER:
                self._is_second = True
            elif self._is_falling and wall > last + _JITTER:
                self._is_second = False
        self._last = wall
        return self._is_second
