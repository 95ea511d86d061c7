"""One rule says when two serials of a workbook mean one transmitter; what a slot keeps where another one comes."""

from dataclasses import replace
from typing import Any

from devices.rules.import_facts import OnRecord, ReceiverOnRecord, Taken, TransmitterOnRecord
from devices.rules.serials import Serials, serial_key
from tests.devices.rules.import_world import check

PLACE = {"site code": "HARB-1", "receiver": "Main"}


def on_record(*, retired: frozenset[str] = frozenset(), **units: str) -> OnRecord:
    """PIER-00012 in slot 1 of an 8-slot receiver, and further units by serial (underscores for hyphens) with their type."""
    kinds = {serial.replace("_", "-"): TransmitterOnRecord("HARB", code) for serial, code in units.items()}
    return OnRecord(
        customers=frozenset({"HARB"}),
        sites={"HARB-1": "HARB"},
        receivers={("HARB-1", "Main"): ReceiverOnRecord("receiver-8", 8, {}, {1: Taken("PIER-00012", 2)})},
        transmitters={"PIER-00012": TransmitterOnRecord("HARB", "door-contact-short")} | kinds,
        retired=retired,
    )


def slot(n: int, serial: str, **more: Any) -> dict[str, Any]:
    return {
        **PLACE,
        "slot": n,
        "transmitter serial": serial,
        "transmitter type code": "pendant-long",
        "duty class": "security",
        **more,
    }


def test_serials_are_one_whatever_their_capitals_blanks_and_hyphens():
    assert serial_key("pier 00012") == serial_key("PIER-00012") == serial_key("Pier‑00012") == serial_key("PIER00012")
    assert serial_key("PIER-0012") != serial_key("PIER-00012")
    assert serial_key("-") != serial_key("--")


def test_of_two_that_look_alike_the_one_spelt_so_is_meant_and_else_neither():
    serials = Serials(["1-11", "11-1"])
    assert serials.meant("11-1") == "11-1"
    assert serials.meant("111") is None
    assert serials.alike("111") == ["1-11", "11-1"]


def test_a_serial_spelt_otherwise_that_stands_elsewhere_is_a_fault_that_names_unit_and_place():
    for spelt in ("pier-00012", "PIER 00012", "PIER00012"):
        checked = check({"slots": [slot(5, spelt, input=2, **{"transmitter type code": None})]}, on_record=on_record())
        assert len(checked.faults) == 1
        assert checked.faults[0].value == spelt
        assert "PIER-00012, input 2, also stands on record in slot 1 of Main" in checked.faults[0].sentence


def test_a_serial_spelt_otherwise_in_its_own_slot_is_the_unit_that_stands_there():
    checked = check(
        {"slots": [slot(1, "pier 00012", **{"transmitter type code": "door-contact-short"})]}, on_record=on_record()
    )
    assert checked.faults == ()
    assert checked.slots[0].serial == "PIER-00012"
    assert [r.sentence for r in checked.remarks if "Read as PIER-00012, as it stands on record" in r.sentence]


def test_two_spellings_within_a_workbook_are_one_transmitter():
    checked = check({"slots": [slot(3, "NEW-7"), slot(4, "new 7")]}, on_record=on_record())
    assert [(f.row, "NEW-7, input 1, also stands in row 2" in f.sentence) for f in checked.faults] == [(3, True)]


def test_cells_find_their_transmitter_whatever_the_spelling():
    cells = {"transmitter serial": "pier 00012", "battery code": "CR2450", "cells": 1, "fitted on": "unknown"}
    checked = check({"fittings": [cells]}, on_record=on_record())
    assert checked.faults == ()
    assert checked.fittings[0].serial == "PIER-00012"


def test_what_merely_resembles_a_retired_unit_is_remarked_and_stays_new():
    known = on_record(OLD_4="pendant-long", retired=frozenset({"OLD-4"}))
    checked = check({"slots": [slot(3, "OLD 4")]}, on_record=known)
    assert checked.faults == ()
    assert checked.slots[0].serial == "OLD 4"
    assert "OLD-4 (taken out of use) on record" in checked.remarks[0].sentence
    assert "was taken out of use" in check({"slots": [slot(3, "old-4")]}, on_record=known).faults[0].sentence


def test_a_transmitter_of_another_kind_is_remarked_with_all_that_stays_in_the_slot():
    checked = check({"slots": [slot(1, "NEW-1", label="Pendant")]}, on_record=on_record())
    (kinds,) = [r.sentence for r in checked.remarks if "door-contact-short stands here" in r.sentence]
    assert "area, portable, supervision window, check-in interval, outputs, contact." in kinds
    assert "label" not in kinds


def test_the_input_that_stays_is_the_one_that_is_compared():
    two = on_record(NEW_1="door-contact-short")
    rows = [
        slot(1, "NEW-1", input=None, **{"transmitter type code": None}),
        slot(2, "NEW-1", input=2, **{"transmitter type code": None}),
    ]
    assert "NEW-1, input 2, also stands in row 2" in check({"slots": rows}, on_record=two).faults[0].sentence


def test_an_input_that_the_new_transmitter_does_not_have_is_remarked():
    checked = check({"slots": [slot(1, "NEW-1")]}, on_record=on_record())
    assert any(
        "listens to input 2, which NEW-1 does not have; input 1 is written" in r.sentence for r in checked.remarks
    )


def test_the_same_kind_in_the_slot_asks_for_no_remark():
    checked = check(
        {"slots": [slot(1, "NEW-1", **{"transmitter type code": "door-contact-short"})]}, on_record=on_record()
    )
    assert (checked.faults, checked.remarks) == ((), ())


def receiver(label: str, serial: Any, **more: Any) -> dict[str, Any]:
    return {"site code": "HARB-1", "receiver": label, "receiver type code": "receiver-8", "serial": serial} | more


def with_serial(serial: str) -> OnRecord:
    return replace(on_record(), receivers={("HARB-1", "Main"): ReceiverOnRecord("receiver-8", 8, serial=serial)})


def test_two_receivers_of_a_workbook_do_not_bear_one_serial():
    checked = check({"receivers": [receiver("East", "RX-5"), receiver("West", "rx 5")]}, on_record=on_record())
    assert [(f.row, f.column) for f in checked.faults] == [(3, "serial")]
    assert "RX-5 is the serial of the receiver “East” at HARB-1, in row 2" in checked.faults[0].sentence


def test_the_serial_of_a_receiver_on_record_is_not_given_to_another_one():
    (fault,) = check({"receivers": [receiver("East", "RX 5")]}, on_record=with_serial("RX-5")).faults
    assert "“Main” at HARB-1, on record" in fault.sentence
    both = [receiver("Main", "RX-6"), receiver("East", "RX-5")]
    assert check({"receivers": both}, on_record=with_serial("RX-5")).faults == ()


def test_a_serial_that_stands_twice_on_record_already_is_no_fault_of_the_file():
    known = with_serial("RX-5")
    twice = replace(
        known, receivers={**known.receivers, ("HARB-1", "East"): ReceiverOnRecord("receiver-8", 8, serial="RX-5")}
    )
    rows = [receiver("Main", "RX-5"), receiver("East", "RX-5")]
    assert check({"receivers": rows}, on_record=twice).faults == ()
