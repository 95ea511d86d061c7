"""Readers for single cells of a workbook: text, codes, numbers, days, lengths of time, choices.

Pure. Each reader takes a cell and today's date and gives a value or raises `WrongCell` with a plain sentence. A
spreadsheet program changes what people type (serials become 1.0E+05, codes become dates); each such change is either
mended without loss or refused in words.
"""

import math
import re
import unicodedata
from collections.abc import Mapping
from datetime import date, datetime, time, timedelta

from company import cell_hints as hints
from company.lengths import WrongLength, has_length_unit, read_length_m
from company.sheets import UNKNOWN, Cell, Reader, WrongCell, plain, shown

FIRST_DAY = date(1990, 1, 1)
_SHORTENED = re.compile(r"^[+-]?\d+(?:[.,]\d+)?E[+-]\d+$", re.IGNORECASE)
_MONTHS = {
    name: number
    for number, names in enumerate(
        (
            "january jan", "february feb", "march mar", "april apr", "may", "june jun", "july jul", "august aug",
            "september sep sept", "october oct", "november nov", "december dec",
        ),
        start=1,
    )
    for name in names.split()
}  # fmt: skip
_UNITS_S = {
    "s": 1,
    "sec": 1,
    "second": 1,
    "min": 60,
    "minute": 60,
    "h": 3600,
    "hr": 3600,
    "hour": 3600,
    "d": 86400,
    "day": 86400,
}


UNPRINTED = ("Cc", "Cf", "Cs", "Co", "Cn")
"""Unicode categories of what no screen shows: controls, marks that turn the reading direction, lone halves, unassigned."""
_SHAPING = "\u200c\u200d"
"""Join or part letters and pictures of several signs; they stand in honest words of some languages."""


def is_unprinted(char: str) -> bool:
    """Whether no screen shows this character, and it is no end of a line, tab or joiner of letters."""
    return char not in "\n\t\r" and char not in _SHAPING and unicodedata.category(char) in UNPRINTED


def text(max_length: int, *, allow_unknown: bool = False) -> Reader:
    """Read any text; whole numbers lose their ".0". Names are text whatever they look like."""

    def read(cell: Cell, today: date) -> str:
        value = _as_text(cell)
        if allow_unknown and value.casefold() == UNKNOWN:
            return UNKNOWN
        if any(is_unprinted(char) for char in value):
            raise WrongCell("The text holds a character that cannot be printed. Type it again.")
        value = " ".join(value.split())
        if len(value) > max_length:
            raise WrongCell(f"The text is {len(value)} characters long; {max_length} fit.")
        return value

    return read


def code(max_length: int, *, allow_unknown: bool = False) -> Reader:
    """Read a code or serial: text in which a spreadsheet's number forms are mended or refused."""
    read_text = text(max_length, allow_unknown=allow_unknown)

    def read(cell: Cell, today: date) -> str:
        if isinstance(cell, (int, float)) and not isinstance(cell, bool) and abs(cell) >= 1e15:
            raise WrongCell(
                "A spreadsheet keeps only 15 digits of a number. Format the column as text and type it again."
            )
        value: str = read_text(cell, today)
        if _SHORTENED.match(value):
            raise WrongCell(
                f"A spreadsheet shortened this to {value}, so its digits are lost. Format the column as text and type it again."
            )
        if re.fullmatch(r"\d+\.0", value):
            value = value[:-2]
        return UNKNOWN if allow_unknown and value.casefold() == UNKNOWN else value

    return read


def number(lowest: float, highest: float, unit: str = "", *, allow_unknown: bool = False) -> Reader:
    """Read a decimal number between two bounds, both allowed; 12.5 and 12,5 are the same."""

    def read(cell: Cell, today: date) -> float | str:
        if allow_unknown and _is_unknown(cell):
            return UNKNOWN
        value = _as_number(cell, unit)
        if not lowest <= value <= highest:
            hint = hints.for_bounds(value, lowest, highest, unit)
            raise WrongCell(f"{shown(cell)} is outside {lowest:g} to {highest:g}{' ' + unit if unit else ''}.{hint}")
        return value

    return read


def length_m(lowest_m: float, highest_m: float, *, allow_unknown: bool = False) -> Reader:
    """Read a length as metres between two bounds: a bare figure is metres, "160 ft" and "50 metres" say their unit."""
    read_number = number(lowest_m, highest_m, "m", allow_unknown=allow_unknown)

    def read(cell: Cell, today: date) -> float | str:
        if isinstance(cell, str) and has_length_unit(cell):
            try:
                cell = read_length_m(cell)
            except WrongLength as wrong:
                raise WrongCell(str(wrong)) from None
        value: float | str = read_number(cell, today)
        return value

    return read


def whole(lowest: int, highest: int, unit: str = "", *, allow_unknown: bool = False) -> Reader:
    """Read a whole number between two bounds, both allowed; 17.0 is 17."""
    read_number = number(lowest, highest, unit, allow_unknown=allow_unknown)

    def read(cell: Cell, today: date) -> int | str:
        value = read_number(cell, today)
        if isinstance(value, str):
            return value
        if value != int(value):
            raise WrongCell(f"{shown(cell)} is not a whole number.{hints.for_whole(value, lowest, highest)}")
        return int(value)

    return read


