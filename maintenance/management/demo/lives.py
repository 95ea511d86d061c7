"""Let every battery live and die: Weibull lives in exposure, the firm's old and new way of changing them."""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass
from datetime import date, timedelta
from random import Random
from typing import Any

from maintenance.management.demo import ends
from maintenance.management.demo.clock import at
from maintenance.management.demo.policy import Limits, kind_of
from maintenance.management.demo.world import RECORDS_DAYS, DemoFitting, DemoSite, DemoTransmitter, Truth

TAKEN_OVER_SHARE, SWITCH_DAYS = 0.6, (700, 70)
"""Share of sites taken over from firms that waited for the signal, and when their cells came under our dates, as days ago."""
CAP_DAYS = {"life_safety": 1461, "security": 1826, "convenience": 2557}
SLACK_DAYS = {"life_safety": -10, "security": 5, "convenience": 18}
"""How long before the next visit a date must fall for the cells to be changed on this one; what falls later waits [day].
Less than nothing: what falls due soon after the next visit is changed now."""

LEFT_SHARE = 0.02
"""Share of planned changes that are not done on the visit that they were planned for."""
SHAPE = 8.0
TYPE_SPREAD = 0.10
NO_LOT_SHARE = 0.04
"""Share of changes on which nobody noted the lot."""
BAD_LOT_FACTOR = 0.5
BAD_LOT_BATTERY = "cr2450"
BAD_LOT_DAYS = (1085, 720)
"""When cells of the bad delivery were being fitted, as days ago."""


def lot_days(today: date) -> tuple[date, date]:
    """First and last day on which cells of the bad delivery were being fitted."""
    return today - timedelta(days=BAD_LOT_DAYS[0]), today - timedelta(days=BAD_LOT_DAYS[1] + 1)


@dataclass(slots=True, repr=False)
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

    def __init__(
        self, rng: Random, seed: int, today: date, truth: Truth, types: dict[str, Any], limits: Limits
    ) -> None:
        self.rng, self.seed, self.today, self.truth, self.limits = rng, seed, today, truth, limits
        self.left: list[tuple[str, date, DemoTransmitter]] = []
        self.batteries = types["batteries"]
        for code, kind in sorted(types["transmitters"].items()):
            if kind["power"] == "battery":
                truth.scale_by_type[code] = round(1.05 * math.exp(rng.gauss(0, TYPE_SPREAD)), 4)
        truth.shape, truth.bad_lot_factor = SHAPE, BAD_LOT_FACTOR
        truth.bad_lot = self.lot_of(BAD_LOT_BATTERY, today - timedelta(days=BAD_LOT_DAYS[0] - 1))

    def begin(self, transmitter: DemoTransmitter) -> None:
        """Draw from the transmitter's own numbers from here on: another limit moves nobody else's fate."""
        self.rng = Random(f"{self.seed}/{transmitter.serial}")

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

    def rates(self, kind: dict[str, Any], use: float) -> tuple[float, float]:
        """Exposure a day of a transmitter whose use is `use` times the typical one, and the sleep current's part [1/day]."""
        battery = self.batteries[kind["battery_type"]]
        usable_mah = battery["capacity_mah"] * kind["cells_parallel"] * kind["usable_share"]
        sleep = (kind["sleep_ua"] + kind["checkin_uas"] / kind["default_interval_s"]) * 24 / 1000 / usable_mah
        use_mah = kind["activation_uah"] * kind["typical_activations_per_day"] * use / 1000
        return sleep + use_mah / usable_mah + battery["self_discharge_per_year"] / 365.25, sleep

    def rate_per_day(self, kind: dict[str, Any], use: float) -> float:
        """True exposure a day [1/day]."""
        return self.rates(kind, use)[0]

    def recorded_rates(self, fitting: DemoFitting) -> tuple[float, float]:
        """Exposure a day as the records show it, with the sleep current's part: counted use, or the typical one [1/day]."""
        unit = fitting.transmitter
        assert unit.type is not None
        return self.rates(unit.type, unit.per_day if kind_of(fitting, self.today)[1] else 1.0)

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
        if self.rng.random() < NO_LOT_SHARE:
            lot = ""
        return DemoFitting(
            transmitter=transmitter, fitted_at=at(day, 10), entered_at=at(day, 10), lot=lot, life_u=life,
            rate_per_day=self.rate_per_day(kind, transmitter.per_day), battery=kind["battery_type"],
            nominal_v=self.batteries[kind["battery_type"]]["nominal_v"],
        )  # fmt: skip

    def due_day(self, fitting: DemoFitting, duty: str) -> date:
        """Day on which the firm's present policy wants these cells changed; it knows the records, not the truth."""
        assert fitting.fitted_at is not None
        kind = kind_of(fitting, self.today)
        rate = self.limits.scaled(kind, *self.recorded_rates(fitting))
        days = min(self.limits.of(kind, duty) / rate, CAP_DAYS[duty])
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
    kind = transmitter.type
    if kind is None or kind["power"] != "battery":
        return []
    cells.begin(transmitter)
    rng, begin = cells.rng, cells.today - timedelta(days=RECORDS_DAYS)
    transmitter.per_day = math.exp(rng.gauss(0, 0.4))
    if transmitter.since >= begin:
        fitting = cells.new(transmitter, transmitter.since)
    else:
        rate = cells.rate_per_day(kind, transmitter.per_day)
        waits = transmitter.site.switch_on > begin
        limit = cells.limits.of((kind["code"], False), duty)
        longest = cells.truth.scale_by_type[kind["code"]] / rate if waits else min(limit / rate, CAP_DAYS[duty])
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
    cells.begin(transmitter)
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
    planned = planned_day(cells, transmitter, cells.due_day(fitting, duty), first, duty)
    other_on, other = ends.other_end(cells.rng, fitting, first)
    out: date | None
    if other_on < min(ends_on, planned or today):
        out = ends.failed(cells.rng, fitting, other_on, other, today)
    elif ends_on >= (planned or today):
        out = planned
        fitting.why = "preventive" if planned else ""
    else:
        out = ends.worn_out(cells.rng, fitting, max(ends_on, first), today)
    if out is None:
        return None
    ends.measure(cells.rng, fitting)
    return _change(cells, fitting, out, out not in transmitter.site.visit_days)


def planned_day(cells: Cells, transmitter: DemoTransmitter, due_on: date, first: date, duty: str) -> date | None:
    """First visit on which these cells are changed by their date; before the site's switch nobody looked at dates."""
    site = transmitter.site
    days = site.visit_days
    for index in range(bisect_left(days, first + timedelta(days=1)), len(days)):
        day = days[index]
        if day >= cells.today:
            return None
        if day == site.postponed_on or day < site.switch_on:
            continue
        following = days[index + 1] if index + 1 < len(days) else day + timedelta(days=63)
        if due_on > following - timedelta(days=SLACK_DAYS[duty]):
            continue
        # Now and then a room is locked; what is long overdue, or harms most, is not left.
        may_wait = due_on > (following if duty == "life_safety" else day - timedelta(days=30))
        if may_wait and cells.rng.random() < LEFT_SHARE:
            cells.left.append((site.code, day, transmitter))
            continue
        return day
    return None


def _change(cells: Cells, old: DemoFitting, day: date, is_call_out: bool) -> Change:
    new = cells.new(old.transmitter, day)
    old.removed_at = new.fitted_at
    return Change(old.transmitter.site, day, old.transmitter, old, new, is_call_out)
