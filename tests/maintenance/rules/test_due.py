"""Due dates: a table per rule, and what must hold for every fitting whatever is known about it."""

from __future__ import annotations

import warnings
from datetime import date
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from maintenance.rules.due import (
    NO_ESTIMATE,
    RULES,
    Rule,
    due_columns,
    due_date,
    flag_names,
    keeps_published,
)
from maintenance.rules.due_facts import FAR_DAY, FittingFacts, facts_table, to_date, to_day

TODAY = date(2027, 3, 4)
DAY = to_day(TODAY)

# A coin-cell pendant: 465 mAh usable at 5 µA and 1.5 % a year, so about 0.11 of its charge a year.
PENDANT: dict[str, Any] = {
    "fitted_day": DAY - 400, "entered_day": DAY - 400, "duty": 0, "capacity_mah": 620, "usable_share": 0.75,
    "self_discharge_per_year": 0.015, "sleep_ua": 2.2, "checkin_uas": 9000, "interval_s": 3600, "activation_uah": 8,
    "typical_activations_per_day": 1, "u_limit": 0.32, "planning_probability": 0.01, "cap_days": 1826,
    "unknown_age_days": 365, "shelf_life_days": 3652, "grace_days": 7,
}  # fmt: skip


def one(**over: Any) -> FittingFacts:
    return facts_table(**(PENDANT | over))


def day_of(code: str, **over: Any) -> int:
    columns = due_columns(one(**over), DAY)
    return int(columns.days_by_rule[[rule.code for rule in RULES].index(code)][0])


# --- rules ------------------------------------------------------------------------------------------------------------

# By hand: (2.2 + 9000/3600) · 24 / 1000 mAh and 8/1000 mAh a day over 465 mAh, plus 0.015/365.25.
RATE = ((2.2 + 2.5) * 24 / 1000 + 8 / 1000) / 465 + 0.015 / 365.25
RATE_DOUBLE = (2 * (2.2 + 2.5) * 24 / 1000 + 8 / 1000) / 465 + 0.015 / 365.25
CROSSING = DAY - 400 + int(0.32 / RATE)


@pytest.mark.parametrize(
    ("code", "over", "day"),
    [
        ("risk_limit", {}, CROSSING),
        ("risk_limit", {"fitted_day": -1}, FAR_DAY),  # unknown age: nothing to count from
        ("risk_limit", {"capacity_mah": np.nan}, FAR_DAY),  # cells unknown
        ("risk_limit", {"interval_s": np.nan}, FAR_DAY),  # checks in, nobody knows how often
        ("risk_limit", {"u_limit": np.nan}, FAR_DAY),
        ("risk_limit", {"sleep_ua": -5}, FAR_DAY),
        ("calendar_cap", {}, DAY - 400 + 1826),
        ("calendar_cap", {"cap_days": -1}, FAR_DAY),
        ("calendar_cap", {"fitted_day": -1}, FAR_DAY),
        ("unknown_age", {}, FAR_DAY),
        ("unknown_age", {"fitted_day": -1}, DAY - 400 + 365),
        ("unknown_age", {"fitted_day": -1, "unknown_age_days": -1}, DAY - 400 + 1826),
        ("unknown_age", {"fitted_day": -1, "entered_day": -1}, FAR_DAY),
        ("shelf_life", {}, DAY - 400 + 3652),
        ("shelf_life", {"made_day": DAY - 900}, DAY - 900 + 3652),
        ("shelf_life", {"fitted_day": -1, "made_day": DAY - 900}, DAY - 900 + 3652),
        ("low_battery", {}, FAR_DAY),
        ("low_battery", {"first_low_day": DAY - 3}, DAY + 4),
        ("low_battery", {"first_low_day": DAY - 30}, DAY - 23),
        ("unit_life", {}, FAR_DAY),
        ("unit_life", {"unit_life_days": 3652, "made_day": DAY - 3660}, DAY - 8),
        ("unit_life", {"unit_life_days": 3652}, DAY - 400 + 3652),
        ("contract_date", {"contract_day": DAY + 60}, DAY + 60),
        ("contract_date", {}, FAR_DAY),
        ("recall", {"recall_day": DAY + 20}, DAY + 20),
        ("recall", {}, FAR_DAY),
        ("lot_alarm", {"lot_factor": 0.5}, DAY - 400 + int(0.16 / RATE)),
        ("lot_alarm", {"lot_factor": 1.0}, FAR_DAY),
        ("lot_alarm", {"lot_factor": np.nan}, FAR_DAY),
        ("lot_alarm", {"lot_factor": 0.5, "fitted_day": -1}, FAR_DAY),
        # A learnt current twice that of the catalogue: (2 · 4.7 · 24 + 8) / 1000 mAh a day.
        ("risk_limit", {"sleep_multiplier": 2.0}, DAY - 400 + int(0.32 / RATE_DOUBLE)),
    ],
)
def test_a_rules_day(code: str, over: dict[str, Any], day: int) -> None:
    assert day_of(code, **over) == day


