"""The algebra: closed form against quadrature, sums that add up, and hostile numbers of every kind."""

from __future__ import annotations

import warnings
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.special import gammaln, logsumexp, polygamma

from maintenance.rules.battery import gammas
from maintenance.rules.battery.fleet import Batteries, FleetFit, Strata, fit_fleet
from maintenance.rules.battery.posterior import LifePrior, Lives, learn, power_gain
from maintenance.rules.battery.sums import SortedLives

U = np.array([0.05, 0.2, 0.4, 0.6, 0.8, 1.0, 1.3, 2.0])


def truncated(n: int, seed: int, *, eta: float = 1.0, beta: float = 6.0) -> Lives:
    """Lives of which some were seen late and most are still alive."""
    rng = np.random.default_rng(seed)
    entry = np.where(rng.random(n) < 0.4, rng.uniform(0, 0.5, n), 0.0)
    life = np.maximum(eta * rng.weibull(beta, n), entry + 0.01)
    look = entry + rng.uniform(0.02, 0.8, n)
    return Lives(np.minimum(life, look), entry, life < look)


def by_quadrature(lives: Lives, beta: np.ndarray, window: float = 0.0) -> np.ndarray:
    """S(u) on the same values of β and the same seven gammas, but with the integral over λ done by brute force."""
    belief = replace(LifePrior().for_strata(1), window=np.array([window]))
    log_weight = gammas.SEVEN.log_weight(belief.layers_z()[0])
    ln_lam = np.linspace(-150.0, 60.0, 60_001)
    lam = np.exp(ln_lam)
    shape, log_rate = gammas.prior_gammas(beta[np.newaxis], belief)
    log_beta = gammas.log_beta_prior(beta[np.newaxis], belief)[0]
    logs, alive = [], []
    for j, b in enumerate(beta):
        a, log_b = shape[0, j], log_rate[0, j][:, np.newaxis]
        density = a * log_b - gammaln(a) + a * ln_lam - np.exp(np.minimum(log_b + ln_lam, 700))
        log_p = logsumexp(density + log_weight[:, np.newaxis], axis=0) + log_beta[j]
        ends = lives.end_u[lives.is_end]
        log_p -= lam * float(np.sum(lives.end_u**b - lives.entry_u**b))
        log_p += len(ends) * (ln_lam + np.log(b)) + (b - 1) * float(np.sum(np.log(ends)))
        logs.append(logsumexp(log_p))
        weight = np.exp(log_p - logs[-1])
        alive.append([np.sum(weight * np.exp(-lam * u**b)) for u in U])
    share = np.exp(np.array(logs) - logsumexp(logs))
    return np.asarray(share @ np.array(alive))


@pytest.mark.parametrize(
    ("lives", "window"),
    [
        (Lives(), 0.0),
        (truncated(30, 1), 0.0),
        (truncated(400, 2, beta=9.0), 0.0),
        (truncated(3, 3), 0.0),
        # So much shorter than the prior expects that the seven gammas follow.
        (truncated(60, 4, eta=0.4, beta=2.0), -1.5),
    ],
    ids=["none", "thirty", "many", "three", "early and wild"],
)
def test_the_closed_form_is_the_integral_over_lambda(lives: Lives, window: float) -> None:
    posterior = learn(lives)
    beta = posterior.beta.reshape(-1, len(gammas.MIXTURE_Z))[:, 0]
    np.testing.assert_allclose(posterior.survival(U), by_quadrature(lives, beta, window), rtol=0, atol=1e-8)


@pytest.mark.parametrize("n", [3, 30, 400, 20_000])
def test_two_dozen_values_of_beta_are_enough(n: int) -> None:
    lives = truncated(n, 5, beta=8.0)
    np.testing.assert_allclose(learn(lives).failed(U), learn(lives, n_grid=400).failed(U), rtol=2e-3, atol=1e-6)


