"""Makes a fit of the battery model to the whole fleet and keeps it; it is in use only once all of it stands."""

from __future__ import annotations

import math
import secrets
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from datetime import date, datetime
from typing import Any, TypeVar

import numpy as np
from django.db import transaction
from django.utils.translation import gettext as _

from company.actions import ensure_policies
from maintenance.models import BatteryFit, LotFit, RefreshRun, StratumFit
from maintenance.querysets.fits import DUTIES, fit_in_use, kept_grace, policy_key
from maintenance.querysets.fleet_history import read_history
from maintenance.querysets.fleet_raw import Raw
from maintenance.rules import wear
from maintenance.rules.battery.fleet import FleetFit, fit_fleet
from maintenance.rules.battery.grace import Graces, learnt_graces, steadied
from maintenance.rules.battery.limits import Limits, dead_shares, fleet_limits
from maintenance.rules.battery.lots import Alarms, Lots, expected_ends, health, judge_lots, stratum_alarm
from maintenance.rules.battery.outcomes import LEFT_OUT, OTHER
from maintenance.rules.due_facts import to_day
from maintenance.rules.fleet_columns import NO_KEY, FloatArray, IntArray
from maintenance.rules.fleet_history import BAD_EXPOSURE, UNKNOWN_TYPE, Grouped, History, grouped, history_of

MODEL_VERSION = "fleet-1"
ROWS_A_WRITE = 1000
LEAST_EXPECTED = 0.5
SAME = 1e-9
"""Figures of two fits that differ by less say the same."""
REASONS = {**LEFT_OUT, UNKNOWN_TYPE: "unknown_type", BAD_EXPOSURE: "bad_exposure"}
"""Why a record teaches nothing, as it is counted in `BatteryFit.facts`."""

Step = Callable[[str], None]
Row = TypeVar("Row")


@dataclass(frozen=True, slots=True)
class Learnt:
    """A fit with everything that is read off it."""

    history: History
    groups: Grouped
    fit: FleetFit
    dead_share: FloatArray
    limits: Limits
    alarms: Alarms
    lots: Lots
    n_dead: IntArray
    n_signalled: IntArray
    grace: Graces


def learn(
    *, at: datetime, as_of: date, policies: dict[str, Any], step: Step = lambda text: None, raw: Raw | None = None
) -> Learnt:
    """Read the record and fit the model to it. Nothing is written."""
    step(_("reading every set of cells"))
    history = history_of(read_history(at, raw), float(to_day(as_of)))
    groups = grouped(history)
    step(_("fitting %(n)s lives") % {"n": len(groups.batteries)})
    fit = fit_fleet(groups.batteries, groups.strata)
    step(_("limits and lots"))
    n_dead = _count(groups, history.outcome.is_found_dead)
    n_signalled = _count(groups, history.outcome.is_signalled)
    dead_share = dead_shares(n_dead, n_signalled)
    dead, call = np.array(policy_key(policies)).T
    expected = expected_ends(groups.batteries, fit)
    return Learnt(
        history, groups, fit, dead_share, fleet_limits(fit, dead, call, dead_share),
        stratum_alarm(groups.batteries, fit, groups.strata.n, expected=expected),
        judge_lots(groups.batteries, fit, len(groups.lot_stratum), expected=expected),
        n_dead, n_signalled, _graces(history, groups),
    )  # fmt: skip


def make_fit(
    *, at: datetime, as_of: date, run: RefreshRun | None = None, step: Step = lambda text: None, raw: Raw | None = None
) -> BatteryFit:
    """Fit the model and keep the answer, not yet in use: `put_in_use` does that. What an earlier try left is removed.

    Rows are written in short transactions, so that nobody waits; a fit that is not in use is read by nobody.
    """
    policies = ensure_policies()
    learnt = learn(at=at, as_of=as_of, policies=policies, step=step, raw=raw)
    step(_("keeping what was learnt"))
    if run is not None:
        BatteryFit.objects.filter(run=run, is_current=False).delete()
    return _kept(learnt, policies, at=at, as_of=as_of, run=run, step=step)


def _head(learnt: Learnt, policies: dict[str, Any], as_of: date) -> dict[str, Any]:
    return {
        "as_of": as_of, "model_version": MODEL_VERSION, "n_batteries": len(learnt.groups.batteries),
        "n_ends": int(learnt.fit.n_ends.sum()), "n_left_out": sum(learnt.groups.left_out.values()),
        "prior": asdict(learnt.fit.prior), "facts": _facts(learnt, policies),
    }  # fmt: skip


def _kept(
    learnt: Learnt, policies: dict[str, Any], *, at: datetime, as_of: date, run: RefreshRun | None,
    step: Step = lambda text: None,
) -> BatteryFit:  # fmt: skip
    kept = BatteryFit.objects.create(made_at=at, run=run, **_head(learnt, policies, as_of))
    strata: list[StratumFit] = []
    for rows in _in_portions(_strata(kept, learnt), 200):
        step("keeping kinds")
        strata += StratumFit.objects.bulk_create(rows)
    for lots in _in_portions(_lots(kept, strata, learnt), ROWS_A_WRITE):
        step("keeping lots")
        LotFit.objects.bulk_create(lots)
    return kept


