"""A plan beside what was found: line by line, and whether the slot is still the one planned for."""

import pytest

from devices.rules.plans import NOTHING, compare, has_changed, words_of

PLAIN = {
    "label": "Room 3", "area": "", "duty": "life_safety", "is_portable": False, "supervision": "on", "window_s": 14400,
    "interval_s": 3600, "contact": "nc", "input_number": 1, "is_shared": False, "note": "",
    "outputs": [[1, "momentary", 5], [2, "unknown", None]],
}  # fmt: skip


def test_settings_are_said_as_on_every_other_page() -> None:
    said = words_of(PLAIN, serial="SK-1")
    assert (said["Supervision"], said["Checks in every"]) == ("missing after 4 h", "60 min")
    assert said["Outputs"] == "1: on for 5 s, then off; 2: behaviour not known"
    assert said["Contact at rest"] == "normally closed"


def test_an_unsupervised_slot_is_said_to_be_so_whatever_the_window() -> None:
    assert words_of(PLAIN | {"supervision": "off", "window_s": None})["Supervision"] == "not supervised"


def test_every_line_is_kept_and_those_that_differ_are_marked() -> None:
    lines = compare(words_of(PLAIN | {"window_s": 3600}), words_of(PLAIN))
    assert [line.name for line in lines if line.differs] == ["Supervision"]
    assert len(lines) == 12


def test_a_spare_slot_says_nothing_on_every_line() -> None:
    assert {line.found for line in compare(words_of(PLAIN), words_of(None))} == {NOTHING}


@pytest.mark.parametrize(
    ("stands", "settings", "changed"),
    [(7, PLAIN, False), (8, PLAIN, True), (None, None, True), (7, PLAIN | {"label": "Room 4"}, True)],
)
def test_another_registration_or_other_words_are_a_change(stands, settings, changed) -> None:
    assert has_changed(planned_on=7, stands=stands, stood=PLAIN, settings=settings) is changed


def test_a_slot_that_was_spare_and_still_is_has_not_changed() -> None:
    assert not has_changed(planned_on=None, stands=None, stood=None, settings=None)
