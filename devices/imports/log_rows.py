"""The rows of an event log as they stand in the file: CSV as a stream, XLSX by its sheets. Nothing here knows a column."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

from django.utils.translation import gettext

from company.sheets import Cell, Row, Sheet, shown
from company.spreadsheet_rows import tidy
from company.spreadsheet_safety import MAX_BYTES, MAX_COLUMNS
from company.spreadsheets import BadFile, csv_text, read_workbook, refuse_oversize, refuse_wrong_kind

MOST_ROWS = 500_000
_DELIMITERS = ";,\t|"
_ZIP = (b"PK\x03\x04", b"PK\x05\x06")
# How spreadsheet programs are made to take digits for text: ="00123". And the apostrophe of a guarded formula.
_FORCED = re.compile(r'=\s*"(?P<text>[^"]*)"')
_LINE = re.compile(r"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+")
_GUARDED = re.compile(r"'+[=+\-@\t\r]")


@dataclass(slots=True)
class LogFile:
    """One file, opened: its sheets (none for text) and a way to go through its rows as often as needed."""

    name: str
    sheets: dict[str, Sheet] = field(default_factory=dict)
    _text: str = ""
    _delimiter: str = ","

    def rows(self, sheet: str = "") -> Iterator[Row]:
        """Give the filled rows with the numbers that a spreadsheet program shows.

        Raises
        ------
        BadFile
            At the row that is no proper CSV, is too wide, or beyond `MOST_ROWS`.
        """
        if not self.sheets:
            yield from self._text_rows()
            return
        table = self.sheets.get(sheet) or next(iter(self.sheets.values()))
        if table.header:
            yield Row(table.header_row, tuple(head or None for head in table.header))
        yield from table.rows

    def _text_rows(self) -> Iterator[Row]:
        reader = csv.reader(_lines(self._text), delimiter=self._delimiter, strict=True)
        number = 0
        try:
            for number, cells in enumerate(reader, start=1):
                if number > MOST_ROWS or len(cells) > MAX_COLUMNS:
                    raise BadFile(
                        gettext(
                            "“%(name)s” has more than %(max_rows)s rows or %(max_columns)s columns. Export a shorter span "
                            "of days."
                        )
                        % {"name": self.name, "max_rows": MOST_ROWS, "max_columns": MAX_COLUMNS}
                    )
                if any(cells):
                    tidied = tuple([_tidy(cell) for cell in cells])
                    if any(cell is not None for cell in tidied):
                        yield Row(number, tidied)
        except csv.Error:
            where = gettext("after row %(row)s") % {"row": number} if number else gettext("from its first row on")
            raise BadFile(
                gettext(
                    "“%(name)s” is no proper CSV file %(where)s: a quotation mark is missing or a cell is far too "
                    "long. Save it again from a spreadsheet program, or as XLSX."
                )
                % {"name": self.name, "where": where}
            ) from None


def _lines(text: str) -> Iterator[str]:
    """Lines with their ends, of any kind. A text buffer would hold four bytes for every sign of the file."""
    return (match[0] for match in _LINE.finditer(text))


def _tidy(cell: str) -> Cell:
    if cell[:1] in ("=", "'"):
        if match := _FORCED.fullmatch(cell.strip()):
            return match["text"].strip() or None
        cell = cell[1:] if _GUARDED.match(cell) else cell
    return (cell.strip() or None) if cell.isascii() and cell.isprintable() else tidy(cell)


def open_log(name: str, body: bytes) -> LogFile:
    """Open an event log: text with commas, semicolons, tabs or bars; XLSX; a ZIP of CSV files.

    Raises
    ------
    BadFile
        If it cannot be read at all; the text says what it is and what to do.
    """
    refuse_log(name, body)
    if body.startswith(_ZIP):
        sheets = {sheet.name: sheet for sheet in read_workbook([(name, body)]).sheets if sheet.header}
        if not sheets:
            raise BadFile(gettext("“%(name)s” holds no filled row.") % {"name": name})
        return LogFile(name, sheets)
    text = csv_text(name, body)
    first, _, rest = text.partition("\n")
    if match := re.fullmatch(r"\s*sep=(.)\r?", first):
        return LogFile(name, _text=rest, _delimiter=match[1])
    if not text.strip():
        raise BadFile(gettext("“%(name)s” holds no filled row.") % {"name": name})
    return LogFile(name, _text=text, _delimiter=delimiter_of(text))


def refuse_log(name: str, body: bytes) -> None:
    """Refuse what is no event log at all, without reading a row.

    Raises
    ------
    BadFile
        Too large, empty, a picture, a PDF, an old office document, something locked or damaged.
    """
    refuse_large_log(name, len(body))
    # A log is often named .log or by its date: what is text is read, whatever its name ends with.
    is_named = name.casefold().endswith((".csv", ".tsv", ".txt", ".xlsx", ".zip"))
    if is_named or b"\0" in body[:2000]:
        refuse_wrong_kind(name, body)
        return
    try:
        refuse_wrong_kind(f"{name}.txt", body)
    except BadFile:
        # Refused for what is in it: told of by the name that the file has.
        refuse_wrong_kind(name, body)


def refuse_large_log(name: str, n_bytes: int) -> None:
    """Refuse a log by its size alone, before a byte of it is read.

    Raises
    ------
    BadFile
    """
    if n_bytes > MAX_BYTES:
        raise BadFile(
            gettext(
                "“%(name)s” is %(size)s MB; at most %(most)s MB are read. Export a shorter span of days and hand the files "
                "over one by one."
            )
            % {"name": name, "size": f"{n_bytes / 1_000_000:.0f}", "most": f"{MAX_BYTES / 1_000_000:.0f}"}
        )
    refuse_oversize(name, n_bytes, MAX_BYTES)


def delimiter_of(text: str) -> str:
    """Take the sign that parts the most lines into equally many cells; of several the one that gives more cells."""
    lines = [line for line in text[:60_000].splitlines()[:60] if line.strip()][:50]
    best, best_score = ",", (0, 0)
    for sign in _DELIMITERS:
        try:
            widths = Counter(len(cells) for cells in csv.reader(lines, delimiter=sign))
        except csv.Error:
            continue
        width, n = max(
            ((width, n) for width, n in widths.items() if width > 1), key=lambda one: (one[1], one[0]), default=(0, 0)
        )
        if (n, width) > best_score:
            best, best_score = sign, (n, width)
    return best


def as_text(row: Row, width: int) -> list[str]:
    """Give the first cells of a row for a page, each at most 60 characters."""
    return [shown(row.cells[at])[:60] if at < len(row.cells) else "" for at in range(width)]
