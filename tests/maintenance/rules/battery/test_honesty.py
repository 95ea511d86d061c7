"""Predicted against happened, charge thrown away, and a fixed interval on the same history."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter
from scipy import stats

from maintenance.rules.battery.fleet import Batteries, Strata, fit_fleet
from maintenance.rules.battery.honesty import (
    Histories,
    compared,
    ended_early,
    expected_in,
    fixed_interval,
    share_interval,
)
from tests.maintenance.rules.battery.plain_fit import PlainFit

FIT = PlainFit(np.array([8.0, 5.0]), np.array([1.0, 1.2]), np.array([50, 50]))


def test_expected_ends_in_a_period_are_the_hazard_gathered_in_it() -> None:
    found = expected_in(FIT, [0, 1, 0], [0.2, 0.0, 0.5], [0.7, 0.9, 0.5], [1.0, 1.0, 0.7])
    assert found == pytest.approx([0.7**8 - 0.2**8, (0.9 / 1.2) ** 5, 0.0], rel=1e-12)
    short = expected_in(FIT, [0], [0.2], [0.4], [0.5])
    assert short == pytest.approx([0.8**8 - 0.4**8], rel=1e-12)


def test_happened_minus_expected_is_noise_of_mean_0_under_any_policy() -> None:
    # 40,000 batteries, changed at ages of all kinds, looked at over a period of their own: a martingale.
    rng = np.random.default_rng(7)
    n = 40_000
    life, begin = rng.weibull(8.0, n), rng.uniform(0, 0.9, n)
    out = np.minimum(begin + rng.uniform(0.01, 0.4, n), rng.uniform(0.5, 1.2, n))
    runs = (life > begin) & (out > begin)
    is_end = runs & (life <= out)
    expected = np.where(runs, expected_in(FIT, 0, begin, np.minimum(life, out)), np.nan)
    group = rng.integers(0, 4, n)
    found = compared(group, expected, is_end, 4)
    assert (np.abs(found.z) < 3.5).all()
    assert ((found.low < 1) & (found.high > 1)).sum() >= 3
    assert found.n.sum() == runs.sum()
    assert found.ratio == pytest.approx(found.happened / found.expected)


def test_a_wrong_model_shows() -> None:
    rng = np.random.default_rng(7)
    life = 0.85 * rng.weibull(8.0, 3000)
    found = compared(np.zeros(3000, int), expected_in(FIT, 0, 0.0, np.minimum(life, 0.8)), life <= 0.8, 1)
    assert found.z[0] > 4
    assert found.low[0] > 1


def test_what_is_not_known_is_left_out_with_its_battery() -> None:
    found = compared([0, 0, -1, 5, 1], [0.5, np.nan, 0.5, 0.5, 0.0], [True, True, True, True, False], 2)
    assert found.n.tolist() == [1, 1]
    assert found.happened.tolist() == [1, 0]
    assert np.isnan(found.ratio[1])


def test_shares_are_bounded_as_clopper_and_pearson_do() -> None:
    for hits, n in ((0, 10), (3, 40), (10, 10), (1, 1)):
        low, high = share_interval(hits, n, 0.9)
        wanted = stats.binomtest(hits, n).proportion_ci(0.9, method="exact")
        assert (low, high) == (pytest.approx(wanted.low, abs=1e-9), pytest.approx(wanted.high, abs=1e-9))
    assert share_interval(0, 0) == (0.0, 1.0)


def test_early_ends_are_those_before_the_limit() -> None:
    assert ended_early([True, True, False, True], [0.5, 0.7, 0.2, np.nan], [0.7, 0.7, 0.7, 0.7]).tolist() == [
        True, False, False, False,
    ]  # fmt: skip


@pytest.mark.parametrize(
    "numbers", [(-0.1, 0.5, 1.0), (0.1, -0.5, 1.0), (np.nan, 0.5, 1.0), (0.1, np.inf, 1.0), (0.1, 0.5, 0.0),
                (0.1, 0.5, -1.0), (0.1, 0.5, np.nan), (0.1, 0.5, np.inf)],
)  # fmt: skip
def test_nothing_is_expected_of_numbers_that_cannot_be(numbers: tuple[float, float, float]) -> None:
    assert np.isnan(expected_in(FIT, 0, *numbers))


@pytest.mark.parametrize("row", [(-1.0, 400.0), (np.nan, 400.0), (400.0, 400.0), (0.0, 1e6), (0.0, np.inf)])
def test_an_impossible_age_is_left_out_of_a_history(row: tuple[float, float]) -> None:
    no = np.zeros(2, bool)
    found = fixed_interval(
        Histories(np.zeros(2, int), np.array([0.0, row[0]]), np.array([500.0, row[1]]), no, no, ~no), 365.0
    )
    assert found.days[0] == 500
    assert found.changes_now[0] == 1


def test_whoever_changes_on_the_very_day_has_followed_them_that_long() -> None:
    yes = np.ones(3, bool)
    found = fixed_interval(Histories(np.zeros(3, int), np.zeros(3), np.full(3, 365.0), ~yes, ~yes, yes), 365.0)
    assert found.is_known[0]
    assert found.changes[0] == pytest.approx(3.0)


def lived(rng: np.random.Generator, n: int, *, truncated: bool = False) -> Histories:
    """Lives in days, Weibull with a mean of about 1100, followed for a while; some are taken over in mid-life."""
    life = 1200 * rng.weibull(6.0, 4 * n)
    entry = rng.uniform(0, 600, 4 * n) * (rng.random(4 * n) < 0.5) if truncated else np.zeros(4 * n)
    stop = entry + rng.uniform(100, 1500, 4 * n)
    keep = np.flatnonzero(life > entry)[:n]
    life, entry, stop = life[keep], entry[keep], stop[keep]
    is_end = life <= stop
    return Histories(
        group=np.zeros(n, int), entry_day=entry, end_day=np.minimum(life, stop), is_end=is_end,
        is_dead=is_end & (rng.random(n) < 0.3), is_changed=is_end | (rng.random(n) < 0.5),
    )  # fmt: skip


@pytest.mark.parametrize("truncated", [False, True])
@pytest.mark.parametrize("interval_days", [365.0, 900.0, 1100.0])
def test_the_fixed_interval_agrees_with_lifelines(truncated: bool, interval_days: float) -> None:
    history = lived(np.random.default_rng(13), 1500, truncated=truncated)
    found = fixed_interval(history, interval_days)
    curve = KaplanMeierFitter().fit(history.end_day, history.is_end, entry=history.entry_day if truncated else None)
    at = np.unique(np.concatenate([[0.0], history.end_day[history.end_day < interval_days]]))
    stay = np.sum(curve.survival_function_at_times(at).to_numpy() * np.diff(np.append(at, interval_days)))
    days = np.sum(history.end_day - history.entry_day)
    assert found.days[0] == pytest.approx(days)
    assert found.changes[0] == pytest.approx(days / stay, rel=1e-6)
    ended = 1 - curve.survival_function_at_times([interval_days - 1e-6]).to_numpy()[0]
    assert found.ends[0] == pytest.approx(found.changes[0] * ended, rel=1e-6, abs=1e-9)


def test_the_fixed_interval_comes_near_the_truth() -> None:
    history = lived(np.random.default_rng(14), 20_000)
    found = fixed_interval(history, 1000.0)
    lives = 1200 * np.random.default_rng(15).weibull(6.0, 400_000)
    assert found.changes[0] == pytest.approx(found.days[0] / np.minimum(lives, 1000).mean(), rel=0.01)
    assert found.ends[0] / found.changes[0] == pytest.approx((lives < 1000).mean(), rel=0.05)
    assert found.dead[0] == pytest.approx(0.3 * found.ends[0], rel=0.06)
    assert found.changes_now[0] == history.is_changed.sum()
    assert found.dead_now[0] == history.is_dead.sum()


def test_each_group_speaks_for_itself_and_short_histories_for_nothing() -> None:
    two = Histories(
        group=np.array([0, 0, 2, 2]), entry_day=np.zeros(4), end_day=np.array([400.0, 500, 100, 90]),
        is_end=np.array([False, True, True, False]), is_dead=np.zeros(4, bool), is_changed=np.ones(4, bool),
    )  # fmt: skip
    found = fixed_interval(two, 365.0)
    assert found.is_known.tolist() == [True, False, False]
    assert found.changes[0] == pytest.approx(900 / 365)
    assert found.ends[0] == 0.0
    assert np.isnan(found.changes[1:]).all()
    assert found.changes_now.tolist() == [2, 0, 2]


def test_a_lone_early_end_among_few_at_risk_is_not_taken_for_the_truth() -> None:
    # The first battery is alone at risk and ends; the others were taken over later. The product would be 0 for ever.
    few = Histories(
        group=np.zeros(3, int), entry_day=np.array([0.0, 200, 200]), end_day=np.array([50.0, 900, 900]),
        is_end=np.array([True, False, False]), is_dead=np.zeros(3, bool), is_changed=np.ones(3, bool),
    )  # fmt: skip
    assert not fixed_interval(few, 365.0).is_known[0]


@pytest.mark.parametrize("interval_days", [0.0, -1.0, np.nan])
def test_an_impossible_interval_is_refused(interval_days: float) -> None:
    with pytest.raises(ValueError, match="longer than 0"):
        fixed_interval(lived(np.random.default_rng(1), 10), interval_days)


def test_columns_of_different_lengths_are_refused() -> None:
    no, yes = np.zeros(2, bool), np.zeros(3)
    with pytest.raises(ValueError, match="length"):
        Histories(np.zeros(2, int), yes, yes, no, no, no)


ANY = st.one_of(st.floats(allow_nan=True, allow_infinity=True), st.sampled_from([0.0, -1.0, 1e300, 4.5, np.nan, 0.5]))


@settings(max_examples=100, deadline=None)
@given(rows=st.lists(st.tuples(ANY, ANY, ANY, st.booleans(), st.integers(-2, 3)), min_size=1, max_size=6))
@example(rows=[(np.inf, np.inf, 0.0, False, 0)])
def test_hostile_numbers_raise_and_warn_of_nothing(rows: list[tuple[float, float, float, bool, int]]) -> None:
    begin, end, factor, flag, group = (np.array(column) for column in zip(*rows, strict=True))
    fit = fit_fleet(Batteries.of(stratum=[], end_u=[]), Strata.alike(1))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        expected = expected_in(fit, 0, begin, end, factor)
        found = compared(group, expected, flag, 3)
        fixed = fixed_interval(Histories(group, begin, end, flag, flag, flag), 365.0)
    known = expected[np.isfinite(expected)]
    assert (known >= 0).all()
    assert np.isfinite(found.z).all()
    assert np.isfinite(fixed.changes[fixed.is_known]).all()
