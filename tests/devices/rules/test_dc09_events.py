"""Events of DC-05 and DC-03 in our words (trade paper 5.3)."""

import pytest

from devices.rules.dc09_blocks import NEW, RESTORED, STILL, Block
from devices.rules.dc09_events import DC03, DC05, meaning_of
from devices.rules.events import RAISES, EventKind

DC05_TABLE = [
    ("384", "low_battery", "battery_restored"), ("381", "missing", "missing_restored"),
    ("383", "tamper", "tamper_restored"), ("144", "tamper", "tamper_restored"), ("137", "tamper", "tamper_restored"),
    ("380", "trouble", "trouble_restored"), ("393", "trouble", "trouble_restored"),
    ("344", "interference", "interference_over"),
    ("341", "receiver_tamper", "receiver_tamper_restored"), ("145", "receiver_tamper", "receiver_tamper_restored"),
    ("333", "receiver_fault", "receiver_restored"), ("334", "receiver_fault", "receiver_restored"),
    ("337", "standby_low", "standby_restored"), ("338", "standby_low", "standby_restored"),
    ("301", "power_fault", "power_restored"), ("302", "standby_low", "standby_restored"),
    ("311", "standby_low", "standby_restored"),
    *((code, "activation", "restore") for code in ("100", "101", "110", "111", "120", "121", "122", "130", "140")),
    *((code, "activation", "restore") for code in ("611", "613", "614")),
    ("601", "link_test", "link_test"), ("602", "link_test", "link_test"),
]  # fmt: skip
DC03_TABLE = [
    ("XT XR", "low_battery", "battery_restored"), ("TT TR", "tamper", "tamper_restored"),
    ("TA TR", "tamper", "tamper_restored"), ("UY YK", "missing", "missing_restored"),
    ("UZ YK", "missing", "missing_restored"), ("BZ YK", "missing", "missing_restored"),
    ("FY YK", "missing", "missing_restored"), ("FZ YK", "missing", "missing_restored"),
    ("YC YK", "missing", "missing_restored"), ("YX YZ", "trouble", "trouble_restored"),
    ("XQ XH", "interference", "interference_over"), ("XS XJ", "receiver_tamper", "receiver_tamper_restored"),
    ("ES EJ", "receiver_tamper", "receiver_tamper_restored"), ("ET ER", "receiver_fault", "receiver_restored"),
    ("YP YQ", "standby_low", "standby_restored"), ("AT AR", "power_fault", "power_restored"),
    ("YT YR", "standby_low", "standby_restored"), ("YM YR", "standby_low", "standby_restored"),
    *((f"{letter}T {letter}J", "trouble", "trouble_restored") for letter in "UBFPQH"),
    *((f"{letter}A {letter}R", "activation", "restore") for letter in "QMPHBUF"),
    ("RP RX", "link_test", "link_test"), ("XF XF", "unregistered", "unregistered"),
]  # fmt: skip


@pytest.mark.parametrize(("code", "new", "over"), DC05_TABLE)
def test_a_code_of_dc_05_is_told_by_its_first_digit(code, new, over):
    assert meaning_of(Block(code, NEW, "00", "012")).kind == new
    assert meaning_of(Block(code, RESTORED, "00", "012")).kind == over
    still = meaning_of(Block(code, STILL, "00", "012"))
    assert still.kind == (new if new in RAISES else None)
    assert (still.is_status, still.is_known) == (True, True)


@pytest.mark.parametrize(("pair", "new", "over"), DC03_TABLE)
def test_a_code_of_dc_03_says_itself_whether_it_is_over(pair, new, over):
    first, second = pair.split()
    assert meaning_of(Block(first, zone="12")).kind == new
    assert meaning_of(Block(second, zone="12")).kind == over


@pytest.mark.parametrize(
    "block",
    [
        *(Block(code, NEW, "00", "001") for code in ("102", "607", "612", "616")),
        *(Block(code, zone="1") for code in ("TS", "TE", "RC", "RO", "XL")),
    ],
)
def test_some_events_are_known_and_nothing_for_the_ledger(block):
    found = meaning_of(block)
    assert (found.is_known, found.kind) == (True, None)


@pytest.mark.parametrize(
    "block", [Block("354", RESTORED, "00", "004"), Block("407", NEW), Block("RR"), Block("WA", zone="0"), Block("YC")]
)
def test_a_code_outside_the_table_is_unknown_and_named(block):
    found = meaning_of(block)
    assert (found.is_known, found.kind) == (False, None)
    assert block.code in found.words


def test_events_of_the_receiver_name_no_slot():
    assert meaning_of(Block("344", NEW, "00", "012")).is_of_receiver
    assert not meaning_of(Block("384", NEW, "00", "012")).is_of_receiver


def test_the_tables_speak_in_our_words_only():
    assert {kind for kind, _ in [*DC05.values(), *DC03.values()] if kind} <= set(EventKind)
    assert {code for code in DC05 if DC05[code][0]} == {code for code, *_ in DC05_TABLE}
