"""Nuisance faults of a supervision window: reference figures, brute force by matrices and by simulation, hostile numbers."""

from __future__ import annotations

import json
import math
import random
import warnings

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from devices.rules.nuisance import Gilbert, Nuisance, by_chance, in_bursts, misses_in_window
from tests.checks import supervision


def brute(steps: np.ndarray, loss: np.ndarray, start: np.ndarray, misses: int, checkins: int) -> Nuisance:
    """Absorbing chain on (state, losses in a row) by plain matrix algebra: another road to the same numbers."""
    n = len(loss)
    lost, got = steps @ np.diag(loss), steps @ np.diag(1 - loss)
    inner = np.zeros((n * misses, n * misses))
    for run in range(misses):
        rows = slice(run * n, (run + 1) * n)
        inner[rows, :n] = got
        if run + 1 < misses:
            inner[rows, (run + 1) * n : (run + 2) * n] = lost
    out = np.zeros(n * misses)
    out[-n:] = lost.sum(axis=1)
    whole = np.zeros((n * misses + 1,) * 2)
    whole[:-1, :-1], whole[:-1, -1], whole[-1, -1] = inner, out, 1.0
    begin = np.concatenate([start, np.zeros(n * (misses - 1))])
    hit = (np.concatenate([begin, [0.0]]) @ np.linalg.matrix_power(whole, checkins))[-1]
    left = np.eye(n * misses) - inner
    mean = math.inf if np.linalg.det(left) <= 0 else float(begin @ np.linalg.solve(left, np.ones(n * misses)))
    tail = np.linalg.matrix_power(lost, misses) @ np.ones(n)
    expected, row = float(start @ tail) if checkins >= misses else 0.0, start
    for _ in range(checkins - misses):
        expected += float(row @ got @ tail)
        row = row @ steps
    stationary = start @ np.linalg.matrix_power(steps, 100_000)
    return Nuisance(float(stationary @ np.diag(1 - loss) @ tail), expected, float(hit), mean)


def brute_gilbert(path: Gilbert, misses: int, checkins: int) -> Nuisance:
    a, g, bad = path.to_bad, path.to_good, path.share_bad
    steps = np.array([[1 - a, a], [g, 1 - g]])
    loss = np.array([path.loss_good, path.loss_bad])
    return brute(steps, loss, np.array([1 - bad, bad]), misses, checkins)


def close(found: Nuisance, wanted: Nuisance, rel: float = 1e-9) -> None:
    for name in ("per_checkin", "expected", "at_least_one", "mean_to_first"):
        assert getattr(found, name) == pytest.approx(getattr(wanted, name), rel=rel, abs=1e-300), name


# The project's battery model, section 11 (its own prototype, checked there with 20 million simulated check-ins).
def test_reference_figures_of_independent_losses() -> None:
    found = by_chance(0.1, 3, 8766)
    assert found.per_checkin == pytest.approx(9.0e-4, rel=1e-9)
    assert found.expected == pytest.approx(7.8877, rel=1e-9)
    assert found.at_least_one == pytest.approx(0.99963392, abs=5e-9)
    assert found.mean_to_first == pytest.approx(1110.0, rel=1e-9)
    found = by_chance(0.05, 4, 35064)
    assert found.expected == pytest.approx(0.208175, rel=1e-9)
    assert found.at_least_one == pytest.approx(0.18793960, abs=5e-9)
    assert found.mean_to_first == pytest.approx(168420, rel=1e-9)


def test_reference_figures_of_bursts() -> None:
    found = in_bursts(Gilbert(0.05, 10, 0.01, 0.8), 6, 2000)
    assert found.per_checkin == pytest.approx(2.20075111e-3, abs=5e-12)
    assert found.at_least_one == pytest.approx(0.97371679, abs=5e-9)
    assert found.mean_to_first == pytest.approx(549.8690, abs=5e-5)
    assert in_bursts(Gilbert(0.05, 3, 0, 1), 4, 100).per_checkin == pytest.approx(4.93827160e-3, abs=5e-12)


@pytest.mark.parametrize(
    ("interval_min", "window_min", "loss", "a_year"),
    [(20, 60, 0.01, 2.6), (20, 60, 0.05, 62), (15, 60, 0.01, 0.035), (15, 60, 0.05, 4.2), (10, 60, 0.05, 0.016),
     (60, 240, 0.01, 0.009), (60, 240, 0.05, 1.0), (240, 1440, 0.05, 7e-4)],
)  # fmt: skip
def test_faults_a_year_of_section_8_2(interval_min: int, window_min: int, loss: float, a_year: float) -> None:
    # The table gives one or two digits.
    misses = misses_in_window(window_min * 60, interval_min * 60)
    found = by_chance(loss, misses, 10).per_checkin * 365.25 * 1440 / interval_min
    assert found == pytest.approx(a_year, rel=0.08)


