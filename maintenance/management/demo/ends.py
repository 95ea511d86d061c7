"""How cells end: a signal, silence, a leak or a defect; who notices, when somebody comes, and what is measured then."""

from __future__ import annotations

from bisect import bisect_left
from datetime import date, datetime, timedelta
from random import Random

from maintenance.management.demo.clock import at
from maintenance.management.demo.world import DemoFitting, DemoSite

SIGNAL_SHARE = 0.88
"""Share of ended lives that announce themselves by a low-battery signal."""
LEAKS_A_DAY = {"lr03": 3e-5, "lr6": 3e-5, "6lr61": 3e-5}
DEFECTS_A_DAY = 1e-5
"""Ends that have nothing to do with wear: as likely on any day, whatever was changed early."""
UNDER_LOAD_SHARE = {"preventive": 0.2, "low_battery": 0.5, "dead": 0.6}
AT_REST = {"preventive": 0.97, "low_battery": 0.9, "dead": 0.74, "leaked": 0.4, "defect": 0.85}
UNDER_LOAD = {"preventive": 0.91, "low_battery": 0.73, "dead": 0.55, "leaked": 0.2, "defect": 0.5}
"""Share of the nominal voltage that is read: most cells at rest look fuller than they are."""
CORRECTIONS = (("leaked", "dead"), ("defect", "dead"), ("low_battery", "preventive"), ("dead", "unknown"))
"""Why cells came out, and what was recorded first, of those that were put right."""


def worn_out(rng: Random, fitting: DemoFitting, ends_on: date, today: date) -> date | None:
    """Play out an end of life: signal or silence, and the day on which somebody came; None if nobody has yet."""
    site = fitting.transmitter.site
    end = at(ends_on, rng.randint(0, 23), rng.randint(0, 59))
    old_era, only_visits = ends_on < site.switch_on, site.evidence == "visits"
    signals = rng.random() < SIGNAL_SHARE
    died = ends_on + timedelta(days=rng.randint(30, 80)) if signals else ends_on
    if only_visits:
        wait = rng.randint(10, 60)
    elif signals:
        wait = rng.randint(5, 45) if old_era else rng.randint(1, 10)
    else:
        wait = rng.randint(1, 4)
    came = on_a_visit(site, ends_on + timedelta(days=wait), wait)
    if died <= min(came, today):
        fitting.died_at = at(died, 3, rng.randint(0, 59)) if died != ends_on else end
    if only_visits:
        # Nobody knows the day: what is known is when the lamp was seen.
        fitting.first_low_at = at(came, 8) if signals and came < today else None
    else:
        fitting.first_low_at = end if signals else None
    if fitting.died_at and not only_visits:
        fitting.last_alive_at = fitting.died_at
    elif site.evidence != "every":
        fitting.last_alive_at = last_in_order(fitting, ends_on)
    if came >= today:
        return None
    fitting.why = "dead" if fitting.died_at else "low_battery"
    return came


def last_in_order(fitting: DemoFitting, before: date) -> datetime | None:
    """The last visit before a day on which these cells were in and worked; None without one."""
    assert fitting.fitted_at is not None
    days = fitting.transmitter.site.visit_days
    index = bisect_left(days, before)
    day = days[index - 1] if index else None
    return at(day, 15) if day and day > fitting.fitted_at.date() else None


def other_end(rng: Random, fitting: DemoFitting, since: date) -> tuple[date, str]:
    """Day on which something else than wear would end these cells, and what."""
    leaks = LEAKS_A_DAY.get(fitting.battery, 0.0)
    both = leaks + DEFECTS_A_DAY
    day = since + timedelta(days=min(int(rng.expovariate(both)), 40_000))
    return day, "leaked" if rng.random() < leaks / both else "defect"


def failed(rng: Random, fitting: DemoFitting, failed_on: date, why: str, today: date) -> date | None:
    """Play out another end: the transmitter falls silent, and somebody looks; None where nobody has yet."""
    site = fitting.transmitter.site
    wait = rng.randint(1, 4) if site.evidence != "visits" else rng.randint(5, 50)
    came = on_a_visit(site, failed_on + timedelta(days=wait), wait)
    if came >= today:
        return None
    fitting.why, fitting.died_at = why, at(failed_on, rng.randint(0, 23), 7)
    fitting.last_alive_at = fitting.died_at if site.evidence != "visits" else last_in_order(fitting, failed_on)
    return came


def on_a_visit(site: DemoSite, day: date, within: int) -> date:
    """Take the next planned visit if it is at most a few days later, else a weekday for a call-out."""
    index = bisect_left(site.visit_days, day)
    near = index < len(site.visit_days) and (site.visit_days[index] - day).days <= min(6, within)
    if near and site.visit_days[index] != site.postponed_on:
        return site.visit_days[index]
    while day.weekday() >= 5:
        day += timedelta(days=1)
    return day


def measure(rng: Random, fitting: DemoFitting) -> None:
    """Volts read when the cells came out, on two thirds of the changes, some of them under load."""
    if rng.random() > 0.66:
        return
    kind = fitting.transmitter.type
    assert kind is not None
    fitting.is_under_load = rng.random() < UNDER_LOAD_SHARE.get(fitting.why, 0.3)
    share = (UNDER_LOAD if fitting.is_under_load else AT_REST)[fitting.why]
    fitting.volts = round(fitting.nominal_v * kind["cells_series"] * (share + rng.uniform(-0.02, 0.02)), 2)


def put_right(rng: Random, fittings: list[DemoFitting], since: date) -> list[DemoFitting]:
    """Choose some ends that were recorded wrong at first and corrected by the office later."""
    chosen: list[DemoFitting] = []
    for why, first in CORRECTIONS:
        rows = [f for f in fittings if f.why == why and f.removed_at and f.removed_at.date() > since]
        for fitting in rng.sample(rows, min(2, len(rows))):
            fitting.said_first = first
            chosen.append(fitting)
    return chosen
