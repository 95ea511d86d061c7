"""Let every battery live and die: Weibull lives in exposure, the firm's old and new way of changing, signals and deaths."""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass
from datetime import date, timedelta
from random import Random
from typing import Any

from maintenance.management.demo.install import at
from maintenance.management.demo.world import DemoFitting, DemoSite, DemoTransmitter, Truth

RECORDS_DAYS = 1095
"""How long ago the firm's records begin [day]."""
TAKEN_OVER_SHARE, SWITCH_DAYS = 0.5, (270, 70)
"""Share of sites taken over from firms that waited for the signal, and when their cells came under our dates, as days ago."""
OLD_CALENDAR_DAYS = {"life_safety": 2000, "security": 2100, "convenience": 2400}
CAP_DAYS = {"life_safety": 1461, "security": 1826, "convenience": 2557}
SLACK_DAYS = {"life_safety": 14, "security": 24, "convenience": 28}
"""How long before the next visit a date must fall for the cells to be changed on this one; what falls later waits [day]."""

LEFT_SHARE = 0.02
"""Share of planned changes that are not done on the visit that they were planned for."""
SHAPE = 8.0
TYPE_SPREAD = 0.10
SIGNAL_SHARE = 0.85
"""Share of ended lives that announce themselves by a low-battery signal."""
BAD_LOT_FACTOR = 0.5
BAD_LOT_BATTERY = "cr2450"
BAD_LOT_DAYS = (1110, 820)
"""When cells of the bad delivery were being fitted, as days ago."""


@dataclass(slots=True)
class Change:
    """Cells of one transmitter changed at a site on a day; `old` is None where they were the first."""

    site: DemoSite
    day: date
    transmitter: DemoTransmitter
    old: DemoFitting
    new: DemoFitting
    is_call_out: bool


class Cells:
    """Draws lives and lots. One instance a simulation."""

    def __init__(self, rng: Random, today: date, truth: Truth, types: dict[str, Any], limits: dict[str, float]) -> None:
        self.rng, self.today, self.truth, self.limits = rng, today, truth, limits
        self.left: list[tuple[str, date, DemoTransmitter]] = []
        self.batteries = types["batteries"]
        for code, kind in sorted(types["transmitters"].items()):
            if kind["power"] == "battery":
                truth.scale_by_type[code] = round(1.05 * math.exp(rng.gauss(0, TYPE_SPREAD)), 4)
        truth.shape, truth.bad_lot_factor = SHAPE, BAD_LOT_FACTOR
        truth.bad_lot = self.lot_of(BAD_LOT_BATTERY, today - timedelta(days=BAD_LOT_DAYS[0] - 1))

    def lot_of(self, battery: str, day: date) -> str:
        """Lot code of the delivery that was being used up on a day: one about every four months and battery type."""
        offset = sum(map(ord, battery)) % 120
        ago = (self.today - day).days
        if battery == BAD_LOT_BATTERY and BAD_LOT_DAYS[1] < ago <= BAD_LOT_DAYS[0]:
            delivered = self.today - timedelta(days=BAD_LOT_DAYS[0] + 12)
            letter = "K"
        else:
            delivered = day - timedelta(days=(day.toordinal() + offset) % 120 + 5)
            letter = "ABCDEFGH"[(sum(map(ord, battery)) + delivered.toordinal()) % 8]
        year, week, _ = delivered.isocalendar()
        return f"{year % 100:02}-{week:02}{letter}"

    def rate_per_day(self, kind: dict[str, Any], use: float) -> float:
        """True exposure a day of a transmitter whose use is `use` times the typical one [1/day]."""
        battery = self.batteries[kind["battery_type"]]
        usable_mah = battery["capacity_mah"] * kind["cells_parallel"] * kind["usable_share"]
        base_ua = kind["sleep_ua"] + kind["checkin_uas"] / kind["default_interval_s"]
        use_mah = kind["activation_uah"] * kind["typical_activations_per_day"] * use / 1000
        return (base_ua * 24 / 1000 + use_mah) / usable_mah + battery["self_discharge_per_year"] / 365.25

    def new(self, transmitter: DemoTransmitter, day: date, *, older_than: float = 0.0) -> DemoFitting:
        """Fit cells on a day. `older_than` is exposure that they are known to have outlived."""
        kind = transmitter.type
        assert kind is not None
        lot = self.lot_of(kind["battery_type"], day)
        scale = self.truth.scale_by_type[kind["code"]]
        if lot == self.truth.bad_lot:
            scale *= BAD_LOT_FACTOR
        # The rest of a Weibull life that has lasted so far: no draw is thrown away.
        outlived = (older_than / scale) ** SHAPE
        life = scale * (outlived - math.log(1 - self.rng.random())) ** (1 / SHAPE)
        return DemoFitting(
            transmitter=transmitter, fitted_at=at(day, 10), entered_at=at(day, 10), lot=lot, life_u=life,
            rate_per_day=self.rate_per_day(kind, transmitter.per_day), battery=kind["battery_type"],
        )  # fmt: skip

    def due_day(self, fitting: DemoFitting, duty: str) -> date:
        """Day on which the firm's present policy wants these cells changed; it knows typical use, not the true one."""
        kind = fitting.transmitter.type
        assert kind is not None
        assert fitting.fitted_at is not None
        use = 1 + 0.75 * (fitting.transmitter.per_day - 1)
        days = min(self.limits[duty] / self.rate_per_day(kind, use), CAP_DAYS[duty])
        return fitting.fitted_at.date() + timedelta(days=int(days))

    def make_due(self, fitting: DemoFitting, change: Change | None, duty: str, due_on: date) -> bool:
        """Fit these cells on another day, so that they are due about a day; False where their history forbids it.

        First cells move freely within what is not on record; later ones to another visit, earlier than would have been
        needed.
        """
        assert fitting.fitted_at is not None
        moved = fitting.fitted_at.date() - (self.due_day(fitting, duty) - due_on)
        if change is not None:
            days = [day for day in change.site.visit_days if day < self.today and day != change.site.postponed_on]
            moved = min(days, key=lambda day: abs((day - moved).days))
            off = due_on + (moved - fitting.fitted_at.date()) + (self.due_day(fitting, duty) - due_on)
            if (off >= self.today) != (due_on >= self.today) or moved > change.day or change.old.why != "preventive":
                return False
        begun = change.old.fitted_at.date() if change and change.old.fitted_at else fitting.transmitter.since
        if (
            not begun < moved < self.today - timedelta(days=90)
            or self.lot_of(fitting.battery, moved) == self.truth.bad_lot
        ):
            return False
        begin = self.today - timedelta(days=RECORDS_DAYS)
        fitting.fitted_at = at(moved, 10)
        fitting.entered_at = at(begin, 12) if moved < begin else fitting.fitted_at
        fitting.lot = self.lot_of(fitting.battery, moved)
        fitting.life_u = max(fitting.life_u, ((self.today - moved).days + 40) * fitting.rate_per_day)
        if change is not None:
            change.day = moved
        return True