@settings(max_examples=60, deadline=None)
@given(p=st.floats(1e-3, 0.95), misses=st.integers(1, 9), checkins=st.integers(0, 3000))
def test_independent_losses_agree_with_matrices(p: float, misses: int, checkins: int) -> None:
    wanted = brute(np.ones((1, 1)), np.array([p]), np.ones(1), misses, checkins)
    found = by_chance(p, misses, checkins)
    # The matrix way loses digits in its linear equations where a fault is rare; ours does not.
    assume(wanted.mean_to_first < 1e6)
    close(found, wanted, 1e-9)


@st.composite
def paths(draw: st.DrawFn) -> Gilbert:
    good = draw(st.floats(0.0, 0.3))
    bad = draw(st.floats(good + 0.05, 1.0))
    burst = draw(st.floats(1.0, 60.0))
    share = draw(st.floats(0.0, min(0.7, 0.999 * burst / (burst + 1.0))))
    return Gilbert(good + share * (bad - good), burst, good, bad)


@settings(max_examples=100, deadline=None)
@given(path=paths(), misses=st.integers(1, 9), checkins=st.integers(0, 3000))
def test_bursts_agree_with_matrices(path: Gilbert, misses: int, checkins: int) -> None:
    wanted = brute_gilbert(path, misses, checkins)
    assume(wanted.mean_to_first < 1e6)
    close(in_bursts(path, misses, checkins), wanted, 1e-9)


@settings(max_examples=50, deadline=None)
@given(p=st.floats(0.001, 0.99), misses=st.integers(1, 20), checkins=st.integers(0, 500), burst=st.floats(2.0, 100.0))
def test_a_path_that_is_equally_lossy_in_both_states_is_pure_chance(
    p: float, misses: int, checkins: int, burst: float
) -> None:
    # The two states lose the same but for a hair.
    path = Gilbert(p, burst, p * (1 - 1e-13), p * (1 + 1e-13))
    close(in_bursts(path, misses, checkins), by_chance(p, misses, checkins), 1e-8)


def test_a_simulation_with_a_seed_comes_to_the_same() -> None:
    path, misses, checkins, tries = Gilbert(0.15, 4.0, 0.05, 0.9), 3, 60, 40_000
    dice = random.Random(11)
    n_first, n_faults, waits = 0, 0, []
    for _ in range(tries):
        bad, run, faults, first, i = dice.random() < path.share_bad, 0, 0, 0, 0
        while i < checkins or not first:
            i += 1
            bad = dice.random() >= path.to_good if bad else dice.random() < path.to_bad
            run = run + 1 if dice.random() < (path.loss_bad if bad else path.loss_good) else 0
            if run == misses:
                faults += i <= checkins
                first = first or i
        n_first, n_faults = n_first + (first <= checkins), n_faults + faults
        waits.append(first)
    found = in_bursts(path, misses, checkins)
    assert n_first / tries == pytest.approx(found.at_least_one, abs=4 * 0.5 / tries**0.5)
    assert n_faults / tries == pytest.approx(found.expected, rel=0.03)
    assert sum(waits) / tries == pytest.approx(found.mean_to_first, rel=0.03)


def test_very_small_chances_keep_their_digits() -> None:
    found = by_chance(1e-4, 6, 100_000)
    assert found.at_least_one == pytest.approx(found.expected, rel=1e-9)
    assert found.at_least_one == pytest.approx(9.9985e-20, rel=1e-4)


def test_far_beyond_the_settled_stretch_the_rest_is_extrapolated_rightly() -> None:
    # 2^25 check-ins by repeated squaring of the chain.
    path = Gilbert(0.02, 8.0, 0.005, 0.7)
    wanted = brute_gilbert(path, 9, 1000)
    a, g, n = path.to_bad, path.to_good, 1 << 25
    steps, loss = np.array([[1 - a, a], [g, 1 - g]]), np.array([path.loss_good, path.loss_bad])
    whole = np.zeros((19, 19))
    for run in range(9):
        rows = slice(2 * run, 2 * run + 2)
        whole[rows, :2] = steps @ np.diag(1 - loss)
        whole[rows, (18 if run == 8 else 2 * run + 2) : (19 if run == 8 else 2 * run + 4)] = (
            (steps @ loss)[:, None] if run == 8 else steps @ np.diag(loss)
        )
    whole[18, 18] = 1.0
    start = np.zeros(19)
    start[:2] = 1 - path.share_bad, path.share_bad
    survived = 1 - in_bursts(path, 9, 20_000).at_least_one
    assert 1 - (start @ np.linalg.matrix_power(whole, 20_000))[-1] == pytest.approx(survived, rel=1e-9)
    assert in_bursts(path, 9, n).at_least_one == pytest.approx((start @ np.linalg.matrix_power(whole, n))[-1], rel=1e-9)
    assert in_bursts(path, 9, 1000).at_least_one == pytest.approx(wanted.at_least_one, rel=1e-9)


def test_nothing_lost_and_everything_lost() -> None:
    assert by_chance(0.0, 3, 1000) == Nuisance(0.0, 0.0, 0.0, math.inf)
    assert by_chance(1.0, 3, 1000) == Nuisance(0.0, 1.0, 1.0, 3.0)
    assert by_chance(1.0, 3, 2) == Nuisance(0.0, 0.0, 0.0, 3.0)
    assert in_bursts(Gilbert(0.0, 5.0, 0.0, 0.5), 2, 1000) == Nuisance(0.0, 0.0, 0.0, math.inf)


