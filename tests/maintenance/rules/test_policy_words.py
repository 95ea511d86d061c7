"""What a policy costs: the sums behind a page, and their words."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from maintenance.rules.battery.fleet import Batteries, Strata, fit_fleet
from maintenance.rules.battery.limits import fleet_limits
from maintenance.rules.battery.price import CURVE_Q, levels
from maintenance.rules.charts_policy import nice_step, policy_chart
from maintenance.rules.policy_words import (
    Bill,
    Service,
    against_words,
    bills,
    curve_bills,
    level_odds,
    promise_words,
    yearly_words,
)

FAR = 1e9


@pytest.fixture(scope="module")
def fit():
    lives = [0.7, 0.8, 0.85, 0.9, 1.0, 0.75, 0.95, 0.6]
    return fit_fleet(Batteries.of([0] * 8, lives, 0.0, [1] * 7 + [0]), Strata.alike(2))


def service(n=(100.0, 0.0), rate=0.001):
    return Service(np.array(n), np.array([rate, rate]), np.array([2.0, 1.0]))


SHARE = np.array([0.5, 1.0])


def test_a_more_careful_level_uses_more_cells_and_leaves_fewer_dead(fit):
    shares = [(level.p_dead, level.p_call) for level in levels("security")]
    cautious, balanced, thrifty = bills(fit, SHARE, service(), shares, cap_days=FAR)
    assert cautious.cells > balanced.cells > thrifty.cells > 0
    assert cautious.dead < balanced.dead < thrifty.dead
    assert cautious.calls == pytest.approx(cautious.dead), "half of the ends come unannounced here"


def test_a_fleet_of_one_kind_costs_what_its_limit_and_survival_say(fit):
    ((p_dead, p_call),) = [(0.03, 0.15)]
    (bill,) = bills(fit, SHARE, service(), [(p_dead, p_call)], cap_days=FAR)
    u = fleet_limits(fit, [p_dead], [p_call], SHARE).u[0, 0]
    # By the trapezoid rule, which shares no code with the page's sums.
    grid = np.linspace(0.0, u, 20_001)
    used = np.trapezoid(1.0 - fit.failed(np.zeros(len(grid), dtype=np.int64), grid), grid)
    changes = 100 * 0.001 * 365.25 / used
    assert bill.cells == pytest.approx(2.0 * changes, rel=1e-6)
    failed = float(fit.failed(np.array([0]), np.array([u]))[0])
    assert bill.calls + bill.dead == pytest.approx(changes * failed, rel=1e-6)


def test_the_longest_time_in_service_bounds_every_limit(fit):
    shares = [(level.p_dead, level.p_call) for level in levels("convenience")]
    short = bills(fit, SHARE, service(), shares, cap_days=100.0)
    assert short[0].cells == pytest.approx(short[2].cells)
    # 0.1 of the charge is gone in 100 days at 0.001 a day, when hardly any has ended: 3.65 changes a year and slot.
    assert short[0].cells == pytest.approx(2 * 100 * 3.6525, rel=0.01)


def test_nothing_in_service_costs_nothing(fit):
    assert bills(fit, SHARE, service(n=(0.0, 0.0)), [(0.01, 0.1)], cap_days=FAR) == [Bill(0.0, 0.0, 0.0)]
    assert bills(fit, SHARE, service(rate=0.0), [(0.01, 0.1)], cap_days=FAR) == [Bill(0.0, 0.0, 0.0)]


def test_along_the_curve_cells_fall_and_deaths_rise(fit):
    points = curve_bills(fit, SHARE, service(), cap_days=FAR)
    assert [q for q, _ in points] == CURVE_Q.tolist()
    assert all(a.cells > b.cells and a.dead < b.dead for (_, a), (_, b) in pairwise(points))


@pytest.mark.parametrize(
    ("n", "words"),
    [(1243.0, "1,240"), (84.4, "84"), (10.2, "10"), (2.31, "2.3"), (1.0, "1.0"), (0.36, "0.4"), (0.3, "one in about 3 years"),
     (0.05, "one in about 20 years"), (0.002, "fewer than one in 100 years"), (0.0, "none"), (float("nan"), "none")],
)  # fmt: skip
def test_how_often_is_said_with_the_digits_that_an_estimate_knows(n, words):
    assert yearly_words(n) == words


@pytest.mark.parametrize(
    ("bill", "words"),
    [
        (Bill(212, 5, 0.5), "about 112 more cells a year, half as many found dead"),
        (Bill(80, 9, 2.0), "about 20 fewer cells a year, 2 times as many found dead"),
        (Bill(100.2, 5, 1.0), "as many cells as now, about as many found dead"),
        (Bill(110, 5, 0.1), "about 10 more cells a year, 10 % as many found dead"),
        (Bill(110, 5, 0.0), "about 10 more cells a year, none found dead"),
    ],
)
def test_a_level_is_said_against_the_present_choice(bill, words):
    assert against_words(bill, Bill(100.0, 5.0, 1.0)) == words


@pytest.mark.parametrize(
    ("bill", "present", "words"),
    [
        (Bill(224.4, 5, 0.84), Bill(226.6, 5, 0.76), "about 3 fewer cells a year, about as many found dead"),
        (Bill(1243, 5, 0.3), Bill(1228, 5, 0.0), "about 10 more cells a year, more found dead"),
        (Bill(8.42, 5, 0.004), Bill(8.1, 5, 0.009), "about 0.3 more cells a year, about as many found dead"),
        (Bill(2_340_000, 5, 0.9), Bill(1_000_000, 5, 0.8), "about 1,340,000 more cells a year, 1.1 times as many found dead"),
        (Bill(0.3, 5, 0.17), Bill(0.3, 5, 0.34), "as many cells as now, half as many found dead"),
    ],
)  # fmt: skip
def test_a_comparison_agrees_with_the_rounded_figures_beside_it(bill, present, words):
    assert against_words(bill, present) == words


@pytest.mark.parametrize(
    ("p", "words"),
    [(0.03, "three in a hundred"), (0.015, "1.5 in a hundred"), (0.02, "two in a hundred"), (0.075, "7.5 in a hundred"),
     (0.125, "12.5 in a hundred"), (0.5, "50 in a hundred"), (0.005, "five in a thousand"), (0.0025, "2.5 in a thousand"),
     (0.0005, "five in ten thousand"), (0.0096, "9.6 in a thousand"), (0.0, "an unknown share"),
     (float("nan"), "an unknown share")],
)  # fmt: skip
def test_a_chosen_share_is_written_as_it_was_chosen(p, words):
    assert level_odds(p) == words


@pytest.mark.parametrize("duty", ["life_safety", "security", "convenience"])
def test_no_two_levels_of_a_duty_read_alike(duty):
    assert len({promise_words(level.p_dead, level.p_call) for level in levels(duty)}) == 3
    assert len({level_odds(level.p_call) for level in levels(duty)}) == 3


def test_what_a_level_allows_is_said_as_counts():
    assert (
        promise_words(0.01, 0.1)
        == "at most one in a hundred found dead, and at most ten in a hundred ended before the change"
    )


@given(st.floats(1e-6, 1e6))
def test_a_scale_has_two_to_five_parts(most):
    step = nice_step(most)
    assert 0.99 < most / step <= 5.0 + 1e-9 or most / step >= 1


def test_the_curve_stays_within_its_drawing_and_marks_the_present_choice():
    q = CURVE_Q.tolist()
    cells, dead = [200 - 100 * x for x in q], [x / 10 for x in q]
    chart = policy_chart(q, cells, dead, q_now=0.03)
    for panel in chart.panels:
        numbers = [tuple(map(float, point.split())) for point in panel.path[1:].split("L")]
        assert all(chart.left <= x <= chart.right and panel.top <= y <= panel.base for x, y in numbers)
        assert numbers == sorted(numbers)
        assert panel.now_y is not None
        assert panel.top <= panel.now_y <= panel.base
    at = q.index(0.03)
    assert chart.now_x == float(chart.panels[0].path[1:].split("L")[at].split()[0])
    assert policy_chart(q, cells, dead, q_now=None).now_x is None
    assert policy_chart(q, cells, dead, q_now=0.9).now_x is None
    assert "fall from 200 to 150" in chart.finding


@pytest.mark.parametrize(
    ("q", "cells", "dead"),
    [([0.1], [1], [1]), ([0.2, 0.1], [1, 1], [1, 1]), ([0.1, 0.2], [1], [1, 2]), ([0.0, 0.2], [1, 1], [1, 1])],
)
def test_a_curve_that_cannot_be_drawn_is_refused(q, cells, dead):
    with pytest.raises(ValueError, match="increasing shares"):
        policy_chart(q, cells, dead, q_now=None)
