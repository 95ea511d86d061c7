"""What spreadsheets do to cells: lost noughts, dates, formulas, merged cells, headings and sheets misspelt."""

import io
from datetime import date

import openpyxl
import pytest
import xlsxwriter

from company.spreadsheets import OutSheet, xlsx_bytes
from tests.devices.rules.import_world import check, check_file, out_sheets, right_sheets, spoilt, workbook_file
from tests.devices.rules.test_workbook_on_record import on_record
from tests.devices.rules.test_workbook_rows import only_fault


def test_serials_that_may_have_lost_leading_zeros_are_remarked():
    sheets = right_sheets()
    template = sheets["slots"][0]
    sheets["slots"] = [
        {**template, "slot": n + 1, "transmitter serial": serial} for n, serial in enumerate([40001, 40002, 417])
    ]
    del sheets["fittings"], sheets["past fittings"]
    checked = check(sheets)
    assert checked.faults == ()
    assert [row.serial for row in checked.slots] == ["40001", "40002", "417"]
    assert [(remark.row, remark.column) for remark in checked.remarks] == [(4, "transmitter serial")]
    sheets["slots"] = [{**template, "slot": 3, "transmitter serial": 123}]
    assert "On record there is 00123" in check({"slots": sheets["slots"]}, on_record()).remarks[0].sentence


@pytest.mark.parametrize("serial", ["1.0E+05", "1,0E+05", "4.1E+12"])
def test_a_serial_that_a_csv_file_lost_is_refused(serial):
    fault = only_fault(check(spoilt("slots", "transmitter serial", serial, row=3)))
    assert "A spreadsheet shortened this" in fault.sentence
    assert (fault.sheet, fault.row, fault.letter) == ("slots", 3, "D")


def test_a_serial_with_a_point_zero_is_mended():
    checked = check(spoilt("slots", "transmitter serial", "17.0", row=3))
    assert checked.faults == ()
    assert checked.slots[1].serial == "17"


@pytest.mark.parametrize("number_format", ["0.00E+00", "##0.0E+0"])
def test_a_serial_shown_as_a_power_of_ten_is_refused_though_the_file_holds_a_whole_number(number_format):
    book = openpyxl.load_workbook(io.BytesIO(workbook_file(right_sheets())))
    cell = book["slots"]["D3"]
    cell.value, cell.number_format = 100000, number_format
    fault = only_fault(check_file(_saved(book)))
    assert fault.where == "sheet “slots”, row 3, column D (transmitter serial)"
    assert "A spreadsheet shortened this to 1E+5" in fault.sentence


def test_a_serial_of_sixteen_digits_kept_as_a_number_is_refused():
    fault = only_fault(check(spoilt("slots", "transmitter serial", 1234567890123456, row=3)))
    assert "keeps only 15 digits" in fault.sentence


def test_a_serial_that_became_a_date_is_refused():
    fault = only_fault(check(spoilt("slots", "transmitter serial", date(2025, 3, 4), row=3)))
    assert "made a date or time of this" in fault.sentence


def _saved(book: openpyxl.Workbook) -> bytes:
    target = io.BytesIO()
    book.save(target)
    return target.getvalue()


def test_formulas_are_named_cell_by_cell():
    book = openpyxl.load_workbook(io.BytesIO(workbook_file(right_sheets())))
    book["slots"]["D2"] = '="SK-"&"00001"'
    book["fittings"]["C2"] = "=1+0"
    faults = [fault for fault in check_file(_saved(book)).faults if "formula" in fault.sentence]
    assert [fault.where for fault in faults] == [
        "sheet “slots”, row 2, column D (transmitter serial)",
        "sheet “fittings”, row 2, column C (cells)",
    ]


def test_a_formula_whose_result_is_stored_is_refused_too():
    target = io.BytesIO()
    book = xlsxwriter.Workbook(target, {"in_memory": True})
    page = book.add_worksheet("customers")
    page.write_row(0, 0, ["customer code", "name"])
    page.write_row(1, 0, ["HARB"])
    page.write_formula(1, 1, '="Harbour"', None, "Harbour")
    book.close()
    fault = only_fault(check_file(target.getvalue()))
    assert (fault.row, fault.letter, fault.value) == (2, "B", "Harbour")


def test_merged_cells_are_named():
    book = openpyxl.load_workbook(io.BytesIO(workbook_file(right_sheets())))
    book["slots"].merge_cells("A2:A3")
    faults = [fault for fault in check_file(_saved(book)).faults if "merged" in fault.sentence]
    assert [fault.where for fault in faults] == ["sheet “slots”, row 2, column A (site code)"]
    assert "A2:A3" in faults[0].sentence


def test_an_error_value_is_named():
    book = openpyxl.load_workbook(io.BytesIO(workbook_file(right_sheets())))
    book["fittings"]["E2"] = "#REF!"
    fault = only_fault(check_file(_saved(book)))
    assert "shows the error #REF!" in fault.sentence
    assert (fault.row, fault.letter) == (2, "E")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"serial no": "transmitter serial"}, "The column “transmitter serial” is missing"),
        ({"serial no": "transmitter serial"}, "The sheet has no column “serial no”"),
        ({"supervison window": "supervision window"}, "Did you mean “supervision window”?"),
        ({"serial": "label"}, "The heading “transmitter serial” stands twice (also in column D)"),
    ],
)
def test_wrong_headings_are_named(change, words):
    sheets = out_sheets(right_sheets())
    slots = next(n for n, sheet in enumerate(sheets) if sheet.name == "slots")
    renamed = {old: new for new, old in change.items()}
    sheets[slots] = OutSheet(
        "slots", [renamed.get(heading, heading) for heading in sheets[slots].header], sheets[slots].rows
    )
    faults = check_file(xlsx_bytes(sheets)).faults
    assert any(words in fault.sentence and fault.sheet == "slots" and fault.row == 1 for fault in faults), faults


def test_headings_match_whatever_their_case_spaces_and_underscores():
    sheets = [
        OutSheet(s.name.upper(), [h.upper().replace(" ", "_") for h in s.header], s.rows)
        for s in out_sheets(right_sheets())
    ]
    assert check_file(xlsx_bytes(sheets)).problems == ()


def test_a_misspelt_sheet_is_refused_and_notes_are_left_alone():
    sheets = right_sheets()
    sheets["fitings"] = sheets.pop("fittings")
    fault = only_fault(check(sheets))
    assert fault.where == "sheet “fitings”"
    assert "Did you mean “fittings”?" in fault.sentence
    sheets["notes of Ada"] = sheets.pop("fitings")
    assert check(sheets).faults == ()


def test_a_cell_under_no_heading_is_named():
    book = openpyxl.load_workbook(io.BytesIO(workbook_file(right_sheets())))
    book["customers"]["M2"] = "left over"
    fault = only_fault(check_file(_saved(book)))
    assert (fault.row, fault.letter, fault.value) == (2, "M", "left over")


def test_a_workbook_without_rows_says_so():
    assert only_fault(check_file(_saved(openpyxl.Workbook()))).sentence.startswith("The workbook holds no rows")


def test_hostile_names_stay_text():
    hostile = [
        "<script>alert(1)</script>",
        "=cmd|' /C calc'!A0",
        "file:///etc/passwd",
        "@SUM(A1)",
        "+1",
        "-1",
        "{{ 7*7 }}",
        "'); DROP TABLE x;--",
    ]
    for name in hostile:
        checked = check(spoilt("customers", "name", name))
        assert checked.problems == ()
        assert checked.customers[0].name == name
