"""Bands around the share that has ended and around a limit, against draws from the same posterior."""

from __future__ import annotations

import numpy as np
import pytest

from maintenance.rules.battery.posterior import Lives, Posterior, learn
from maintenance.rules.due_chance import failed_band, quantile_band

SEEN = Lives(
    end_u=np.array([0.7, 0.8, 0.86, 0.9, 0.95, 1.0, 0.6, 0.5]),
    entry_u=np.zeros(8),
    is_end=np.array([True, True, True, True, True, True, False, False]),
)


def draws(posterior: Posterior, n: int = 200_000) -> tuple[np.ndarray, np.ndarray]:
    """β and λ drawn from the mixture itself: the check by simulation, independent of any formula for a band."""
    rng = np.random.default_rng(4)
    j = rng.choice(len(posterior.weight), n, p=posterior.weight / posterior.weight.sum())
    return posterior.beta[j], rng.gamma(posterior.shape[j], 1 / posterior.rate[j])


@pytest.mark.parametrize("posterior", [learn(), learn(SEEN)], ids=["no data", "six ends"])
def test_the_band_of_the_share_is_that_of_draws(posterior: Posterior) -> None:
    beta, rate = draws(posterior)
    u = np.array([0.4, 0.8, 1.2])
    low, high = failed_band(posterior, u)
    for i, x in enumerate(u):
        wanted = np.quantile(-np.expm1(-rate * x**beta), [0.05, 0.95])
        assert low[i] == pytest.approx(wanted[0], rel=0.04, abs=1e-4)
        assert high[i] == pytest.approx(wanted[1], rel=0.02, abs=1e-4)


@pytest.mark.parametrize("posterior", [learn(), learn(SEEN)], ids=["no data", "six ends"])
@pytest.mark.parametrize("q", [0.01, 0.1])
def test_the_band_of_a_limit_is_that_of_draws(posterior: Posterior, q: float) -> None:
    beta, rate = draws(posterior)
    wanted = np.quantile((-np.log1p(-q) / rate) ** (1 / beta), [0.05, 0.95])
    assert quantile_band(posterior, q) == pytest.approx(tuple(wanted), rel=0.01)


def test_more_ends_make_both_bands_narrower() -> None:
    u = np.array([0.8])
    for narrow, wide in ((learn(SEEN), learn()),):
        low, high = failed_band(narrow, u)
        wide_low, wide_high = failed_band(wide, u)
        assert high[0] - low[0] < wide_high[0] - wide_low[0]
        assert np.diff(quantile_band(narrow, 0.01)) < np.diff(quantile_band(wide, 0.01))


def test_the_band_holds_the_share_itself_and_begins_at_nothing() -> None:
    posterior, u = learn(), np.linspace(0.0, 2.0, 41)
    low, high = failed_band(posterior, u)
    share = posterior.failed(u)
    assert low[0] == high[0] == 0
    assert np.all(low <= share + 1e-12)
    assert np.all(share <= high + 1e-12)
    assert np.all(np.diff(high) >= -1e-12)


@pytest.mark.parametrize(("q", "level"), [(0.0, 0.9), (1.0, 0.9), (0.1, 0.0), (0.1, 1.0)])
def test_a_share_or_level_outside_its_range_is_refused(q: float, level: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        quantile_band(learn(), q, level=level)
    if not 0 < level < 1:
        with pytest.raises(ValueError, match="between 0 and 1"):
            failed_band(learn(), np.ones(1), level=level)
