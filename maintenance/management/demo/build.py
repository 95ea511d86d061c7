"""Build the demo firm without a database: same seed, day, size and limits give the same firm, truth included."""

from __future__ import annotations

import tomllib
from datetime import date, timedelta
from pathlib import Path
from random import Random
from typing import Any

from maintenance.management.demo import beats, ends, faults, history, install, lives, oddities, policy, visits
from maintenance.management.demo.world import (
    RECORDS_DAYS,
    DemoFirm,
    DemoFitting,
    DemoRound,
    DemoSite,
    DemoTransmitter,
    DemoVisit,
    Truth,
)

CATALOGUE = Path(__file__).parents[3] / "devices" / "catalogue"
FULL_SIZE = 1500
"""Transmitters of the firm at scale 1."""
SMALLEST = 150
"""Transmitters below which not everything that is to be seen finds a place."""
DEFAULT_LIMITS = {"life_safety": 0.32, "security": 0.40, "convenience": 0.48}
"""Exposure to which the firm lets batteries go before it has learnt anything, where the caller does not say."""
DEFAULT_RISKS: policy.Risks = {"life_safety": (0.01, 0.10), "security": (0.03, 0.15), "convenience": (0.06, 0.25)}
LEARNS_UP_TO, MOST_ROUNDS = 6000, 8
"""The firm's dates follow from its history, and its history from its dates: lived through anew until both agree."""
DIARY_DAYS = 365


def shipped_types() -> dict[str, Any]:
    """The shipped catalogue by code: batteries, transmitters, receivers."""
    names = {"batteries": "battery_type", "transmitters": "transmitter_type", "receivers": "receiver_type"}
    return {
        plural: {row["code"]: row for row in tomllib.loads((CATALOGUE / f"{name}s.toml").read_text("utf-8"))[name]}
        for plural, name in names.items()
    }


def size_of(scale: float) -> int:
    """Number of transmitters: up to 100 a multiple of the usual 1,500, above it the number itself.

    Raises
    ------
    ValueError
        If fewer than `SMALLEST` or more than 100,000 would come out.
    """
    n = round(scale if scale > 100 else scale * FULL_SIZE)
    if not SMALLEST <= n <= 100_000:
        raise ValueError(
            f"The scale must give between {SMALLEST} and 100,000 transmitters: 1 is the usual firm of 1,500, 0.1 a small one, "
            "a number over 100 is taken as the number of transmitters."
        )
    return n


def build_firm(
    *,
    seed: int,
    today: date,
    n_transmitters: int,
    limits: dict[str, float] | None = None,
    risks: policy.Risks | None = None,
) -> DemoFirm:
    """Simulate three years of the firm up to a day. `risks` are its policies, duty → (found dead, ended at all)."""
    known = policy.Limits(limits or DEFAULT_LIMITS)
    town = best = _Town(seed, today, n_transmitters, known)
    if n_transmitters <= LEARNS_UP_TO:
        town.learn(risks or DEFAULT_RISKS)
        # The first history was lived before anything was known; from the second on, the one that agrees best counts.
        tried: list[_Town] = []
        while len(tried) < MOST_ROUNDS and (not tried or tried[-1].n_late > 1 + n_transmitters / 400):
            tried.append(_Town(seed, today, n_transmitters, town.cells.limits))
            town = tried[-1]
            town.learn(risks or DEFAULT_RISKS)
        best = min(tried, key=lambda each: each.n_late)
    return _finish(best, seed, n_transmitters)


