"""Files that are no workbook, or more than one: each is really made and refused in plain words; CSV in all its kinds."""

import io
import struct
import zipfile
import zlib
from datetime import date, time

import msoffcrypto
import openpyxl
import pytest
import xlsxwriter

from company import spreadsheet_safety
from company.sheets import letter_of, shown
from company.spreadsheets import BadFile, OutSheet, csv_bytes, read_workbook, refuse_oversize, xlsx_bytes

HEADER = ["code", "name", "day", "number"]
ROWS = [["A-1", "Harbour", date(2025, 4, 3), 17], ["A-2", "Café", date(2025, 4, 4), 2.5]]


def small_workbook() -> bytes:
    return xlsx_bytes([OutSheet("sites", HEADER, ROWS)])


def refusal(name: str, body: bytes, **more: int) -> str:
    with pytest.raises(BadFile) as caught:
        read_workbook([(name, body)], **more)
    return caught.value.message


def test_a_workbook_comes_back_as_it_was_written():
    sheet = read_workbook([("book.xlsx", small_workbook())]).sheets[0]
    assert (sheet.name, sheet.header, sheet.header_row) == ("sites", tuple(HEADER), 1)
    assert [(row.number, list(row.cells)) for row in sheet.rows] == [(2, ROWS[0]), (3, ROWS[1])]
    assert type(sheet.rows[0].cells[3]) is int


def test_row_numbers_are_those_of_the_file_and_the_first_filled_row_holds_the_headings():
    book = openpyxl.Workbook()
    page = book.active
    page["B3"], page["C3"], page["B7"] = "code", "name", "A-1"
    target = io.BytesIO()
    book.save(target)
    sheet = read_workbook([("book.xlsx", target.getvalue())]).sheets[0]
    assert (sheet.header_row, sheet.header) == (3, ("", "code", "name"))
    assert [(row.number, row.cells) for row in sheet.rows] == [(7, (None, "A-1", None))]


def test_text_loses_invisible_characters_and_keeps_its_letters():
    book = xlsx_bytes([OutSheet("sites", ["name"], [["\u200b Cafe\u0301\u00a0Bar "]])])
    assert read_workbook([("book.xlsx", book)]).sheets[0].rows[0].cells == ("Café Bar",)


def _encrypted() -> bytes:
    target = io.BytesIO()
    msoffcrypto.OfficeFile(io.BytesIO(small_workbook())).encrypt("secret", target)
    return target.getvalue()


def _zip(parts: dict[str, bytes], compression: int = zipfile.ZIP_DEFLATED) -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", compression) as archive:
        for name, body in parts.items():
            archive.writestr(name, body)
    return target.getvalue()


def _old_xls() -> bytes:
    return b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(504) + "Workbook".encode("utf-16-le") + bytes(1000)


@pytest.mark.parametrize(
    ("name", "make", "words"),
    [
        ("book.xlsx", _encrypted, "locked with a password"),
        ("book.xls", _old_xls, "old .xls kind. Save it as .xlsx"),
        ("book.doc", lambda: b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "old office document"),
        ("book.xlsx", lambda: b"", "is empty"),
        ("book.xlsx", lambda: b"%PDF-1.7", "is a PDF, not a workbook"),
        ("book.csv", lambda: b"\x89PNG\r\n\x1a\n", "is a picture, not a workbook"),
        ("book.exe", lambda: b"MZ\x90\0", "no workbook we can read"),
        ("book.xlsx", lambda: b"site code,name\n", "no workbook we can read"),
        ("book.csv", lambda: b"\0\1\2\3" * 100, "no text file"),
        ("book.csv", lambda: b"<!DOCTYPE html><table>", "a web page or XML"),
        ("book.csv", lambda: b'a,b\n"' + b"x" * 200_000, "a quotation mark is missing"),
        ("book.csv", lambda: b",".join([b"x"] * 300), "more than 200000 rows or 200 columns"),
        ("book.xlsx", lambda: small_workbook()[:-200], "damaged or was cut off"),
        ("book.xlsx", lambda: small_workbook()[:2000] + b"\0" * 50 + small_workbook()[2050:], "damaged"),
        ("book.docx", lambda: _zip({"word/document.xml": b"<x/>"}), "neither a workbook nor CSV files"),
        ("book.xlsb", lambda: _zip({"xl/workbook.bin": b"x"}), "binary workbook (.xlsb)"),
        ("book.ods", lambda: _zip({"mimetype": b"x", "content.xml": b"<x/>"}), "OpenDocument"),
        ("book.xlsx", lambda: _zip({"xl/workbook.xml": b"<workbook><sheets>"}), "damaged"),
        ("book.xlsx", lambda: _zip({"xl/workbook.xml": b'<!DOCTYPE x [<!ENTITY a "b">]><workbook/>'}), "document type definition"),
    ],
)  # fmt: skip
def test_a_file_that_is_no_workbook_is_refused_in_words(name, make, words):
    text = refusal(name, make())
    assert words in text
    assert text.endswith((".", ")"))


