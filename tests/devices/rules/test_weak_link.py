"""Weak links: one day's arithmetic against a plain loop, outages, freezing, thresholds, and the simulated world with a seed."""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from devices.rules import weak_link as rule
from devices.rules.weak_link import DayCounts, Links, add_up, compare, grade, spread, thresholds, unknown_links
from tests.benchmarks import weak_links as world


def day(heard: list[int], expected: list[int], receiver: list[int] | None = None, per_day: float = 24.0) -> DayCounts:
    n = len(heard)
    nothing = np.zeros(n, dtype=np.int64)
    return DayCounts(
        np.array(receiver or [1] * n), np.array(heard), np.array(expected), np.full(n, per_day), nothing, nothing
    )


def plain(links: Links, counts: DayCounts) -> tuple[list[float], dict[int, float]]:
    """Section 8.1 transmitter by transmitter, without the division by φ: another road to the same numbers."""
    n, base = len(links.score), links.share
    rho = {
        i: min(counts.heard[i], counts.expected[i]) / (counts.expected[i] * base[i])
        for i in range(n)
        if counts.expected[i]
    }
    said, outages = [], {}
    for i in range(n):
        here = [rho[j] for j in rho if counts.receiver[j] == counts.receiver[i]]
        if i not in rho:
            said.append(0.0)
            continue
        out = statistics.median(here) < 0.75 if len(here) >= 3 else max(here) == 0.0
        if out:
            outages[int(counts.receiver[i])] = statistics.median(here)
            said.append(0.0)
            continue
        others = [rho[j] for j in rho if counts.receiver[j] == counts.receiver[i] and j != i]
        factor = min(max(statistics.median(others), 0.0), 1.0) if others else 1.0
        p0 = min(max(base[i] * factor, 0.02), 0.995)
        p1 = p0 / (p0 + 4 * (1 - p0))
        k, of = min(counts.heard[i], counts.expected[i]), counts.expected[i]
        said.append(k * math.log(p1 / p0) + (of - k) * math.log((1 - p1) / (1 - p0)))
    return said, outages


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(1, 4), st.integers(0, 30), st.sampled_from([0, 4, 24, 24]), st.integers(0, 200)),
        min_size=1, max_size=25,
    ),
    st.floats(1.0, 4.0),
)  # fmt: skip
def test_a_day_agrees_with_the_sums_done_one_by_one(rows: list[tuple[int, int, int, int]], phi: float) -> None:
    known = np.array([float(row[3]) for row in rows])
    links = Links(np.zeros(len(rows)), known * 0.9, known, np.full(len(rows), 5))
    counts = day([row[1] for row in rows], [row[2] for row in rows], [row[0] for row in rows])
    compared = compare(links, counts)
    faded = replace(links, heard=compared.learnt.heard, expected=compared.learnt.expected)
    said, outages = plain(faded, counts)
    after = add_up(compared, counts, phi, 9)
    wanted = [max(0.0, min(one / phi, 6.0)) for one in said]
    assert after.score == pytest.approx(wanted, rel=1e-9, abs=1e-12)
    assert compared.outages == pytest.approx(outages)


def test_the_order_of_the_transmitters_changes_nothing() -> None:
    rng = np.random.default_rng(3)
    n = 200
    counts = DayCounts(
        rng.integers(0, 30, n), rng.integers(0, 25, n), rng.choice([0, 24], n), np.full(n, 24.0),
        rng.integers(0, 24, n), np.full(n, 24),
    )  # fmt: skip
    links = Links(rng.uniform(0, 25, n), rng.uniform(0, 900, n), np.full(n, 1000.0), np.full(n, 3))
    turn = rng.permutation(n)
    turned = DayCounts(*(getattr(counts, name)[turn] for name in DayCounts.__slots__))
    one = add_up(compare(links, counts), counts, 1.4, 9)
    two = add_up(
        compare(Links(*(getattr(links, name)[turn] for name in Links.__slots__)), turned), turned, 1.4, 9
    )  # fmt: skip
    assert two.score == pytest.approx(one.score[turn], rel=1e-12)
    assert (two.fine_on == one.fine_on[turn]).all()


def test_nothing_known_begins_at_nineteen_of_twenty() -> None:
    assert unknown_links(2).share.tolist() == [0.95, 0.95]


def test_a_day_in_which_most_of_a_receiver_is_silent_blames_nobody() -> None:
    counts = day([0, 2, 1, 24], [24] * 4)
    compared = compare(unknown_links(4), counts)
    assert list(compared.outages) == [1]
    assert compared.n == 0
    assert add_up(compared, counts, 1.0, 9).score.tolist() == [0.0] * 4


def test_one_weak_transmitter_among_sound_ones_is_no_outage() -> None:
    counts = day([5, 24, 24, 23], [24] * 4)
    compared = compare(unknown_links(4), counts)
    assert not compared.outages
    score = add_up(compared, counts, 1.0, 9).score
    assert score[0] == rule.MOST_A_DAY
    assert score[1:].tolist() == [0.0] * 3


def test_interference_that_meets_all_alike_blames_nobody() -> None:
    counts = day([19, 19, 20, 19], [24] * 4)
    blind = compare(unknown_links(4), counts, with_neighbours=False)
    seeing = compare(unknown_links(4), counts)
    assert add_up(blind, counts, 1.0, 9).score.max() > 1.0
    assert add_up(seeing, counts, 1.0, 9).score.max() < 0.1


def test_of_one_or_two_transmitters_only_a_day_without_any_check_in_is_an_outage() -> None:
    assert not compare(unknown_links(1), day([10], [24])).outages
    assert compare(unknown_links(1), day([0], [24])).outages == {1: 0.0}
    assert not compare(unknown_links(2), day([0, 24], [24, 24])).outages


