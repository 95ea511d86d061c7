"""The story of a date for the customer, the chance ahead, and a record above its limit."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import Any

import pytest

from maintenance.rules.due_customer import chance_words, for_customer
from maintenance.rules.due_story import headline
from tests.maintenance.rules.test_due import DAY
from tests.maintenance.rules.test_due_story import LEARNED, REASONS, story, texts


@pytest.mark.parametrize(("code", "over", "_text"), REASONS)
@pytest.mark.parametrize("days", [200, -12])
def test_the_text_for_the_customer_stands_alone(code: str, over: dict[str, Any], _text: str, days: int) -> None:
    said = for_customer(story(code, days=days, **over), "Fellview Moor")
    assert "at Fellview Moor" in said
    assert ("is to be changed by 20 September 2027." in said) is (days > 0)
    assert ("this is overdue" in said) is (days < 0)
    assert not re.search(r"nan|None|unknown|risk_limit|_", said)
    assert said.endswith(".")


def test_the_customer_hears_the_risk_as_a_count() -> None:
    said = for_customer(story(flags=("prior_only",)), "Fellview Moor")
    assert "only about one in a hundred stops working before its change" in said
    assert "So far this rests on the catalogue's figures" in said
    assert "Should it report a low battery sooner, we aim to change it within 7 days of that." in said
    reports = for_customer(story(known=replace(LEARNED, p_dead=0.03), planning_probability=0.12), "Fellview Moor")
    assert "only about three in a hundred stop working without warning before their change" in reports


@pytest.mark.parametrize(
    ("chance", "words"),
    [(0.02, "about two in a hundred"), (0.0001, "fewer than one in a thousand"), (0.999, "more than 99 in a hundred")],
)
def test_the_chance_ahead_is_a_count_and_another_question(chance: float, words: str) -> None:
    said = chance_words(chance, story())
    assert f"within the next 90 days is {words}." in said
    assert "This is another question than the limit" in said


@pytest.mark.parametrize("chance", [None, math.nan])
def test_no_chance_is_told_where_none_is_known(chance: float | None) -> None:
    assert chance_words(chance, story()) == ""


def test_a_report_outweighs_the_chance() -> None:
    said = chance_words(0.002, story("low_battery", first_low_day=DAY - 3))
    assert "has reported a low battery" in said
    assert "in a thousand" not in said


ABOVE = {"n_record_dead": 13, "n_record": 385, "is_record_above": True}


@pytest.mark.parametrize("dead_share", [0.2, 1.0])
def test_a_record_above_the_limit_turns_the_promise_into_an_aim(dead_share: float) -> None:
    """A customer must not read that only one in a hundred dies, where the firm's own record says otherwise."""
    known = replace(LEARNED, dead_share=dead_share, **ABOVE)
    one = story(known=known, planning_probability=0.01 / dead_share)
    aim = "so far it has been more (13 of 385), and these dates are meant to bring it down."
    customer = for_customer(one, "Harbour")
    assert f"we aim for no more than one in a hundred to stop working without warning; {aim}" in customer
    assert "only about" not in customer
    for said in (headline(one), texts(one)["The limit"]):
        assert f"we aim for no more than one in a hundred to die without warning; {aim}" in said.replace("We", "we")
        assert "own limit" not in said
        assert "the firm allows" not in said
    assert "aim for" not in for_customer(replace(one, kind=replace(known, is_record_above=False)), "Harbour")


def test_a_customer_is_told_from_when_a_shelf_life_counts() -> None:
    guess = "The day these were made is not known, so we count from the day they were fitted."
    assert guess in for_customer(story("shelf_life"), "Harbour")
    assert guess not in for_customer(story("shelf_life", made_day=DAY - 900), "Harbour")


def test_fresh_cells_are_told_without_noughts() -> None:
    one = story(fitted_day=DAY, measured_days=1, measured_activations=0)
    said = texts(one)
    assert said["Used so far"] == "Nothing of its charge yet: it was fitted today, 4 March 2027."
    assert "Its activations were counted: none in the first day." in said["Used per year"]
    assert "today it has used nothing of its charge yet" in for_customer(one, "Harbour")
