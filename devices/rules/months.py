"""Months of check-in days: which are made, which are closed, which are dropped. Pure.

A month is named by its first day. All days are days of UTC.
"""

from __future__ import annotations

from datetime import date, timedelta

MONTHS_AHEAD = 2
CLOSED_AFTER_DAYS = 70
"""Late check-ins are taken for 60 days; ten more leave room for a month whose end nobody looked at."""
OLDEST_MONTHS = 240
"""Days of longer ago than this are strays of a wrong clock: no record of any of our transmitters is so old."""


def month_of(day: date) -> date:
    """First day of the month."""
    return day.replace(day=1)


def month_after(day: date) -> date:
    """First day of the next month."""
    return (day.replace(day=1) + timedelta(days=32)).replace(day=1)


def months_back(day: date, n: int) -> date:
    """First day of the month n months before that of the day; the calendar's first month where there is none."""
    number = day.year * 12 + day.month - 1 - n
    return date(number // 12, number % 12 + 1, 1) if number >= 12 else date(1, 1, 1)


def closed_until(today: date) -> date:
    """First day that is not in a closed month yet: a month is closed once all of it lies `CLOSED_AFTER_DAYS` back."""
    return month_of(today - timedelta(days=CLOSED_AFTER_DAYS))


def kept_from(today: date, months: int) -> date:
    """First day that is kept where so many whole months before this one are: days before it are to be dropped."""
    return months_back(today, months)


def sensible_span(today: date) -> tuple[date, date]:
    """First day and end (exclusive) of days that can be; others are strays."""
    end = month_of(today)
    for _ in range(MONTHS_AHEAD + 1):
        end = month_after(end)
    return months_back(today, OLDEST_MONTHS), end