@transaction.atomic
def put_in_use(*, fit: BatteryFit) -> None:
    """Let due dates rest on this fit. The one before keeps its numbers; its posteriors and its sound lots go."""
    before = BatteryFit.objects.filter(is_current=True).exclude(pk=fit.pk)
    StratumFit.objects.filter(fit__in=before).update(posterior=None)
    LotFit.objects.filter(fit__in=before, is_suspect=False).delete()
    before.update(is_current=False)
    fit.is_current = True
    fit.save(update_fields=["is_current"])


def refresh_fit(*, at: datetime, as_of: date) -> BatteryFit:
    """Fit the model to the record as it stands and use the answer at once.

    Where the fit in use says the same already it stays, and nothing is written: asked again and again, the record of fits
    does not grow. May be repeated.
    """
    policies = ensure_policies()
    learnt = learn(at=at, as_of=as_of, policies=policies)
    in_use = BatteryFit.objects.filter(is_current=True).first()
    if in_use is not None and _says_the_same(in_use, learnt, policies, as_of):
        return in_use
    fit = _kept(learnt, policies, at=at, as_of=as_of, run=None)
    put_in_use(fit=fit)
    return fit


def _says_the_same(in_use: BatteryFit, learnt: Learnt, policies: dict[str, Any], as_of: date) -> bool:
    """Tell whether a fit that is kept and one just made agree in everything a reader could see, but for when and which."""
    new = _head(learnt, policies, as_of)
    if not same_figures(_told(in_use, new), new | {"facts": _untold(new["facts"])}):
        return False
    strata = list(StratumFit.objects.filter(fit=in_use).order_by("number"))
    wanted = list(_strata(in_use, learnt))
    if len(strata) != len(wanted) or any(row.posterior is None for row in strata):
        return False
    if not all(same_figures(_columns(a), _columns(b)) for a, b in zip(strata, wanted, strict=True)):
        return False
    # Compared by the stratum's number: rows that were never kept have no key.
    number = {row.pk: row.number for row in strata}
    kept = {(number[row.stratum_id], row.code): _columns(row) for row in LotFit.objects.filter(fit=in_use)}
    made = {(row.stratum.number, row.code): _columns(row) for row in _lots(in_use, wanted, learnt)}
    return same_figures(kept, made)


def _told(fit: BatteryFit, like: dict[str, Any]) -> dict[str, Any]:
    return {name: getattr(fit, name) for name in like} | {"facts": _untold(fit.facts)}


def _untold(facts: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in facts.items() if name != "token"}


def _columns(row: StratumFit | LotFit) -> dict[str, Any]:
    """Give what a row says: neither keys of its own nor the bytes that its figures were read off."""
    left = {"id", "fit_id", "stratum_id", "posterior"}
    return {field.attname: getattr(row, field.attname) for field in row._meta.fields if field.attname not in left}


def same_figures(a: Any, b: Any) -> bool:
    """Tell whether two nested values agree, numbers to within `SAME`."""
    if isinstance(a, dict) and isinstance(b, dict):
        return a.keys() == b.keys() and all(same_figures(a[name], b[name]) for name in a)
    if isinstance(a, list) and isinstance(b, list):
        return len(a) == len(b) and all(map(same_figures, a, b))
    if isinstance(a, float) or isinstance(b, float):
        is_number = isinstance(a, int | float) and isinstance(b, int | float)
        return is_number and (a == b or math.isclose(a, b, rel_tol=SAME, abs_tol=SAME))
    return bool(a == b)


def _count(groups: Grouped, chosen: Any) -> IntArray:
    """Number of chosen records per stratum, those of unknown age too."""
    counts = chosen & (groups.stratum_of_row >= 0)
    return np.bincount(groups.stratum_of_row[counts], minlength=groups.strata.n).astype(np.int64)


def _graces(history: History, groups: Grouped) -> Graces:
    """Grace of every stratum by the deaths on record, held steady against the fit in use."""
    seen = history.outcome
    new = learnt_graces(seen.gap_days, seen.outlasted_days, groups.stratum_of_row, groups.kind, groups.cell)
    kinds, cells = history.columns.kinds["pk"], history.columns.cells["pk"]
    in_use = fit_in_use()
    places = [
        in_use.keys.get((_pk(kinds, kind), _pk(cells, cell), is_measured), NO_KEY)
        for kind, cell, is_measured in zip(
            groups.kind.tolist(), groups.cell.tolist(), groups.strata.is_measured.tolist(), strict=True
        )
    ]
    return steadied(new, in_use.grace.at(np.array(places, dtype=np.int64)))


def _pk(pks: IntArray, row: int) -> int | None:
    return int(pks[row]) if row >= 0 else None