def test_every_rule_stands_in_the_table_above() -> None:
    seen = {mark.args[1][i][0] for mark in test_a_rules_day.pytestmark for i in range(len(mark.args[1]))}  # type: ignore[attr-defined]
    assert seen == {rule.code for rule in RULES}


@pytest.mark.parametrize(
    ("over", "code", "due_on"),
    [
        ({}, "calendar_cap", to_date(DAY - 400 + 1826)),
        ({"cap_days": 900}, "calendar_cap", to_date(DAY + 500)),
        ({"u_limit": 0.2}, "risk_limit", to_date(DAY - 400 + int(0.2 / RATE))),
        ({"first_low_day": DAY - 1}, "low_battery", to_date(DAY + 6)),
        ({"made_day": DAY - 3600}, "shelf_life", to_date(DAY + 52)),
        ({"fitted_day": -1}, "unknown_age", to_date(DAY - 35)),
        ({"contract_day": DAY + 1}, "contract_date", to_date(DAY + 1)),
        ({"recall_day": DAY + 1, "contract_day": DAY + 1}, "recall", to_date(DAY + 1)),
        ({"lot_factor": 0.4}, "lot_alarm", to_date(DAY - 400 + int(0.24 / RATE))),
    ],
)
def test_the_earliest_opinion_wins(over: dict[str, Any], code: str, due_on: date) -> None:
    base = {"u_limit": 0.6} if "u_limit" not in over else {}
    due = due_date(one(**(base | over)), TODAY)
    assert (due.code, due.due_on) == (code, due_on)
    assert due.opinions[0].due_on == due_on
    assert [o.due_on for o in due.opinions] == sorted(o.due_on for o in due.opinions)


def test_a_fitting_of_which_nothing_is_known_gets_a_reason() -> None:
    due = due_date(facts_table(), TODAY)
    assert due.due_on is None
    assert due.code == NO_ESTIMATE
    assert "not known" in due.why
    assert due.opinions == ()


def test_a_new_rule_is_one_function_and_one_entry() -> None:
    rule = Rule(
        "every_tuesday",
        "Tuesdays",
        lambda worked: np.full(len(worked.facts), DAY + 5),
        "{change_by}: the firm says so.",
    )
    due = due_date(one(), TODAY, rules=(*RULES, rule))
    assert due.code == "every_tuesday"
    assert due.why == "Change by 9 March 2027: the firm says so."


