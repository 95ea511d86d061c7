"""Advice on supervision windows: published intervals and runs, exact faults a year, what fits and what is said of it."""

from __future__ import annotations

import math
from datetime import date
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from devices.rules.nuisance import by_chance
from devices.rules.radio_record import RadioRecord, Watched, faults_a_year, rate_words, wilson
from devices.rules.window_advice import Ask, advise, judge_windows

HOUR = 3600
OFFERED = (HOUR, 4 * HOUR, 12 * HOUR, 24 * HOUR)
SINCE = date(2026, 8, 27)


def record(lost: int = 20, runs: int = 18, expected: int = 2000, days: int = 84) -> RadioRecord:
    return RadioRecord(days, expected, expected - lost, runs, SINCE)


def ask(
    window_s: int | None = 4 * HOUR, interval_s: int = HOUR, longest_s: int | None = 24 * HOUR, **over: object
) -> Ask:
    return Ask(**({"window_s": window_s, "interval_s": interval_s, "offered_s": OFFERED, "longest_s": longest_s,
                   "duty": "security", "source": "own suggestion"} | over))  # type: ignore[arg-type]  # fmt: skip


# The project's trade facts, T23 and T24: a public statistics page gives these digits for z = 1.96 exactly.
@pytest.mark.parametrize(
    ("hits", "n", "low", "high"),
    [(10, 14, 0.4535045882751561, 0.882788120898909), (430, 474, 0.8776750858242243, 0.9301239839930541)],
)
def test_wilson_interval_of_published_cases(hits: int, n: int, low: float, high: float) -> None:
    assert wilson(hits, n, 1.96) == pytest.approx((low, high), abs=1e-9)


