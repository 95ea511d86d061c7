"""Every fault says what was probably meant, and a row's faults are all told at once: the table of nasty cells."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from company.spreadsheets import csv_bytes, read_workbook, template_bytes
from devices.rules.workbook_rows import ABOUT, PLANS
from tests.devices.rules.import_world import check, check_file, out_sheets, right_sheets, spoilt

NASTY: list[tuple[str, str, Any, str]] = [
    ("customers", "language", "Germn", "Did you mean “German”?"),
    ("customers", "paper", "Lettre", "Did you mean “Letter”?"),
    ("customers", "inspections a year", 2.5, "Did you mean “2” or “3”?"),
    ("customers", "inspections a year", 99, "The nearest that is taken is 52."),
    ("customers", "response hours", "24 hours", "Did you mean “24 h”?"),
    ("customers", "contact email", "ada(at)example,org", "Did you mean “ada@example.org”?"),
    ("sites", "customer code", "HRAB", "Did you mean “HARB”?"),
    ("sites", "latitude", 572.5, "Did you mean “57.25”?"),
    ("sites", "longitude", "6,500", "Did you mean “6.500” or “6500”?"),
    ("sites", "time zone", "Europe/Lodnon", "Did you mean “Europe/London”?"),
    ("receivers", "site code", "HARB1", "Did you mean “HARB-1”?"),
    ("receivers", "receiver type code", "reciever-8", "Did you mean “receiver-8”?"),
    ("receivers", "evidence", "exeptions", "Did you mean “exceptions”?"),
    ("receivers", "supply volts", "12 volts", "Did you mean “12 V”?"),
    ("receivers", "supply volts", 1200, "Did you mean “12 V”?"),
    ("receivers", "cable gauge", "1.5", "Did you mean “1.5 mm²”?"),
    ("receivers", "cable gauge", "18 gauge", "Did you mean “AWG 18”?"),
    ("receivers", "installed on", "31.02.2025", "Did you mean “2025-02-28”?"),
    ("receivers", "installed on", "3 Apirl 2025", "Did you mean “2025-04-03”?"),
    ("receivers", "installed on", "03.05.23", "Did you mean “2023-05-03”?"),
    ("receivers", "installed on", "2025/04/03", "Did you mean “2025-04-03”?"),
    ("receivers", "installed on", 45049, "Did you mean “2023-05-03”?"),
    ("receivers", "installed on", date(2062, 1, 3), "Did you mean “2026-01-03”?"),
    ("receivers", "installed on", "1923-05-03", "Did you mean “2023-05-03”?"),
    ("receivers", "installed on", "May 2023", "Which day? Write it like 2023-05-15."),
    ("receivers", "installed on", "03/04/2025", "2025-04-03 to some and 2025-03-04 to others"),
    ("outputs", "receiver", "Mian", "Did you mean “Main”?"),
    ("outputs", "receiver", "Basement", "It has “Main”."),
    ("outputs", "kind", "singal", "Did you mean “signal”?"),
    ("outputs", "contact", "normaly open", "Did you mean “normally open”?"),
    ("outputs", "rest", "de energized at rest", "Did you mean “de-energized”?"),
    ("slots", "slot", "one", "Write the figure alone."),
    ("slots", "transmitter type code", "pendant-lnog", "Did you mean “pendant-long”?"),
    ("slots", "duty class", "life saftey", "Did you mean “life safety”?"),
    ("slots", "portable", "yess", "Did you mean “yes”?"),
    ("slots", "supervision window", "4", "Did you mean “4 h”, “4 min” or “4 s”?"),
    ("slots", "supervision window", "4 huors", "Did you mean “4 h”?"),
    ("slots", "supervision window", "5 h", "The nearest to 5 h is 4 h."),
    ("slots", "supervision window", "of", "Did you mean “off”?"),
    ("slots", "check-in interval", "90 d", "The nearest that is taken is 31 d."),
    ("slots", "outputs", "1 folower", "Did you mean “1 follower”?"),
    ("slots", "contact", "nome", "Did you mean “none”?"),
    ("fittings", "transmitter serial", "SK-0001", "Did you mean “SK-00001”?"),
    ("fittings", "battery code", "CR2405", "Did you mean “CR2450”?"),
    ("fittings", "cells", "2 pieces", "Did you mean “2”?"),
    ("past fittings", "why it came out", "preventativ", "Did you mean “preventive”?"),
    ("past fittings", "measured volts", "2.9 mV", "Did you mean “2.9 V”?"),
]


@pytest.mark.parametrize(("sheet", "heading", "value", "words"), NASTY)
def test_a_fault_offers_what_was_probably_meant(sheet, heading, value, words):
    faults = [fault for fault in check(spoilt(sheet, heading, value)).faults if fault.column == heading]
    assert faults, "the cell was taken"
    fault = faults[0]
    assert words in fault.sentence
    assert (fault.sheet, fault.row, fault.column) == (sheet, 2, heading)
    assert fault.letter
    assert fault.value


TEXT_COLUMNS = [
    ("customers", "customer code"), ("customers", "name"), ("customers", "contact name"), ("customers", "contact email"),
    ("customers", "contact phone"), ("sites", "site code"), ("sites", "customer code"), ("sites", "name"), ("sites", "kind"),
    ("sites", "address"), ("sites", "time zone"), ("receivers", "receiver"), ("receivers", "area"), ("receivers", "serial"),
    ("receivers", "cable gauge"), ("outputs", "drives"), ("slots", "transmitter serial"), ("slots", "label"),
    ("slots", "area"), ("slots", "outputs"), ("fittings", "lot or date code"), ("fittings", "battery code"),
]  # fmt: skip


@pytest.mark.parametrize(("sheet", "heading"), TEXT_COLUMNS)
@pytest.mark.parametrize("char", ["\x07", "\x1b", "\u202e"])
def test_a_character_that_cannot_be_printed_is_refused_in_every_text(sheet, heading, char):
    sheets = spoilt(sheet, heading, f"A{char}1")
    (out,) = [out for out in out_sheets(sheets) if out.name == sheet]
    checked = check_file(csv_bytes(out.header, out.rows), f"{sheet}.csv")
    assert [f for f in checked.faults if f.column == heading and "cannot be printed" in f.sentence]


def test_all_faults_of_a_row_are_told_at_once():
    sheets = right_sheets()
    sheets["slots"][0] |= {
        "slot": "x", "transmitter type code": "pendant-lnog", "site code": "HARB1", "duty class": "low", "portable": "perhaps",
        "supervision window": "4",
    }  # fmt: skip
    columns = [fault.column for fault in check(sheets).faults if fault.row == 2 and fault.sheet == "slots"]
    assert sorted(columns) == sorted(
        ["slot", "transmitter type code", "site code", "duty class", "portable", "supervision window"]
    )


def test_a_row_that_stands_twice_is_checked_too():
    sheets = right_sheets()
    sheets["fittings"].append({**sheets["fittings"][0], "battery code": "CR9999", "transmitter serial": "SK-00001"})
    sentences = [fault.sentence for fault in check(sheets).faults if fault.row == 3]
    assert any("already stands in row 2" in sentence for sentence in sentences)
    assert any("no battery “CR9999”" in sentence for sentence in sentences)


def test_a_csv_file_named_txt_is_read():
    (out,) = [out for out in out_sheets(right_sheets()) if out.name == "customers"]
    body = csv_bytes(out.header, out.rows)
    assert check_file(body, "customers.txt").customers[0].code == "HARB"
    assert read_workbook([("customers.txt", body.replace(b",", b"\t"))]).sheets[0].header[:2] == (
        "customer code",
        "name",
    )


def test_one_slip_in_ten_thousand_rows_costs_no_more_than_a_few_comparisons(monkeypatch):
    from company import sheet_words

    asked: list[int] = []
    real = sheet_words.difflib.get_close_matches
    monkeypatch.setattr(
        sheet_words.difflib, "get_close_matches", lambda w, names, **k: asked.append(len(names)) or real(w, names, **k)
    )
    sheets = right_sheets()
    sheets["fittings"] = [{**sheets["fittings"][0], "transmitter serial": "ZZ-9"} for _ in range(300)]
    check(sheets)
    assert len(asked) <= 2


def test_the_examples_of_the_template_are_a_right_workbook_once_they_are_no_examples():
    book = read_workbook([("template.xlsx", template_bytes(PLANS, ABOUT))])
    sheets = {
        sheet.name: [
            {
                heading: cell.replace("EXAMPLE", "FIRST") if isinstance(cell, str) else cell
                for heading, cell in zip(sheet.header, row.cells, strict=False)
            }
            for row in sheet.rows
        ]
        for sheet in book.sheets
        if sheet.name != "about"
    }
    assert len(sheets) == len(PLANS)
    checked = check(sheets)
    assert checked.faults == ()
    assert checked.remarks == ()
    assert [len(rows) for rows in (checked.slots, checked.fittings, checked.past_fittings)] == [1, 1, 1]


def test_exchanged_neighbours_are_the_nearest_of_names():
    (fault,) = [
        f for f in check(spoilt("receivers", "receiver type code", "receiver-61")).faults if f.sheet == "receivers"
    ]
    assert "Did you mean “receiver-16”?" in fault.sentence


def test_a_slot_outside_is_told_by_the_size_of_its_own_receiver():
    (fault,) = [f for f in check(spoilt("slots", "slot", -1)).faults if f.sheet == "slots"]
    assert fault.sentence == "-1 is outside 1 to 8, the slots of this receiver."


def test_a_year_long_past_is_not_taken_for_this_one():
    (fault,) = check(spoilt("slots", "registered on", "1850-01-01")).faults
    assert "Did you mean" not in fault.sentence
    (fault,) = check(spoilt("slots", "registered on", "2027-01-01")).faults
    assert "Did you mean “2026-01-01”?" in fault.sentence


def test_cells_of_a_transmitter_whose_row_cannot_be_read_are_not_taken_for_those_of_another():
    faults = check(spoilt("slots", "transmitter serial", "SK-00001\u202e")).faults
    assert {fault.sheet for fault in faults} == {"slots"}


def test_a_receiver_whose_type_cannot_be_read_says_that_more_may_come():
    checked = check(spoilt("receivers", "receiver type code", "receiver-61"))
    assert any("more faults may show then" in remark.sentence for remark in checked.remarks)
