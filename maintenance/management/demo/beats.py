"""When which site is visited: beats of neighbouring sites, one round each, every nine weeks."""

from __future__ import annotations

from datetime import date, timedelta

from maintenance.management.demo.world import RECORDS_DAYS, DemoSite

EVERY_DAYS = 63


def weekday(day: date) -> date:
    """Move a weekend day to the Friday or Monday beside it."""
    return day + timedelta(days={5: -1, 6: 1}.get(day.weekday(), 0))


def next_days(beats: list[str], today: date) -> dict[str, date]:
    """Day of each beat's next round: the first today, the second next week, the others spread over the nine weeks."""
    days = {}
    for index, beat in enumerate(beats):
        ahead = {0: 0, 1: 7}.get(index, max(9, round(index * EVERY_DAYS / len(beats))))
        days[beat] = today if ahead == 0 else weekday(today + timedelta(days=ahead))
    return days


def visit_days(next_day: date, today: date) -> list[date]:
    """All days of a beat since the records began, oldest first, with the next one at the end."""
    days, day = [next_day], next_day
    while True:
        day = weekday(day - timedelta(days=EVERY_DAYS))
        if (today - day).days > RECORDS_DAYS - 10:
            return sorted(set(days))
        days.append(day)


def set_days(sites: list[DemoSite], today: date) -> dict[str, list[DemoSite]]:
    """Give every site its visit days and return the beats in order of their next round."""
    beats: dict[str, list[DemoSite]] = {}
    for site in sites:
        beats.setdefault(site.beat, []).append(site)
    for beat, day in next_days(list(beats), today).items():
        for site in beats[beat]:
            site.visit_days = visit_days(day, today)
    return beats
