"""The nasty-file table: each file is really made, and each fault comes back with sheet, row, column and a plain sentence."""

import re
from datetime import date, datetime

import pytest

from company.sheets import UNKNOWN
from company.spreadsheets import OutSheet, csv_bytes, read_workbook, template_bytes, xlsx_bytes
from devices.rules.import_facts import OnRecord
from devices.rules.slot_rows import DrivenOutput
from devices.rules.workbook_rows import ABOUT, PLANS, check_workbook
from tests.devices.rules.import_world import (
    TIME_ZONES,
    TODAY,
    check,
    check_file,
    out_sheets,
    right_sheets,
    shipped_catalogue,
    spoilt,
    workbook_file,
)


def only_fault(checked):
    faults = checked.faults
    assert len(faults) == 1, [f"{fault.where}: {fault.sentence}" for fault in faults]
    return faults[0]


def test_a_right_workbook_has_no_fault_and_keeps_unknown_as_a_value():
    checked = check(right_sheets())
    assert checked.problems == ()
    assert [row.serial for row in checked.slots] == ["SK-00001", "SK-00002"]
    assert checked.slots[0].outputs == (DrivenOutput(1, "follower"), DrivenOutput(2, "momentary", 5.0))
    assert (checked.slots[0].window, checked.slots[0].interval) == (14400, 3600)
    assert (checked.slots[1].window, checked.slots[1].interval, checked.slots[1].registered_on) == (UNKNOWN,) * 3
    assert checked.receivers[0].standby_fitted_on == UNKNOWN
    assert checked.receivers[0].cable_gauge == "1.5 mm²"
    assert checked.fittings[0].battery == checked.past_fittings[0].battery == "cr2450"
    assert checked.outputs[1].kind == "fault"


