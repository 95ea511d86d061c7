"""Read workbooks (XLSX, CSV files, a ZIP of CSV files) into `company.sheets` objects; write XLSX and CSV.

Nothing here knows a sheet or column by name. No Django.
"""

import csv
import io
import re
import zipfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import PurePosixPath
from typing import Any

import python_calamine
import xlsxwriter
from django.utils.translation import gettext, gettext_noop

from company.sheets import Cell, Row, Sheet, SheetPlan, Tell, Workbook, plain, shown
from company.spreadsheet_rows import read_sheet, tidy, with_header
from company.spreadsheet_safety import (
    MAX_BYTES,
    MAX_COLUMNS,
    MAX_ROWS,
    BadFile,
    open_zip,
    refuse_oversize,
    scan_sheets,
)

__all__ = [
    "MAX_BYTES",
    "BadFile",
    "OutSheet",
    "csv_bytes",
    "csv_text",
    "read_workbook",
    "refuse_oversize",
    "refuse_wrong_kind",
    "template_bytes",
    "xlsx_bytes",
]

_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_ZIP = (b"PK\x03\x04", b"PK\x05\x06")
_OTHER = {
    b"%PDF": gettext_noop("a PDF"),
    b"\x89PNG": gettext_noop("a picture"),
    b"\xff\xd8\xff": gettext_noop("a picture"),
    b"GIF8": gettext_noop("a picture"),
    b"\x1f\x8b": gettext_noop("a packed file"),
}
_TEXT = (".csv", ".tsv", ".txt")
_RISKY = ("=", "+", "-", "@", "\t", "\r")
_GUARDED = re.compile(r"'+[=+\-@\t\r]")


@dataclass(frozen=True, slots=True)
class OutSheet:
    """One sheet to write: heading cells, rows, a note for each heading (shown when the cell is pointed at)."""

    name: str
    header: Sequence[str]
    rows: Sequence[Sequence[Cell]] = ()
    notes: Sequence[str] = ()


def read_workbook(files: Sequence[tuple[str, bytes]], *, max_bytes: int = MAX_BYTES) -> Workbook:
    """Read one XLSX, one ZIP of CSV files, or several CSV files.

    Parameters
    ----------
    files : sequence of (name, bytes)
        As uploaded; the name of a CSV file is the name of its sheet.
    max_bytes : int
        Largest size of all files together [bytes].

    Raises
    ------
    BadFile
        With a plain sentence, when a file is none of these, locked, damaged or too large.
    """
    if not files:
        raise BadFile(gettext("No file was chosen."))
    refuse_oversize(files[0][0], sum(len(body) for _, body in files), max_bytes)
    sheets: list[Sheet] = []
    for name, body in files:
        refuse_oversize(name, len(body), max_bytes)
        if len(files) > 1 and body.startswith((_OLE, *_ZIP)):
            raise BadFile(gettext("Upload one XLSX workbook, one ZIP, or CSV files only, not a mixture."))
        sheets.extend(_read_file(name, body))
    return Workbook(tuple(sheets))


def refuse_wrong_kind(name: str, body: bytes, *, is_alone: bool = True) -> None:
    """Refuse what is no workbook at all, locked, damaged or swollen, without reading a cell.

    Raises
    ------
    BadFile
        The same words as `read_workbook` would use.
    """
    refuse_oversize(name, len(body), max(len(body), 1))
    if not is_alone and body.startswith((_OLE, *_ZIP)):
        raise BadFile(gettext("Upload one XLSX workbook, one ZIP, or CSV files only, not a mixture."))
    if body.startswith(_ZIP):
        _tables_in(name, open_zip(name, body))
    else:
        _refuse_no_text(name, body)


def _refuse_no_text(name: str, body: bytes) -> None:
    if body.startswith(_OLE):
        raise BadFile(_old_office(name, body))
    for mark, what in _OTHER.items():
        if body.startswith(mark):
            text = gettext("“%(name)s” is %(what)s, not a workbook. Upload an XLSX file or CSV files.")
            raise BadFile(text % {"name": name, "what": gettext(what)})
    if not name.casefold().endswith(_TEXT):
        text = gettext("“%(name)s” is no workbook we can read. Upload an XLSX file or CSV files.")
        raise BadFile(text % {"name": name})


def _read_file(name: str, body: bytes) -> list[Sheet]:
    if body.startswith(_ZIP):
        archive = open_zip(name, body)
        tables = _tables_in(name, archive)
        return [_read_csv(part, archive.read(part)) for part in tables] or _read_xlsx(name, body, archive)
    _refuse_no_text(name, body)
    return [_read_csv(name, body)]


