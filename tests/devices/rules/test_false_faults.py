"""What a record says of one window: floors, exact limits, the two readings of quarter hours, and faults that deny a figure."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, nbinom

from devices.rules.false_faults import (
    EACH_SIDE,
    FalseFaults,
    cries_wolf,
    false_faults,
    is_denied,
    is_exceeded,
    run_limits,
    upper_limit,
)
from devices.rules.nuisance import by_chance, misses_in_window
from devices.rules.radio_record import RadioRecord, Watched, faults_a_year

HOUR, QUARTER, YEAR = 3600, 900, 365.25 * 86400
TODAY = date(2026, 11, 26)
SINCE = date(2026, 8, 28)
SINGLES = RadioRecord(84, 950, 931, 19, SINCE)
"""19 losses in 19 runs, 2 in 100."""


def watched(n_missing: int, n_days: int = 90) -> Watched:
    return Watched(n_missing, SINCE, n_days, is_whole=n_days == 90)


# A tester's case: "less than one in 1,000 years" was said where losses one by one give ten a year.
def test_losses_that_were_all_single_promise_no_quiet() -> None:
    assert faults_a_year(0.02, 1.0, HOUR, 1200) == pytest.approx(0.98 * 0.02**2 * YEAR / 1200, rel=1e-9)
    assert false_faults(SINGLES, HOUR, 1200).for_sure == pytest.approx(10.3, abs=0.05)


@given(
    st.integers(100, 5000), st.floats(0, 0.6), st.floats(0, 1),
    st.sampled_from([900, 1200, 3600, 14400]), st.sampled_from([3600, 7200, 14400, 86400]),
)  # fmt: skip
def test_no_record_gives_less_than_losses_one_by_one_nor_at_most_less_than_expected(
    expected: int, share: float, part: float, interval_s: int, window_s: int
) -> None:
    lost = round(expected * share)
    record = RadioRecord(90, expected, expected - lost, round(lost * part), SINCE)
    rates = false_faults(record, window_s, interval_s)
    alone = by_chance(record.share, misses_in_window(window_s, interval_s), 0).per_checkin * YEAR / interval_s
    assert rates.at_most is not None
    assert alone * (1 - 1e-12) <= rates.for_sure <= rates.at_most * (1 + 1e-12)


@pytest.mark.parametrize(("hits", "n"), [(0, 20), (1, 29), (15, 148), (19, 931)])
def test_the_upper_limit_is_where_so_few_hits_become_improbable(hits: int, n: int) -> None:
    assert binom.cdf(hits, n, upper_limit(hits, n)) == pytest.approx(EACH_SIDE, rel=1e-6)


def test_of_nothing_any_share_is_left_open() -> None:
    assert upper_limit(0, 0) == upper_limit(4, 4) == 1.0


@pytest.mark.parametrize(("lost", "runs"), [(40, 20), (20, 1), (120, 60), (21, 20)])
def test_limits_of_a_mean_run_are_where_such_a_total_becomes_improbable(lost: int, runs: int) -> None:
    low, high = run_limits(lost, runs)
    # The total of so many geometric runs, less one loss each, is negative binomial.
    assert nbinom.cdf(lost - runs, runs, 1 / high) == pytest.approx(EACH_SIDE, rel=1e-6)
    assert nbinom.sf(lost - runs - 1, runs, 1 / low) == pytest.approx(EACH_SIDE, rel=1e-6)
    assert low < lost / runs < high


def test_runs_of_single_losses_leave_longer_ones_open() -> None:
    assert run_limits(19, 19) == pytest.approx((1.0, 0.025 ** (-1 / 19)), rel=1e-9)
    assert run_limits(0, 0) == (1.0, float("inf"))
    with pytest.raises(ValueError, match="at least one loss"):
        run_limits(2, 3)


# The tester's other half: at most must hold a mean burst of 1.17, which the record does not exclude (1.4 a year for 2 h).
def test_at_most_holds_the_runs_that_the_record_leaves_open() -> None:
    at_most = false_faults(SINGLES, 2 * HOUR, 1200).at_most
    assert at_most is not None
    assert at_most > 0.02 / 1.17 * (1 - 1 / 1.17) ** 4 * YEAR / 1200
    assert at_most > 0.5


def test_a_record_without_any_loss_leaves_open_what_its_length_does() -> None:
    clean = RadioRecord(84, 2000, 2000, 0, SINCE)
    rates = false_faults(clean, 4 * HOUR, HOUR)
    assert rates.for_sure == 0.0
    assert rates.at_most is not None
    # No loss in 2,000 leaves 3.7 runs of any length open in that time, 16 a year.
    assert 10 < rates.at_most < 3.7 / 2000 * 8766
    later = false_faults(replace(clean, expected=20_000, heard=20_000), 4 * HOUR, HOUR).at_most
    assert later is not None
    assert later < rates.at_most / 5


@settings(max_examples=30)
@given(st.integers(0, 10_000))
def test_in_a_chain_of_runs_at_most_holds_the_truth(seed: int) -> None:
    """Runs of losses of a known chain: the limit must lie above the true rate, but for a few in a hundred (none of these)."""
    chance = random.Random(seed)
    begin, end, n, misses = 0.01, 0.6, 4000, 3
    lost = runs = 0
    is_lost = False
    for _ in range(n):
        was, is_lost = is_lost, chance.random() < (1 - end if is_lost else begin)
        lost, runs = lost + is_lost, runs + (is_lost and not was)
    truth = end * begin / (begin + end) * (1 - end) ** (misses - 1) * YEAR / HOUR
    at_most = false_faults(RadioRecord(90, n, n - lost, runs, SINCE), 4 * HOUR, HOUR).at_most
    assert at_most is not None
    assert at_most > 0.8 * truth


def empty(quarters: int, runs: int | None = None) -> RadioRecord:
    """Ninety days of check-ins by the quarter hour."""
    return RadioRecord(90, 8640, 8640 - quarters, quarters if runs is None else runs, SINCE)


# Check-ins every 10 min with 1 in 200 lost leave an empty quarter hour 87 times a year, and never a gap over 30 min.
def test_one_empty_quarter_hour_is_no_gap_of_half_an_hour() -> None:
    rates = false_faults(empty(22), 2 * QUARTER, 600)
    assert (rates.misses, rates.by_quarter) == (2, True)
    assert rates.for_sure < 1
    assert rates.up_to == pytest.approx(89, abs=1)
    assert cries_wolf(rates) is None


@pytest.mark.parametrize("seed", range(5))
def test_the_two_readings_hold_what_simulated_check_ins_do(seed: int) -> None:
    """Two years of check-ins every 4 min in bursts of losses, window 60 min: counted by gaps, and read by the quarter hour."""
    chance, step, window = random.Random(seed), 240, 4 * QUARTER
    n = 2 * 365 * 86400 // step
    last, faults, is_bad = 0, 0, False
    quarters = bytearray(n * step // QUARTER)
    for i in range(n):
        is_bad = chance.random() < (0.93 if is_bad else 0.0005)
        if not is_bad:
            at = i * step + 100
            faults += at - last > window
            last, quarters[at // QUARTER] = at, 1
    runs = [len(run) for run in bytes(quarters).split(b"\1") if run]
    record = RadioRecord(730, len(quarters), sum(quarters), len(runs), SINCE)
    rates = false_faults(record, window, step)
    assert rates.up_to is not None
    # The readings are expected numbers: the counted one may lie outside by chance, but not by half.
    assert 0.5 * rates.for_sure < faults / 2 < 1.5 * rates.up_to
    assert sum(run >= 4 for run in runs) <= faults <= sum(run >= 3 for run in runs)


def test_windows_under_half_an_hour_have_no_upper_reading() -> None:
    rates = false_faults(empty(4), 180, 60)
    assert (rates.misses, rates.up_to, rates.at_most) == (2, None, None)
    assert cries_wolf(false_faults(empty(0), 180, 60)) is None


def test_an_empty_quarter_hour_is_a_fault_of_a_shorter_window_for_sure() -> None:
    record = empty(22)
    assert cries_wolf(false_faults(record, QUARTER, 600)) is True
    assert cries_wolf(false_faults(record, 180, 60)) is True


def test_check_ins_every_quarter_hour_or_less_often_have_one_reading() -> None:
    rates = false_faults(SINGLES, HOUR, QUARTER)
    assert rates.up_to == rates.for_sure
    assert not rates.by_quarter


def test_a_window_quiet_by_the_upper_reading_is_quiet() -> None:
    assert cries_wolf(false_faults(empty(22), 4 * HOUR, 600)) is False


@pytest.mark.parametrize(
    ("a_year", "n_missing", "n_days", "denied"),
    # e^-3 is .0498: three expected and none seen is just enough.
    [(50.0, 0, 90, True), (2.0, 0, 90, False), (3.0 / 90 * 365.25 * 1.01, 0, 90, True), (11.0, 0, 90, False),
     (50.0, 11, 90, False), (50.0, 4, 90, True), (50.0, 0, 14, False)],
)  # fmt: skip
def test_too_few_faults_on_record_deny_a_figure(a_year: float, n_missing: int, n_days: int, denied: bool) -> None:
    assert is_denied(a_year, replace(SINGLES, n_days=90), watched(n_missing, n_days)) is denied


def test_where_nobody_looked_for_silence_nothing_is_denied() -> None:
    assert not is_denied(1000.0, SINGLES, None)


def test_faults_on_record_are_said_with_their_span() -> None:
    assert watched(0).words(TODAY) == "no missing fault in the last 90 days"
    assert watched(1, 40).words(TODAY) == "1 missing fault since 28 August"


RARE = FalseFaults(3, 0.25, 0.25, 4.0)


@pytest.mark.parametrize(
    ("rates", "n_missing", "exceeded"),
    # At 0.25 a year 90 days hold .062: two of them have a chance of .0018. One may be true: at 4 a year it has .63.
    [(RARE, 7, True), (RARE, 2, True), (RARE, 1, False), (RARE, 0, False), (FalseFaults(23, 0.0, 0.0, 0.1), 1, True),
     (FalseFaults(3, 20.0, 20.0, 40.0), 7, False), (FalseFaults(2, 0.1, None, None), 7, False)],
)  # fmt: skip
def test_more_faults_on_record_than_the_figures_explain(rates: FalseFaults, n_missing: int, exceeded: bool) -> None:
    assert is_exceeded(rates, watched(n_missing)) is exceeded


def test_where_nobody_looked_for_silence_nothing_is_exceeded() -> None:
    assert not is_exceeded(RARE, None)
