"""One wish for many slots: what each is set to afterwards, and patterns for their names."""

import pytest

from devices.rules.bulk import Wish, label_of, pattern_refused, settings_after, wording_problems
from tests.devices.rules.test_plans import PLAIN

FACTS = {"label": "Room 3", "slot": 3, "area": "East", "serial": "SK-1", "kind": "pendant"}


def test_what_is_not_wished_stays() -> None:
    assert settings_after(PLAIN, Wish(duty="security"), FACTS) == PLAIN | {"duty": "security"}


def test_no_supervision_leaves_no_window() -> None:
    after = settings_after(PLAIN, Wish(window_s=0), FACTS)
    assert (after["supervision"], after["window_s"]) == ("off", None)


def test_an_output_is_set_added_or_dropped_and_the_others_stay() -> None:
    assert settings_after(PLAIN, Wish(output=2, behaviour="toggle"), FACTS)["outputs"] == [
        [1, "momentary", 5], [2, "toggle", None],
    ]  # fmt: skip
    assert settings_after(PLAIN, Wish(output=3, behaviour="latching"), FACTS)["outputs"][-1] == [3, "latching", None]
    assert settings_after(PLAIN, Wish(output=1), FACTS)["outputs"] == [[2, "unknown", None]]


@pytest.mark.parametrize(
    ("pattern", "label"),
    [
        ("Flat {slot}", "Flat 3"),
        ("{area}, {label}", "East, Room 3"),
        ("  {kind}   {slot} ", "pendant 3"),
        ("{serial}", "SK-1"),
    ],
)
def test_a_pattern_is_filled_without_double_blanks(pattern, label) -> None:
    assert label_of(pattern, FACTS) == label


@pytest.mark.parametrize(
    ("pattern", "words"), [("{room}", "not known"), ("{slot", "open"), (" ", "Write a pattern"), ("Flat {slot}", "")]
)
def test_a_pattern_that_cannot_be_filled_is_refused_with_what_to_write(pattern, words) -> None:
    assert (words in pattern_refused(pattern)) if words else pattern_refused(pattern) == ""


def test_a_name_that_does_not_fit_is_told_with_its_length() -> None:
    assert "81" in wording_problems(PLAIN | {"label": "x" * 81})[0]
    assert wording_problems(PLAIN | {"label": ""})
    assert not wording_problems(PLAIN)


def test_an_empty_wish_is_known_as_empty() -> None:
    assert Wish().is_empty
    assert not Wish(window_s=0).is_empty