def _old_office(name: str, body: bytes) -> str:
    if "EncryptedPackage".encode("utf-16-le") in body:
        return gettext("“%(name)s” is locked with a password. Save a copy without one and upload that.") % {
            "name": name
        }
    if any(stream.encode("utf-16-le") in body for stream in ("Workbook", "Book")):
        return gettext("“%(name)s” is a workbook of the old .xls kind. Save it as .xlsx and upload that.") % {
            "name": name
        }
    return gettext("“%(name)s” is an old office document, not a workbook. Upload an XLSX file or CSV files.") % {
        "name": name
    }


def _tables_in(name: str, archive: zipfile.ZipFile) -> list[str]:
    """Give the CSV files of a ZIP; none for an XLSX workbook; refuse any other content."""
    parts = archive.namelist()
    if "xl/workbook.xml" in parts:
        return []
    if "xl/workbook.bin" in parts:
        raise BadFile(
            gettext("“%(name)s” is a binary workbook (.xlsb). Save it as .xlsx and upload that.") % {"name": name}
        )
    if "content.xml" in parts or "mimetype" in parts:
        raise BadFile(gettext("“%(name)s” is an OpenDocument file. Save it as .xlsx and upload that.") % {"name": name})
    hidden = [part for part in parts if part.startswith("__MACOSX") or PurePosixPath(part).name.startswith(".")]
    tables = [part for part in parts if part.casefold().endswith(".csv") and part not in hidden]
    tables = tables or [part for part in parts if part.casefold().endswith(_TEXT) and part not in hidden]
    if not tables:
        raise BadFile(gettext("“%(name)s” holds neither a workbook nor CSV files.") % {"name": name})
    return tables


# --- XLSX ------------------------------------------------------------------------------------------------------------


def _read_xlsx(name: str, body: bytes, archive: zipfile.ZipFile) -> list[Sheet]:
    scans = scan_sheets(name, archive)
    try:
        book = python_calamine.load_workbook(io.BytesIO(body))
        return [read_sheet(book.get_sheet_by_name(title), scan) for title, scan in scans.items()]
    except python_calamine.PasswordError:
        raise BadFile(
            gettext("“%(name)s” is locked with a password. Save a copy without one and upload that.") % {"name": name}
        ) from None
    except (python_calamine.CalamineError, OSError, ValueError):
        raise BadFile(
            gettext("“%(name)s” is damaged and cannot be read. Open it, save it again and upload the new copy.")
            % {"name": name}
        ) from None


# --- CSV -------------------------------------------------------------------------------------------------------------


def csv_text(name: str, body: bytes) -> str:
    """Decode a text file as it is uploaded: UTF-8 or UTF-16 with or without a mark, else the western code page.

    Raises
    ------
    BadFile
        If it is no text, or a web page.
    """
    text = _decode(name, body)
    if re.match(r"\s*<(?:!doctype|html|\?xml|table)", text, re.IGNORECASE):
        raise BadFile(
            gettext("“%(name)s” is a web page or XML, not a CSV file. Save the sheet as CSV or XLSX.") % {"name": name}
        )
    return text


def _read_csv(name: str, body: bytes) -> Sheet:
    title = PurePosixPath(name.replace("\\", "/")).stem
    text = csv_text(name, body)
    first, _, rest = text.partition("\n")
    delimiter = ""
    if match := re.fullmatch(r"sep=(.)\r?", first):
        delimiter, text = match[1], rest
    delimiter = delimiter or _delimiter(text)
    rows = []
    try:
        # strict: a quotation mark that is never closed would swallow the rows after it without a word.
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
        for number, cells in enumerate(reader, start=1):
            tidied = tuple(tidy(_unguarded(cell)) for cell in cells)
            if number > MAX_ROWS or len(tidied) > MAX_COLUMNS:
                raise BadFile(
                    gettext("“%(name)s” has more than %(max_rows)s rows or %(max_columns)s columns. Split it by site.")
                    % {"name": name, "max_rows": MAX_ROWS, "max_columns": MAX_COLUMNS}
                )
            if any(cell is not None for cell in tidied):
                rows.append(Row(number, tidied))
    except csv.Error:
        raise BadFile(
            gettext("“%(name)s” is no proper CSV file: a quotation mark is missing or a cell is far too long.")
            % {"name": name}
        ) from None
    return with_header(title, rows, [])


