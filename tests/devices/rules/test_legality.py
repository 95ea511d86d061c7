"""Settings a receiver cannot have are refused with a reason; what is not known refuses nothing."""

from dataclasses import replace

import pytest

from devices.rules.legality import (
    Elsewhere,
    ReceiverLimits,
    SlotSetting,
    contact_misfits,
    must_register_again,
    problems,
)
from devices.rules.slot_map import OutputUse

LIMITS = ReceiverLimits(
    n_slots=8,
    n_outputs=2,
    windows_s=frozenset({200, 3600, 14400}),
    can_switch_off=False,
    behaviours=frozenset({"follower", "momentary", "latching"}),
)
WANTED = SlotSetting(
    slot=3, serial="SK-04127", window_s=3600, interval_s=900, outputs=(OutputUse(1, "latching"),), contact="no"
)


def test_a_sound_setting_has_no_problems():
    assert problems(WANTED, LIMITS) == []


@pytest.mark.parametrize(
    ("over", "code"),
    [
        ({"slot": 0}, "no_such_slot"),
        ({"slot": 9}, "no_such_slot"),
        ({"window_s": 0}, "window_not_off"),
        ({"window_s": -5}, "window_negative"),
        ({"window_s": 7200}, "window_not_settable"),
        ({"window_s": 200}, "window_under_interval"),
        ({"outputs": (OutputUse(3, "latching"),)}, "no_such_output"),
        ({"outputs": (OutputUse(1, "latching"), OutputUse(1, "follower"))}, "output_twice"),
        ({"outputs": (OutputUse(1, "toggle"),)}, "behaviour_not_settable"),
        ({"outputs": (OutputUse(1, "blink"),)}, "no_such_behaviour"),
        ({"outputs": (OutputUse(1, "momentary"),)}, "momentary_without_seconds"),
        ({"outputs": (OutputUse(1, "momentary", 0),)}, "momentary_without_seconds"),
        ({"outputs": (OutputUse(1, "follower", 5),)}, "seconds_without_momentary"),
        ({"input_number": 0}, "no_such_input"),
        ({"input_number": 3, "n_inputs": 2}, "no_such_input"),
        ({"contact": "maybe"}, "no_such_contact"),
    ],
)
def test_an_illegal_setting_is_refused_with_its_reason(over, code):
    found = [problem for problem in problems(replace(WANTED, **over), LIMITS) if not problem.is_warning]
    assert [problem.code for problem in found] == [code]
    assert found[0].text.endswith(".")


def test_a_refused_window_names_the_windows_the_type_knows():
    (found,) = problems(replace(WANTED, window_s=7200), LIMITS)
    assert "200 s, 60 min and 4 h" in found.text


@pytest.mark.parametrize(("interval_s", "warned"), [(1800, False), (1801, True), (3600, True)])
def test_a_window_under_two_check_ins_only_warns(interval_s, warned):
    found = problems(replace(WANTED, window_s=3600, interval_s=interval_s), LIMITS)
    assert [problem.code for problem in found] == (["window_under_two"] if warned else [])
    assert all(problem.is_warning for problem in found)


def test_nothing_is_refused_for_what_is_not_known():
    unknown = replace(WANTED, window_s=None, interval_s=None, outputs=(OutputUse(40),), slot=90, contact="")
    assert problems(unknown, ReceiverLimits()) == []


def test_a_taken_slot_is_refused():
    (found,) = problems(WANTED, LIMITS, taken_by="SK-00001, Room 3")
    assert (found.code, found.text) == ("slot_taken", "Slot 3 is taken by SK-00001, Room 3.")


def test_the_same_transmitter_and_input_in_two_places_must_be_declared():
    there = [Elsewhere("Lantern House, receiver 2", 7, 1)]
    (found,) = problems(WANTED, LIMITS, elsewhere=there)
    assert found.code == "registered_twice"
    assert "Lantern House, receiver 2, slot 7" in found.text
    assert problems(replace(WANTED, is_declared_twice=True), LIMITS, elsewhere=there) == []
    assert problems(replace(WANTED, input_number=2), LIMITS, elsewhere=there) == []


@pytest.mark.parametrize(
    ("over", "again"),
    [({"contact": "nc"}, True), ({"interval_s": 600}, True), ({"window_s": 200}, False), ({"outputs": ()}, False)],
)
def test_only_settings_made_on_the_transmitter_ask_for_registering_again(over, again):
    assert must_register_again(WANTED, replace(WANTED, **over)) is again


@pytest.mark.parametrize(
    ("contact", "offered", "misfits"),
    [
        ("none", "either", True), ("none", "nc", True), ("no", "none", True), ("no", "nc", True),
        ("nc", "either", False), ("none", "none", False), ("nc", "nc", False), ("unknown", "nc", False),
        ("none", "", False),
    ],
)  # fmt: skip
def test_a_contact_goes_with_the_type_or_not(contact, offered, misfits):
    assert contact_misfits(contact, offered) is misfits