def day(*, allow_unknown: bool = False, words: Mapping[str, str] | None = None) -> Reader:
    """Read a day: a real date, 2025-04-03, 03.04.2025, 25/04/2025 or 3 May 2025; not before 1990, not after tomorrow.

    `words` are further answers that stand for themselves, such as "none".
    """

    def read(cell: Cell, today: date) -> date | str:
        if allow_unknown and _is_unknown(cell):
            return UNKNOWN
        if words and isinstance(cell, str) and plain(cell) in words:
            return words[plain(cell)]
        value = _as_day(cell, today)
        if value.year in (1899, 1900, 1904):
            raise WrongCell(
                f"{value.isoformat()} is what a spreadsheet makes of an empty or wrong date. Write the real day"
                f"{' or “unknown”' if allow_unknown else ''}."
            )
        if value < FIRST_DAY:
            hint = hints.for_year(value, FIRST_DAY, today)
            raise WrongCell(f"{value.isoformat()} is before 1990. Check the year.{hint}")
        if value > today + timedelta(days=1):
            hint = hints.for_year(value, FIRST_DAY, today)
            raise WrongCell(f"{value.isoformat()} lies in the future. Check the year.{hint}")
        return value

    return read


def choice(words: Mapping[str, str], *, allow_unknown: bool = False) -> Reader:
    """Read one of a few answers; `words` maps each accepted wording to the value it stands for."""
    known = {plain(word): value for word, value in words.items()}

    def read(cell: Cell, today: date) -> str:
        if allow_unknown and _is_unknown(cell):
            return UNKNOWN
        value = plain(_as_text(cell))
        if value not in known:
            raise WrongCell(f"“{shown(cell)}” is not one of: {', '.join(words)}.{hints.for_choice(value, words)}")
        return known[value]

    return read


def yes_no() -> Reader:
    """Read yes or no."""
    words = {"yes": True, "y": True, "true": True, "1": True, "no": False, "n": False, "false": False, "0": False}

    def read(cell: Cell, today: date) -> bool:
        if isinstance(cell, bool):
            return cell
        value = plain(_as_text(cell))
        if value not in words:
            raise WrongCell(f"“{shown(cell)}” is neither yes nor no.{hints.for_choice(value, ('yes', 'no'))}")
        return words[value]

    return read


def span_s(lowest_s: int, highest_s: int, *, words: Mapping[str, str] | None = None) -> Reader:
    """Read a length of time with its unit ("4 h", "200 s", "90 min") as whole seconds; `words` are further answers."""

    def read(cell: Cell, today: date) -> int | str:
        if isinstance(cell, (time, timedelta, date)):
            raise WrongCell(
                f"A spreadsheet made a time of day of this ({shown(cell)}). Write it with its unit, such as 4 h or 200 s."
            )
        value = _as_text(cell)
        if words and plain(value) in words:
            return words[plain(value)]
        try:
            seconds = read_span_s(value)
        except WrongCell as wrong:
            hint = hints.for_span(value, lowest_s, highest_s, _UNITS_S, say_span) or hints.for_choice(
                value, words or ()
            )
            raise WrongCell(f"{wrong}{hint}") from None
        if not lowest_s <= seconds <= highest_s:
            bound = say_span(lowest_s if seconds < lowest_s else highest_s)
            raise WrongCell(
                f"“{value}” is outside {say_span(lowest_s)} to {say_span(highest_s)}. The nearest that is taken is {bound}."
            )
        return seconds

    return read


def read_span_s(value: str) -> int:
    """Read "4 h", "200 s", "1.5 h" as whole seconds; raises `WrongCell` where the unit is missing or not known."""
    match = re.fullmatch(r"(\d+(?:[.,]\d+)?)\s*([a-zA-Z]*)\.?", value.strip())
    if not match:
        raise WrongCell(f"“{shown(value)}” is no length of time. Write it like 4 h, 90 min or 200 s.")
    unit = match[2].casefold()
    unit_s = _UNITS_S.get(unit) or _UNITS_S.get(unit.removesuffix("s") or unit)
    if unit_s is None:
        if not unit:
            raise WrongCell(f"“{shown(value)}” has no unit. Write s, min or h behind it.")
        raise WrongCell(f"“{match[2]}” is no unit of time we know. Use s, min, h or d.")
    return round(float(match[1].replace(",", ".")) * unit_s)


def say_span(seconds: int) -> str:
    """Write seconds in the largest unit that divides them: 14400 → "4 h"."""
    for unit, unit_s in (("d", 86400), ("h", 3600), ("min", 60)):
        if seconds >= unit_s and seconds % unit_s == 0:
            # 24 h and 90 min are how the trade says them, so days begin at two.
            if unit == "d" and seconds < 2 * unit_s:
                continue
            return f"{seconds // unit_s} {unit}"
    return f"{seconds} s"