class _Town:
    """The firm's sites with everything in them, and the lives of all cells under some limits."""

    def __init__(self, seed: int, today: date, n_transmitters: int, limits: policy.Limits) -> None:
        self.rng = rng = Random(seed)
        self.today, self.truth = today, Truth(shape=lives.SHAPE)
        types = shipped_types()
        self.sites = install.make_sites(rng, today, n_transmitters)
        self.by_beat = beats.set_days(self.sites, today)
        _postpone(self.sites, self.truth, today)
        _take_over(rng, self.sites, today)
        serials = install.Serials(rng)
        units = [unit for site in self.sites for unit in install.install(rng, site, types, serials, today)]
        self.planter = oddities.Planter(rng, today, self.sites, self.truth)
        units += oddities.plant(self.planter, serials, types)
        retired = history.make_history(rng, self.planter, serials, today)
        self.cells = lives.Cells(rng, seed, today, self.truth, types, limits)
        self.changes = _live(self.cells, self.planter, units, retired)
        self.everything = units + retired
        self.n_late = 0
        records_begin = today - timedelta(days=RECORDS_DAYS)
        oddities.unknown_ages(self.planter, records_begin, max(3, min(8, n_transmitters // 180)))
        oddities.mixed_lots(self.planter)
        oddities.open_ends(self.planter)

    @property
    def fittings(self) -> list[DemoFitting]:
        return [fitting for unit in self.everything for fitting in unit.fittings]

    def learn(self, risks: policy.Risks) -> None:
        """Learn limits from all that happened, and count what would have had to be changed before today by them."""
        cells = self.cells
        cells.limits = policy.learn_limits(self.fittings, cells.recorded_rates, self.today, cells.limits, risks)
        here = [row for row in self.planter.slots() if row.transmitter is not None and row.removed_at is None]
        last = [
            (row.transmitter.fittings[-1], row.duty) for row in here if row.transmitter and row.transmitter.fittings
        ]
        self.n_late = sum(
            cells.due_day(fitting, duty) < self.today
            for fitting, duty in last
            if fitting.fitted_at and not fitting.removed_at and not fitting.transmitter.type["welded_cell"]  # type: ignore[index]
        )


def _finish(town: _Town, seed: int, n_transmitters: int) -> DemoFirm:
    """Plant what is open today, and write down every visit."""
    rng, today, truth, planter, sites = town.rng, town.today, town.truth, town.planter, town.sites
    oddities.something_due(planter, town.cells, town.by_beat, town.changes)
    oddities.narrow_windows(planter)
    slots = planter.slots()
    diary_days = DIARY_DAYS if n_transmitters <= 6000 else 70
    fittings = town.fittings
    put_right = ends.put_right(rng, fittings, today - timedelta(days=diary_days))
    truth.corrected_serials = [fitting.transmitter.serial for fitting in put_right]
    diary = visits.Diary(rng, today, truth, town.changes, slots, diary_days)
    for code, day, unit in town.cells.left:
        diary.left[code, day].append(unit)
    rounds, called = visits.past_rounds(diary, town.by_beat), visits.call_outs(diary, town.by_beat)
    happened = faults.all_faults(rng, today, sites, fittings, diary, truth)
    _see_tests(rounds, called)
    return DemoFirm(today, seed, n_transmitters, sites, town.everything, slots, happened, rounds, called, truth)


def _postpone(sites: list[DemoSite], truth: Truth, today: date) -> None:
    """Let one visit of two sites fall out, so that something is late there: their rounds come only in some weeks."""
    waiting = [site for site in sites if len(site.visit_days) > 2 and (site.visit_days[-1] - today).days > 13]
    for site in [s for s in waiting if s.profile in ("home", "public")][:2]:
        past = [day for day in site.visit_days if day < today]
        site.postponed_on = past[-1]
        truth.postponed_sites.append(site.code)


def _take_over(rng: Random, sites: list[DemoSite], today: date) -> None:
    """Choose the sites that were taken over from firms that waited for the low-battery signal."""
    latest, earliest = lives.SWITCH_DAYS[1], lives.SWITCH_DAYS[0]
    for site in sites:
        # Not where a visit fell out: with two reasons at once that site alone would fill the list of what is late.
        if rng.random() < lives.TAKEN_OVER_SHARE and site.postponed_on is None:
            site.switch_on = today - timedelta(days=rng.randint(latest, earliest))


def _live(
    cells: lives.Cells, planter: oddities.Planter, units: list[DemoTransmitter], retired: list[DemoTransmitter]
) -> list[lives.Change]:
    duty = {
        id(row.transmitter): row.duty
        for row in planter.slots()
        if row.transmitter is not None and row.removed_at is None
    }
    changes = [change for unit in units for change in lives.live(cells, unit, duty.get(id(unit), "convenience"))]
    for unit in retired:
        lives.live_until_retired(cells, unit)
    return changes


def _see_tests(rounds: list[DemoRound], called: list[DemoVisit]) -> None:
    """Note on each receiver when its link was last seen to work, from its newest finished visit."""
    for visit in sorted([v for r in rounds for v in r.visits] + called, key=lambda v: v.day):
        for entry in visit.entries:
            if entry.kind == "cleared" and entry.receiver:
                entry.receiver.facts["cleared_at"] = entry.at