# --- words ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("over", "text"),
    [
        (
            {"u_limit": 0.2, "n_ends": 40},
            "by then 20 % of its charge is used, where one in a hundred batteries of its kind has failed.",
        ),
        (
            {"u_limit": 0.2, "planning_probability": 0.06, "n_ends": 3},
            "where six in a hundred batteries of its kind have failed.",
        ),
        ({"u_limit": 0.2}, "by the catalogue alone about one in a hundred of its kind has failed."),
        ({"cap_days": 900}, "no battery in life-safety service longer than about 30 months."),
        ({"cap_days": 730, "duty": 2}, "no battery in convenience service longer than 2 years."),
        ({"first_low_day": DAY - 1}, "low battery was first reported on 3 March 2027, and 7 days are allowed"),
        ({"made_day": DAY - 3600}, "good for 10 years from the day it was made, used or not."),
        ({"fitted_day": -1}, "It was due on 28 January 2027: nobody knows when it was fitted."),
        (
            {"unit_life_days": 450},
            "serves about 15 months from the day it was fitted (its date of making is not known).",
        ),
        ({"contract_day": DAY + 1}, "Change by 5 March 2027: agreed with the customer."),
        ({"recall_day": DAY + 1}, "Change by 5 March 2027: it is recalled, whatever charge is left."),
        (
            {"lot_factor": 0.4, "n_ends": 9},
            "cells of its lot have ended early, after about 40 % of what cells of this kind last. By then 24 % of its "
            "charge is used, where about one in a hundred cells of such a lot has failed.",
        ),
    ],
)
def test_the_sentence_says_why(over: dict[str, Any], text: str) -> None:
    base = {"u_limit": 0.6} if "u_limit" not in over else {}
    assert text in due_date(one(**(base | over)), TODAY).why


def test_what_is_assumed_is_said() -> None:
    due = due_date(one(), TODAY)
    assert set(due.flags) == {"prior_only", "fallback_rate"}
    assert any("rests on the catalogue only" in note for note in due.notes)
    assert any("not counted" in note for note in due.notes)
    few = due_date(one(measured_days=20, is_measured=0), TODAY)
    assert "fallback_rate" in few.flags, "counted on a few days only: the kind goes by the usual number"
    known = due_date(one(n_ends=50, measured_days=400, measured_activations=300), TODAY)
    assert known.flags == ()
    assert known.notes == ()


def test_a_limit_that_cannot_be_met_is_said() -> None:
    due = due_date(one(is_reachable=0, n_ends=50, measured_days=400), TODAY)
    assert due.flags == ("limit_not_reachable",)
    assert "more visits would not" in due.notes[0]


def test_a_fitting_in_the_future_is_said_and_still_gets_a_date() -> None:
    due = due_date(one(fitted_day=DAY + 100), TODAY)
    assert "fitted_later" in due.flags
    assert due.due_on is not None
    assert due.due_on > TODAY


@pytest.mark.parametrize(
    ("fitted", "ends"),
    [
        (date(2022, 11, 19), date(2032, 11, 19)), (date(2024, 2, 29), date(2034, 3, 1)), (date(2023, 3, 1), date(2033, 3, 1)),
    ],
)  # fmt: skip
@pytest.mark.parametrize("n_days", [3652, 3653])
def test_ten_years_end_on_the_same_day_of_the_year(fitted: date, ends: date, n_days: int) -> None:
    due = due_date(one(fitted_day=to_day(fitted), shelf_life_days=n_days), TODAY)
    assert next(o.due_on for o in due.opinions if o.code == "shelf_life") == ends


def test_a_life_that_is_no_whole_number_of_years_is_counted_in_days() -> None:
    due = due_date(one(fitted_day=DAY - 400, shelf_life_days=900), TODAY)
    assert next(o.due_on for o in due.opinions if o.code == "shelf_life") == to_date(DAY + 500)


# --- what must hold always --------------------------------------------------------------------------------------------

days = st.integers(1, 2000)
share = st.floats(0.05, 1.2)