def test_the_mixture_is_close_to_the_lognormal_that_it_stands_for() -> None:
    belief = LifePrior(sd_ln_eta=0.35).for_strata(1)
    for b in (2.0, 7.0, 15.0):
        beta = np.array([[b, b]])
        shape, log_rate = gammas.prior_gammas(beta, belief)
        weight = np.exp(gammas.MIXTURE_LOG_WEIGHT)
        # Exact moments of ln η = −ln λ / β.
        means = -(polygamma(0, shape[0, 0]) - log_rate[0, 0]) / b
        variance = polygamma(1, shape[0, 0]) / b**2
        mean = weight @ means
        assert mean == pytest.approx(0, abs=1e-9)
        assert (weight @ (means**2) + variance) ** 0.5 == pytest.approx(0.35, rel=0.02)
        # The low tail, which early failures come from.
        eta = np.exp(-1.645 * 0.35)
        low = weight @ stats.gamma.sf(eta**-b, shape[0, 0], scale=np.exp(-log_rate[0, 0]))
        assert low == pytest.approx(0.05, abs=0.006)


def test_twice_the_same_batteries_are_twice_the_evidence() -> None:
    lives = truncated(50, 6)
    beta = np.exp(np.linspace(0.5, 3.0, 9))[np.newaxis]
    rows = np.zeros(50, dtype=int)
    once = SortedLives.of(1, rows, lives.end_u, lives.entry_u, lives.is_end).sums(beta)
    twice = SortedLives.of(
        1, np.tile(rows, 2), np.tile(lives.end_u, 2), np.tile(lives.entry_u, 2), np.tile(lives.is_end, 2)
    ).sums(beta)
    for name in ("n_ends", "spans", "log_density"):
        np.testing.assert_allclose(getattr(twice, name), 2 * getattr(once, name), rtol=1e-12)


@pytest.mark.parametrize("chunk_rows", [1, 7, 64, 1 << 15])
def test_sums_do_not_depend_on_chunks(chunk_rows: int) -> None:
    lives = truncated(300, 7)
    stratum = np.random.default_rng(0).integers(0, 9, 300)
    beta = np.exp(np.random.default_rng(1).uniform(0.5, 3, (9, 5)))
    plain = SortedLives.of(9, stratum, lives.end_u, lives.entry_u, lives.is_end)
    cut = SortedLives.of(9, stratum, lives.end_u, lives.entry_u, lives.is_end, chunk_rows=chunk_rows)
    np.testing.assert_allclose(cut.sums(beta).spans, plain.sums(beta).spans, rtol=1e-12)
    by_hand = [np.sum(lives.end_u[stratum == 4] ** b - lives.entry_u[stratum == 4] ** b) for b in beta[4]]
    np.testing.assert_allclose(plain.sums(beta).spans[4], by_hand, rtol=1e-12)


@pytest.mark.parametrize("chunk_cells", [1, 1000, 1 << 20])
def test_answers_do_not_depend_on_chunks(chunk_cells: int) -> None:
    lives = truncated(300, 8)
    stratum = np.random.default_rng(0).integers(0, 9, 300)
    fit = fit_fleet(Batteries.of(stratum, lives.end_u, lives.entry_u, lives.is_end), Strata.alike(9))
    kept = {f.name: getattr(fit, f.name) for f in fields(fit)} | {"chunk_cells": chunk_cells}
    cut = FleetFit(**kept)
    for one, other in (
        (fit.failed(stratum, lives.end_u), cut.failed(stratum, lives.end_u)),
        (fit.cumulated(stratum, lives.end_u), cut.cumulated(stratum, lives.end_u)),
        (fit.chance_ahead(stratum, lives.end_u, 0.1), cut.chance_ahead(stratum, lives.end_u, 0.1)),
    ):
        np.testing.assert_allclose(other, one, rtol=1e-9)