NASTY = [
    # sheet, heading, value, column letter, part of the sentence
    ("customers", "name", None, "B", "must be filled in"),
    ("customers", "paper", "A3", "D", "is not one of: A4, Letter"),
    ("customers", "inspections a year", -1, "E", "outside 0 to 52"),
    ("customers", "inspections a year", 2.5, "E", "not a whole number"),
    ("customers", "contact email", "ada at example", "H", "no e-mail address"),
    ("customers", "name", "x" * 200, "B", "200 characters long; 120 fit"),
    ("customers", "name", "Har\x07bour", "B", "cannot be printed"),
    ("customers", "name", "Harbour\u202egnp", "B", "cannot be printed"),
    ("sites", "customer code", "HARP", "B", "There is no customer “HARP”, neither in the workbook nor on record. Did you mean “HARB”?"),
    ("sites", "latitude", 157, "F", "outside -90 to 90"),
    ("sites", "longitude", None, "F", "needs both latitude and longitude"),
    ("sites", "latitude", "NaN", "F", "no number that can be kept"),
    ("sites", "time zone", "Europe/Londn", "H", "Did you mean “Europe/London”?"),
    ("receivers", "site code", "HARB-9", "A", "There is no site “HARB-9”"),
    ("receivers", "receiver type code", "reciever-8", "C", "The catalogue has no receiver type “reciever-8”. Did you mean “receiver-8”?"),
    ("receivers", "receiver type code", "unknown", "C", "say in the column “slots” how many"),
    ("receivers", "evidence", "sometimes", "F", "is not one of: every, exceptions, visits"),
    ("receivers", "supply volts", "inf", "G", "no number that can be kept"),
    ("receivers", "supply volts", 1200, "G", "outside 1 to 60 V"),
    ("receivers", "cable metres", -3, "H", "outside 0 to 2000 m"),
    ("receivers", "cable gauge", "18", "I", "no cable gauge"),
    ("receivers", "installed on", "03/04/2025", "K", "means 2025-04-03 to some and 2025-03-04 to others"),
    ("receivers", "installed on", date(1900, 1, 1), "K", "what a spreadsheet makes of an empty or wrong date"),
    ("receivers", "installed on", "1900-01-01", "K", "what a spreadsheet makes of an empty or wrong date"),
    ("receivers", "installed on", date(2099, 1, 1), "K", "2099-01-01 lies in the future"),
    ("receivers", "installed on", "1.2.1985", "K", "before 1990"),
    ("receivers", "installed on", 45000, "K", "a bare number, not a date"),
    ("receivers", "installed on", "31 April 2024", "K", "not a day of the calendar"),
    ("receivers", "installed on", "3/5/24", "K", "year of two digits"),
    ("outputs", "output number", 9, "C", "has outputs 1 to 8; there is no output 9"),
    ("outputs", "kind", "alarm", "D", "is not one of: signal, fault, unknown"),
    ("outputs", "receiver", "Mian", "B", "Site “HARB-1” has no receiver “Mian”. Did you mean “Main”?"),
    ("slots", "slot", 9, "C", "The receiver has no slot 9. It has slots 1 to 8."),
    ("slots", "slot", 0, "C", "outside 1 to 8, the slots of this receiver"),
    ("slots", "slot", "two", "C", "“two” is no number"),
    ("slots", "transmitter serial", None, "D", "must be filled in"),
    ("slots", "transmitter type code", "pendant", "E", "The catalogue has no transmitter type “pendant”. Did you mean"),
    ("slots", "transmitter type code", None, "E", "is new, so its type is needed"),
    ("slots", "input", 2, "F", "The transmitter has no input 2"),
    ("slots", "duty class", "safety", "I", "is not one of: life safety, security, convenience"),
    ("slots", "portable", "maybe", "J", "neither yes nor no"),
    ("slots", "supervision window", "30 min", "K", "checks in every 60 min: a window of 30 min would call it missing"),
    ("slots", "supervision window", "5 h", "K", "cannot be set to 5 h; it knows 30 min, 60 min, 4 h and 24 h"),
    ("slots", "supervision window", "4", "K", "has no unit"),
    ("slots", "supervision window", "4 weeks", "K", "“weeks” is no unit of time we know"),
    ("slots", "supervision window", datetime(2025, 1, 1, 4), "K", "made a time of day of this"),
    ("slots", "check-in interval", "-60 s", "L", "no length of time"),
    ("slots", "outputs", "9 follower", "M", "The receiver has no output 9"),
    ("slots", "outputs", "1 blinking", "M", "is no output and behaviour"),
    ("slots", "outputs", "1 momentary", "M", "for how many seconds output 1 stays on"),
    ("slots", "outputs", "1 momentary 600 s", "M", "can be on for 1 to 60 s, not 600 s"),
    ("slots", "outputs", "1 follower; 1 latching", "M", "Output 1 is given twice"),
    ("slots", "registered on", "next week", "O", "no date we can read"),
    ("fittings", "battery code", "CR2540", "B", "The catalogue has no battery “CR2540”. Did you mean “CR2450”?"),
    ("fittings", "transmitter serial", "SK-00009", "A", "There is no transmitter SK-00009"),
    ("fittings", "cells", 0, "C", "outside 1 to 12"),
    ("fittings", "fitted on", date(2023, 12, 1), "D", "overlaps the cells fitted on 2023-05-03 until 2024-06-01"),
    ("past fittings", "removed on", date(2023, 5, 1), "E", "before it was fitted on 2023-05-03"),
    ("past fittings", "removed on", date(2023, 5, 3), "E", "the day it was fitted"),
    ("past fittings", "why it came out", "tired", "F", "is not one of"),
    ("past fittings", "measured volts", "2,901", "G", "can be read as a decimal or as thousands"),
]  # fmt: skip


@pytest.mark.parametrize(("sheet", "heading", "value", "letter", "words"), NASTY)
def test_one_wrong_cell_is_named_by_sheet_row_and_column(sheet, heading, value, letter, words):
    checked = check(spoilt(sheet, heading, value))
    found = [fault for fault in checked.faults if words in fault.sentence]
    assert len(found) == 1, [f"{fault.where}: {fault.sentence}" for fault in checked.problems]
    assert (found[0].sheet, found[0].row, found[0].letter) == (sheet, 2, letter)
    assert found[0].column
    assert found[0].sentence[0].isupper() or found[0].sentence[0] in "“-0123456789"
    assert found[0].sentence.rstrip("”").endswith((".", "?"))


