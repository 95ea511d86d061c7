"""The time to change after a low-battery signal, learnt from what became of batteries after theirs.

No published figures of how long such batteries last after a signal were found. The estimate is checked against a published
worked example and another package, the rule against invented fleets whose gaps are known.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from lifelines import KaplanMeierFitter

from maintenance.rules.battery.grace import LEVELS, Graces, grace_after, learnt_graces, quantile_of_lasting, steadied
from maintenance.rules.battery.outcomes import WHY, EndFacts, outcomes

TODAY = 5000.0
SIGNAL, CAME = 1000.0, 1009.0


# --- the estimate -----------------------------------------------------------------------------------------------------

# Weeks of remission under 6-mercaptopurine (E. J. Freireich and others, Blood 21, 1963), the worked example of the
# product-limit estimate in textbooks; the second line still lasted when last seen. Published shares that last: .857 after
# week 6, .807 after 7, .753 after 10, .690 after 13, .627 after 16, .538 after 22, .448 after 23 (figures from memory; they
# follow from the weeks by hand: 18/21, × 16/17, × 14/15, × 11/12, × 10/11, × 6/7, × 5/6).
ENDED = np.array([6, 6, 6, 7, 10, 13, 16, 22, 23], dtype=np.float64)
LASTED = np.array([6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35], dtype=np.float64)


@pytest.mark.parametrize(
    ("share", "week"), [(0.10, 6), (0.15, 7), (0.20, 10), (0.25, 13), (0.35, 16), (0.40, 22), (0.50, 23), (0.56, None)]
)
def test_the_published_example_of_the_estimate(share: float, week: float | None) -> None:
    found = quantile_of_lasting(ENDED, LASTED, share)
    assert found == pytest.approx(np.nan if week is None else week, nan_ok=True)


def test_another_package_finds_the_same_day() -> None:
    rng = np.random.default_rng(3)
    for _ in range(40):
        gap, came = np.floor(rng.weibull(2.0, 60) * 30), rng.integers(0, 40, 60)
        is_dead = gap <= came
        kept = KaplanMeierFitter().fit(np.minimum(gap, came), is_dead).survival_function_["KM_estimate"]
        reached = kept.index[kept.to_numpy() <= 0.9 + 1e-9]
        theirs = float(reached[0]) if len(reached) else np.nan
        assert quantile_of_lasting(gap[is_dead], came[~is_dead].astype(np.float64), 0.1) == pytest.approx(
            theirs, nan_ok=True
        )


@pytest.mark.parametrize(
    ("dead", "alive", "grace"),
    [
        ([5] * 9, [], None),
        ([5] * 10, [], 5),
        (list(range(1, 101)), [], 10),
        ([5] * 9 + [np.nan, np.inf, -3], [9] * 90, None),
        ([], [], None),
        # Nobody is there sooner than the day after.
        ([0.4] * 20, [], 1),
        # Ten of a hundred died on the day that the others were changed, or as many lasted on and on.
        ([5] * 10, [6] * 90, 5),
        ([5] * 10, [6] * 91, None),
        # Whoever was changed before says nothing of later days.
        ([5] * 10, [3] * 9000, 5),
        ([5] * 10, [np.nan, -1], 5),
    ],
)
def test_grace_ends_when_one_in_ten_would_be_dead(
    dead: list[float], alive: list[float], grace: float | None
) -> None:  # fmt: skip
    assert grace_after(dead, alive) == pytest.approx(np.nan if grace is None else grace, nan_ok=True)


LAWS: dict[str, Callable[[np.random.Generator], Any]] = {
    "weibull 2, 30 d": lambda rng: 30 * rng.weibull(2, 4000),
    "exponential, 100 d": lambda rng: rng.exponential(100, 4000),
    "uniform 2 to 8 d": lambda rng: rng.uniform(2, 8, 4000),
}


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("answered", [(0, 15), (5, 46)])
def test_how_fast_the_firm_comes_does_not_change_what_it_learns(law: str, answered: tuple[int, int]) -> None:
    """Cells changed in time have no gap. The deaths alone would teach a grace of a day or two to whoever comes within a week."""
    rng = np.random.default_rng(12)
    gap, came = np.floor(LAWS[law](rng)), rng.integers(*answered, 4000)
    is_dead = gap < came
    true = np.quantile(gap, 0.1, method="inverted_cdf")
    assert abs(grace_after(gap[is_dead], came[~is_dead]) - max(true, 1)) <= 2
    naive = np.quantile(gap[is_dead], 0.1)
    assert naive < true - 2 or true <= 2, "what the deaths alone would say"


def test_known_gaps_of_a_fleet_give_the_quantile_of_each_kind() -> None:
    rng = np.random.default_rng(11)
    scale = np.array([8.0, 60.0])
    stratum = rng.integers(0, 2, 4000)
    gaps = np.floor(scale[stratum] * rng.weibull(2.0, 4000))
    found = learnt_graces(gaps, np.full(4000, np.nan), stratum, np.array([0, 1]), np.array([0, 1]))
    law = scale * np.sqrt(-np.log(0.9))
    assert np.abs(found.days - law).max() <= 1.5
    for i in (0, 1):
        mine = gaps[stratum == i]
        assert found.days[i] == max(1.0, np.quantile(mine, 0.1, method="inverted_cdf"))
        assert (found.n[i], found.n_dead[i]) == (len(mine), len(mine))


# --- whose deaths speak -----------------------------------------------------------------------------------------------

# Transmitter types 0 and 1 with cells 0, type 0 with cells 1; the first pair counted and not; and the two unknown kinds.
KIND, CELL = np.array([0, 0, 1, 0, -1, -1]), np.array([0, 0, 0, 1, -1, -1])


def learnt(dead_of: dict[int, list[float]], alive_of: dict[int, list[float]] | None = None) -> Graces:
    rows = [(number, day, np.nan) for number, days in dead_of.items() for day in days]
    rows += [(number, np.nan, day) for number, days in (alive_of or {}).items() for day in days]
    stratum, dead, alive = np.array(rows or np.empty((0, 3))).T
    return learnt_graces(dead, alive, stratum.astype(np.int64), KIND, CELL)


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


def test_one_bad_kind_is_not_the_fleet() -> None:
    found = learnt({0: [3.0] * 14, 2: [9.0] * 3}, {0: [2.0] * 5, 2: [12.0] * 400})
    assert found.days[[0, 1]].tolist() == [3, 3]
    assert np.isnan(found.days[2:]).all(), "of all together far fewer than one in ten died so soon"
    assert (found.n_dead[0], found.n[0], found.n_dead[2], found.n[2]) == (14, 19, 17, 422)


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
    assert (found.n_dead[0], found.n[0], found.level[0]) == ((1, 10, 2) if is_old else (2, 12, 0))


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
    ],
)
def test_a_gap_ends_at_the_earliest_moment_at_which_it_can_have_died(facts: dict[str, Any], days: float) -> None:
    assert gap(**facts) == days


@pytest.mark.parametrize(
    "facts",
    [
        # Nobody can say when it died, or could for those alone that died at once; a moment of cold that came to nothing; read off on the day it was found dead;
        BY_VISIT | {"last_alive_day": SIGNAL + 6},
        BY_VISIT | {"last_alive_day": -1, "removed_day": SIGNAL + 2},
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


# --- the others -------------------------------------------------------------------------------------------------------


def outlasted(**facts: Any) -> float:
    given = {
        "fitted_day": 100, "removed_day": CAME, "why": WHY["low_battery"], "first_low_day": SIGNAL, "low_confirmed": True,
        "last_alive_day": CAME - 1, "has_log": True,
    }  # fmt: skip
    return float(outcomes(EndFacts.of(1, **(given | facts)), TODAY).outlasted_days[0])


@pytest.mark.parametrize(
    ("facts", "days"),
    [
        # Changed in time, for whatever reason: up to that day.
        ({}, 9),
        ({"why": WHY["preventive"], "low_confirmed": False, "low_noted": True}, 9),
        ({"fitted_day": -1}, 9),
        # Still in, or out for a reason that does not say that it worked: up to the last sign of life.
        ({"removed_day": -1, "why": 0}, 8),
        ({"why": WHY["unknown"]}, 8),
        ({"why": WHY["leaked"]}, 8),
        ({"removed_day": TODAY + 1}, 8),
        # The log stopped well before the change, whatever was written down then.
        ({"last_alive_day": SIGNAL + 4}, 4),
        # Where only visits tell, nobody could date those that died.
        ({"has_log": False}, None),
        # No signal, one that came to nothing, one read off on the day itself, no sign of life since, and a death.
        ({"first_low_day": -1}, None),
        ({"low_confirmed": False}, None),
        ({"first_low_day": CAME}, None),
        ({"removed_day": -1, "why": 0, "last_alive_day": SIGNAL - 1}, None),
        ({"why": WHY["dead"]}, None),
    ],
)
def test_those_that_did_not_die_count_for_as_long_as_they_are_known_to_have_lasted(
    facts: dict[str, Any], days: float | None
) -> None:
    assert outlasted(**facts) == pytest.approx(np.nan if days is None else days, nan_ok=True)


@pytest.mark.parametrize("has_log", [True, False])
def test_where_deaths_cannot_be_dated_nothing_is_learnt_from_the_living_either(has_log: bool) -> None:
    """Visits up to a month after the signal, lives of a known law: the log finds its quantile, visits alone say nothing."""
    rng = np.random.default_rng(5)
    gap, came = np.floor(20.0 * rng.weibull(1.3, 2000)), rng.integers(1, 30, 2000)
    is_dead = gap < came
    facts = EndFacts.of(
        2000, fitted_day=100, removed_day=SIGNAL + came, why=np.where(is_dead, WHY["dead"], WHY["low_battery"]),
        first_low_day=SIGNAL, low_confirmed=True, has_log=has_log,
        last_alive_day=SIGNAL + np.minimum(gap, came) if has_log else SIGNAL,
        next_expected_day=SIGNAL + np.minimum(gap, came) + 1 if has_log else -1,
    )  # fmt: skip
    found = outcomes(facts, TODAY)
    grace = grace_after(found.gap_days, found.outlasted_days)
    assert grace == pytest.approx(
        np.quantile(gap, 0.1, method="inverted_cdf") if has_log else np.nan, abs=1, nan_ok=True
    )
