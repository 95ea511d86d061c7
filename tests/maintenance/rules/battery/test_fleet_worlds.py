"""The simulator of fleets is itself checked before it judges the product: truth that holds, records that tell no secrets."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from maintenance.rules.battery.outcomes import COUNTS, NONE, OTHER, WEAR, outcomes
from tests.benchmarks.fleet.batteries import fates
from tests.benchmarks.fleet.oracle import KeptAlive, Oracle
from tests.benchmarks.fleet.policy import DAY_ZERO, batteries_of, facts_on
from tests.benchmarks.fleet.receding import PROBABILITIES, limits_as_it_lives_on, recedes
from tests.benchmarks.fleet.stepping import STILL_IN, Rounds, Rows, run
from tests.benchmarks.fleet.worlds import WORLDS, YEAR, Truth, draw, life_failed, life_quantile

TENTH = np.array([0.1, 0.1, 0.1])


def small(world: str, *, seed: int = 3, has_signals: bool = False, n_devices: int = 600) -> Truth:
    return draw(WORLDS[world], n_devices=n_devices, n_strata=8, seed=seed, has_signals=has_signals)


def finished(truth: Truth, *, years: float = 12, rounds: Rounds | None = None, p: float = 0.1) -> Rows:
    limit = np.full(3, p)
    return run(truth, Oracle(truth, limit, np.full(3, 0.9)), years=years, rounds=rounds, seed=1)


def test_lives_are_those_of_the_named_laws() -> None:
    p, beta, eta = np.array([0.01, 0.5, 0.9]), 8.0, 1.3
    for name, law in (
        ("weibull", stats.weibull_min(8.0, scale=1.3)),
        ("lognormal", stats.lognorm(np.pi / np.sqrt(6) / 8.0, scale=1.3 * np.log(2) ** (1 / 8))),
    ):
        x = life_quantile(WORLDS[name], p, beta, eta)
        assert x == pytest.approx(law.ppf(p), rel=1e-9)
        assert life_failed(WORLDS[name], x, beta, eta) == pytest.approx(p, rel=1e-9)


@pytest.mark.parametrize(
    "world", ["weibull", "lognormal", "device-spread", "catalogue-low", "sleep-double", "bad-lots"]
)
def test_who_knows_the_truth_keeps_its_own_limit(world: str) -> None:
    # Each battery's chance is 10 %; those of one lot or device go together, hence the factor on the binomial error.
    rows = finished(small(world))
    late = rows.of(rows.removed_day > 4 * YEAR)
    error = np.sqrt(0.1 * 0.9 / len(late.device)) * 1.5
    assert abs(late.is_ended.mean() - 0.1) < 4 * error
    assert len(late.device) > 1000


def test_who_knows_the_truth_keeps_the_share_that_dies_although_most_ends_are_signalled() -> None:
    rows = finished(small("weibull", has_signals=True), p=0.05)
    late = rows.of(rows.removed_day > 4 * YEAR)
    assert abs(late.is_dead.mean() - 0.05) < 4 * np.sqrt(0.05 * 0.95 / len(late.device)) * 1.5
    assert late.is_ended.mean() > 1.8 * late.is_dead.mean()


def test_the_share_of_life_lost_to_a_wrong_sleep_current_is_as_stated() -> None:
    plain, double = small("weibull"), small("sleep-double")
    ones, none = np.arange(600), np.zeros(600, dtype=np.int64)
    same = replace(double, **{name: getattr(plain, name) for name in ("beta", "eta", "lot_is_bad")})
    as_catalogue = replace(same, world=replace(double.world, sleep_factor=1.0))
    double_fate, plain_fate = (fates(t, ones, none + 1, none, np.zeros(600)) for t in (same, as_catalogue))
    assert plain_fate.end_day / double_fate.end_day == pytest.approx(1 + double_fate.sleep_share)


def test_a_slot_is_never_empty_and_never_holds_two() -> None:
    rows = finished(small("everything", has_signals=True), rounds=Rounds(60, 30))
    order = np.lexsort((rows.fitted_day, rows.device))
    same = rows.device[order][1:] == rows.device[order][:-1]
    assert np.array_equal(rows.fitted_day[order][1:][same], rows.removed_day[order][:-1][same])
    assert same.sum() > 1000


def test_rounds_change_no_battery_earlier_or_later_than_asked() -> None:
    # One device more often than not calls the visit; the planned day of the row is that of a policy that never changes.
    rows = finished(small("weibull"), rounds=Rounds(60, 30))
    in_time = rows.of(~rows.is_ended & (rows.fitted_day > 0))
    apart = in_time.removed_day - (in_time.fitted_day + in_time.limit_u / in_time.rate)
    assert apart.min() >= -60 - 1e-6
    assert apart.max() <= 30 + 1e-6
    assert apart.min() < -55
    assert apart.max() > 20


def on_record(world: str, day: float) -> Rows:
    """What is on record on a day, finished rows and those in service, under a policy that lets batteries live."""
    truth = small(world, has_signals=True)
    rows = run(truth, Oracle(truth, TENTH, np.full(3, 0.9)), years=day / YEAR + 4, seed=1)
    rows = rows.of(rows.fitted_day < day)
    is_out = rows.removed_day <= day
    looked = np.where(rows.looked_day <= day, rows.looked_day, np.nan)
    return replace(rows, removed_day=np.where(is_out, rows.removed_day, STILL_IN), looked_day=looked)


def test_the_records_do_not_tell_what_is_yet_to_come() -> None:
    day = 5 * YEAR
    rows = on_record("everything", day)
    is_open = (rows.removed_day == STILL_IN) & (rows.end_day > day)
    later = replace(
        rows,
        end_day=np.where(is_open, rows.end_day + 500.0, rows.end_day),
        dead_day=np.where(is_open, rows.dead_day + 600.0, rows.dead_day),
        is_seen=np.where(is_open, ~rows.is_seen, rows.is_seen),
        is_other=np.where(is_open, ~rows.is_other, rows.is_other),
        is_noted=np.where(is_open, ~rows.is_noted, rows.is_noted),
    )
    told, told_later = (outcomes(facts_on(r, day), day + DAY_ZERO) for r in (rows, later))
    assert is_open.sum() > 300
    for name in told.__slots__:
        assert np.array_equal(
            getattr(told, name), getattr(told_later, name), equal_nan=name.endswith(("_day", "_days"))
        )


def test_what_the_records_say_of_an_end_holds_its_true_day() -> None:
    day = 8 * YEAR
    rows = on_record("everything", day)
    seen = outcomes(facts_on(rows, day), day + DAY_ZERO)
    counts = seen.left_out == COUNTS
    wear, true_end = counts & seen.is_end, rows.end_day + DAY_ZERO
    exact, interval = wear & np.isnan(seen.lower_day), wear & ~np.isnan(seen.lower_day)
    assert np.abs(true_end - seen.end_day)[exact].max() < 1e-6
    assert np.all((true_end > seen.lower_day - 1e-6)[interval] & (true_end <= seen.end_day + 1e-6)[interval])
    assert np.all((true_end >= seen.end_day - 1e-6)[counts & (seen.cause == NONE)])
    assert np.all((rows.is_other & rows.is_noted)[seen.cause == OTHER])
    assert not np.any((rows.is_other & rows.is_noted)[seen.cause == WEAR & ~seen.is_provisional])
    assert min(exact.sum(), interval.sum(), (seen.cause == OTHER).sum()) > 30


def test_days_become_exposure_at_the_batterys_own_rate() -> None:
    truth = small("weibull")
    rows = run(truth, KeptAlive(), years=10, seed=1)
    seen = outcomes(facts_on(rows, 10 * YEAR), 10 * YEAR + DAY_ZERO)
    batteries, keep = batteries_of(rows, seen)
    exact = batteries.is_end & np.isnan(batteries.lower_u)
    true_u = (rows.end_day - rows.fitted_day) * rows.rate
    assert batteries.end_u[exact] == pytest.approx(true_u[keep][exact], rel=1e-9)
    taken_over = rows.fitted_day[keep] < 0
    assert np.all(batteries.entry_u[taken_over] > 0)
    assert np.all(batteries.entry_u[~taken_over] == 0)
    assert taken_over.sum() > 50


@pytest.mark.parametrize("column", range(4))
def test_a_survivor_becomes_due_and_stays_due(column: int) -> None:
    # Up to p_call 25 %, the highest that the product proposes; alone in its stratum, where it weighs most.
    u = np.arange(0.1, 4.0, 0.3)
    assert not recedes(u, limits_as_it_lives_on(u)[:, column])
    assert PROBABILITIES[column] <= 0.25


def test_a_date_that_recedes_is_told() -> None:
    u = np.arange(0.1, 2.0, 0.1)
    assert recedes(u, u + 0.05)
    assert recedes(u, np.where(u < 1.0, 0.5, 3.0))
    assert not recedes(u, np.full(len(u), 0.8))


def test_the_same_seed_gives_the_same_fleet_and_another_one_another() -> None:
    one, again, other = (small("everything", seed=s) for s in (3, 3, 4))
    assert np.array_equal(one.life_u, again.life_u)
    assert np.array_equal(one.eta, again.eta)
    assert not np.array_equal(one.life_u, other.life_u)