@settings(max_examples=60, deadline=None)
@example(path=Gilbert(5e-324, 1.0, 5e-324, 1.0), misses=1, checkins=0)
@given(path=paths(), misses=st.integers(1, 30), checkins=st.integers(0, 2000))
def test_longer_windows_bring_fewer_faults_and_longer_spans_more(path: Gilbert, misses: int, checkins: int) -> None:
    found, wider = in_bursts(path, misses, checkins), in_bursts(path, misses + 1, checkins)
    more = in_bursts(path, misses, checkins + 100)
    assert 0.0 <= wider.at_least_one <= found.at_least_one * (1 + 1e-12) <= more.at_least_one * (1 + 1e-11) <= 1 + 1e-10
    assert wider.mean_to_first >= found.mean_to_first * (1 - 1e-12)
    assert found.at_least_one <= found.expected * (1 + 1e-9) + 1e-300


@pytest.mark.parametrize(
    ("window_s", "interval_s", "misses"),
    [(3600, 1200, 2), (3600, 900, 3), (3600, 600, 5), (14400, 3600, 3), (86400, 14400, 5), (3600, 3600, 1),
     (600, 3600, 1), (3601, 1200, 3)],
)  # fmt: skip
def test_misses_in_a_window(window_s: int, interval_s: int, misses: int) -> None:
    assert misses_in_window(window_s, interval_s) == misses


BAD = [math.nan, math.inf, -math.inf, -0.1, 1.5]


@pytest.mark.parametrize("p", BAD)
def test_an_impossible_chance_is_refused(p: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        by_chance(p, 3, 10)


@pytest.mark.parametrize(
    "numbers",
    [(0.05, 0.5, 0, 1), (0.9, 1.0, 0.0, 1.0), (0.5, 10, 0.6, 1.0), (0.9, 10, 0, 0.8), (0.8, 10, 0, 0.8),
     (math.nan, 10, 0, 1), (0.05, math.inf, 0, 1), (0.05, 10, -0.1, 1), (0.05, 10, 0, 1.1)],
)  # fmt: skip
def test_an_impossible_path_is_refused(numbers: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match=r"\.$"):
        Gilbert(*numbers)


@pytest.mark.parametrize(("misses", "checkins"), [(0, 10), (-1, 10), (3, -1), (10**9, 10)])
def test_impossible_counts_are_refused(misses: int, checkins: int) -> None:
    with pytest.raises(ValueError, match="check-ins"):
        by_chance(0.1, misses, checkins)
    with pytest.raises(ValueError, match="check-ins"):
        in_bursts(Gilbert(0.1, 2.0), misses, checkins)


@pytest.mark.parametrize(("window_s", "interval_s"), [(0, 60), (60, 0), (math.nan, 60), (60, math.nan), (math.inf, 1)])
def test_an_impossible_window_is_refused(window_s: float, interval_s: float) -> None:
    with pytest.raises(ValueError, match="longer than 0"):
        misses_in_window(window_s, interval_s)


def test_the_check_by_hand_prints_json(capsys: pytest.CaptureFixture[str]) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert supervision.main(["--p", "0.1", "--misses", "3", "--checkins", "8766"]) == 0
        printed = json.loads(capsys.readouterr().out)
        assert printed["expected"] == pytest.approx(7.8877, rel=1e-9)
        assert supervision.main(["--gilbert", "0.05,10,0.01,0.8", "--misses", "6", "--checkins", "2000"]) == 0
        assert json.loads(capsys.readouterr().out)["mean_to_first"] == pytest.approx(549.8690, abs=5e-5)
        assert supervision.main(["--p", "0", "--misses", "3", "--checkins", "10"]) == 0
        assert json.loads(capsys.readouterr().out)["mean_to_first"] is None


@pytest.mark.parametrize(
    "losses",
    [["--p", "1.1"], ["--p", "nan"], ["--gilbert", "0.05,10,0.01"], ["--gilbert", "a,b,c,d"],
     ["--gilbert", "0.9,1,0,1"], ["--p", "0.1", "--checkins", "-5"], ["--p", "0.1", "--misses", "0"],
     ["--p", "0.1", "--checkins", "9" * 400], ["--gilbert", "0.05,10,0.01,0.8", "--checkins", "9" * 400]],
)  # fmt: skip
def test_the_check_by_hand_says_what_cannot_be(losses: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert supervision.main(["--misses", "3", "--checkins", "10", *losses]) == 2
    shown = capsys.readouterr()
    assert shown.err.strip()
    assert not shown.out


@pytest.mark.parametrize("words", [["--p", "x"], [], ["--p", "0.1", "--gilbert", "1,2,3,4"]])
def test_words_that_are_no_numbers_end_with_2_as_well(words: list[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        supervision.main(["--misses", "3", "--checkins", "10", *words])
    assert stopped.value.code == 2