def test_a_window_that_the_receiver_cannot_have_off_is_refused():
    sheets = spoilt("slots", "supervision window", "off")
    sheets["receivers"][0]["receiver type code"] = next(
        code for code, facts in shipped_catalogue().receiver_types.items() if not facts.can_switch_supervision_off
    )
    assert any("cannot switch supervision of a slot off" in fault.sentence for fault in check(sheets).faults)


@pytest.mark.parametrize(
    ("value", "day"),
    [
        ("2025-04-03", date(2025, 4, 3)),
        ("03.04.2025", date(2025, 4, 3)),
        ("3 May 2025", date(2025, 5, 3)),
        ("3 Sept 2025", date(2025, 9, 3)),
        ("May 3, 2025", date(2025, 5, 3)),
        ("25/04/2025", date(2025, 4, 25)),
        ("04/25/2025", date(2025, 4, 25)),
        ("05/05/2025", date(2025, 5, 5)),
        ("2025-04-03T10:00:00", date(2025, 4, 3)),
        (date(2025, 4, 3), date(2025, 4, 3)),
    ],
)
def test_a_day_written_without_doubt_is_read(value, day):
    checked = check(spoilt("receivers", "installed on", value))
    assert checked.faults == ()
    assert checked.receivers[0].installed_on == day


def test_two_transmitters_in_one_slot_are_refused_with_both_serials():
    sheets = right_sheets()
    sheets["slots"][1]["slot"] = 1
    fault = only_fault(check(sheets))
    assert (fault.sheet, fault.row, fault.column) == ("slots", 3, "slot")
    assert "SK-00001 in row 2, SK-00002 here" in fault.sentence


def test_cells_of_a_transmitter_whose_slot_row_is_faulty_are_not_faulty_for_that():
    sheets = right_sheets()
    sheets["slots"].append({**sheets["slots"][1], "slot": 1, "transmitter serial": "SK-00005"})
    sheets["fittings"].append({**sheets["fittings"][0], "transmitter serial": "SK-00005"})
    fault = only_fault(check(sheets))
    assert (fault.sheet, fault.row, fault.column) == ("slots", 4, "slot")


def test_no_standby_battery_is_an_answer_and_remarked_where_the_type_has_one():
    checked = check(spoilt("receivers", "standby battery fitted on", "none"))
    assert (checked.receivers[0].standby_fitted_on, checked.problems) == ("none", ())
    kind = next(t.code for t in shipped_catalogue().receiver_types.values() if t.has_standby)
    sheets = spoilt("receivers", "standby battery fitted on", "none")
    sheets["receivers"][0]["receiver type code"] = kind
    (remark,) = [p for p in check(sheets).problems if p.column == "standby battery fitted on"]
    assert not remark.is_fault
    assert "has a standby battery" in remark.sentence


@pytest.mark.parametrize(
    ("sheet", "words"),
    [
        ("customers", "This customer code already stands in row 2"),
        ("sites", "This site code already stands in row 2"),
        ("receivers", "This receiver of this site already stands in row 2"),
        ("outputs", "This output of this receiver already stands in row 2"),
        ("slots", "This slot already stands in row 2 with the same transmitter"),
        ("fittings", "A set of cells that is in this transmitter now already stands in row 2"),
        ("past fittings", "A set of cells fitted in this transmitter on this day already stands in row 2"),
    ],
)
def test_a_doubled_row_is_refused(sheet, words):
    sheets = right_sheets()
    sheets[sheet].append(dict(sheets[sheet][0]))
    fault = only_fault(check(sheets))
    assert fault.sentence.startswith(words)
    assert fault.row == len(sheets[sheet]) + 1


def test_customer_codes_that_differ_only_in_capitals_are_one_customer():
    sheets = spoilt("sites", "customer code", "harb")
    assert check(sheets).faults == ()
    sheets["customers"].append({**sheets["customers"][0], "customer code": "Harb"})
    assert "already stands in row 2" in only_fault(check(sheets)).sentence


def test_one_transmitter_in_two_slots_must_be_declared_in_both():
    sheets = right_sheets()
    sheets["slots"][1] |= {
        "transmitter serial": "SK-00001",
        "transmitter type code": "pendant-long",
        "declared shared": "yes",
    }
    fault = only_fault(check(sheets))
    assert (fault.row, fault.column) == (3, "transmitter serial")
    assert "also stands in row 2" in fault.sentence
    sheets["slots"][0]["declared shared"] = "yes"
    assert check(sheets).faults == ()