@st.composite
def fittings(draw: st.DrawFn) -> dict[str, Any]:
    age = draw(days)
    measured = draw(st.integers(0, age))
    since = draw(st.sampled_from([-1, DAY - age // 2]))
    return PENDANT | {
        "fitted_day": DAY - age,
        "entered_day": DAY - age,
        "since_day": since,
        "u_before": draw(st.floats(0, 1)) if since >= 0 else 0.0,
        "measured_days": min(measured, age // 2 if since >= 0 else age),
        "measured_activations": draw(st.integers(0, 5000)),
        "typical_activations_per_day": draw(st.floats(0, 50)),
        "u_limit": draw(share),
        "sleep_ua": draw(st.floats(0.5, 60)),
        "cap_days": draw(st.sampled_from([-1, 700, 1826])),
        "made_day": draw(st.sampled_from([-1, DAY - age - 100])),
        "first_low_day": draw(st.sampled_from([-1, -1, DAY - age // 3])),
        "lot_factor": draw(st.sampled_from([1.0, 1.0, 0.55])),
        "sleep_multiplier": draw(st.sampled_from([1.0, 1.4])),
    }


def due_day(facts: dict[str, Any], today: int = DAY) -> int:
    return int(due_columns(facts_table(**facts), today).due_day[0])


GOOD_NEWS: dict[str, Any] = {
    "fewer activations counted": lambda f, x: {"measured_activations": f["measured_activations"] * x},
    "a lower typical rate": lambda f, x: {"typical_activations_per_day": f["typical_activations_per_day"] * x},
    "a lower sleep current": lambda f, x: {"sleep_ua": f["sleep_ua"] * x},
    "rarer check-ins": lambda f, x: {"interval_s": f["interval_s"] / max(x, 0.01)},
    "a larger cell": lambda f, x: {"capacity_mah": f["capacity_mah"] * (2 - x)},
    "less self-discharge": lambda f, x: {"self_discharge_per_year": f["self_discharge_per_year"] * x},
    "less used before": lambda f, x: {"u_before": f["u_before"] * x},
    "a higher limit": lambda f, x: {"u_limit": f["u_limit"] * (2 - x)},
    "a longer cap": lambda f, x: {"cap_days": f["cap_days"] * 2 if f["cap_days"] >= 0 else -1},
    "a longer shelf life": lambda f, x: {"shelf_life_days": f["shelf_life_days"] * 2},
    "cells made later": lambda f, x: {"made_day": f["made_day"] + 50 if f["made_day"] >= 0 else -1},
    "a later low-battery report": lambda f, x: {"first_low_day": DAY if f["first_low_day"] >= 0 else -1},
    "no low-battery report": lambda f, x: {"first_low_day": -1},
    "a longer grace": lambda f, x: {"grace_days": 30},
    "a better lot": lambda f, x: {"lot_factor": 1 - (1 - f["lot_factor"]) * x},
    "a lower learnt current": lambda f, x: {"sleep_multiplier": f["sleep_multiplier"] * x},
    "less cold": lambda f, x: {"temperature_share": 1.0},
}


@pytest.mark.parametrize("news", GOOD_NEWS)
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_no_rule_moves_a_date_earlier_on_good_news(news: str, data: st.DataObject) -> None:
    facts = data.draw(fittings()) | {"temperature_share": 0.7}
    better = facts | GOOD_NEWS[news](facts, data.draw(st.floats(0, 1)))
    before = due_columns(facts_table(**facts), DAY).days_by_rule
    after = due_columns(facts_table(**better), DAY).days_by_rule
    assert np.all(after >= before), news


@settings(max_examples=60, deadline=None)
@given(facts=fittings(), later=st.integers(1, 300))
def test_a_battery_fitted_later_is_not_due_earlier(facts: dict[str, Any], later: int) -> None:
    facts = facts | {"measured_days": 0, "since_day": -1, "u_before": 0.0, "first_low_day": -1}
    assert due_day(facts | {"fitted_day": facts["fitted_day"] + later}) >= due_day(facts)


@settings(max_examples=40, deadline=None)
@given(facts=fittings())
def test_a_battery_kept_alive_becomes_due_and_stays_due(facts: dict[str, Any]) -> None:
    # A date worked out from "the chance from today on" would recede every night and never arrive.
    facts = facts | {"cap_days": -1, "first_low_day": -1, "shelf_life_days": -1, "contract_day": -1}
    was_due = False
    for today in range(DAY, DAY + 40_000, 97):
        if today >= FAR_DAY:
            break
        is_due = due_day(facts, today) <= today
        assert is_due or not was_due, "it was due and is not any more"
        was_due = is_due
    assert was_due


@settings(max_examples=60, deadline=None)
@given(facts=fittings(), n_days=st.integers(1, 200))
def test_with_steady_use_the_date_does_not_move(facts: dict[str, Any], n_days: int) -> None:
    facts = facts | {"measured_days": 0, "measured_activations": 0, "since_day": -1, "u_before": 0.0}
    assert abs(due_day(facts, DAY + n_days) - due_day(facts)) <= 1


ANY = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True), st.sampled_from([0.0, -1.0, 1e300, -1e300, 1e-300, np.nan])
)


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_hostile_numbers_give_a_date_or_a_reason_and_no_warning(data: st.DataObject) -> None:
    columns = {
        name: np.array(data.draw(st.lists(ANY, min_size=3, max_size=3)), dtype=np.float64)
        for name in (*PENDANT, "u_before", "since_day", "made_day", "measured_days", "measured_activations",
                     "first_low_day", "contract_day", "unit_life_days", "temperature_c", "temperature_share", "n_ends",
                     "recall_day", "lot_factor", "sleep_multiplier", "stratum", "is_measured")
    }  # fmt: skip
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        facts = facts_table(3, **columns)
        due = due_columns(facts, DAY)
        for i in range(3):
            single = due_date(facts.row(i), TODAY)
            assert single.why
    assert np.all((due.due_day >= 0) & (due.due_day <= FAR_DAY))
    assert np.all((due.code_index >= 0) & (due.code_index < len(due.codes)))
    assert np.all((due.code_index == len(RULES)) == (due.due_day == FAR_DAY))


@pytest.mark.parametrize("u_before", [0.0, 4.5, 1e6])
def test_a_fresh_and_a_long_dead_battery_have_dates(u_before: float) -> None:
    due = due_date(one(since_day=DAY - 10, u_before=u_before), TODAY)
    assert due.due_on is not None
    assert (due.due_on <= TODAY) == (u_before > 1)


@settings(max_examples=30, deadline=None)
@given(rows=st.lists(fittings(), min_size=2, max_size=12), seed=st.integers(0, 9))
def test_order_and_chunks_change_nothing(rows: list[dict[str, Any]], seed: int) -> None:
    table = facts_table(len(rows), **{name: [row[name] for row in rows] for name in rows[0]})
    whole = due_columns(table, DAY)
    order = np.random.default_rng(seed).permutation(len(rows))
    for position, i in enumerate(order):
        alone = due_columns(table.row(int(i)), DAY)
        assert alone.due_day[0] == whole.due_day[i]
        assert alone.code_index[0] == whole.code_index[i]
        assert alone.u[0] == pytest.approx(whole.u[i], rel=1e-12, nan_ok=True)
        assert position < len(rows)


def test_a_column_nobody_knows_is_refused() -> None:
    with pytest.raises(TypeError, match="moon_phase"):
        facts_table(moon_phase=3)


def test_columns_of_different_lengths_are_refused() -> None:
    facts = one()
    values = {name: getattr(facts, name) for name in FittingFacts.__slots__}
    with pytest.raises(ValueError, match="equally long"):
        FittingFacts(**(values | {"u_limit": np.array([0.1, 0.2])}))


def test_two_fittings_at_once_are_refused_by_the_one_row_call() -> None:
    with pytest.raises(ValueError, match="one fitting"):
        due_date(facts_table(2, **PENDANT), TODAY)


@pytest.mark.parametrize(
    ("moved", "same_reason", "stays"),
    [(0, True, True), (-7, True, True), (-8, True, False), (30, True, True), (31, True, False), (1, False, False)],
)
def test_a_published_date_moves_only_for_a_reason(moved: int, same_reason: bool, stays: bool) -> None:
    code = "risk_limit" if same_reason else "low_battery"
    assert keeps_published(DAY, "risk_limit", DAY + moved, code) is stays


def test_flags_are_named() -> None:
    assert flag_names(1 | 8) == ("prior_only", "unknown_age")


def test_ten_thousand_fittings_are_worked_out_at_once() -> None:
    rng = np.random.default_rng(3)
    n = 10_000
    due = due_columns(facts_table(n, **(PENDANT | {"fitted_day": DAY - rng.integers(1, 3000, n)})), DAY)
    assert len(np.unique(due.due_day)) > 1000
    assert np.all(due.due_day < FAR_DAY)
