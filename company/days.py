"""Write days in the style that the firm has chosen. Pure: the style is passed in; codes are those of `Firm.date_style`."""

from __future__ import annotations

import calendar
import re
from datetime import date

DAY_MONTH, MONTH_DAY, ISO = "day_month", "month_day", "iso"
STYLES = (DAY_MONTH, MONTH_DAY, ISO)

# Pieces: {d} day, {m} month in letters, {y} year in four figures, {yy} in two, {w} weekday in letters.
_FULL = {DAY_MONTH: "{d} {m} {y}", MONTH_DAY: "{m} {d}, {y}"}
_BRIEF = {DAY_MONTH: "{d} {m} {yy}", MONTH_DAY: "{m} {d}, {yy}"}
_BARE = {DAY_MONTH: "{d} {m}", MONTH_DAY: "{m} {d}"}
_WEEK = {DAY_MONTH: "{w} {d} {m}", MONTH_DAY: "{w} {m} {d}", ISO: "{w} {iso}"}


def _filled(patterns: dict[str, str], day: date, style: str, month: str) -> str:
    iso = date(day.year, day.month, day.day).isoformat()
    pattern = patterns.get(style) or ("{iso}" if style == ISO else patterns[DAY_MONTH])
    return pattern.format(d=day.day, m=month, y=day.year, yy=f"{day:%y}", w=f"{day:%a}", iso=iso)


def day_full(day: date, style: str = DAY_MONTH) -> str:
    """14 March 2026 · March 14, 2026 · 2026-03-14."""
    return _filled(_FULL, day, style, f"{day:%B}")


def day_usual(day: date, style: str = DAY_MONTH) -> str:
    """14 Mar 2026 · Mar 14, 2026 · 2026-03-14."""
    return _filled(_FULL, day, style, f"{day:%b}")


def day_brief(day: date, style: str = DAY_MONTH) -> str:
    """14 Mar 26 · Mar 14, 26 · 2026-03-14, for narrow places."""
    return _filled(_BRIEF, day, style, f"{day:%b}")


def day_in_year(day: date, style: str = DAY_MONTH) -> str:
    """14 March · March 14 · 2026-03-14, where the year is plain."""
    return _filled(_BARE, day, style, f"{day:%B}")


def day_of_week(day: date, style: str = DAY_MONTH) -> str:
    """Sat 14 Mar · Sat Mar 14 · Sat 2026-03-14."""
    return _filled(_WEEK, day, style, f"{day:%b}")


_MONTHS = {
    name: number for names in (calendar.month_name, calendar.month_abbr) for number, name in enumerate(names) if name
}
_SAID = re.compile(
    rf"\b([1-9]|[12]\d|3[01]) ({'|'.join(sorted(_MONTHS, key=len, reverse=True))})(?: ((?:19|20)\d\d))?\b"
)


def in_style(sentence: str, style: str, *, this_year: int) -> str:
    """Write the days within a sentence anew in a style.

    Rules say days as "14 March 2026", "14 Mar 2026" or, in the year at hand, "14 March"; they know no style. Use this
    on sentences that rules have made, not on what people have typed: a room named "Room 3 May" would be taken for a day.

    Parameters
    ----------
    sentence : str
        Sentence in the plain style.
    style : str
        Code of `Firm.date_style`. The plain style, like an unknown one, gives the very same sentence.
    this_year : int
        Year of days that were said without one; only figures need it.
    """
    if style not in (MONTH_DAY, ISO):
        return sentence
    return _SAID.sub(lambda found: _said(found, style, this_year), sentence)


def _said(found: re.Match[str], style: str, this_year: int) -> str:
    day, month, year = int(found[1]), found[2], found[3]
    try:
        whole = date(int(year or this_year), _MONTHS[month], day)
    except ValueError:
        return found[0]  # 31 June is no day
    if style == ISO:
        return whole.isoformat()
    return f"{month} {day}, {year}" if year else f"{month} {day}"