def live(cells: Cells, transmitter: DemoTransmitter, duty: str) -> list[Change]:
    """Live through the firm's records: first cells, every change, up to the cells in service today."""
    rng, today = cells.rng, cells.today
    kind = transmitter.type
    if kind is None or kind["power"] != "battery":
        return []
    begin = today - timedelta(days=RECORDS_DAYS)
    transmitter.per_day = math.exp(rng.gauss(0, 0.4))
    if transmitter.since >= begin:
        fitting = cells.new(transmitter, transmitter.since)
    else:
        rate = cells.rate_per_day(kind, transmitter.per_day)
        longest = OLD_CALENDAR_DAYS[duty] if transmitter.site.switch_on > begin else cells.limits[duty] / rate
        age = int(min((begin - transmitter.since).days, longest) * rng.random())
        fitting = cells.new(transmitter, begin - timedelta(days=age), older_than=age * rate)
        fitting.entered_at = at(begin, 12)
    changes: list[Change] = []
    while True:
        transmitter.fittings.append(fitting)
        if kind["welded_cell"]:
            return changes
        change = _next_change(cells, fitting, duty)
        if change is None:
            return changes
        changes.append(change)
        fitting = change.new


def live_until_retired(cells: Cells, transmitter: DemoTransmitter) -> None:
    """Give a unit that was taken out of use the cells that went with it."""
    kind, out = transmitter.type, transmitter.retired_on
    if kind is None or out is None or kind["power"] != "battery":
        return
    begun = max(transmitter.since, out - timedelta(days=cells.rng.randint(60, 600)))
    fitting = cells.new(transmitter, begun, older_than=0.6)
    records = at(cells.today - timedelta(days=RECORDS_DAYS), 12)
    fitting.entered_at = max(at(begun, 10), min(records, at(out, 7)))
    fitting.removed_at, fitting.why = at(out, 8), "retired"
    transmitter.fittings.append(fitting)