def test_a_day_on_which_nothing_was_expected_leaves_the_score_alone() -> None:
    links = Links(np.array([7.0]), np.array([90.0]), np.array([100.0]), np.array([4]))
    counts = day([0], [0])
    after = add_up(compare(links, counts), counts, 1.0, 9)
    assert after.score.tolist() == [7.0]
    assert after.fine_on.tolist() == [4]


def test_what_is_suspected_is_not_learnt_as_usual() -> None:
    n = 2
    links = Links(np.array([9.9, 10.1]), np.full(n, 500.0), np.full(n, 520.0), np.array([4, 4]))
    counts = replace(day([24, 24], [24, 24]), heard_then=np.array([12, 12]), expected_then=np.array([24, 24]))
    learnt = compare(links, counts).learnt
    assert learnt.expected[1] == 520.0
    assert learnt.heard[1] == 500.0
    assert learnt.expected[0] == pytest.approx(520 * math.exp(-1 / 60) + 24)
    assert learnt.heard[0] == pytest.approx(500 * math.exp(-1 / 60) + 12)


def test_the_onset_is_the_last_day_without_suspicion() -> None:
    links, fine = unknown_links(3), [24, 24, 24]
    for number, heard in enumerate([fine, fine, [15, 24, 24], [14, 24, 24], [16, 24, 24], [15, 24, 24], [15, 24, 24]]):
        counts = day(heard, [24] * 3)
        links = add_up(compare(links, counts), counts, 1.0, number)
    amber, _ = grade(links.score, counts.per_day, np.zeros(3, dtype=bool))
    assert amber.tolist() == [True, False, False]
    assert links.fine_on.tolist() == [1, 6, 6]


def test_a_fall_from_the_first_day_on_is_dated_before_it() -> None:
    counts = day([10, 24, 24], [24] * 3)
    assert add_up(compare(unknown_links(3), counts), counts, 1.0, 40).fine_on.tolist() == [39, 40, 40]


def test_few_check_ins_a_day_are_judged_by_lower_thresholds() -> None:
    amber, red = thresholds(np.array([4.0, 8.0, 9.0, 96.0]))
    assert amber.tolist() == [12.0, 12.0, 20.0, 20.0]
    assert red.tolist() == [18.0, 18.0, 30.0, 30.0]


def test_a_link_called_weak_stays_so_until_half_the_threshold() -> None:
    score, per_day = np.array([20.1, 15.0, 9.9, 15.0, 31.0]), np.full(5, 24.0)
    amber, red = grade(score, per_day, np.array([False, True, True, False, False]))
    assert amber.tolist() == [True, True, False, False, True]
    assert red.tolist() == [False, False, False, False, True]


def test_a_mended_link_is_found_to_be_mended_within_a_month() -> None:
    links = Links(np.array([36.0, 0, 0]), np.full(3, 970.0), np.full(3, 1000.0), np.array([1, 1, 1]))
    counts, weak, days = day([24, 24, 24], [24] * 3), np.array([True, False, False]), 0
    while weak[0]:
        links = add_up(compare(links, counts), counts, 1.45, days)
        weak, _ = grade(links.score, counts.per_day, weak)
        days += 1
    assert 5 < days < 31


def test_the_spread_is_never_less_than_chance_alone() -> None:
    assert spread(0.0, 0) == 1.0
    assert spread(50.0, 100) == 1.0
    assert spread(150.0, 100) == 1.5


@pytest.mark.parametrize("phi", [0.9, 0.0, float("nan")])
def test_a_spread_below_chance_is_refused(phi: float) -> None:
    counts = day([24], [24])
    with pytest.raises(ValueError, match="1 or more"):
        add_up(compare(unknown_links(1), counts), counts, phi, 1)


def test_counts_below_nothing_are_refused() -> None:
    with pytest.raises(ValueError, match="fewer than none"):
        compare(unknown_links(1), day([-1], [24]))


def test_more_heard_than_expected_counts_as_all() -> None:
    counts = day([30], [24])
    assert add_up(compare(unknown_links(1), counts), counts, 1.0, 1).score.tolist() == [0.0]


# Acceptance 7 of the battery model, small; `python -m tests.benchmarks.weak_links` does it large.
def test_the_simulated_world_with_a_seed_meets_the_acceptance() -> None:
    small = world.World(sites=12, years=1.5)
    found, blind = world.run(small, 4), world.run(small, 4, with_neighbours=False)
    assert found.years > 300
    assert found.false_a_year <= 0.03
    assert len(found.days_to[0.8]) > 15
    assert found.within(0.8) >= 0.93
    assert blind.false_a_year >= 8 * max(found.false_a_year, 0.01)


def test_a_total_outage_raises_nobody() -> None:
    assert world.total_outage(world.World(sites=6), 4) == 0


@pytest.mark.parametrize(
    ("quarters", "heard", "interval_s", "expected"),
    [((36, 40, 64), 3, 3600, 8), ((36,), 1, 3600, 1), ((), 0, 3600, 0), ((), 20, 3600, 20), (range(96), 96, 60, 24),
     ((0, 95), 2, 3600, 24), ((3, 51), 2, 21600, 3)],
)  # fmt: skip
def test_of_what_leaves_the_site_the_day_is_from_its_first_check_in_to_its_last(
    quarters: Iterable[int], heard: int, interval_s: int, expected: int
) -> None:
    bits = sum(1 << quarter for quarter in quarters)
    assert rule.expected_between(bits, heard, 24, interval_s) == expected
