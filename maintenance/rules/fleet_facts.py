"""What wears and what its due date rests on: raw columns, the model in use and the firm's policy → `FittingFacts`. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from maintenance.rules import wear
from maintenance.rules.due_facts import CELLS, STANDBY, UNIT, FittingFacts, facts_table
from maintenance.rules.fleet_columns import (
    NO_KEY,
    BoolArray,
    FleetColumns,
    FloatArray,
    IntArray,
    least_of,
    picked,
    row_of,
)

UNKNOWN_AGE_SHARE = 0.5
"""Cells of unknown age have, on average, half of their time behind them when our records begin."""


@dataclass(frozen=True, slots=True)
class Model:
    """The battery model in use, as far as due dates need it. Strata are numbered from 0, n of them.

    Parameters
    ----------
    kind_pk, cell_pk, is_measured : array
        Key of each stratum, (n,). Keys of −1 stand for every kind that the fit does not know, measured and not.
    n_ends, multiplier : array
        Ended lives, and learnt multiplier of the current between activations, (n,).
    grace_days : array
        Learnt time from a low-battery signal to the change [day], (n,); NaN = nothing learnt.
    q, u_limit, is_reachable : array
        Planning probability, exposure limit [1] and whether the policy can be met, (n, 3 duties).
    lot_stratum, lot_number, lot_is_half, lot_factor : array
        Lots under suspicion: stratum, place in `codes` or half-year, which of the two, life against its kind (0 … 1].
    codes : tuple of str
        Lot codes that are under suspicion.
    """

    kind_pk: IntArray
    cell_pk: IntArray
    is_measured: BoolArray
    n_ends: IntArray
    multiplier: FloatArray
    grace_days: FloatArray
    q: FloatArray
    u_limit: FloatArray
    is_reachable: BoolArray
    lot_stratum: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    lot_number: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    lot_is_half: BoolArray = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))
    lot_factor: FloatArray = field(default_factory=lambda: np.zeros(0))
    codes: tuple[str, ...] = ()

    def stratum_of(self, columns: FleetColumns, kind: IntArray, cell: IntArray, measured: BoolArray) -> IntArray:
        """Number of the stratum of each row; that of unknown kinds where the fit has none."""
        kinds, cells = columns.kinds["pk"], columns.cells["pk"]
        table = np.full((len(kinds) + 1, len(cells) + 1, 2), NO_KEY, dtype=np.int64)
        for m in (0, 1):
            new = np.flatnonzero((self.kind_pk < 0) & (self.is_measured == bool(m)))
            table[:, :, m] = new[0] if len(new) else NO_KEY
        known = np.flatnonzero(self.kind_pk >= 0)
        at = row_of(kinds, self.kind_pk[known]), row_of(cells, self.cell_pk[known])
        table[(*at, self.is_measured[known].astype(np.int64))] = known
        return np.asarray(table[kind, cell, measured.astype(np.int64)])

    def factor_of(self, stratum: IntArray, lot: IntArray, has_code: BoolArray, half: IntArray) -> FloatArray:
        """Life of each row's lot against its kind (0 … 1]; 1 where its lot is not under suspicion."""
        mine = _lot_key(self.lot_stratum, self.lot_number, self.lot_is_half)
        order = np.argsort(mine)
        asked = _lot_key(stratum, np.where(has_code, lot, half), ~has_code)
        row = row_of(mine[order], asked)
        is_named = np.where(has_code, lot, half) >= 0
        if not len(mine):
            return np.ones(len(stratum))
        return np.where(is_named & (row >= 0) & (stratum >= 0), self.lot_factor[order][row], 1.0)


def _lot_key(stratum: IntArray, number: IntArray, is_half: BoolArray) -> IntArray:
    return (stratum << 32) + (number << 1) + is_half


@dataclass(frozen=True, slots=True)
class Policy:
    """The firm's own rules, in the order of duties: days after a low-battery signal, longest time in service [day], (3,)."""

    grace_days: FloatArray
    cap_days: FloatArray


