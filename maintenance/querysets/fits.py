"""Reads the battery model in use: what the last night's fit has learnt, kept per process until another fit is in use."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
from django.apps import apps

from maintenance.querysets.fleet_raw import DUTIES
from maintenance.rules.battery.fleet import Batteries, FleetFit, Strata, fit_fleet
from maintenance.rules.battery.grace import LEVELS, Graces
from maintenance.rules.battery.limits import Limits, fleet_limits
from maintenance.rules.battery.posterior import LifePrior
from maintenance.rules.fleet_columns import FloatArray, IntArray
from maintenance.rules.fleet_facts import Model, Policy
from maintenance.rules.wear import half_year_of

Key = tuple[int | None, int | None, bool]
MEASURED = (True, False)
"""The two strata that stand for kinds that no fit has seen: activations counted, and assumed."""


@dataclass(frozen=True)
class Lot:
    """A lot under suspicion: its stratum's number, its code (or half-year), and its life against its kind's."""

    number: int
    code: str
    is_half_year: bool
    factor: float


@dataclass(frozen=True)
class CurrentFit:
    """The fit in use.

    `strata` holds the key of each stratum (transmitter type, battery type, is measured), in the order of every array;
    those without types stand for every kind that the fit does not know. `pk` is None before the first fit.
    """

    pk: int | None
    prior: LifePrior
    strata: tuple[Key, ...]
    n_ends: IntArray
    dead_share: FloatArray
    sleep_multiplier: FloatArray
    grace: Graces
    lots: tuple[Lot, ...] = ()
    made: FleetFit | None = None
    _limits: dict[Any, Limits] = field(default_factory=dict)

    @cached_property
    def keys(self) -> dict[Key, int]:
        """Number of each stratum by its key."""
        return {key: number for number, key in enumerate(self.strata)}

    @cached_property
    def fleet(self) -> FleetFit:
        """Posteriors of all strata; read when first asked for."""
        if self.made is not None:
            return self.made
        rows = _rows("maintenance.StratumFit", fit_id=self.pk).order_by("number").values_list("posterior", "facts")
        posteriors, facts = zip(*rows, strict=True)
        return FleetFit.from_rows(
            [bytes(row) for row in posteriors],
            n_ends=self.n_ends,
            prior=self.prior,
            prior_mean_ln_eta=[row["prior_mean_ln_eta"] for row in facts],
            prior_sd_ln_eta=[row["prior_sd_ln_eta"] for row in facts],
            prior_mean_ln_beta=[row["prior_mean_ln_beta"] for row in facts],
            sleep_multiplier=self.sleep_multiplier,
            edge_mass=[row["edge_mass"] for row in facts],
        )

    def number_of(self, kind: int | None, cell: int | None, is_measured: bool) -> int:
        """Number of a stratum; of the one for unknown kinds where the fit has none like it."""
        return self.keys.get((kind, cell, is_measured), self.keys[None, None, is_measured])

    def grace_of(self, kind: int | None, cell: int | None) -> float:
        """Learnt time from a low-battery signal to the change of such cells [day, whole]; infinite where none was learnt.

        It does not hang on whether activations are counted; a kind that the fit does not know goes by the whole fleet.
        """
        numbers = [self.keys[key] for flag in MEASURED if (key := (kind, cell, flag)) in self.keys]
        days = self.grace.days[numbers or [self.number_of(None, None, flag) for flag in MEASURED]]
        return float(np.fmin.reduce(days, initial=np.inf))

    def limits(self, policies: Mapping[str, Any]) -> Limits:
        """Limits of every stratum × duty class under these policies (rows of `RiskPolicy` by duty)."""
        asked = policy_key(policies)
        if asked not in self._limits:
            dead, call = np.array(asked).T
            self._limits[asked] = fleet_limits(self.fleet, dead, call, self.dead_share)
        return self._limits[asked]

    def model(self, policies: Mapping[str, Any]) -> Model:
        """What the due dates need of it."""
        limits = self.limits(policies)
        codes = tuple(sorted({lot.code for lot in self.lots if not lot.is_half_year}))
        place = {code: n for n, code in enumerate(codes)}
        numbers = [half_year_of(lot.code) if lot.is_half_year else place[lot.code] for lot in self.lots]
        return Model(
            kind_pk=np.array([key[0] or -1 for key in self.strata], dtype=np.int64),
            cell_pk=np.array([key[1] or -1 for key in self.strata], dtype=np.int64),
            is_measured=np.array([key[2] for key in self.strata], dtype=np.bool_),
            n_ends=self.n_ends, multiplier=self.sleep_multiplier, grace_days=self.grace.days,
            q=limits.q, u_limit=limits.u, is_reachable=limits.is_reachable,
            lot_stratum=np.array([lot.number for lot in self.lots], dtype=np.int64),
            lot_number=np.array(numbers, dtype=np.int64),
            lot_is_half=np.array([lot.is_half_year for lot in self.lots], dtype=np.bool_),
            lot_factor=np.array([lot.factor for lot in self.lots], dtype=np.float64),
            codes=codes,
        )  # fmt: skip


def policy_key(policies: Mapping[str, Any]) -> tuple[tuple[float, float], ...]:
    """Risks of the duty classes in order: (found dead, ended at all)."""
    return tuple((policies[duty].p_dead, max(policies[duty].p_call, policies[duty].p_dead)) for duty in DUTIES)


def policy_columns(policies: Mapping[str, Any]) -> Policy:
    """The firm's other rules, in the order of the duty classes."""
    return Policy(
        np.array([policies[duty].grace_days for duty in DUTIES], dtype=np.float64),
        np.array([policies[duty].calendar_cap_days for duty in DUTIES], dtype=np.float64),
    )