def test_two_inputs_of_one_transmitter_need_no_declaration():
    sheets = right_sheets()
    for row, slot in enumerate(sheets["slots"]):
        slot |= {"transmitter serial": "SK-00001", "transmitter type code": "contact-input-two", "input": row + 1}
    del sheets["fittings"], sheets["past fittings"]
    assert check(sheets).faults == ()


def test_one_serial_of_two_types_or_two_customers_is_refused():
    sheets = right_sheets()
    sheets["slots"][0]["declared shared"] = "yes"
    sheets["slots"][1] |= {"transmitter serial": "SK-00001", "declared shared": "yes"}
    assert only_fault(check(sheets)).sentence == "Row 2 says that transmitter SK-00001 is of type pendant-long."
    sheets = right_sheets()
    sheets["customers"].append({**sheets["customers"][0], "customer code": "FERRY"})
    sheets["sites"].append({**sheets["sites"][0], "site code": "FERRY-1", "customer code": "FERRY"})
    sheets["receivers"].append({**sheets["receivers"][0], "site code": "FERRY-1", "serial": "RX-2"})
    sheets["slots"].append({**sheets["slots"][0], "site code": "FERRY-1", "declared shared": "yes"})
    sheets["slots"][0]["declared shared"] = "yes"
    assert "another customer’s site in row 2" in only_fault(check(sheets)).sentence


def test_a_slot_that_is_taken_though_nothing_answers_is_accepted():
    sheets = spoilt("slots", "transmitter serial", "unknown", row=3)
    sheets["slots"][1]["transmitter type code"] = "unknown"
    checked = check(sheets)
    assert checked.faults == ()
    assert checked.slots[1].serial == UNKNOWN
    sheets["slots"][1]["duty class"] = None
    assert "say the duty class" in only_fault(check(sheets)).sentence


def test_the_template_as_it_is_changes_nothing_and_filled_in_like_its_examples_it_has_no_fault():
    body = template_bytes(PLANS, ABOUT)
    checked = check_file(body)
    assert checked.faults == ()
    assert not any((checked.customers, checked.sites, checked.slots, checked.fittings))
    assert len(checked.remarks) == len(PLANS)
    sheets = [
        OutSheet(
            plan.name,
            [column.title for column in plan.columns],
            [[re.sub("EXAMPLE", "REAL", c.example) if isinstance(c.example, str) else c.example for c in plan.columns]],
        )
        for plan in PLANS
    ]
    checked = check_file(xlsx_bytes(sheets))
    assert checked.problems == ()
    assert len(checked.slots) == len(checked.fittings) == len(checked.past_fittings) == 1


def test_csv_files_give_the_same_rows_as_the_workbook():
    files = [(f"{s.name}.csv", csv_bytes(s.header, s.rows)) for s in out_sheets(right_sheets())]
    checked = check_workbook(
        read_workbook(files), catalogue=shipped_catalogue(), on_record=OnRecord(), today=TODAY, time_zones=TIME_ZONES
    )
    assert checked == check(right_sheets())


@pytest.mark.slow
def test_twenty_thousand_slots_are_read_and_checked():
    n = 20_000
    sheets = right_sheets()
    place = sheets["receivers"][0]
    slot, cells = sheets["slots"][0] | {"outputs": "1 follower"}, sheets["fittings"][0]
    sheets["outputs"], sheets["past fittings"] = sheets["outputs"][:1], sheets["past fittings"][:1]
    sheets["receivers"] = [
        {**place, "receiver type code": "receiver-64", "receiver": "Main" if r == 0 else f"R{r}", "serial": f"RX-{r}"}
        for r in range(n // 64 + 1)
    ]
    sheets["slots"] = [
        {
            **slot,
            "receiver": "Main" if i < 64 else f"R{i // 64}",
            "slot": i % 64 + 1,
            "transmitter serial": f"SK-{i:05d}",
        }
        for i in range(n)
    ]
    sheets["fittings"] = [{**cells, "transmitter serial": f"SK-{i:05d}"} for i in range(n)]
    checked = check_file(workbook_file(sheets))
    assert len(checked.slots) == n
    assert checked.faults == ()
