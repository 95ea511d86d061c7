"""What would move a date: asked of the rules again, so that each answer is a date they would give."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from maintenance.rules.battery.posterior import learn
from maintenance.rules.due import due_date
from maintenance.rules.due_facts import FittingFacts, facts_table
from maintenance.rules.due_known import KindKnown, LotKnown
from maintenance.rules.due_whatif import Asked, WhatIf, what_would_change
from tests.maintenance.rules.test_due import DAY, PENDANT, TODAY

PRIOR = learn()
LIMIT = {"u_limit": PRIOR.quantile(0.01), "planning_probability": 0.01, "cap_days": 9000}


def asked(known: KindKnown | None = None, **over: Any) -> Asked:
    facts: FittingFacts = facts_table(**(PENDANT | LIMIT | over))
    return Asked(facts, due_date(facts, TODAY), TODAY, PRIOR, known or KindKnown(p_dead=0.01, p_call=0.01))


def found(text: str, one: Asked) -> list[WhatIf]:
    return [row for row in what_would_change(one) if text in row.words]


def test_a_report_today_moves_the_date_to_its_grace() -> None:
    (row,) = found("low-battery report", asked())
    assert row.due_on == TODAY + timedelta(days=7)
    assert not found("low-battery report", asked(first_low_day=DAY - 1)), "it has reported already"
    assert found("low-battery report", asked(kind=2)), "a cell welded into its unit reports too"
    assert not found("low-battery report", asked(kind=2, capacity_mah=np.nan, unit_life_days=3652))
    assert not found("low-battery report", asked(fitted_day=DAY - 9000)), "it is later than the date that stands"


def test_another_limit_of_risk_gives_the_date_of_that_limit() -> None:
    one = asked()
    rows = found("With the firm's limit on life-safety duty", one)
    assert [row.words.split(" at ")[1] for row in rows] == [
        "two in a hundred instead of one in a hundred.", "five in a thousand instead of one in a hundred.",
    ]  # fmt: skip
    for row, q in zip(rows, (0.02, 0.005), strict=True):
        again = due_date(facts_table(**(PENDANT | LIMIT | {"u_limit": PRIOR.quantile(q)})), TODAY)
        assert row.due_on == again.due_on
    assert rows[0].due_on > one.due.due_on > rows[1].due_on


def test_a_limit_with_reports_moves_by_the_same_sum() -> None:
    kind = KindKnown(is_learned=True, dead_share=0.25, p_dead=0.01, p_call=0.15)
    one = asked(kind, u_limit=PRIOR.quantile(0.04), planning_probability=0.04)
    higher = found("at two in a hundred", one)[0]
    again = due_date(facts_table(**(PENDANT | LIMIT | {"u_limit": PRIOR.quantile(0.08)})), TODAY)
    assert higher.due_on == again.due_on


@pytest.mark.parametrize("dead_share", [0.1, 0.25, 1.0])
def test_the_other_named_levels_give_the_dates_that_choosing_them_gives(dead_share: float) -> None:
    """Both shares of a level change together: the smaller of call and dead / dead_share is what the limit is made from."""
    q = min(0.10, 0.01 / dead_share)
    kind = KindKnown(is_learned=True, dead_share=dead_share, p_dead=0.01, p_call=0.10)
    one = asked(kind, u_limit=PRIOR.quantile(q), planning_probability=q)
    rows = found("With the level", one)
    assert [row.words.split(" (")[0] for row in rows] == ["With the level Cautious", "With the level Thrifty"]
    assert "(five in a thousand may die without warning, five in a hundred may end before the change)" in rows[0].words
    for row, times in zip(rows, (0.5, 2.0), strict=True):
        then = {"u_limit": PRIOR.quantile(q * times), "planning_probability": q * times}
        assert row.due_on == due_date(facts_table(**(PENDANT | LIMIT | then)), TODAY).due_on
    assert not found("With the firm's limit", one)


def test_own_figures_are_never_compared_with_the_same_words() -> None:
    kind = KindKnown(p_dead=0.015, p_call=0.015)
    rows = found("With the firm's limit", asked(kind, u_limit=PRIOR.quantile(0.015), planning_probability=0.015))
    assert "two in a hundred instead of 1.5 in a hundred" in rows[0].words


def test_where_another_rule_decides_a_higher_limit_changes_nothing_and_that_is_said() -> None:
    (row,) = found("A higher limit of risk would not make it later", asked(cap_days=500))
    assert "longest time in service decides" in row.words
    assert row.due_on is None


def test_counting_tells_the_date_for_half_and_twice_the_usual_number() -> None:
    one = asked()
    fewer, more = found("Counting its activations", one)
    assert more.due_on < one.due.due_on < fewer.due_on
    assert not found("Counting its activations", asked(measured_days=100, measured_activations=90))


def test_counting_that_hardly_matters_gets_no_line() -> None:
    assert not found("Counting its activations", asked(activation_uah=0.01))


def test_a_longer_interval_makes_it_later() -> None:
    one = asked()
    (row,) = found("every 120 min", one)
    assert row.due_on > one.due.due_on


def test_a_bad_lot_would_halve_the_limit() -> None:
    (row,) = found("If cells of its lot", asked())
    again = due_date(facts_table(**(PENDANT | LIMIT | {"u_limit": LIMIT["u_limit"] / 2})), TODAY)
    assert row.due_on == again.due_on


def test_what_is_not_known_of_the_kind_leaves_room_around_the_date() -> None:
    one = asked()
    (row,) = found("More batteries of its kind", one)
    assert "leaves room for it from" in row.words
    assert "More batteries" not in str(what_would_change(asked(cap_days=500)))


@pytest.mark.parametrize(
    ("over", "text"),
    [
        ({"fitted_day": -1}, "Finding out when it was fitted"),
        ({"capacity_mah": np.nan}, "Recording which cells"),
        ({}, "The date of making, read off the cell"),
        ({"kind": 1, "unit_life_days": 1461, "capacity_mah": np.nan}, "It goes by the calendar"),
    ],
)
def test_what_could_be_found_out_is_listed(over: dict[str, Any], text: str) -> None:
    assert found(text, asked(**over))


@pytest.mark.parametrize("text", ["Finding out when", "Recording which", "It goes by the calendar", "recall"])
def test_what_is_known_is_not_asked_for(text: str) -> None:
    assert not found(text, asked(made_day=DAY - 500))


def test_a_lot_in_alarm_can_be_cleared_by_its_own_cells() -> None:
    lot = LotKnown("LM-7", n_batteries=20, n_ended=5, n_expected=1.0, factor=0.55, is_suspect=True)
    kind = KindKnown(is_learned=True, p_dead=0.01, p_call=0.01, lot=lot)
    one = asked(kind, lot_factor=0.55)
    assert one.due.code == "lot_alarm"
    (row,) = found("the lot counts as sound again", one)
    assert row.due_on is None
    assert not found("turned out to last half", one)


@pytest.mark.parametrize("u_limit", [1e-6, 3.9, np.nan])
@pytest.mark.parametrize("fitted", [DAY, DAY - 20000, DAY + 300, -1])
def test_extremes_give_words_and_no_warning(u_limit: float, fitted: int, recwarn: pytest.WarningsRecorder) -> None:
    rows = what_would_change(asked(u_limit=u_limit, fitted_day=max(fitted, -1)))
    assert all(row.words.endswith(".") and "nan" not in row.words for row in rows)
    assert not recwarn.list