# Newcombe, Statistics in Medicine 17 (1998), table I, as the trade facts quote it (from memory there).
@pytest.mark.parametrize(
    ("hits", "n", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_interval_of_a_textbook_table(hits: int, n: int, low: float, high: float) -> None:
    assert wilson(hits, n, 1.959964) == pytest.approx((low, high), abs=5e-5)


# T25: a run of three heads or more in eight tosses of a fair coin, 107/256 (a public reference page; Feller 1968 there).
def test_a_run_of_three_in_eight_fair_tosses() -> None:
    assert by_chance(0.5, 3, 8).at_least_one == pytest.approx(float(Fraction(107, 256)), abs=1e-15)


# De Moivre's case, recomputed in the trade facts.
def test_a_run_of_three_in_ten_fair_tosses() -> None:
    assert by_chance(0.5, 3, 10).at_least_one == pytest.approx(520 / 1024, abs=1e-15)


# Trade facts, 4.4: hourly check-ins for a year, a fault after four misses.
@pytest.mark.parametrize(("loss", "chance"), [(0.01, 0.00009), (0.05, 0.051), (0.10, 0.545)])
def test_a_year_of_hourly_check_ins(loss: float, chance: float) -> None:
    assert by_chance(loss, 4, 8760).at_least_one == pytest.approx(chance, rel=0.04)


@pytest.mark.parametrize(("hits", "n"), [(1, 0), (5, 4), (-1, 4)])
def test_a_share_of_nothing_is_refused(hits: int, n: int) -> None:
    with pytest.raises(ValueError, match="among"):
        wilson(hits, n)


@given(st.integers(1, 5000), st.floats(0, 1))
def test_the_interval_holds_the_share_and_stays_within_bounds(n: int, share: float) -> None:
    hits = round(share * n)
    low, high = wilson(hits, n)
    assert 0 <= low <= hits / n <= high <= 1


def test_bursts_by_the_formula_of_runs_of_losses() -> None:
    # With everything lost in a bad spell and nothing else, runs are geometric: share / burst × (1 − 1/burst)^(m − 1).
    wanted = 0.05 / 3 * (2 / 3) ** 3 * 365.25 * 24
    assert faults_a_year(0.05, 3.0, 5 * HOUR, HOUR) == pytest.approx(wanted, rel=1e-9)
    # Battery model, section 11: 4.93827160e-3 per check-in.
    assert faults_a_year(0.05, 3.0, 5 * HOUR, HOUR) == pytest.approx(4.93827160e-3 * 8766, rel=1e-8)


def test_without_a_burst_length_each_is_lost_by_itself_which_is_a_floor() -> None:
    alone, bursty = faults_a_year(0.05, None, 4 * HOUR, HOUR), faults_a_year(0.05, 2.0, 4 * HOUR, HOUR)
    assert alone == pytest.approx(0.95 * 0.05**3 * 8766, rel=1e-9)
    assert bursty is not None
    assert bursty > 10 * alone


def test_more_loss_than_its_bursts_leave_room_for_is_no_error() -> None:
    assert faults_a_year(0.9, 1.0, 4 * HOUR, HOUR) is not None
    assert faults_a_year(1.0, None, 4 * HOUR, HOUR) == 0.0


def test_of_closer_check_ins_only_gaps_that_are_certain_count() -> None:
    # Four empty quarter hours in a row are a gap of more than an hour for sure.
    assert faults_a_year(0.01, None, 3600, 60) == pytest.approx(0.99 * 0.01**4 * 365.25 * 96, rel=1e-9)
    assert faults_a_year(0.01, 2.0, 1800, 60) == pytest.approx(0.005 * 0.5 * 365.25 * 96, rel=1e-9)


def by_quarter(empty: int) -> RadioRecord:
    return RadioRecord(90, 8640, 8640 - empty, empty, SINCE)


# A tester's case: check-ins every 10 min, window 30 min, one empty quarter hour now and then; it was called crying wolf.
def test_what_quarter_hours_leave_open_is_not_called_crying_wolf_and_nothing_longer_is_advised() -> None:
    advice = advise(by_quarter(22), ask(window_s=1800, interval_s=600, offered_s=(900, 1800, 3600)))
    assert advice.code == "unknown"
    assert advice.window_s is None
    assert advice.headline == "How often 30 min would call a sound transmitter missing here cannot be told."
    assert advice.reasons[1] == "The shortest that its record shows to be quiet: 60 min."
    short, half, hour = advice.options
    assert short.verdict == "shorter than two check-ins; would call a sound transmitter missing more than once a year"
    assert half.verdict == (
        "the record keeps quarter hours: it cannot tell whether the gaps were long enough for a fault"
    )
    assert half.expected_words == "between about one in 4 years and about 89 a year"
    assert (half.misses, hour.fits) == (2, True)


def test_windows_that_quarter_hours_cannot_judge_are_said_plainly() -> None:
    advice = advise(by_quarter(0), ask(window_s=180, interval_s=60, offered_s=(180, 3600)))
    assert advice.options[0].verdict == "the record keeps quarter hours: it cannot judge windows under 30 min"
    assert (advice.options[0].misses, advice.options[0].a_year, advice.options[0].most_words) == (2, None, "")
    assert advice.code == "unknown"


@pytest.mark.parametrize("longest_s", [HOUR // 4, None])
def test_a_window_longer_than_asked_gives_way_though_its_record_cannot_tell(longest_s: int | None) -> None:
    windows = ask(window_s=1800, interval_s=600, offered_s=(3600, 1800), longest_s=longest_s)
    assert advise(by_quarter(22), windows).code == "unknown"


def test_faults_on_record_that_deny_the_figure_stop_the_advice_to_change() -> None:
    lossy, seen = record(lost=60, runs=30), Watched(0, SINCE, 84)
    assert advise(lossy, ask()).code == "change"
    advice = advise(lossy, ask(), seen, date(2026, 11, 26))
    assert (advice.code, advice.window_s) == ("unknown", None)
    assert advice.options[1].is_denied
    assert advice.reasons[1].startswith(
        "By its losses 8 missing faults would have been expected over these days; on record: no missing fault since"
    )
    # A shorter window than the one in use would have had more.
    assert not advice.options[0].is_denied
    windows = ask(offered_s=(HOUR, 4 * HOUR, 8 * HOUR, 24 * HOUR))
    denied = advise(record(lost=200, runs=100), windows, Watched(0, SINCE, 84)).options
    # What the losses say of a longer window is no better than what they say of the one in use; what they call quiet is.
    assert [(one.is_denied, one.is_quiet) for one in denied] == [
        (False, False),
        (True, None),
        (True, None),
        (False, True),
    ]
    assert advise(lossy, ask(), Watched(7, SINCE, 84)).code == "change"


# A tester's case: the finding calls supervision of what leaves the site wrong, and the adviser said "Set the window to 24 h."
def test_what_leaves_the_site_is_advised_no_window_as_the_findings_have_it() -> None:
    advice = advise(record(lost=60, runs=30), ask(is_portable=True))
    assert (advice.code, advice.window_s) == ("off", 0)
    assert advice.headline == "It leaves the site: supervision off is right for it."
    assert not any(one.fits or one.is_over_duty for one in advice.options)
    assert {one.verdict for one in advice.options} == {"would raise a fault whenever it is carried out of range"}
    assert all(one.rates is None and not one.expected_words and not one.most_words for one in advice.options)


def test_the_limit_of_the_duty_is_named_for_what_leaves_the_site_too() -> None:
    reasons = advise(record(), ask(is_portable=True)).reasons
    assert reasons[-1] == (
        "For security a window of at most 24 h is asked (suggested by this software until a manager sets a figure); that "
        "does not bind what leaves the site."
    )
    assert not any("No longest window" in reason for reason in reasons)


def test_supervision_that_is_off_is_right_and_one_that_cannot_be_switched_off_is_said() -> None:
    off = advise(RadioRecord(), ask(window_s=0, is_portable=True, interval_s=0))
    assert (off.code, off.window_s, off.options) == ("off", None, ())
    assert off.headline == "It leaves the site: that its supervision is off is right."
    stuck = advise(record(), ask(is_portable=True, can_switch_off=False))
    assert stuck.window_s is None
    assert "cannot switch the supervision of one slot off" in stuck.reasons[1]


def test_a_window_against_the_duty_or_for_what_leaves_the_site_needs_a_reason() -> None:
    limited = ask(longest_s=4 * HOUR)
    assert [limited.needs_reason(window_s) for window_s in (0, HOUR, 4 * HOUR, 12 * HOUR)] == [
        False,
        False,
        False,
        True,
    ]
    assert ask(is_portable=True).needs_reason(HOUR)
    assert not ask(is_portable=True).needs_reason(0)


def test_a_quiet_window_that_is_short_enough_stays() -> None:
    advice = advise(record(lost=10, runs=10), ask())
    assert advice.code == "keep"
    assert advice.headline == "The window of 4 h may stay."
    assert advice.reasons[0] == (
        "With 4 h a working transmitter is called missing once 3 check-ins in a row of it are lost. Expected: about one in 920 years."
    )
    assert (
        advice.options[0].verdict
        == "shorter than two check-ins; would call a sound transmitter missing more than once a year"
    )


def test_a_window_that_cries_wolf_gives_way_to_the_shortest_that_does_not() -> None:
    advice = advise(record(lost=60, runs=30), ask())
    assert (advice.code, advice.window_s) == ("change", 12 * HOUR)
    assert "The window in use, 4 h: would call a sound transmitter missing more than once a year." in advice.reasons
    assert (
        "For security a window of at most 24 h is asked (suggested by this software until a manager sets a figure)."
        in (advice.reasons)
    )
    assert "is asked (asked by: the owner)." in advise(record(lost=60, runs=30), ask(source="the owner")).reasons[-1]


def test_where_only_too_long_windows_are_quiet_a_better_path_comes_first() -> None:
    advice = advise(record(lost=60, runs=30), ask(longest_s=4 * HOUR))
    assert advice.code == "path"
    assert advice.window_s is None
    assert advice.reasons[0] == "Only 12 h or longer would be quiet, and that is longer than the duty asks."
    assert any("reading" in reason for reason in advice.reasons)
    assert any("repeater" in reason for reason in advice.reasons)


def test_where_fades_last_half_a_day_no_window_is_quiet() -> None:
    advice = advise(record(lost=400, runs=20), ask())
    assert advice.code == "path"
    assert advice.reasons[0].startswith("Every window that the receiver offers")


@pytest.mark.parametrize("short", [record(days=13), record(lost=1, runs=1, expected=99), RadioRecord()])
def test_too_short_a_record_advises_nothing(short: RadioRecord) -> None:
    advice = advise(short, ask())
    assert advice.code == "unknown"
    assert all(one.a_year is None and one.is_quiet is None and not one.fits for one in advice.options)
    assert "needs 14 days and 100" in advice.reasons[0]


def test_no_offered_window_known_still_judges_the_one_in_use() -> None:
    assert [one.window_s for one in judge_windows(record(), ask(offered_s=()))] == [4 * HOUR]
    assert advise(record(), ask(window_s=None, offered_s=())).code == "unknown"


def test_what_is_not_supervised_is_told_the_shortest_that_fits() -> None:
    advice = advise(record(lost=2, runs=2), ask(window_s=0))
    assert (advice.code, advice.window_s) == ("change", 4 * HOUR)
    assert not any("window in use" in reason for reason in advice.reasons)


def test_a_record_without_any_loss_expects_no_fault_and_says_at_most_how_many() -> None:
    one = next(one for one in judge_windows(record(lost=0, runs=0), ask()) if one.is_current)
    assert one.a_year == 0.0
    assert one.fits
    assert one.expected_words == "less than one in 1,000 years"
    assert one.most_words == "about 14 a year"


@pytest.mark.parametrize(
    ("a_year", "words"),
    [(1234.0, "about 1,200 a year"), (62.0, "about 62 a year"), (3.2, "about 3 a year"), (1.2, "a little over one a year"), (1.0, "about one a year"),
     (0.5, "about one in 2 years"), (0.025, "about one in 40 years"), (0.0012, "about one in 830 years"),
     (1e-7, "less than one in 1,000 years"), (0.0, "less than one in 1,000 years")],
)  # fmt: skip
def test_rates_are_said_as_people_count(a_year: float, words: str) -> None:
    assert rate_words(a_year) == words


@given(st.floats(0, 1e6))
def test_every_rate_can_be_said(a_year: float) -> None:
    assert rate_words(a_year)
    assert math.isfinite(a_year)
