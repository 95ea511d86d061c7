"""Many strata at once give what each of them gives alone, whatever the order and the chunks."""

from __future__ import annotations

import numpy as np
import pytest

from maintenance.rules.battery.fleet import FAULTS, Batteries, FleetFit, Strata, fit_fleet
from maintenance.rules.battery.posterior import LifePrior, Lives, learn

N_STRATA = 7
EMPTY, ALL_ENDED, NONE_ENDED, ONE_ROW = 6, 5, 4, 3


def fleet(seed: int = 3) -> Batteries:
    """Strata of many kinds: early and late records, intervals, one without rows, one row, all ended, none ended."""
    rng = np.random.default_rng(seed)
    parts = []
    for s, n in enumerate((400, 40, 12, 1, 9, 8)):
        life = np.exp(rng.normal(0, 0.2)) * rng.weibull(5 + s, n)
        look = rng.uniform(0.2, 1.1, n)
        entry = np.where(rng.random(n) < 0.3, 0.5 * np.minimum(life, look), 0.0)
        is_end = life <= look if s < NONE_ENDED else np.full(n, s == ALL_ENDED)
        end = np.where(is_end, life, np.minimum(life, look))
        width = rng.choice([0.0, 0.03, 0.3], n)
        lower = np.where(is_end & (width > 0), np.maximum(end * (1 - width), entry), np.nan)
        parts.append((np.full(n, s), end, entry, is_end, lower))
    return Batteries.of(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def fit(batteries: Batteries) -> FleetFit:
    return fit_fleet(batteries, Strata.alike(N_STRATA), learn_prior=False, learn_multiplier=False)


def lives_of(batteries: Batteries, stratum: int) -> Lives:
    rows = batteries.subset(batteries.stratum == stratum)
    return Lives(rows.end_u, rows.entry_u, rows.is_end, rows.lower_u)


def test_each_stratum_gets_what_it_gets_alone() -> None:
    batteries = fleet()
    found = fit(batteries)
    u = np.array([0.0, 1e-3, 0.3, 0.7, 1.0, 1.6, 4.0])
    shares = np.array([0.01, 0.1, 0.5])
    quantiles = found.quantile(np.tile(shares, (N_STRATA, 1)))
    for s in range(N_STRATA):
        alone = learn(lives_of(batteries, s))
        np.testing.assert_allclose(found.failed(s, u), alone.failed(u), rtol=1e-9)
        np.testing.assert_allclose(found.posterior(s).failed(u), alone.failed(u), rtol=1e-9)
        np.testing.assert_allclose(found.cumulated(s, u[:-1]), -np.log(alone.survival(u[:-1])), rtol=1e-9, atol=1e-12)
        np.testing.assert_allclose(quantiles[s], [alone.quantile(p) for p in shares], rtol=1e-8)
        assert float(found.chance_ahead(s, 0.8, 0.1)) == pytest.approx(alone.chance_ahead(0.8, 0.1), rel=1e-9)
        assert found.n_ends[s] == alone.n_ends
        assert found.edge_mass[s] == pytest.approx(alone.edge_mass, abs=1e-9)


def test_a_stratum_without_batteries_has_the_prior() -> None:
    found = fit(fleet())
    u = np.linspace(0, 2, 21)
    np.testing.assert_allclose(found.failed(EMPTY, u), learn().failed(u), rtol=1e-9)
    assert found.n_batteries[EMPTY] == 0
    assert found.n_batteries[ONE_ROW] == 1


def test_the_order_of_rows_does_not_matter() -> None:
    batteries = fleet()
    turned = batteries.subset(np.random.default_rng(0).permutation(len(batteries)))
    one, other = fit(batteries), fit(turned)
    u = np.linspace(0.05, 2, 30)
    for s in range(N_STRATA):
        np.testing.assert_allclose(one.failed(s, u), other.failed(s, u), rtol=1e-9)


def test_the_answers_follow_the_shape_of_the_question() -> None:
    found = fit(fleet())
    strata = np.array([[2], [0]])
    u = np.array([0.4, 0.9, 1.3])
    table = found.failed(strata, u)
    assert table.shape == (2, 3)
    assert table[1, 2] == pytest.approx(float(found.failed(0, 1.3)), rel=1e-12)
    assert found.failed(0, 1.3).shape == ()
    assert found.failed(np.zeros(0, dtype=int), np.zeros(0)).shape == (0,)
    assert found.quantile(0.1).shape == (N_STRATA,)
    each = found.quantile(np.linspace(0.01, 0.5, N_STRATA))
    assert each[0] == pytest.approx(found.posterior(0).quantile(0.01), rel=1e-8)
    assert found.quantile(np.full((N_STRATA, 2), 0.5)).shape == (N_STRATA, 2)


@pytest.mark.parametrize("stratum", [-1, N_STRATA])
def test_a_stratum_that_does_not_exist_is_refused(stratum: int) -> None:
    with pytest.raises(ValueError, match="no such stratum"):
        fit(fleet()).failed([0, stratum], 0.5)


def test_no_number_gives_no_number() -> None:
    assert np.isnan(fit(fleet()).failed(0, [np.nan]))[0]


@pytest.mark.parametrize("q", [0.0, 1.0, float("nan"), [0.1, 2.0, 0.1, 0.1, 0.1, 0.1, 0.1]])
def test_a_quantile_of_no_probability_is_refused(q: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        fit(fleet()).quantile(q)


def test_a_fit_comes_back_from_what_is_kept() -> None:
    found = fit(fleet())
    rows = [found.row_bytes(i) for i in range(N_STRATA)]
    back = FleetFit.from_rows(rows, n_ends=found.n_ends, n_batteries=found.n_batteries, edge_mass=found.edge_mass)
    for name in ("beta", "shape", "rate", "weight", "n_ends", "n_batteries", "edge_mass", "sleep_multiplier"):
        np.testing.assert_array_equal(getattr(back, name), getattr(found, name))
    assert FleetFit.from_rows([]).n_strata == 0
    with pytest.raises(ValueError, match="Fit the fleet anew"):
        FleetFit.from_rows([rows[0], rows[1][:-8]])


@pytest.mark.parametrize(
    ("row", "code"),
    [
        ({"end_u": np.nan}, 1),
        ({"end_u": np.inf}, 1),
        ({"end_u": 0.5, "entry_u": np.nan}, 1),
        ({"end_u": -0.1}, 2),
        ({"end_u": 0.5, "entry_u": -0.1}, 2),
        ({"end_u": 0.5, "entry_u": 0.6}, 3),
        ({"end_u": 0.5, "entry_u": 0.6, "is_end": True}, 3),
        ({"end_u": 0.5, "entry_u": 0.5, "is_end": True}, 4),
        ({"end_u": 0.0, "is_end": True}, 4),
        ({"end_u": 0.5, "entry_u": 0.3, "is_end": True, "lower_u": 0.2}, 5),
        ({"end_u": 0.5, "is_end": True, "lower_u": 0.6}, 5),
        ({"end_u": 0.5, "stratum": N_STRATA}, 6),
        ({"end_u": 0.5, "stratum": -1}, 6),
    ],
)
def test_a_row_that_cannot_be_right_is_refused_with_its_reason(row: dict[str, float], code: int) -> None:
    batteries = Batteries.of(**{"stratum": 0, **row})
    assert batteries.faults(N_STRATA).tolist() == [code]
    with pytest.raises(ValueError, match=FAULTS[code].split(",")[0].rstrip(".")):
        fit(batteries)


def test_batteries_that_teach_nothing_change_nothing() -> None:
    # Entered today, fitted today, or seen once more at the same exposure: allowed, and without weight.
    idle = Batteries.of(0, [0.0, 0.5, 1e-9], [0.0, 0.5, 1e-9])
    u = np.linspace(0, 2, 21)
    np.testing.assert_allclose(fit(idle).failed(0, u), learn().failed(u), rtol=1e-9)


def test_columns_of_different_lengths_are_refused() -> None:
    good = fleet()
    with pytest.raises(ValueError, match="differ in length"):
        Batteries(good.stratum, good.end_u[1:], good.entry_u, good.is_end, good.lower_u, good.sleep_share, good.lot)
    with pytest.raises(ValueError, match="differ in length"):
        Strata(3, np.zeros(2, dtype=int), np.ones(3, dtype=bool))


def test_the_prior_given_is_the_prior_used() -> None:
    prior = LifePrior(mean_ln_eta=0.4, mean_ln_beta=float(np.log(4)))
    found = fit_fleet(fleet(), Strata.alike(N_STRATA), prior, learn_prior=False, learn_multiplier=False)
    alone = learn(prior=prior)
    assert found.quantile(0.1)[EMPTY] == pytest.approx(alone.quantile(0.1), rel=1e-8)


def test_flags_may_come_as_numbers() -> None:
    strata = Strata(2, np.array([4, 4]), np.array([1, 0]))  # type: ignore[arg-type]
    assert strata.is_measured.tolist() == [True, False]
    limits = fit_fleet(Batteries.of([], []), strata).quantile(0.01)
    assert limits[1] < limits[0]