def test_small_steps_lose_no_digits() -> None:
    beta = np.array([1.5, 7.0, 25.0])
    for u in (1e-6, 0.3, 1.0, 4.0):
        step = 1e-12 * u
        np.testing.assert_allclose(power_gain(u, step, beta), beta * u ** (beta - 1) * step, rtol=1e-6)
    np.testing.assert_allclose(power_gain(0.0, 0.5, beta), 0.5**beta)
    np.testing.assert_allclose(power_gain(0.7, 0.0, beta), 0.0)


def test_the_inverse_of_the_trigamma_function() -> None:
    value = np.exp(np.linspace(-20, 10, 4001))
    np.testing.assert_allclose(polygamma(1, gammas.inverse_trigamma(value)), value, rtol=1e-9)


def answers_are_sane(fit: FleetFit, u: np.ndarray) -> None:
    """No number is missing, chances are chances, and more use is never less risk."""
    for f in fields(fit):
        value = getattr(fit, f.name)
        if isinstance(value, np.ndarray):
            assert np.all(np.isfinite(value)), f.name
    assert np.all(fit.weight >= 0)
    np.testing.assert_allclose(fit.weight.sum(axis=1), 1, rtol=1e-9)
    strata = np.arange(fit.n_strata)[:, np.newaxis]
    failed = fit.failed(strata, u)
    assert np.all((failed >= 0) & (failed <= 1 + 1e-12))
    assert np.all(np.diff(failed, axis=1) >= -1e-12)
    cumulated = fit.cumulated(strata, u)
    assert np.all(np.isfinite(cumulated))
    assert np.all(np.diff(cumulated, axis=1) >= -1e-12)
    ahead = fit.chance_ahead(strata, u, 0.1)
    assert np.all((ahead >= 0) & (ahead <= 1 + 1e-12))
    limits = fit.quantile(np.tile([0.01, 0.1, 0.5, 0.99], (fit.n_strata, 1)))
    assert np.all(np.isfinite(limits))
    assert np.all((limits > 0) & (limits <= 1e6 * (1 + 1e-9)) & (np.diff(limits, axis=1, prepend=0) >= 0))


HOSTILE = {
    "all at zero": Batteries.of([0, 0], [0.0, 0.0]),
    "entered at the last look": Batteries.of([0, 1], [0.4, 0.7], [0.4, 0.7]),
    "far beyond the catalogue": Batteries.of(0, [4.5, 9.0, 40.0, 5e5], 0.0, [True, True, False, False]),
    "hardly used": Batteries.of(0, [1e-12, 1e-9, 1e-300], 0.0, [True, False, True]),
    "all ended": Batteries.of(0, np.linspace(0.5, 1.1, 50), 0.0, True),
    "all ended at one exposure": Batteries.of(0, np.full(200, 0.8), 0.0, True),
    "none ended": Batteries.of(0, np.linspace(0.5, 1.1, 5000)),
    "one row": Batteries.of(1, [0.7], 0.0, True),
    "wide open intervals": Batteries.of(0, [0.9, 5.0, 1e5], 0.0, True, [0.0, 0.0, 1e-9]),
    "interval of no width": Batteries.of(0, [0.9], 0.0, True, [0.9]),
    "sleep only, or not at all": Batteries.of(
        0, np.linspace(0.5, 1.1, 40), 0.0, True, sleep_share=np.tile([0.0, 1.0, np.nan, 0.5], 10)
    ),
    "one event in a crowd": Batteries.of(0, np.full(2000, 0.3), 0.0, np.arange(2000) == 7),
}


@pytest.mark.parametrize("name", HOSTILE)
@pytest.mark.parametrize("is_measured", [True, False])
def test_hostile_fleets_give_answers_and_no_warning(name: str, is_measured: bool) -> None:
    u = np.array([0.0, 1e-300, 1e-6, 0.3, 0.9, 1.5, 4.0, 30.0, 1e9])
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        fit = fit_fleet(HOSTILE[name], Strata(3, np.zeros(3, dtype=int), np.full(3, is_measured)))
        answers_are_sane(fit, u)