@dataclass(frozen=True, slots=True)
class Things:
    """What wears: whose and where it is, as columns; `owner` makes it one thing over time. −1 = none."""

    kind: IntArray
    owner: IntArray
    customer: IntArray
    site: IntArray
    receiver: IntArray
    registration: IntArray
    transmitter: IntArray
    fitting: IntArray
    duty: IntArray

    def __len__(self) -> int:
        return len(self.kind)

    def rows(self, rows: NDArray[np.int64]) -> Things:
        """Some of them."""
        return Things(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


def fleet_facts(columns: FleetColumns, model: Model, policy: Policy, today_day: float) -> tuple[Things, FittingFacts]:
    """Give everything that wears, with the facts for the rules.

    Parameters
    ----------
    columns : FleetColumns
        Raw facts.
    model : Model
        The battery model in use.
    policy : Policy
        The firm's own rules.
    today_day : float
        Today [day]; only decides whether activations were counted on most days.

    Returns
    -------
    tuple
        Things and facts, row by row: cells in order of fitting, whole units in order of transmitter, standby batteries
        in order of receiver. A transmitter in several slots is one thing, at its most harmful place; a welded cell is
        changed with its unit.
    """
    of_cells = _cells(columns, model, today_day)
    welded = wear.taken(columns.kinds["is_welded"], columns.units["kind"])[columns.fittings["unit"]] == 1
    loose = np.flatnonzero(~welded)
    parts = [
        _cell_things(columns, picked(of_cells, loose), loose),
        _unit_things(columns, of_cells, welded),
        _standby_things(columns),
    ]
    names = sorted(set().union(*(part.facts for part in parts)))
    n = [len(part.things) for part in parts]
    facts = {
        name: np.concatenate([part.facts.get(name, np.full(size, np.nan)) for part, size in zip(parts, n, strict=True)])
        for name in names
    }
    things = Things(
        **{f.name: np.concatenate([getattr(p.things, f.name) for p in parts]) for f in fields(Things)}
    )  # fmt: skip
    return things, _with_policy(things, facts, model, policy)


@dataclass(frozen=True, slots=True)
class _Part:
    things: Things
    facts: dict[str, FloatArray]


def _cells(columns: FleetColumns, model: Model, today_day: float) -> dict[str, FloatArray]:
    """Facts of every set of cells in service, welded ones too, in order of `columns.fittings`."""
    f, units = columns.fittings, columns.units
    kind = units["kind"][f["unit"]]
    use = wear.use_of(columns.kinds, columns.cells, kind, f["cell"])
    interval = units["interval_s"][f["unit"]]
    interval = np.where(interval > 0, interval, wear.taken(columns.kinds["default_interval_s"], kind))
    n = len(f["pk"])
    life = wear.lived(
        use, columns.cells, f["cell"], f["fitted_day"], np.full(n, today_day), interval, np.ones(n, np.bool_),
        columns.periods,
    )  # fmt: skip
    measured = wear.is_measured(use, life)
    known = np.isfinite(use["capacity_mah"])
    stratum = np.where(known, model.stratum_of(columns, kind, f["cell"], measured), NO_KEY)
    multiplier = np.where(stratum >= 0, model.multiplier[stratum], 1.0)
    first = np.append(True, life.row[1:] != life.row[:-1])[: len(life.row)]
    has_earlier = np.isfinite(f["fitted_day"]) & ~first[life.is_present]
    shelf_years = wear.taken(columns.cells["shelf_life_years"], f["cell"])
    lot_factor = model.factor_of(stratum, f["lot"], f["has_code"], wear.half_year(f["fitted_day"]))
    return use | {
        "fitted_day": f["fitted_day"],
        "entered_day": f["entered_day"],
        "made_day": f["made_day"],
        "first_low_day": f["low_day"],
        "shelf_life_days": np.where(shelf_years > 0, shelf_years * wear.DAYS_PER_YEAR, np.nan),
        "interval_s": np.where(known, interval, np.nan),
        "since_day": np.where(known & has_earlier, life.of_present(life.begin_day), np.nan),
        "u_before": np.where(known & has_earlier, life.exposure_before_present(multiplier), 0.0),
        "measured_days": np.where(known, life.of_present(life.counted_days), 0.0),
        "measured_activations": np.where(known, life.of_present(life.activations), 0.0),
        "temperature_c": np.where(known, life.of_present(life.temperature_c), 20.0),
        "temperature_share": np.where(known, life.of_present(life.temperature_share), 1.0),
        "typical_activations_per_day": np.where(known, use["typical_activations_per_day"], 0.0),
        "stratum": stratum.astype(np.float64),
        "is_measured": measured.astype(np.float64),
        "sleep_multiplier": multiplier,
        "lot_factor": lot_factor,
    }


def _recall_day(columns: FleetColumns, *, is_cells: bool) -> FloatArray:
    """Day by which each transmitter's cells, or the unit itself, are recalled; NaN = not."""
    r = columns.recalls
    mine = (r["is_cells"] == 1) == is_cells
    return least_of(r["unit"][mine], r["due_day"][mine], len(columns.units["pk"]))


def _placed(columns: FleetColumns, kind: int, unit: IntArray, owner: IntArray, fitting: IntArray) -> Things:
    u = columns.units
    where = {name: u[name][unit] for name in ("customer", "site", "receiver", "registration", "duty")}
    return Things(kind=np.full(len(unit), kind), owner=owner, transmitter=u["pk"][unit], fitting=fitting, **where)


def _cell_things(columns: FleetColumns, facts: dict[str, FloatArray], loose: IntArray) -> _Part:
    unit, pk = columns.fittings["unit"][loose], columns.fittings["pk"][loose]
    facts = facts | {"recall_day": _recall_day(columns, is_cells=True)[unit]}
    return _Part(_placed(columns, CELLS, unit, pk, pk), facts)


def _unit_things(columns: FleetColumns, of_cells: dict[str, FloatArray], welded: BoolArray) -> _Part:
    """Whole units whose type states an end of life, or that are recalled."""
    u = columns.units
    years = wear.taken(columns.kinds["unit_life_years"], u["kind"])
    recalled = _recall_day(columns, is_cells=False)
    is_welded = wear.taken(columns.kinds["is_welded"], u["kind"]) == 1
    recalled = np.where(is_welded, np.fmin(recalled, _recall_day(columns, is_cells=True)), recalled)
    unit = np.flatnonzero((years > 0) | np.isfinite(recalled))
    fitting_of_unit = np.full(len(u["pk"]), NO_KEY, dtype=np.int64)
    fitting_of_unit[columns.fittings["unit"][welded]] = np.flatnonzero(welded)
    fitting = fitting_of_unit[unit]
    facts = {name: wear.taken(column, fitting) for name, column in of_cells.items() if name != "shelf_life_days"}
    facts |= {
        "fitted_day": np.where(np.isfinite(u["since_day"][unit]), u["since_day"][unit], facts["fitted_day"]),
        "entered_day": u["created_day"][unit],
        "made_day": u["made_day"][unit],
        "unit_life_days": np.where(years > 0, years * wear.DAYS_PER_YEAR, np.nan)[unit],
        "recall_day": recalled[unit],
    }
    none = np.full(len(unit), NO_KEY, dtype=np.int64)
    return _Part(_placed(columns, UNIT, unit, u["pk"][unit], none), facts)


def _standby_things(columns: FleetColumns) -> _Part:
    """Standby batteries of receivers: no counts, only their years."""
    s = columns.standby
    years = np.where(s["life_years"] > 0, s["life_years"], wear.STANDBY_LIFE_YEARS)
    none = np.full(len(s["pk"]), NO_KEY, dtype=np.int64)
    things = Things(
        kind=np.full(len(s["pk"]), STANDBY), owner=s["pk"], customer=s["customer"], site=s["site"], receiver=s["pk"],
        registration=none, transmitter=none, fitting=none, duty=s["duty"].astype(np.int64),
    )  # fmt: skip
    return _Part(
        things,
        {
            "fitted_day": s["fitted_day"],
            "entered_day": s["created_day"],
            "unit_life_days": years * wear.DAYS_PER_YEAR,
        },
    )


_NEUTRAL = {
    "u_before": 0.0, "temperature_share": 1.0, "temperature_c": 20.0, "measured_days": 0.0, "measured_activations": 0.0,
    "typical_activations_per_day": 0.0, "lot_factor": 1.0, "sleep_multiplier": 1.0, "stratum": -1.0, "is_measured": -1.0,
}  # fmt: skip


def _with_policy(things: Things, facts: dict[str, FloatArray], model: Model, policy: Policy) -> FittingFacts:
    """Add the firm's policy and what the model says of each stratum."""
    duty, is_cells = things.duty, things.kind == CELLS
    for name, neutral in _NEUTRAL.items():
        facts[name] = np.nan_to_num(facts[name], nan=neutral)
    stratum = facts["stratum"].astype(np.int64)
    has = stratum >= 0

    def of_stratum(table: ArrayLike, missing: float) -> FloatArray:
        values = np.asarray(table, dtype=np.float64)
        return np.where(has, values[stratum, duty] if values.ndim == 2 else values[stratum], missing)

    cap = policy.cap_days[duty]
    # Of cells of unknown type what the whole fleet has shown, as the strata for unknown kinds hold it.
    of_fleet = np.fmin.reduce(model.grace_days[model.kind_pk < 0], initial=np.inf)
    by_policy = policy.grace_days[duty]
    unknown_age = np.where(is_cells, cap, facts["unit_life_days"]) * UNKNOWN_AGE_SHARE
    return facts_table(
        len(things),
        **facts,
        kind=things.kind,
        duty=duty,
        # A learnt time is a day or more; a policy of none stands.
        grace_days=np.fmin(by_policy, of_stratum(model.grace_days, of_fleet)),
        policy_grace_days=by_policy,
        cap_days=np.where(is_cells, cap, np.nan),
        unknown_age_days=np.round(unknown_age),
        u_limit=of_stratum(model.u_limit, np.nan),
        planning_probability=of_stratum(model.q, np.nan),
        is_reachable=of_stratum(model.is_reachable, 1.0),
        n_ends=of_stratum(model.n_ends, 0.0),
    )
