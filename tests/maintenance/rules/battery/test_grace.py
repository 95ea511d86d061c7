"""The time to change after a low-battery signal, learnt from deaths after signals.

No published figures of how long such batteries last after a signal were found: checked against numpy's quantile and against
invented fleets whose gaps are known.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from maintenance.rules.battery.grace import LEVELS, Graces, grace_from_gap, learnt_graces, steadied
from maintenance.rules.battery.outcomes import WHY, EndFacts, outcomes

TODAY = 5000.0
SIGNAL, CAME = 1000.0, 1009.0


# --- the quantile -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("gaps", "grace"),
    [
        ([5] * 9, None),
        ([5] * 10, 5),
        (list(range(1, 101)), 10),
        ([5] * 9 + [np.nan, np.inf, -3], None),
        ([], None),
        # Nobody is there sooner than the day after.
        ([0.4] * 20, 1),
    ],
)
def test_grace_is_as_long_as_nine_in_ten_lasted(gaps: list[float], grace: float | None) -> None:
    assert grace_from_gap(gaps) == pytest.approx(np.nan if grace is None else grace, nan_ok=True)


def test_known_gaps_of_a_fleet_give_the_quantile_of_each_kind() -> None:
    """Gaps of two kinds are drawn from known laws, the grace is near the laws' own 10 % quantile and numpy's exactly."""
    rng = np.random.default_rng(11)
    scale = np.array([8.0, 60.0])
    stratum = rng.integers(0, 2, 4000)
    gaps = np.floor(scale[stratum] * rng.weibull(2.0, 4000))
    found = learnt_graces(gaps, stratum, np.array([0, 1]), np.array([0, 1]))
    law = scale * np.sqrt(-np.log(0.9))
    assert np.abs(found.days - law).max() <= 1.5
    for i in (0, 1):
        mine = gaps[stratum == i]
        assert found.days[i] == max(1.0, np.floor(np.quantile(mine, 0.1)))
        assert (found.n[i], found.n_within[i]) == (len(mine), (mine <= found.days[i]).sum())


def test_gaps_of_an_answering_firm_err_on_the_short_side_and_never_on_the_long_one() -> None:
    """Cells changed in time have no gap: what is left of a known law after visits in between has a shorter quantile."""
    rng = np.random.default_rng(12)
    lasted, visited = np.floor(30.0 * rng.weibull(2.0, 20_000)), rng.integers(0, 40, 20_000)
    seen = np.where(lasted < visited, lasted, np.nan)
    assert grace_from_gap(seen) <= np.quantile(lasted, 0.1)


# --- whose deaths speak -----------------------------------------------------------------------------------------------

# Transmitter types 0 and 1 with cells 0, type 0 with cells 1; the first pair counted and not; and the two unknown kinds.
KIND, CELL = np.array([0, 0, 1, 0, -1, -1]), np.array([0, 0, 0, 1, -1, -1])


def learnt(gaps_of: dict[int, list[float]]) -> Graces:
    stratum = [number for number, gaps in gaps_of.items() for _ in gaps]
    return learnt_graces(
        [gap for gaps in gaps_of.values() for gap in gaps], np.array(stratum, dtype=np.int64), KIND, CELL
    )


@pytest.mark.parametrize(
    ("gaps_of", "days", "levels"),
    [
        # Its own, whether activations were counted or not; its cells'; the fleet's.
        ({0: [3.0] * 5, 1: [3.0] * 5, 2: [9.0] * 10}, [3, 3, 9, 3, 3, 3], ["kind"] * 3 + ["fleet"] * 3),
        ({0: [3.0] * 5, 2: [3.0] * 5}, [3] * 6, ["cells"] * 3 + ["fleet"] * 3),
        ({0: [3.0] * 5, 3: [3.0] * 5}, [3] * 6, ["fleet"] * 6),
        ({0: [3.0] * 5, -1: [3.0] * 5}, [3] * 6, ["fleet"] * 6),
    ],
)
def test_a_kind_speaks_for_itself_then_its_cells_then_the_fleet(
    gaps_of: dict[int, list[float]], days: list[float], levels: list[str]
) -> None:
    found = learnt(gaps_of)
    assert found.days.tolist() == days
    assert [LEVELS[level] for level in found.level.tolist()] == levels


def test_nine_deaths_in_the_whole_fleet_teach_nothing() -> None:
    assert np.isnan(learnt({0: [3.0] * 9, 1: [np.nan] * 50}).days).all()
    assert np.isnan(learnt({}).days).all()


@pytest.mark.parametrize(
    ("before", "new", "held"),
    [(6, 5, 5), (6, 6, 6), (6, 7, 6), (6, 8, 6), (6, 9, 9), (np.nan, 5, 5), (6, np.nan, np.nan)],
)
def test_it_shrinks_at_once_and_grows_only_by_days_that_matter(before: float, new: float, held: float) -> None:
    was = Graces(np.array([before]), np.array([1]), np.array([10]), np.array([2]))
    now = Graces(np.array([new]), np.array([2]), np.array([12]), np.array([0]))
    found = steadied(now, was)
    assert found.days[0] == pytest.approx(held, nan_ok=True)
    # The counts are those of the number that is told.
    is_old = held == before != new
    assert (found.n_within[0], found.n[0], found.level[0]) == ((1, 10, 2) if is_old else (2, 12, 0))


# --- the day of a death -----------------------------------------------------------------------------------------------


def gap(**facts: Any) -> float:
    given = {
        "fitted_day": 100, "removed_day": CAME, "why": WHY["dead"], "first_low_day": SIGNAL, "low_confirmed": True,
        "last_alive_day": SIGNAL + 4, "next_expected_day": SIGNAL + 5, "has_log": True,
    }  # fmt: skip
    return float(outcomes(EndFacts.of(1, **(given | facts)), TODAY).gap_days[0])


BY_VISIT = {"has_log": False, "next_expected_day": -1}


@pytest.mark.parametrize(
    ("facts", "days"),
    [
        # Where check-ins reach us it lasted up to the last one, whenever it was found.
        ({}, 4),
        ({"removed_day": SIGNAL + 200}, 4),
        ({"low_confirmed": False, "low_noted": True}, 4),
        ({"fitted_day": -1}, 4),
        # Last seen to work at a visit three days before it was found dead.
        (BY_VISIT | {"last_alive_day": SIGNAL + 6}, 6),
        # Only the signal itself is known, and it was found two days later: it may have died at once.
        (BY_VISIT | {"last_alive_day": -1, "removed_day": SIGNAL + 2}, 0),
    ],
)
def test_a_gap_ends_at_the_earliest_moment_at_which_it_can_have_died(facts: dict[str, Any], days: float) -> None:
    assert gap(**facts) == days


@pytest.mark.parametrize(
    "facts",
    [
        # Nobody can say when it died; a moment of cold that came to nothing; read off on the day it was found dead;
        BY_VISIT | {"last_alive_day": SIGNAL + 5},
        BY_VISIT | {"last_alive_day": -1},
        {"low_confirmed": False},
        {"first_low_day": CAME},
        # no signal, in service, changed in time, another cause, and a day that has not come.
        {"first_low_day": -1},
        {"removed_day": -1, "why": 0},
        {"why": WHY["low_battery"]},
        {"why": WHY["leaked"]},
        {"removed_day": TODAY + 1},
        # The log ended before the signal came another way: it cannot say how long after it they lasted.
        {"last_alive_day": SIGNAL - 50, "next_expected_day": SIGNAL - 49},
    ],
)
def test_what_dates_no_death_after_a_signal_gives_no_gap(facts: dict[str, Any]) -> None:
    assert np.isnan(gap(**facts))