def _next_change(cells: Cells, fitting: DemoFitting, duty: str) -> Change | None:
    """Work out when and why these cells come out; None if they are still in."""
    today, transmitter = cells.today, fitting.transmitter
    assert fitting.fitted_at is not None
    begun = fitting.fitted_at.date()
    ends_on = begun + timedelta(days=int(fitting.life_u / fitting.rate_per_day))
    first = max(begun, today - timedelta(days=RECORDS_DAYS))
    planned = planned_day(cells, transmitter, begun, cells.due_day(fitting, duty), first, duty)
    if ends_on >= (planned or today):
        if planned is None:
            return None
        fitting.why = "preventive"
        fitting.volts = _volts(cells, fitting, 0.97)
        return _change(cells, fitting, planned, False)
    out = _ended(cells, fitting, max(ends_on, first))
    if out is None:
        return None
    fitting.volts = _volts(cells, fitting, 0.88 if fitting.why == "low_battery" else 0.62)
    return _change(cells, fitting, out, out not in transmitter.site.visit_days)


def planned_day(
    cells: Cells, transmitter: DemoTransmitter, begun: date, due_on: date, first: date, duty: str
) -> date | None:
    """First visit on which these cells are changed: by the calendar before the site's switch, by due date since."""
    site = transmitter.site
    switch = site.switch_on
    by_calendar = begun + timedelta(days=OLD_CALENDAR_DAYS[duty])
    days = site.visit_days
    for index in range(bisect_left(days, first + timedelta(days=1)), len(days)):
        day = days[index]
        if day >= cells.today:
            return None
        if day == site.postponed_on:
            continue
        if day < switch:
            if day >= by_calendar:
                return day
            continue
        following = days[index + 1] if index + 1 < len(days) else day + timedelta(days=63)
        if due_on > following - timedelta(days=SLACK_DAYS[duty]):
            continue
        # Now and then a room is locked; what is long overdue is not left twice.
        if due_on > day - timedelta(days=30) and cells.rng.random() < LEFT_SHARE:
            cells.left.append((site.code, day, transmitter))
            continue
        return day
    return None


def _ended(cells: Cells, fitting: DemoFitting, ends_on: date) -> date | None:
    """Play out an end of life: signal or silence, and the day on which somebody came."""
    rng, today, site = cells.rng, cells.today, fitting.transmitter.site
    end = at(ends_on, rng.randint(0, 23), rng.randint(0, 59))
    old_era = ends_on < site.switch_on
    if rng.random() < SIGNAL_SHARE:
        fitting.first_low_at = end
        died = ends_on + timedelta(days=rng.randint(25, 70))
        wait = rng.randint(6, 60) if old_era else rng.randint(1, 10)
    else:
        died = ends_on
        wait = rng.randint(1, 4) if site.evidence != "visits" else rng.randint(10, 60)
    came = ends_on + timedelta(days=wait)
    if fitting.first_low_at and site.evidence == "visits":
        came = ends_on + timedelta(days=rng.randint(10, 60))
    came = _on_a_visit(site, came, wait)
    if died <= min(came, today):
        fitting.died_at = at(died, 3, rng.randint(0, 59)) if died != ends_on else end
        fitting.last_alive_at = fitting.died_at
    if came >= today:
        return None
    fitting.why = "dead" if fitting.died_at else "low_battery"
    return came


def _on_a_visit(site: DemoSite, day: date, within: int) -> date:
    """Take the next planned visit if it is at most a few days later, else a weekday for a call-out."""
    index = bisect_left(site.visit_days, day)
    near = index < len(site.visit_days) and (site.visit_days[index] - day).days <= min(6, within)
    if near and site.visit_days[index] != site.postponed_on:
        return site.visit_days[index]
    while day.weekday() >= 5:
        day += timedelta(days=1)
    return day


def _volts(cells: Cells, fitting: DemoFitting, share: float) -> float | None:
    """Volts read when the cells came out, on two thirds of the changes."""
    if cells.rng.random() > 0.66:
        return None
    kind = fitting.transmitter.type
    assert kind is not None
    volts = cells.batteries[kind["battery_type"]]["nominal_v"] * kind["cells_series"]
    return round(volts * (share + cells.rng.uniform(-0.02, 0.02)), 2)


def _change(cells: Cells, old: DemoFitting, day: date, is_call_out: bool) -> Change:
    new = cells.new(old.transmitter, day)
    old.removed_at = new.fitted_at
    return Change(old.transmitter.site, day, old.transmitter, old, new, is_call_out)