def test_an_oversized_file_is_refused_by_its_size_alone():
    with pytest.raises(BadFile, match="is 200 MB; at most 20 MB are read"):
        refuse_oversize("book.xlsx", 200_000_000)
    assert "at most 0 MB" in refusal("book.xlsx", small_workbook(), max_bytes=1000)
    refuse_oversize("book.xlsx", 20_000_000)


def test_several_files_count_together():
    files = [(f"{n}.csv", b"a,b\n" * 100) for n in range(3)]
    with pytest.raises(BadFile):
        read_workbook(files, max_bytes=1000)


def test_a_swollen_part_is_refused_before_it_is_unpacked():
    bomb = _zip({"xl/workbook.xml": b"<workbook/>", "xl/sharedStrings.xml": b"0" * 30_000_000})
    assert len(bomb) < 100_000
    assert "which no real workbook does" in refusal("book.xlsx", bomb)


def test_parts_that_add_up_to_too_much_are_refused(monkeypatch):
    monkeypatch.setattr(spreadsheet_safety, "MAX_UNPACKED_BYTES", 1000)
    assert "which no real workbook does" in refusal("book.xlsx", small_workbook())


def test_a_part_larger_than_its_directory_says_is_found_out():
    body = b"1" * 5000
    packed = zlib.compressobj(wbits=-15)
    data = packed.compress(body) + packed.flush()
    stated = 100
    crc = zlib.crc32(body)
    name = b"xl/workbook.xml"
    local = struct.pack("<4s5H3I2H", b"PK\x03\x04", 20, 0, 8, 0, 0, crc, len(data), stated, len(name), 0) + name + data
    central = (
        struct.pack(
            "<4s6H3I5H2I", b"PK\x01\x02", 20, 20, 0, 8, 0, 0, crc, len(data), stated, len(name), 0, 0, 0, 0, 0, 0
        )
        + name
    )
    end = struct.pack("<4s4H2IH", b"PK\x05\x06", 0, 0, 1, 1, len(central), len(local), 0)
    assert "one of its parts cannot be unpacked" in refusal("book.xlsx", local + central + end)


def test_a_cell_far_out_is_refused_because_the_sheet_would_fill_the_memory():
    book = openpyxl.Workbook()
    book.active["A1"], book.active["XFD1048576"] = "code", "x"
    target = io.BytesIO()
    book.save(target)
    assert "row 1048576, column 16384" in refusal("book.xlsx", target.getvalue())


def test_a_format_alone_far_out_does_no_harm():
    target = io.BytesIO()
    book = xlsxwriter.Workbook(target, {"in_memory": True})
    page = book.add_worksheet("sites")
    page.write_string(0, 0, "code")
    page.write_blank(900_000, 16_000, None, book.add_format({"bold": True}))
    book.close()
    assert read_workbook([("book.xlsx", target.getvalue())]).sheets[0].header == ("code",)


