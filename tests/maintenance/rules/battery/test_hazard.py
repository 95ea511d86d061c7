"""The table of −ln S against the exact sum."""

from __future__ import annotations

import numpy as np
import pytest

from maintenance.rules.battery.fleet import Batteries, Strata, fit_fleet
from maintenance.rules.battery.hazard import N_POINTS, cumulated_by
from tests.maintenance.rules.battery.plain_fit import PlainFit

RNG = np.random.default_rng(5)
STRATUM = RNG.integers(0, 4, 4 * N_POINTS + 2000)
U = np.exp(RNG.uniform(np.log(5e-4), np.log(12.0), len(STRATUM)))


def test_the_table_keeps_five_digits_of_the_fit_in_use() -> None:
    # Nothing known, a few ends, many ends of steep and of flat lives.
    lives = [np.zeros(0), RNG.weibull(8, 3), RNG.weibull(20, 600), 0.7 * RNG.weibull(2, 600)]
    cells = Batteries.of(
        stratum=np.repeat(np.arange(4), [len(x) for x in lives]), end_u=np.concatenate(lives), is_end=True
    )
    fit = fit_fleet(cells, Strata.alike(4))
    found = cumulated_by(fit, STRATUM)(STRATUM, U)
    exact = fit.cumulated(STRATUM, U)
    likely = exact < 3.0
    assert likely.sum() > 2000
    assert found[likely] == pytest.approx(exact[likely], rel=1e-5)
    assert found == pytest.approx(exact, rel=5e-4)


@pytest.mark.parametrize("beta", [1.5, 8.0, 25.0])
def test_the_table_of_a_plain_weibull_is_straight(beta: float) -> None:
    fit = PlainFit.alike(4, beta=beta, eta=1.1)
    assert cumulated_by(fit, STRATUM)(STRATUM, U) == pytest.approx((U / 1.1) ** beta, rel=1e-10)


def test_few_batteries_are_summed_exactly() -> None:
    fit = PlainFit.alike(4)
    assert cumulated_by(fit, STRATUM[:N_POINTS]) == fit.cumulated


def test_nothing_used_and_nothing_known() -> None:
    u = U.copy()
    u[:2] = 0.0, np.nan
    found = cumulated_by(PlainFit.alike(4), STRATUM)(STRATUM, u)
    assert found[0] == 0.0
    assert np.isnan(found[1])


def test_strata_that_do_not_occur_need_no_row() -> None:
    fit, stratum = PlainFit(np.array([2.0, 5.0, 9.0]), np.ones(3), np.ones(3)), np.full(2 * N_POINTS, 2)
    assert cumulated_by(fit, stratum)(stratum, np.full(len(stratum), 0.8)) == pytest.approx(0.8**9, rel=1e-10)
