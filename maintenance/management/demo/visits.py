"""Make rounds, visits and what was recorded on them out of the changes of cells, and give everything its minute."""

from __future__ import annotations

from collections import defaultdict
from datetime import date, datetime, timedelta
from random import Random
from typing import Any

from maintenance.management.demo.clock import at
from maintenance.management.demo.lives import Change
from maintenance.management.demo.world import (
    DemoEntry,
    DemoRound,
    DemoSite,
    DemoSlot,
    DemoTransmitter,
    DemoVisit,
    Truth,
    seeded_uuid,
)

BEAT_NAMES = {
    "A": "Harbour front", "B": "Tarnwick", "C": "Head and quays", "D": "Mell and museum", "E": "Sandrift",
    "F": "School road", "G": "Old town", "H": "Brae Moor", "I": "Mole and Ness", "J": "Gull Ness",
}  # fmt: skip
LEFT_WHY = (("no_access", "no access to it"), ("no_cells", "no cells with me"), ("time", "ran out of time"))
SLOTS_A_VISIT = 4
"""Every fourth slot of a site is walk-tested on a planned visit, so that each is once or more a year."""


class Diary:
    """Writes visits. `slots_of` finds the registration of a transmitter at a moment."""

    def __init__(
        self, rng: Random, today: date, truth: Truth, changes: list[Change], slots: list[DemoSlot], days: int
    ) -> None:
        self.rng, self.today, self.truth = rng, today, truth
        self.since = today - timedelta(days=days)
        self.work: dict[tuple[str, date], list[Change]] = defaultdict(list)
        self.days: dict[str, set[date]] = defaultdict(set)
        for change in changes:
            self.work[change.site.code, change.day].append(change)
            self.days[change.site.code].add(change.day)
        self.rows: dict[int, list[DemoSlot]] = defaultdict(list)
        for row in slots:
            if row.transmitter is not None:
                self.rows[id(row.transmitter)].append(row)
        self.left: dict[tuple[str, date], list[DemoTransmitter]] = defaultdict(list)
        self.margin = {id(row): rng.randint(12, 32) for row in slots}

    def slot_at(self, transmitter: Any, moment: datetime) -> DemoSlot:
        """Registration of a transmitter at a moment; the earliest one where the records do not reach back so far."""
        rows = sorted(self.rows[id(transmitter)], key=lambda row: row.registered_at)
        there = [r for r in rows if r.registered_at <= moment and (r.removed_at is None or r.removed_at > moment)]
        return there[0] if there else rows[0]

    def stamp(self, changes: list[Change], begin: datetime) -> datetime:
        """Give the changes of one visit their minutes; the end of the last comes back."""
        step = min(5.0, 240 / max(len(changes), 1))
        moment = begin
        for number, change in enumerate(sorted(changes, key=lambda c: c.transmitter.serial)):
            moment = (begin + timedelta(minutes=step * number)).replace(second=0, microsecond=0)
            change.old.removed_at = change.new.fitted_at = change.new.entered_at = moment
        return moment + timedelta(minutes=5)

    def record(self, visit: DemoVisit, number: int, arrival: datetime) -> None:
        """Fill a finished visit: on test, cells, walk tests, volts, covers, cleared, off test, signature."""
        rng, site = self.rng, visit.site
        changes = self.work.get((site.code, visit.day), [])
        visit.arrived_at, moment = arrival, arrival + timedelta(minutes=4)
        self.stamp(changes, arrival + timedelta(minutes=10))
        if site.centre:
            visit.on_test_at, visit.told_before = moment, f"{site.centre}; {site.person}"
            self._add(visit, "on_test", moment, facts={"told": visit.told_before})
        moment = self._cells(visit, changes, arrival)
        for unit in self.left.get((site.code, visit.day), []):
            moment += timedelta(minutes=1)
            row, (why, words) = self.slot_at(unit, moment), rng.choice(LEFT_WHY)
            facts = {"why": why, "why_words": words}
            self._add(visit, "not_done", moment, receiver=row.receiver, slot=row, facts=facts)
        moment = self._walk_tests(visit, changes, number, moment)
        moment = self._close_receivers(visit, number, moment)
        if site.centre:
            moment += timedelta(minutes=2)
            visit.off_test_at, visit.told_after = moment, f"{site.centre}; {site.person}"
            self._add(visit, "off_test", moment, facts={"told": visit.told_after})
        visit.finished_at = moment + timedelta(minutes=4)
        visit.minutes = int((visit.finished_at - arrival).total_seconds() // 60)
        if rng.random() < 0.96:
            visit.signed = site.person
        else:
            visit.refused_why = "nobody in charge on site"

    def _add(self, visit: DemoVisit, kind: str, moment: datetime, **fields: Any) -> DemoEntry:
        entry = DemoEntry(kind, moment.replace(second=0, microsecond=0), key=seeded_uuid(self.rng), **fields)
        visit.entries.append(entry)
        return entry

    def _cells(self, visit: DemoVisit, changes: list[Change], arrival: datetime) -> datetime:
        moment = arrival + timedelta(minutes=8)
        for change in sorted(changes, key=lambda c: c.new.fitted_at or arrival):
            assert change.new.fitted_at is not None
            moment = change.new.fitted_at
            kind = change.transmitter.type
            assert kind is not None
            facts: dict[str, Any] = {
                "cells": change.new.battery, "n_cells": kind["cells_series"] * kind["cells_parallel"],
                "lot": change.new.lot, "old_why": change.old.said_first or change.old.why, "old_v": change.old.volts,
            }  # fmt: skip
            if change.old.is_under_load:
                facts["old_under_load"] = True
            if facts["old_why"] == "dead" and change.old.last_alive_at and visit.site.evidence == "visits":
                facts["last_known_on"] = change.old.last_alive_at.date().isoformat()
            row = self.slot_at(change.transmitter, moment)
            entry = self._add(visit, "battery", moment, receiver=row.receiver, slot=row, facts=facts)
            entry.facts["_fitting"] = change.new
        return moment

    def _walk_tests(self, visit: DemoVisit, changes: list[Change], number: int, moment: datetime) -> datetime:
        """Test what was opened or is new, and on planned visits a fourth of the other slots in turn."""
        changed = {id(self.slot_at(c.transmitter, moment)) for c in changes}
        rows = [row for receiver in visit.site.receivers for row in receiver.slots]
        for index, row in enumerate(rows):
            # Counted over all rows, also those of other times, so that a slot keeps its turn.
            is_there = row.registered_at <= moment and (row.removed_at is None or row.removed_at > moment)
            is_new = row.registered_at.date() == visit.day
            is_its_turn = visit.kind == "round" and index % SLOTS_A_VISIT == number % SLOTS_A_VISIT
            if row.transmitter is None or not is_there or not (id(row) in changed or is_new or is_its_turn):
                continue
            moment += timedelta(minutes=1)
            self._walk_test(visit, row, moment)
        return moment + timedelta(minutes=3)

    def _walk_test(self, visit: DemoVisit, row: DemoSlot, moment: datetime) -> None:
        heard = self.rng.random() > 0.004
        facts: dict[str, Any] = {"heard": heard}
        if heard and row.receiver.evidence != "visits":
            facts["margin_db"] = self.margin_db(row, visit.day)
        self._add(visit, "walk_test", moment, receiver=row.receiver, slot=row, facts=facts)
        if not heard:
            self._add(
                visit,
                "note",
                moment,
                receiver=row.receiver,
                slot=row,
                facts={"text": "not heard: seated the cells anew, then heard"},
            )
            self._add(
                visit,
                "walk_test",
                moment + timedelta(minutes=1),
                receiver=row.receiver,
                slot=row,
                facts={"heard": True},
            )

    def margin_db(self, row: DemoSlot, day: date) -> int:
        """Signal margin of a slot on a day: steady but for the weak links, which have been falling for twenty weeks."""
        base = self.margin[id(row)]
        if row.transmitter and row.transmitter.serial in self.truth.weak_serials:
            fallen = max(0.0, 1 - (self.today - day).days / 140)
            return max(2, round(18 - 15 * fallen))
        return max(6, base + self.rng.randint(-2, 2))

    def _close_receivers(self, visit: DemoVisit, number: int, moment: datetime) -> datetime:
        worked = {
            id(e.receiver): e.receiver for e in visit.entries if e.kind in ("battery", "walk_test") and e.receiver
        }
        for receiver in visit.site.receivers:
            if id(receiver) not in worked:
                continue
            moment += timedelta(minutes=2)
            volts = receiver.facts["measured_v"]
            if volts and number % 3 == 0:
                volts = round(volts + self.rng.choice((-0.1, 0, 0, 0.1)), 1)
                self._add(visit, "volts", moment, receiver=receiver, facts={"volts": volts})
                receiver.facts |= {"measured_v": volts, "measured_on": visit.day}
            self._add(visit, "covers", moment + timedelta(minutes=1), receiver=receiver)
            self._add(visit, "cleared", moment + timedelta(minutes=2), receiver=receiver)
            moment += timedelta(minutes=2)
        return moment


def past_rounds(diary: Diary, beats: dict[str, list[DemoSite]]) -> list[DemoRound]:
    """Every done round since the diary begins, oldest first. Older changes only get their minutes."""
    rounds: dict[tuple[date, str], DemoRound] = {}
    for index, (beat, sites) in enumerate(beats.items()):
        for number, day in enumerate(sites[0].visit_days):
            if day >= diary.today:
                continue
            if day < diary.since:
                for position, site in enumerate(sites):
                    diary.stamp(diary.work.get((site.code, day), []), _arrival(day, position))
                continue
            technician = index % 3
            name = BEAT_NAMES.get(beat[0], beat) + (f" {beat[1:]}" if beat[1:] else "")
            done = DemoRound(name, day, technician, "done")
            for position, site in enumerate(sites, start=1):
                done.visits.append(_past_visit(diary, site, day, number, position, technician))
            rounds[day, beat] = done
    return [rounds[key] for key in sorted(rounds)]


def _arrival(day: date, position: int) -> datetime:
    return at(day, 8, 40) + timedelta(minutes=100 * position)


def _past_visit(diary: Diary, site: DemoSite, day: date, number: int, position: int, technician: int) -> DemoVisit:
    visit = DemoVisit(site, day, "round", "finished", technician, position, uuid=seeded_uuid(diary.rng))
    if site.postponed_on == day:
        visit.state, visit.why = "cancelled", ["No access: the road was closed by the storm"]
        return visit
    n = len(diary.work.get((site.code, day), []))
    visit.why = [f"{n} batteries due" if n != 1 else "1 battery due"] if n else ["walk tests of the season"]
    diary.record(visit, number, _arrival(day, position - 1))
    return visit


def call_outs(diary: Diary, beats: dict[str, list[DemoSite]]) -> list[DemoVisit]:
    """Visits that no round holds: somebody went because a battery was low or dead."""
    made = []
    for index, sites in enumerate(beats.values()):
        for site in sites:
            for day in sorted(diary.days[site.code] - set(site.visit_days)):
                changes = diary.work[site.code, day]
                arrival = at(day, 13, 20) + timedelta(minutes=10 * (index % 6))
                if day < diary.since:
                    diary.stamp(changes, arrival + timedelta(minutes=10))
                    continue
                visit = DemoVisit(site, day, "call_out", "finished", index % 3, uuid=seeded_uuid(diary.rng))
                dead = any(change.old.why == "dead" for change in changes)
                visit.why = ["reported missing" if dead else "low battery reported"]
                diary.record(visit, 1, arrival)
                made.append(visit)
    return sorted(made, key=lambda v: (v.day, v.site.code))