def current_fit() -> CurrentFit | None:
    """The fit in use; None before the first one."""
    row = _rows("maintenance.BatteryFit", is_current=True).values_list("pk", "facts__token").first()
    return _load(*row) if row else None


def fit_in_use() -> CurrentFit:
    """The fit in use; before the first one what the catalogue alone lets expect."""
    return current_fit() or prior_only()


@lru_cache(maxsize=1)
def prior_only() -> CurrentFit:
    """What is expected of every kind before any battery has been followed to its end."""
    fit = fit_fleet(Batteries.of([], []), Strata(2, np.arange(2), np.array(MEASURED)))
    return CurrentFit(
        pk=None, prior=fit.prior, strata=tuple((None, None, flag) for flag in MEASURED), n_ends=np.zeros(2, np.int64),
        dead_share=np.ones(2), sleep_multiplier=np.ones(2), grace=Graces.none(2), made=fit,
    )  # fmt: skip


@lru_cache(maxsize=2)
def _load(pk: int, token: str) -> CurrentFit:
    """Read a fit once per process. The token tells two fits of one key apart, as a restored database may hold."""
    prior, facts = _rows("maintenance.BatteryFit", pk=pk).values_list("prior", "facts").get()
    rows = list(
        _rows("maintenance.StratumFit", fit_id=pk).order_by("number").values_list(
            "transmitter_type_id", "battery_type_id", "is_measured", "n_ends", "dead_share", "sleep_multiplier",
            "limits", "facts__grace",
        )
    )  # fmt: skip
    lots = _rows("maintenance.LotFit", fit_id=pk, is_suspect=True).order_by("pk")
    return CurrentFit(
        pk=pk, prior=prior_of(prior), strata=tuple((row[0], row[1], row[2]) for row in rows),
        n_ends=_column(rows, 3).astype(np.int64), dead_share=_column(rows, 4), sleep_multiplier=_column(rows, 5),
        grace=graces_of([row[7] for row in rows]),
        lots=tuple(Lot(*lot) for lot in lots.values_list("stratum__number", "code", "is_half_year", "factor")),
        _limits={tuple(tuple(pair) for pair in facts["policies"]): limits_of([row[6] for row in rows])},
    )  # fmt: skip


def prior_of(kept: Mapping[str, Any]) -> LifePrior:
    """A fleet's prior from what was kept of it."""
    return LifePrior(**{f.name: kept[f.name] for f in fields(LifePrior) if f.name in kept})


def limits_of(kept: Sequence[Mapping[str, Any]]) -> Limits:
    """Limits as they were kept with a fit; they hold as long as the policies do."""
    table = [[row[duty] for duty in DUTIES] for row in kept]
    return Limits(
        q=np.array([[limit["q"] for limit in row] for row in table], dtype=np.float64),
        u=np.array([[limit["u"] for limit in row] for row in table], dtype=np.float64),
        is_reachable=np.array([[limit["is_reachable"] for limit in row] for row in table], dtype=np.bool_),
    )


def graces_of(kept: Sequence[Mapping[str, Any] | None]) -> Graces:
    """What was learnt of the time after a signal, as it was kept with a fit; nothing in fits from before it was."""
    found = Graces.none(len(kept))
    for i, one in enumerate(kept):
        if one:
            found.days[i], found.n_dead[i], found.n[i] = one["days"], one["n_dead"], one["n"]
            found.level[i] = LEVELS.index(one["level"])
    return found


def kept_grace(graces: Graces, i: int) -> dict[str, Any] | None:
    """What is kept of one stratum; None where nothing was learnt."""
    if not np.isfinite(graces.days[i]):
        return None
    return {
        "days": float(graces.days[i]), "n_dead": int(graces.n_dead[i]), "n": int(graces.n[i]),
        "level": LEVELS[int(graces.level[i])],
    }  # fmt: skip


def _column(rows: Sequence[tuple[Any, ...]], place: int) -> FloatArray:
    return np.array([row[place] for row in rows], dtype=np.float64)


def _rows(model: str, **where: Any) -> Any:
    return apps.get_model(model)._default_manager.filter(**where)