def test_a_password_on_the_zip_is_named():
    body = bytearray(_zip({"sites.csv": b"code\n"}, zipfile.ZIP_STORED))
    body[6] |= 1
    body[body.index(b"PK\x01\x02") + 8] |= 1
    assert "locked with a password" in refusal("book.zip", bytes(body))


def test_a_zip_of_csv_files_gives_a_sheet_for_each():
    body = _zip(
        {"in/sites.csv": b"code\nA-1\n", "slots.csv": b"slot\n1\n", "__MACOSX/._x.csv": b"\0", "readme.txt": b"hello"}
    )
    assert [sheet.name for sheet in read_workbook([("all.zip", body)]).sheets] == ["sites", "slots"]


def test_a_workbook_among_csv_files_is_refused():
    with pytest.raises(BadFile, match="not a mixture"):
        read_workbook([("a.csv", b"a\n"), ("book.xlsx", small_workbook())])


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_csv_is_read_in_every_common_form(encoding, delimiter):
    lines = [["code", "name, or names"], ["A-1", f"Café{delimiter}Bar"], [], ["A-2", 'say "yes"\nor no']]
    text = "\r\n".join(delimiter.join('"' + cell.replace('"', '""') + '"' for cell in line) for line in lines)
    sheet = read_workbook([("C:\\files\\sites.csv", text.encode(encoding))]).sheets[0]
    assert (sheet.name, sheet.header) == ("sites", ("code", "name, or names"))
    assert [(row.number, row.cells) for row in sheet.rows] == [
        (2, ("A-1", f"Café{delimiter}Bar")),
        (4, ("A-2", 'say "yes"\nor no')),
    ]


def test_the_line_that_names_the_separator_is_no_row():
    sheet = read_workbook([("sites.csv", b"sep=;\r\ncode;name, all\r\nA-1;x,y\r\n")]).sheets[0]
    assert (sheet.header, sheet.rows[0].cells) == (("code", "name, all"), ("A-1", "x,y"))


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\tx", "\rx", "=cmd|' /C calc'!A0"])
def test_risky_text_is_written_as_text_and_read_back_as_it_was(text):
    book = openpyxl.load_workbook(io.BytesIO(xlsx_bytes([OutSheet("sites", ["name"], [[text]])])))
    assert book["sites"]["A2"].data_type == "s"
    body = csv_bytes(["name"], [[text]])
    assert ("'" + text.splitlines()[-1]).encode() in body or ("'" + text).encode() in body
    assert read_workbook([("sites.csv", body)]).sheets[0].rows[0].cells == (text.strip(),)


def test_links_in_text_stay_text():
    body = xlsx_bytes([OutSheet("sites", ["name"], [["file:///etc/passwd"], ["https://example.org"]])])
    page = openpyxl.load_workbook(io.BytesIO(body))["sites"]
    assert page["A2"].hyperlink is None
    assert page["A3"].hyperlink is None


def test_numbers_in_csv_are_not_guarded():
    assert csv_bytes(["n"], [[-5], [2.5], [True]]).decode("utf-8-sig").split() == ["n", "-5", "2.5", "yes"]


@pytest.mark.parametrize(
    ("index", "letters"), [(0, "A"), (25, "Z"), (26, "AA"), (51, "AZ"), (52, "BA"), (16383, "XFD")]
)
def test_columns_have_letters(index, letters):
    assert letter_of(index) == letters
    assert spreadsheet_safety.place(f"{letters}7") == (7, index + 1)


def test_cells_are_shown_as_people_write_them():
    assert [shown(cell) for cell in (None, True, 17.0, 2.5, date(2025, 4, 3), time(4), "x" * 300)] == [
        "", "yes", "17", "2.5", "2025-04-03", "04:00:00", "x" * 199 + "…",
    ]  # fmt: skip


def test_a_quotation_mark_that_is_never_closed_swallows_no_rows():
    with pytest.raises(BadFile, match="a quotation mark is missing"):
        read_workbook([("customers.csv", b'customer code,name\nQ1,"Alpha\nQ2,Beta\nQ3,Gamma\n')])
