"""The closed form against dense quadrature and public life data."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from maintenance.rules.battery.posterior import LifePrior, Lives, learn, sufficient

# Left-truncated reference rows (entry, end, ended by wear), made for the project's battery model, section 11, case P4.
P4 = """0,.739,0; 0,.842,0; 0,.744,1; .64,.819,1; .38,.911,0; 0,.338,0; .63,1.133,0; .3,.876,0; .4,.853,1; .67,.899,1;
0,.519,0; 0,.218,0; .24,.725,1; .47,1.026,1; 0,.656,0; 0,.251,0; .63,.895,1; .49,.746,1; .39,1.034,1; .28,.962,1;
.53,.749,0; .18,.884,0; 0,.511,1; 0,.617,0; 0,.272,0; .58,.677,1; 0,.266,0; .42,.636,0; 0,.756,1; .57,.674,1"""


def lives(ends: list[float], alive: list[float]) -> Lives:
    end_u = np.array(ends + alive, dtype=np.float64)
    return Lives(end_u, np.zeros_like(end_u), np.arange(len(end_u)) < len(ends))


def p4() -> Lives:
    table = np.array([[float(x) for x in row.split(",")] for row in P4.split(";")])
    return Lives(table[:, 1], table[:, 0], table[:, 2] > 0)


# Source of the data of P1: NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3: 10 of 20 units failed by 500 h.
P1 = lives([h / 600 for h in (54, 187, 216, 240, 244, 335, 361, 373, 375, 386)], [500 / 600] * 10)
SURVIVORS = lives([], [0.62, 0.71, 0.55, 0.80, 0.43])

# Source of the answers: dense quadrature of the same model under a lognormal prior of η and of β; computed for this
# project apart from this code. (u_1%, u_5%, u_10%, u_50%, chance at u = 0.8 over the next 0.1.)
CASES = {
    "no data": (Lives(), (0.32089, 0.45920, 0.54252, 0.92544), 0.37524),
    "P1": (P1, (0.13133, 0.27296, 0.37225, 0.81106), 0.21116),
    "P4": (p4(), (0.38933, 0.54350, 0.62579, 0.88999), 0.30042),
    "five survivors": (SURVIVORS, (0.51107, 0.69075, 0.77900, 1.12828), 0.14401),
}


@pytest.mark.parametrize("name", CASES)
def test_quantiles_agree_with_dense_quadrature(name: str) -> None:
    data, reference, ahead = CASES[name]
    posterior = learn(data)
    # 10 % in F with three or more ended lives, 20 % below that; the prior's seven gammas are no exact lognormal.
    tolerance = 0.10 if data.n_ends >= 3 else 0.20
    for p, u in zip((0.01, 0.05, 0.10, 0.50), reference, strict=True):
        assert float(posterior.failed(u)) == pytest.approx(p, rel=tolerance)
        assert posterior.quantile(p) == pytest.approx(u, rel=tolerance / 2)
    assert posterior.chance_ahead(0.8, 0.1) == pytest.approx(ahead, rel=0.10 if name == "five survivors" else 0.05)


def test_the_prior_is_the_integral_that_it_claims_to_be() -> None:
    # Our own quadrature over ln η and ln β, independent of the mixture of gammas.
    prior = LifePrior()
    ln_eta = stats.norm(prior.mean_ln_eta, prior.sd_ln_eta)

    def survives(u: float) -> float:
        def at_beta(ln_beta: float) -> float:
            z = np.linspace(-6, 6, 4001)
            eta = np.exp(ln_eta.ppf(stats.norm.cdf(z)))
            inner = np.exp(-np.power(u / eta, np.exp(ln_beta))) * stats.norm.pdf(z)
            return float(integrate.simpson(inner, x=z))

        grid = np.linspace(np.log(prior.beta_min), np.log(prior.beta_max), 401)
        weight = stats.norm.pdf(grid, prior.mean_ln_beta, prior.sd_ln_beta)
        values = np.array([at_beta(b) for b in grid])
        return float(integrate.simpson(values * weight, x=grid) / integrate.simpson(weight, x=grid))

    posterior = learn()
    for u in (0.5, 0.8, 1.0, 1.3):
        assert float(posterior.survival(u)) == pytest.approx(survives(u), abs=0.015)


def test_data_shift_the_belief_towards_what_happened() -> None:
    early = learn(lives([0.4, 0.42, 0.45, 0.41, 0.43], []))
    late = learn(lives([1.4, 1.5, 1.45, 1.6, 1.55], []))
    assert early.quantile(0.01) < learn().quantile(0.01) < late.quantile(0.01)
    assert early.quantile(0.5) == pytest.approx(0.43, rel=0.1)


def test_two_hundred_regular_lives_are_recovered() -> None:
    rng = np.random.default_rng(5)
    ends = 0.9 * rng.weibull(8.0, 400)
    posterior = learn(Lives(ends, np.zeros_like(ends), np.ones(len(ends), dtype=bool)))
    truth = stats.weibull_min(8.0, scale=0.9)
    for p in (0.01, 0.1, 0.5):
        assert posterior.quantile(p) == pytest.approx(truth.ppf(p), rel=0.06)


def test_order_and_splitting_leave_the_posterior_alone() -> None:
    data = p4()
    turned = Lives(data.end_u[::-1].copy(), data.entry_u[::-1].copy(), data.is_end[::-1].copy())
    # A survivor looked at half-way is two records: up to the look, and from there on.
    alive = int(np.flatnonzero(~data.is_end & (data.entry_u == 0))[0])
    middle = data.end_u[alive] / 2
    split = Lives(
        np.append(data.end_u, middle),
        np.append(np.where(np.arange(30) == alive, middle, data.entry_u), 0.0),
        np.append(data.is_end, False),
    )
    u = np.linspace(0.05, 2, 40)
    for other in (turned, split):
        np.testing.assert_allclose(learn(other).survival(u), learn(data).survival(u), rtol=1e-9)


def test_chunks_add_up() -> None:
    data = p4()
    beta = np.array([2.0, 7.0, 20.0])
    parts = [Lives(data.end_u[s], data.entry_u[s], data.is_end[s]) for s in (slice(0, 7), slice(7, 30))]
    ends, spans, logs = sufficient(data, beta)
    sums = [sufficient(part, beta) for part in parts]
    assert ends == sum(s[0] for s in sums)
    np.testing.assert_allclose(spans, sum(s[1] for s in sums), rtol=1e-12)
    np.testing.assert_allclose(logs, sum(s[2] for s in sums), rtol=1e-12)


def test_survival_is_a_survival_even_far_outside() -> None:
    posterior = learn(p4())
    u = np.array([0.0, 1e-9, 0.5, 1.0, 4.0, 50.0, 1e9])
    s = posterior.survival(u)
    assert s[0] == pytest.approx(1, abs=1e-12)
    assert np.all(np.diff(s) <= 0)
    assert np.all((s >= 0) & (s <= 1 + 1e-12))
    np.testing.assert_allclose(s + posterior.failed(u), 1, rtol=1e-12)


@pytest.mark.parametrize("p", [0.0, 1.0, -0.1, float("nan")])
def test_a_quantile_of_no_probability_is_refused(p: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        learn().quantile(p)


@pytest.mark.parametrize(
    ("end_u", "entry_u"),
    [
        ([0.5], [0.5]),
        ([0.5], [0.6]),
        ([0.5], [-0.1]),
        ([float("nan")], [0.0]),
    ],  # entry at, after, before all; no number
)
def test_a_life_that_ends_before_it_begins_is_refused(end_u: list[float], entry_u: list[float]) -> None:
    with pytest.raises(ValueError, match="must end above"):
        Lives(np.array(end_u), np.array(entry_u), np.array([True]))


def test_columns_of_different_lengths_are_refused() -> None:
    with pytest.raises(ValueError, match="differ in length"):
        Lives(np.array([1.0, 2.0]), np.array([0.0]), np.array([True]))


def test_a_prior_without_spread_is_refused() -> None:
    with pytest.raises(ValueError, match="positive spreads"):
        LifePrior(sd_ln_eta=0)
