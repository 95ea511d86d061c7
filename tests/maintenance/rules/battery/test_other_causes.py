"""Ends that are not wear: the gamma, its interval, the alarm, and hostile numbers."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import stats

from maintenance.rules.battery.other_causes import PRIOR_DAYS, PRIOR_ENDS, other_causes

YEAR = 365.25


def test_the_posterior_is_the_gamma_of_the_counts() -> None:
    found = other_causes([3, 0], [400 * YEAR, 10.0])
    for i, (n, days) in enumerate([(3, 400 * YEAR), (0, 10.0)]):
        gamma = stats.gamma(PRIOR_ENDS + n, scale=1 / (PRIOR_DAYS + days))
        assert found.per_day[i] == pytest.approx(gamma.mean(), rel=1e-12)
        assert found.low[i] == pytest.approx(gamma.ppf(0.05), rel=1e-9)
        assert found.high[i] == pytest.approx(gamma.ppf(0.95), rel=1e-9)


def test_nothing_known_is_one_in_a_hundred_years() -> None:
    assert other_causes([0], [0.0]).per_day[0] * YEAR == pytest.approx(0.01)


def test_the_chance_is_that_of_a_negative_binomial_count() -> None:
    found = other_causes([6, 3, 0], [200 * YEAR, 900 * YEAR, 500 * YEAR])
    shape, rate = PRIOR_ENDS + 3, PRIOR_DAYS + 1400 * YEAR
    wanted = stats.nbinom(shape, rate / (rate + 200 * YEAR)).sf(5)
    assert found.chance_like_others[0] == pytest.approx(wanted, rel=1e-9)
    assert found.chance_like_others[2] == 1.0


def test_a_type_that_leaks_is_raised_and_its_fellows_are_not() -> None:
    found = other_causes([14, 3, 2, 0], np.array([300, 300, 300, 300]) * YEAR)
    assert found.in_alarm.tolist() == [True, False, False, False]


def test_alike_types_seldom_raise_an_alarm() -> None:
    rng = np.random.default_rng(9)
    n = rng.poisson(0.01 * 400, (2000, 5))
    alarms = [other_causes(row, np.full(5, 400 * YEAR)).in_alarm for row in n]
    assert np.mean(alarms) <= 0.001 * 1.5


def test_two_ends_are_no_alarm() -> None:
    assert not other_causes([2, 0], [1.0, 10_000 * YEAR]).in_alarm.any()


def test_columns_and_levels_are_checked() -> None:
    with pytest.raises(ValueError, match="length"):
        other_causes([1, 2], [1.0])
    with pytest.raises(ValueError, match="level"):
        other_causes([1], [1.0], level=1.0)


ANY = st.one_of(st.floats(allow_nan=True, allow_infinity=True), st.sampled_from([0.0, -1.0, 1e300, 3.0]))


@settings(max_examples=100, deadline=None)
@example(rows=[(1e308, 1e308), (1e308, 1e308)])
@given(rows=st.lists(st.tuples(ANY, ANY), min_size=1, max_size=5))
def test_hostile_numbers_raise_and_warn_of_nothing(rows: list[tuple[float, float]]) -> None:
    n, days = zip(*rows, strict=True)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = other_causes(n, days)
    for column in (found.per_day, found.low, found.high, found.chance_like_others):
        assert np.isfinite(column).all()
        assert (column >= 0).all()
    assert (found.low <= found.high).all()
