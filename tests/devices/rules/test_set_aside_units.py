"""What waits together is asked together: the word under which an event nobody could place waits."""

from importlib import import_module

import pytest

from devices.rules.set_aside_units import MOST_UNIT, unit_key


def key(serial="", receiver_id=None, slot=None, named=""):
    return unit_key(serial=serial, receiver_id=receiver_id, slot=slot, named=named)


@pytest.mark.parametrize("spelt", ["AD-77001", "ad 77001", "AD77001", "ad\u201177001"])
def test_a_serial_is_one_unit_however_it_is_spelt_and_whoever_heard_it(spelt):
    assert key(spelt, receiver_id=4, slot=2) == key("AD77001")


def test_slots_of_a_known_receiver_are_asked_one_by_one_and_of_an_unknown_one_together():
    assert key(receiver_id=1, slot=2) != key(receiver_id=1, slot=3)
    assert key(receiver_id=1, slot=2) != key(receiver_id=12)
    assert key(named="9999", slot=2) == key(named="9999", slot=3) != key(named="8888", slot=2)
    assert key(named="North  Gate") == key(named="north gate")


@pytest.mark.parametrize("serial", ["slot 1 2", "name 9999", "-", " "])
def test_no_serial_is_taken_for_a_slot_or_a_name(serial):
    assert key(serial) not in (key(receiver_id=1, slot=2), key(named="9999"), key())


def test_a_name_of_any_length_fits():
    assert len(key(named="x" * 500)) == MOST_UNIT


@pytest.mark.parametrize(
    ("serial", "receiver_id", "slot", "named"),
    [("AD-77\u201101", 3, 2, ""), ("", 3, 2, "R"), ("", 3, None, ""), ("", None, 7, "North  Gate"), ("", None, None, ""), ("-", None, None, "")],
)  # fmt: skip
def test_the_migration_gave_old_rows_the_same_words(serial, receiver_id, slot, named):
    old = import_module("devices.migrations.0013_set_aside_units")._unit
    assert old(serial, receiver_id, slot, {"receiver": named}) == key(serial, receiver_id, slot, named)