def test_over_regular_ends_are_noticed_at_the_edge() -> None:
    fit = fit_fleet(HOSTILE["all ended at one exposure"], Strata.alike(1))
    assert fit.edge_mass[0] > 0.01
    wild = Batteries.of(0, np.exp(np.random.default_rng(0).normal(-1, 1.5, 300)), 0.0, True)
    assert fit_fleet(wild, Strata.alike(1)).edge_mass[0] > 0.01
    plain = truncated(400, 9)
    assert fit_fleet(Batteries.of(0, plain.end_u, plain.entry_u, plain.is_end), Strata.alike(1)).edge_mass[0] < 0.001


EXPOSURE = st.one_of(
    st.floats(0, 3, allow_nan=False), st.sampled_from([0.0, 1e-300, 1e-9, 0.5, 0.999999, 1.0, 4.0, 77.0, 1e6])
)
ROW = st.tuples(st.integers(0, 3), EXPOSURE, EXPOSURE, EXPOSURE, st.booleans(), st.booleans(), st.floats(0, 1))


@st.composite
def fleets(draw: st.DrawFn) -> Batteries:
    """Any rows that can be fitted."""
    rows = draw(st.lists(ROW, min_size=1, max_size=25))
    columns = []
    for stratum, *three, is_end, is_interval, share in rows:
        entry, lower, end = sorted(three)
        is_end = is_end and end > entry
        columns.append((stratum, end, entry, is_end, lower if is_end and is_interval else np.nan, share))
    return Batteries.of(*zip(*columns, strict=True))


@settings(max_examples=25, deadline=None, phases=(Phase.explicit, Phase.generate))
@given(batteries=fleets(), seed=st.integers(0, 99))
def test_any_fleet_gives_answers_whatever_its_order(batteries: Batteries, seed: int) -> None:
    u = np.array([0.0, 1e-9, 0.2, 0.7, 1.2, 4.0, 100.0])
    strata = Strata(4, np.array([0, 0, 1, 2]), np.array([True, True, True, False]))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert not np.any(batteries.faults(4))
        fit = fit_fleet(batteries, strata)
        answers_are_sane(fit, u)
        turned = fit_fleet(batteries.subset(np.random.default_rng(seed).permutation(len(batteries))), strata)
    grid = np.arange(4)[:, np.newaxis]
    np.testing.assert_allclose(turned.failed(grid, u), fit.failed(grid, u), rtol=1e-9, atol=1e-15)


@settings(max_examples=25, deadline=None, phases=(Phase.explicit, Phase.generate))
@given(batteries=fleets(), share=st.floats(0.01, 0.99))
def test_a_survivor_may_be_told_in_two_records(batteries: Batteries, share: float) -> None:
    alive = np.flatnonzero(~batteries.is_end & (batteries.end_u > batteries.entry_u))
    if len(alive) == 0:
        return
    i = alive[0]
    middle = batteries.entry_u[i] + share * (batteries.end_u[i] - batteries.entry_u[i])
    first = Batteries.of(batteries.stratum[i], [middle], batteries.entry_u[i])
    entry = batteries.entry_u.copy()
    entry[i] = middle
    parts = [
        np.concatenate([entry if f.name == "entry_u" else getattr(batteries, f.name), getattr(first, f.name)])
        for f in fields(batteries)
    ]
    split = fit_fleet(Batteries(*parts), Strata.alike(4), learn_multiplier=False)
    whole = fit_fleet(batteries, Strata.alike(4), learn_multiplier=False)
    u = np.array([0.1, 0.5, 0.9, 1.4])
    grid = np.arange(4)[:, np.newaxis]
    np.testing.assert_allclose(split.failed(grid, u), whole.failed(grid, u), rtol=1e-8, atol=1e-15)