def _decode(name: str, body: bytes) -> str:
    if body.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings = ["utf-16"]
    elif b"\0" in body[:2000]:
        # Without a mark UTF-16 shows by its zero bytes: most letters have one, always on the same side.
        odd, even = body[1:2000:2], body[0:2000:2]
        encodings = ["utf-16-le"] if odd.count(0) > 0.6 * len(odd) else []
        encodings += ["utf-16-be"] if even.count(0) > 0.6 * len(even) else []
    else:
        encodings = ["utf-8-sig", "cp1252"]
    for encoding in encodings:
        try:
            text = body.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise BadFile(gettext("“%(name)s” is no text file. Save the sheet as CSV (UTF-8) or XLSX.") % {"name": name})


def _delimiter(text: str) -> str:
    """Take the commonest of comma, semicolon and tab outside quotation marks in the first filled line."""
    first = next((line for line in text.splitlines() if line.strip(" ,;\t")), "")
    bare = re.sub(r'"[^"]*"', "", first)
    return max(",;\t", key=bare.count)


def _unguarded(cell: str) -> str:
    """Take off the apostrophe that `csv_bytes` puts before a risky first character."""
    return cell[1:] if _GUARDED.match(cell) else cell


# --- writing ---------------------------------------------------------------------------------------------------------


def xlsx_bytes(sheets: Sequence[OutSheet], *, is_large: bool = False, on_rows: Tell | None = None) -> bytes:
    """Write a workbook; text always stays text, whatever character it starts with.

    `is_large` keeps no more than one row in memory; `on_rows` is told now and then how many rows are written.
    """
    target = io.BytesIO()
    options = {
        "in_memory": not is_large, "constant_memory": is_large,
        "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False,
    }  # fmt: skip
    n_done = 0
    book = xlsxwriter.Workbook(target, options)
    heading = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
    body = book.add_format({"text_wrap": True, "valign": "top"})
    day = book.add_format({"num_format": "yyyy-mm-dd", "valign": "top", "align": "left"})
    for out in sheets:
        page = book.add_worksheet(out.name[:31])
        page.freeze_panes(1, 0)
        for column, title in enumerate(out.header):
            page.write_string(0, column, title, heading)
            longest = max([len(title), *(len(shown(row[column])) for row in out.rows[:200] if column < len(row))])
            page.set_column(column, column, min(max(longest + 2, 10), 60))
            if column < len(out.notes) and out.notes[column]:
                page.write_comment(0, column, out.notes[column])
        for number, row in enumerate(out.rows, start=1):
            for column, cell in enumerate(row):
                _write_cell(page, number, column, cell, body, day)
            n_done += 1
            if on_rows and n_done % 1000 == 0:
                on_rows(n_done)
    book.close()
    return target.getvalue()


def _write_cell(page: Any, row: int, column: int, cell: Cell, body: Any, day: Any) -> None:
    if cell is None:
        return
    if isinstance(cell, bool):
        page.write_string(row, column, shown(cell), body)
    elif isinstance(cell, (int, float)):
        page.write_number(row, column, cell, body)
    elif isinstance(cell, (date, datetime)):
        page.write_datetime(row, column, cell, day)
    else:
        page.write_string(row, column, str(cell)[:32_767], body)


def csv_bytes(header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> bytes:
    """Write a CSV file (UTF-8 with BOM, as spreadsheet programs expect); risky text gets an apostrophe in front."""
    target = io.StringIO(newline="")
    writer = csv.writer(target)
    for row in (header, *rows):
        writer.writerow([_guarded(cell) for cell in row])
    return target.getvalue().encode("utf-8-sig")


def _guarded(cell: Cell) -> str:
    # A text that begins with an apostrophe of its own gets one more, so that taking one off gives it back.
    if isinstance(cell, str) and (cell.startswith(_RISKY) or _GUARDED.match(cell)):
        return "'" + cell
    return shown(cell) if not isinstance(cell, str) else cell


def template_bytes(plans: Sequence[SheetPlan], intro: Sequence[str]) -> bytes:
    """Write an empty workbook for these plans: a sheet "about" on every column, and one example row in each sheet."""
    about: list[list[Cell]] = [[line] for line in intro]
    about.append([])
    about.append(["sheet", "column", "needed", "what to write", "example"])
    for plan in plans:
        about.append([plan.name, None, None, plan.note])
        about.extend(
            [plan.name, c.title, _needed(c.is_key, c.is_required), c.note, shown(c.example)] for c in plan.columns
        )
    sheets = [OutSheet("about", ["About this workbook"], about)]
    sheets.extend(
        OutSheet(p.name, [c.title for c in p.columns], [[c.example for c in p.columns]], [c.note for c in p.columns])
        for p in plans
    )
    assert len({plain(sheet.name) for sheet in sheets}) == len(sheets)
    return xlsx_bytes(sheets)


def _needed(is_key: bool, is_required: bool) -> str:
    return "always" if is_key or is_required else ""
