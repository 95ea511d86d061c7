"""A fleet in time: batteries fitted, ended, found and changed under a policy. Columns of numpy, one step at a time."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from tests.benchmarks.fleet.batteries import Fates, fates, last_look, next_look
from tests.benchmarks.fleet.worlds import REFIT_DAYS, STEP_DAYS, BoolArray, FloatArray, IntArray, Truth

STILL_IN = np.inf


@dataclass(frozen=True, slots=True)
class Rows:
    """Batteries, one row each: what a firm has on record, and the truth behind it (`end_day` … `is_noted`).

    `removed_day` is `STILL_IN` while in service; `looked_day` is the last day it was seen alive by a person before it
    was removed (NaN = never since it was fitted).
    """

    device: IntArray
    stratum: IntArray
    duty: IntArray
    lot: IntArray
    rate: FloatArray
    sleep_share: FloatArray
    fitted_day: FloatArray
    entered_day: FloatArray
    removed_day: FloatArray
    looked_day: FloatArray
    has_log: BoolArray
    end_day: FloatArray
    dead_day: FloatArray
    is_seen: BoolArray
    is_other: BoolArray
    is_noted: BoolArray
    limit_u: FloatArray

    def of(self, mask: NDArray) -> Rows:
        """Give the rows of a mask or of positions."""
        return Rows(**{f.name: getattr(self, f.name)[mask] for f in fields(self)})

    @property
    def is_ended(self) -> BoolArray:
        """Ended before it was removed (for rows still in service: will end)."""
        return np.asarray(self.end_day <= self.removed_day)

    @property
    def is_dead(self) -> BoolArray:
        """Dead in service when it was removed."""
        return np.asarray(self.dead_day <= self.removed_day)


def joined(parts: list[Rows]) -> Rows:
    """Put rows one below the other."""
    return Rows(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Rows)})


class Policy(Protocol):
    """Decides how far each battery may go."""

    def refit(self, rows: Rows, day: float) -> None:
        """Learn from what is on record on a day (finished and in service)."""

    def limit_u(self, stratum: IntArray, duty: IntArray, sleep_share: FloatArray, lot: IntArray) -> FloatArray:
        """Give the catalogue exposure at which each battery is to be changed."""


@dataclass(frozen=True, slots=True)
class Rounds:
    """How visits depart from the due dates: a site's visit comes up to `late_days` after its first due date (uniform),
    and every visit takes along what falls due within `early_days`."""

    early_days: float = 0.0
    late_days: float = 0.0

    @property
    def is_on(self) -> bool:
        """False = every battery is changed on its own due date."""
        return self.early_days > 0 or self.late_days > 0


class Fleet:
    """The batteries in service, and those finished."""

    def __init__(self, truth: Truth, policy: Policy, rounds: Rounds | None = None, *, seed: int = 0) -> None:
        self.truth, self.policy, self.rounds = truth, policy, rounds or Rounds()
        self.rng = np.random.default_rng([seed, 77])
        n = truth.n
        self.turn = np.full(n, -1)
        self.used = np.zeros(truth.n_strata, dtype=np.int64)
        self.lot = np.zeros(n, dtype=np.int64)
        self.limit = np.full(n, np.inf)
        self.planned_day = np.full(n, np.inf)
        self.looked_day = np.full(n, -np.inf)
        self.late = self.rng.random(int(truth.site.max()) + 1) * self.rounds.late_days
        self.finished: list[Rows] = []
        self.now: dict[str, NDArray] = {f.name: np.zeros(n) for f in fields(Fates)}
        self.fit_batteries(np.arange(n), truth.begin_day)

    def fit_batteries(self, device: IntArray, day: FloatArray) -> None:
        """Put fresh batteries in on their days."""
        self.turn[device] += 1
        self.lot[device] = self._next_lots(device)
        fate = fates(self.truth, device, self.turn[device], self.lot[device], day)
        for f in fields(Fates):
            value = getattr(fate, f.name)
            if self.now[f.name].dtype != value.dtype:
                self.now[f.name] = self.now[f.name].astype(value.dtype)
            self.now[f.name][device] = value
        self.looked_day[device] = -np.inf
        self.plan(device)

    def _next_lots(self, device: IntArray) -> IntArray:
        """Take the next cells of each stratum's supply, in the order of the rows."""
        s = self.truth.stratum[device]
        order = np.argsort(s, kind="stable")
        sorted_s = s[order]
        starts = np.searchsorted(sorted_s, sorted_s)
        number = np.empty(len(s), dtype=np.int64)
        number[order] = self.used[sorted_s] + np.arange(len(s)) - starts
        self.used += np.bincount(s, minlength=self.truth.n_strata)
        lot = np.empty(len(s), dtype=np.int64)
        for each in np.unique(s):
            mine = s == each
            place = np.searchsorted(self.truth.lot_ends[each], number[mine], side="right")
            lot[mine] = self.truth.lot_first[each] + place
        return lot

    def plan(self, device: IntArray) -> None:
        """Ask the policy for limits and turn them into due dates."""
        t = self.truth
        limit = self.policy.limit_u(
            t.stratum[device], t.duty[device], self.now["sleep_share"][device], self.lot[device]
        )
        self.limit[device] = limit
        self.planned_day[device] = self.now["fitted_day"][device] + limit / self.now["rate"][device]

    def rows(self, device: IntArray, removed: FloatArray, looked: FloatArray) -> Rows:
        """Give devices' present batteries as rows."""
        t, now = self.truth, self.now
        fitted = now["fitted_day"][device]
        return Rows(
            device=device,
            stratum=t.stratum[device],
            duty=t.duty[device],
            lot=self.lot[device],
            rate=now["rate"][device],
            sleep_share=now["sleep_share"][device],
            fitted_day=fitted,
            entered_day=np.maximum(fitted, 0.0),
            removed_day=removed,
            looked_day=np.where(looked > np.maximum(fitted, 0.0), looked, np.nan),
            has_log=t.has_log[device],
            end_day=now["end_day"][device],
            dead_day=now["dead_day"][device],
            is_seen=now["is_seen"][device],
            is_other=now["is_other"][device],
            is_noted=now["is_noted"][device],
            limit_u=self.limit[device],
        )

    def last_looks(self, device: IntArray, day: FloatArray) -> FloatArray:
        """Give the last day strictly before a day on which somebody looked at each device."""
        yearly = last_look(self.truth.look_phase[device], day - 1e-6)
        return np.maximum(yearly, self.looked_day[device])

    def on_record(self, day: float) -> Rows:
        """Give what is on record on a day: everything finished, and what is in service."""
        device = np.flatnonzero(self.now["fitted_day"] < day)
        looked = self.last_looks(device, np.full(len(device), day))
        return joined([*self.finished, self.rows(device, np.full(len(device), STILL_IN), looked)])

    def change(self, device: IntArray, day: FloatArray) -> None:
        """Finish the batteries of devices and fit new ones on the same day."""
        self.finished.append(self.rows(device, day, self.last_looks(device, day)))
        self.fit_batteries(device, day)

    def step(self, day: float) -> None:
        """Let a step of days pass, from `day` on."""
        if self.rounds.is_on:
            self._visit_sites(day)
            return
        gone = np.minimum(self.now["natural_day"], self.planned_day)
        device = np.flatnonzero(gone < day + STEP_DAYS)
        self.change(device, np.maximum(np.maximum(gone[device], self.now["fitted_day"][device]), day))

    def _visit_sites(self, day: float) -> None:
        """One visit per site and step at most: for a due date, an end, or a look where no check-ins reach us."""
        t, n_sites = self.truth, len(self.late)
        due, called = np.full(n_sites, np.inf), np.full(n_sites, np.inf)
        np.minimum.at(due, t.site, self.planned_day)
        np.minimum.at(
            called, t.site, np.where(t.has_log, self.now["natural_day"], next_look(t.look_phase, np.array(day)))
        )
        visit = np.maximum(np.minimum(due + self.late, called), day)
        is_visited = visit < day + STEP_DAYS
        day_of = visit[t.site]
        here = is_visited[t.site] & (self.now["fitted_day"] < day_of)
        taken = here & ((self.planned_day <= day_of + self.rounds.early_days) | (self.now["end_day"] <= day_of))
        device = np.flatnonzero(taken)
        self.change(device, day_of[device])
        left = np.flatnonzero(here & ~taken)
        self.looked_day[left] = day_of[left]
        self.late[is_visited] = self.rng.random(int(is_visited.sum())) * self.rounds.late_days


def run(truth: Truth, policy: Policy, *, years: float, rounds: Rounds | None = None, seed: int = 0) -> Rows:
    """Run a fleet through the years and give its finished batteries."""
    policy.refit(_nothing(), 0.0)
    fleet = Fleet(truth, policy, rounds, seed=seed)
    everybody = np.arange(truth.n)
    steps_per_fit = round(REFIT_DAYS / STEP_DAYS)
    for number in range(int(years * 365.25 / STEP_DAYS)):
        day = number * STEP_DAYS
        if number and number % steps_per_fit == 0:
            policy.refit(fleet.on_record(day), day)
            fleet.plan(everybody)
        fleet.step(day)
    return joined(fleet.finished)


def _nothing() -> Rows:
    """No rows, in the right types."""
    whole, flags = ("device", "stratum", "duty", "lot"), ("has_log", "is_seen", "is_other", "is_noted")
    kinds: dict[str, type] = dict.fromkeys(whole, np.int64) | dict.fromkeys(flags, np.bool_)
    columns: dict[str, Any] = {f.name: np.zeros(0, dtype=kinds.get(f.name, np.float64)) for f in fields(Rows)}
    return Rows(**columns)