def _facts(learnt: Learnt, policies: dict[str, Any]) -> dict[str, Any]:
    sound = health(learnt.lots)
    return {
        # Tells this fit from any other that ever had its key.
        "token": secrets.token_hex(8),
        "policies": [list(pair) for pair in policy_key(policies)],
        "left_out": {REASONS[reason]: n for reason, n in sorted(learnt.groups.left_out.items())},
        "n_found_dead": int(learnt.n_dead.sum()),
        "n_signalled": int(learnt.n_signalled.sum()),
        "n_provisional": int(np.count_nonzero(learnt.history.outcome.is_provisional)),
        "lot_health": sound if np.isfinite(sound) else None,
    }


def _strata(kept: BatteryFit, learnt: Learnt) -> Iterator[StratumFit]:
    """One row per stratum, the two for unknown kinds last."""
    groups, fit, outcome = learnt.groups, learnt.fit, learnt.history.outcome
    kinds, cells = learnt.history.columns.kinds["pk"], learnt.history.columns.cells["pk"]
    in_service = ~np.isfinite(learnt.history.columns.fittings["removed_day"])
    n_in_service, n_other = _count(groups, in_service), _count(groups, outcome.cause == OTHER)
    of_row = groups.stratum_of_row
    lived = np.where(of_row >= 0, outcome.lived_days, 0.0)
    days = np.bincount(np.maximum(of_row, 0), weights=lived, minlength=groups.strata.n)
    shares = fit.quantile(np.broadcast_to([0.01, 0.05, 0.1, 0.5], (groups.strata.n, 4)))
    mean_beta = fit.mean_beta
    for i in range(groups.strata.n):
        kind, cell = int(groups.kind[i]), int(groups.cell[i])
        yield StratumFit(
            fit=kept, number=i,
            transmitter_type_id=_pk(kinds, kind), battery_type_id=_pk(cells, cell),
            is_measured=bool(groups.strata.is_measured[i]),
            n_batteries=int(fit.n_batteries[i]), n_in_service=int(n_in_service[i]), n_ends=int(fit.n_ends[i]),
            n_other=int(n_other[i]), device_days=float(days[i]), expected=float(learnt.alarms.expected[i]),
            z=float(learnt.alarms.z[i]), in_alarm=bool(learnt.alarms.in_alarm[i]),
            sleep_multiplier=float(fit.sleep_multiplier[i]), dead_share=float(learnt.dead_share[i]),
            u_1=float(shares[i, 0]), u_5=float(shares[i, 1]), u_10=float(shares[i, 2]), u_50=float(shares[i, 3]),
            limits=_limits(learnt.limits, i), posterior=fit.row_bytes(i),
            facts={
                "mean_beta": float(mean_beta[i]), "edge_mass": float(fit.edge_mass[i]),
                "n_found_dead": int(learnt.n_dead[i]), "n_signalled": int(learnt.n_signalled[i]),
                "prior_mean_ln_eta": float(fit.prior_mean_ln_eta[i]), "prior_sd_ln_eta": float(fit.prior_sd_ln_eta[i]),
                "prior_mean_ln_beta": float(fit.prior_mean_ln_beta[i]), "grace": kept_grace(learnt.grace, i),
            },
        )  # fmt: skip


def _limits(limits: Limits, i: int) -> dict[str, dict[str, Any]]:
    return {
        duty: {
            "q": float(limits.q[i, n]), "u": float(limits.u[i, n]), "is_reachable": bool(limits.is_reachable[i, n]),
        } for n, duty in enumerate(DUTIES)
    }  # fmt: skip


def _lots(kept: BatteryFit, strata: list[StratumFit], learnt: Learnt) -> Iterator[LotFit]:
    """One row per lot that says anything: an end was seen or half of one expected. Most deliveries are too young."""
    groups, lots = learnt.groups, learnt.lots
    in_service = ~np.isfinite(learnt.history.columns.fittings["removed_day"]) & (groups.lot_of_row >= 0)
    n_in_service = np.bincount(groups.lot_of_row[in_service], minlength=len(groups.lot_stratum))
    for i in np.flatnonzero((lots.observed > 0) | (lots.expected >= LEAST_EXPECTED)).tolist():
        number = int(groups.lot_number[i])
        is_half = bool(groups.lot_is_half[i])
        yield LotFit(
            fit=kept, stratum=strata[int(groups.lot_stratum[i])],
            code=wear.half_year_name(number) if is_half else learnt.history.columns.lot_codes[number],
            is_half_year=is_half, n_batteries=int(lots.n_batteries[i]), n_in_service=int(n_in_service[i]),
            observed=int(lots.observed[i]), expected=float(lots.expected[i]), factor=float(lots.factor[i]),
            chance_normal=float(lots.chance_normal[i]), is_suspect=bool(lots.is_suspect[i]),
        )  # fmt: skip


def _in_portions(rows: Iterator[Row], n: int) -> Iterator[list[Row]]:
    portion: list[Row] = []
    for row in rows:
        portion.append(row)
        if len(portion) == n:
            yield portion
            portion = []
    if portion:
        yield portion
