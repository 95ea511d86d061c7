"""Write days in the style that the firm has chosen. Pure: the style is passed in; codes are those of `Firm.date_style`."""

from __future__ import annotations

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