def _is_unknown(cell: Cell) -> bool:
    return isinstance(cell, str) and plain(cell) in (UNKNOWN, "not known")


def _as_text(cell: Cell) -> str:
    if isinstance(cell, (date, time, timedelta)):
        raise WrongCell(
            f"A spreadsheet made a date or time of this ({shown(cell)}). Format the column as text and type it again."
        )
    return shown(cell) if not isinstance(cell, str) else cell.strip()


def _as_number(cell: Cell, unit: str) -> float:
    if isinstance(cell, (bool, date, time, timedelta)):
        raise WrongCell(f"{shown(cell)} is no number.")
    value = float(cell) if isinstance(cell, (int, float)) else _number_from_text(str(cell), unit)
    if not math.isfinite(value):
        raise WrongCell(f"“{shown(cell)}” is no number that can be kept.")
    return value


def _number_from_text(cell: str, unit: str) -> float:
    raw = cell.strip().replace("\u2212", "-")
    if unit and raw.casefold().endswith(unit.casefold()):
        raw = raw[: -len(unit)].strip()
    if re.fullmatch(r"[+-]?\d{1,3},\d{3}", raw):
        two = hints.mean(raw.replace(",", "."), raw.replace(",", ""))
        raise WrongCell(
            f"“{cell}” can be read as a decimal or as thousands. Write it with a point or without the comma.{two}"
        )
    if re.fullmatch(r"[+-]?\d+,\d+", raw):
        raw = raw.replace(",", ".")
    if not re.fullmatch(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?|[+-]?(?:nan|inf|infinity)", raw, re.IGNORECASE):
        raise WrongCell(f"“{shown(cell)}” is no number.{hints.for_number(cell, unit)}")
    return float(raw)


def _as_day(cell: Cell, today: date) -> date:
    if isinstance(cell, datetime):
        return cell.date()
    if isinstance(cell, date):
        return cell
    if isinstance(cell, time):
        # Serial 0 and 1 of a spreadsheet's calendar (the turn of 1900) come out as a time of day.
        if cell == time(0):
            return date(1900, 1, 1)
        raise WrongCell(f"{shown(cell)} is a time of day, not a date.")
    if not isinstance(cell, str):
        hint = hints.for_day_number(cell, FIRST_DAY, today) if isinstance(cell, (int, float)) else ""
        raise WrongCell(
            f"{shown(cell)} is a bare number, not a date. Format the cell as a date or write 2025-04-03.{hint}"
        )
    value = " ".join(cell.split())
    try:
        return _day_from_text(value)
    except WrongCell as wrong:
        hint = "" if "means" in str(wrong) else hints.for_day(value, today)
        raise WrongCell(f"{wrong}{hint}") from None
    except ValueError:
        raise WrongCell(f"“{shown(value)}” is not a day of the calendar.{hints.for_day(value, today)}") from None


def _day_from_text(value: str) -> date:
    if match := re.fullmatch(
        r"(\d{4})-(\d{1,2})-(\d{1,2})(?:[T ]\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?(?:Z|[+-]\d{2}:?\d{2})?)?", value
    ):
        return date(int(match[1]), int(match[2]), int(match[3]))
    if match := re.fullmatch(r"(\d{1,2})\. ?(\d{1,2})\. ?(\d{4})", value):
        return date(int(match[3]), int(match[2]), int(match[1]))
    if match := re.fullmatch(r"(\d{1,2})[/-](\d{1,2})[/-](\d{4})", value):
        return _slashed_day(value, int(match[1]), int(match[2]), int(match[3]))
    if match := re.fullmatch(r"(\d{1,2})\.?[ -]([A-Za-z]+)\.?,?[ -](\d{4})", value):
        day_number, word, year = int(match[1]), match[2], int(match[3])
    elif match := re.fullmatch(r"([A-Za-z]+)\.? (\d{1,2}),? (\d{4})", value):
        day_number, word, year = int(match[2]), match[1], int(match[3])
    elif re.fullmatch(r"\d{1,2}[./-]\d{1,2}[./-]\d{2}", value):
        raise WrongCell(f"“{value}” has a year of two digits. Write it like 2025-04-03.")
    else:
        raise WrongCell(f"“{shown(value)}” is no date we can read. Write it like 2025-04-03.")
    month = _MONTHS.get(word.casefold())
    if month is None:
        raise WrongCell(f"“{word}” is no month we know. Write the date like 2025-04-03.")
    return date(year, month, day_number)


def _slashed_day(value: str, first: int, second: int, year: int) -> date:
    """Read 25/04/2025 or 04/25/2025; refuse 03/04/2025, which means two different days in two countries."""
    if first <= 12 and second <= 12 and first != second:
        one, other = date(year, second, first), date(year, first, second)
        raise WrongCell(
            f"“{value}” means {one.isoformat()} to some and {other.isoformat()} to others. Write it in this form: {one.isoformat()}."
        )
    return date(year, first, second) if second > 12 else date(year, second, first)
