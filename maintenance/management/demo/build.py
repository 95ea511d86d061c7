"""Build the demo firm without a database: same seed, day, size and limits give the same firm, truth included."""

from __future__ import annotations

import tomllib
from datetime import date, timedelta
from pathlib import Path
from random import Random
from typing import Any

from maintenance.management.demo import beats, faults, history, install, lives, oddities, visits
from maintenance.management.demo.world import DemoFirm, DemoRound, DemoSite, DemoTransmitter, DemoVisit, Truth

CATALOGUE = Path(__file__).parents[3] / "devices" / "catalogue"
FULL_SIZE = 1500
"""Transmitters of the firm at scale 1."""
SMALLEST = 150
"""Transmitters below which not everything that is to be seen finds a place."""
DEFAULT_LIMITS = {"life_safety": 0.32, "security": 0.40, "convenience": 0.48}
"""Exposure to which the firm lets batteries go, where the caller does not say; the loader asks the policy on record."""
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


def build_firm(*, seed: int, today: date, n_transmitters: int, limits: dict[str, float] | None = None) -> DemoFirm:
    """Simulate three years of the firm up to a day."""
    rng = Random(seed)
    types, truth = shipped_types(), Truth(shape=lives.SHAPE)
    sites = install.make_sites(rng, today, n_transmitters)
    by_beat = beats.set_days(sites, today)
    _postpone(sites, truth, today)
    _take_over(rng, sites, today)
    serials = install.Serials(rng)
    units = [unit for site in sites for unit in install.install(rng, site, types, serials, today)]
    planter = oddities.Planter(rng, today, sites, truth)
    units += oddities.plant(planter, serials, types)
    retired = history.make_history(rng, planter, serials, today)
    cells = lives.Cells(rng, today, truth, types, limits or DEFAULT_LIMITS)
    changes = _live(cells, planter, units, retired)
    oddities.unknown_ages(planter, today - timedelta(days=lives.RECORDS_DAYS), max(3, min(8, n_transmitters // 180)))
    oddities.mixed_lots(planter)
    oddities.open_ends(planter)
    oddities.something_due(planter, cells, by_beat, changes)
    slots = planter.slots()
    diary = visits.Diary(rng, today, truth, changes, slots, DIARY_DAYS if n_transmitters <= 6000 else 70)
    for code, day, unit in cells.left:
        diary.left[code, day].append(unit)
    rounds, called = visits.past_rounds(diary, by_beat), visits.call_outs(diary, by_beat)
    everything = units + retired
    happened = faults.all_faults(rng, today, sites, [f for unit in everything for f in unit.fittings], diary, truth)
    _see_tests(rounds, called)
    return DemoFirm(today, seed, n_transmitters, sites, everything, slots, happened, rounds, called, truth)


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
