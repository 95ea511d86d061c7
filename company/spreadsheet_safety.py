"""Look into an XLSX or ZIP file before anything reads it whole: is it one, is it small enough, what does a sheet hide?

Pure apart from unpacking in memory. A workbook is a ZIP of XML; both can be made to blow up, so sizes are checked from
the directory, then every part is unpacked once against its stated size, and no part may carry a document type.
"""

import io
import re
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any
from xml.parsers import expat

from django.utils.translation import gettext as _

from company.errors import Refused

MAX_BYTES = 20_000_000
MAX_UNPACKED_BYTES = 200_000_000
MAX_RATIO = 200
MAX_PARTS = 2_000
MAX_ROWS = 200_000
MAX_COLUMNS = 200
_CHUNK = 1 << 18
# Built-in number formats that show powers of ten: ECMA-376 part 1, 18.8.30 (from memory).
_SCIENTIFIC_FORMATS = {11, 48}


class BadFile(Refused):
    """The uploaded file cannot be read at all; the text says what it is and what to do."""


@dataclass(slots=True)
class SheetScan:
    """What the XML of one sheet tells beyond its values; places are (row, column), both counted from 1."""

    formulas: list[tuple[int, int]] = field(default_factory=list)
    errors: list[tuple[int, int, str]] = field(default_factory=list)
    scientific: set[tuple[int, int]] = field(default_factory=set)
    last_row: int = 0
    last_column: int = 0


def refuse_oversize(name: str, n_bytes: int, max_bytes: int = MAX_BYTES) -> None:
    """Refuse a file by its size alone, before a byte of it is read."""
    if n_bytes > max_bytes:
        raise BadFile(
            _(
                "“%(name)s” is %(size)s MB; at most %(most)s MB are read. Take pictures and unused sheets "
                "out, or split it by site."
            )
            % {"name": name, "size": f"{n_bytes / 1000000.0:.0f}", "most": f"{max_bytes / 1000000.0:.0f}"}
        )
    if n_bytes == 0:
        raise BadFile(_("“%(name)s” is empty.") % {"name": name})


def open_zip(name: str, body: bytes) -> zipfile.ZipFile:
    """Open a ZIP after checking its directory, then unpack each part once to prove the stated sizes."""
    try:
        archive = zipfile.ZipFile(io.BytesIO(body))
    except (zipfile.BadZipFile, NotImplementedError, ValueError, EOFError):
        raise BadFile(
            _("“%(name)s” is damaged or was cut off. Save it again and upload the new copy.") % {"name": name}
        ) from None
    parts = archive.infolist()
    if any(part.flag_bits & 0x1 for part in parts):
        raise BadFile(_("“%(name)s” is locked with a password. Save a copy without one.") % {"name": name})
    unpacked = sum(part.file_size for part in parts)
    swollen = any(
        part.file_size > 1_000_000 and part.file_size > MAX_RATIO * max(part.compress_size, 1) for part in parts
    )
    overlapping = sum(part.compress_size for part in parts) > len(body)
    if unpacked > MAX_UNPACKED_BYTES or swollen or overlapping or len(parts) > MAX_PARTS:
        raise BadFile(
            _(
                "“%(name)s” unpacks to %(unpacked)s MB from %(packed)s MB, which no real workbook does. Copy the rows "
                "into a fresh template."
            )
            % {"name": name, "unpacked": f"{unpacked / 1000000.0:.0f}", "packed": f"{len(body) / 1000000.0:.1f}"}
        )
    try:
        for part in parts:
            with archive.open(part) as stream:
                while stream.read(_CHUNK):
                    pass
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, EOFError, OSError, ValueError):
        raise BadFile(
            _("“%(name)s” is damaged: one of its parts cannot be unpacked. Save it again.") % {"name": name}
        ) from None
    return archive


def scan_sheets(name: str, archive: zipfile.ZipFile) -> dict[str, SheetScan]:
    """Scan each sheet of a workbook for formulas, error values, powers of ten and its true extent."""
    try:
        scientific = _scientific_styles(archive)
        return {title: _scan(archive, path, scientific) for title, path in _sheet_paths(archive)}
    except (expat.ExpatError, KeyError, ValueError):
        raise BadFile(
            _("“%(name)s” is damaged: a sheet cannot be read. Open it, save it again and upload the new copy.")
            % {"name": name}
        ) from None


def place(reference: str) -> tuple[int, int]:
    """Turn "C7" into (7, 3); raises ValueError for anything else."""
    match = re.fullmatch(r"([A-Z]{1,3})(\d{1,7})", reference)
    if not match:
        raise ValueError(reference)
    column = 0
    for char in match[1]:
        column = column * 26 + ord(char) - 64
    return int(match[2]), column


def _parse(archive: zipfile.ZipFile, path: str, start: Any, end: Any = None, chars: Any = None) -> None:
    parser = expat.ParserCreate()
    parser.buffer_text = True

    def no_doctype(*args: object) -> None:
        raise BadFile(
            _("The workbook carries a document type definition, which no spreadsheet program writes. It was not read.")
        )

    parser.StartDoctypeDeclHandler = no_doctype
    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.CharacterDataHandler = chars
    with archive.open(path) as stream:
        while chunk := stream.read(_CHUNK):
            parser.Parse(chunk, False)
    parser.Parse(b"", True)


def _sheet_paths(archive: zipfile.ZipFile) -> Iterator[tuple[str, str]]:
    """Give name and part of each sheet, in the order of the workbook."""
    sheets: list[tuple[str, str]] = []
    targets: dict[str, str] = {}

    def sheet(tag: str, attributes: dict[str, str]) -> None:
        if tag.rpartition(":")[2] == "sheet":
            link = next((value for key, value in attributes.items() if key.endswith(":id")), "")
            sheets.append((attributes.get("name", ""), link))

    def relation(tag: str, attributes: dict[str, str]) -> None:
        if tag.rpartition(":")[2] == "Relationship":
            target = attributes.get("Target", "")
            targets[attributes.get("Id", "")] = target.lstrip("/") if target.startswith("/") else f"xl/{target}"

    _parse(archive, "xl/workbook.xml", sheet)
    _parse(archive, "xl/_rels/workbook.xml.rels", relation)
    parts = set(archive.namelist())
    for title, link in sheets:
        if targets.get(link) in parts:
            yield title, targets[link]


def _scientific_styles(archive: zipfile.ZipFile) -> set[str]:
    """Find the cell styles whose number format shows a power of ten."""
    if "xl/styles.xml" not in archive.namelist():
        return set()
    formats = set(_SCIENTIFIC_FORMATS)
    styles: list[int] = []
    is_inside = False

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal is_inside
        tag = tag.rpartition(":")[2]
        if tag == "numFmt" and re.search(r"0E[+-]", attributes.get("formatCode", ""), re.IGNORECASE):
            formats.add(int(attributes.get("numFmtId", "-1")))
        elif tag == "cellXfs":
            is_inside = True
        elif tag == "xf" and is_inside:
            styles.append(int(attributes.get("numFmtId", "0")))

    def end(tag: str) -> None:
        nonlocal is_inside
        if tag.rpartition(":")[2] == "cellXfs":
            is_inside = False

    _parse(archive, "xl/styles.xml", start, end)
    return {str(index) for index, number_format in enumerate(styles) if number_format in formats}


class _Scanner:
    """Follows the cells of one sheet; a cell without a reference stands right of the one before it."""

    def __init__(self, scientific: set[str]) -> None:
        self.found = SheetScan()
        self.scientific = scientific
        self.at = (0, 0)
        self.kind = self.style = ""
        self.error: list[str] | None = None

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        tag = tag.rpartition(":")[2]
        if tag == "c":
            reference = attributes.get("r")
            self.at = place(reference) if reference else (self.at[0], self.at[1] + 1)
            self.kind, self.style = attributes.get("t", "n"), attributes.get("s", "")
        elif tag == "row":
            self.at = (int(attributes["r"]) if "r" in attributes else self.at[0] + 1, 0)
        elif tag == "f":
            self.found.formulas.append(self.at)
        elif tag in ("v", "is"):
            self._value()

    def _value(self) -> None:
        found = self.found
        found.last_row, found.last_column = max(found.last_row, self.at[0]), max(found.last_column, self.at[1])
        # The reader lays a sheet out as a full table, so one stray cell far out would take all memory.
        if found.last_row > MAX_ROWS or found.last_column > MAX_COLUMNS:
            raise BadFile(
                _(
                    "A sheet has a filled cell in row %(row)s, column %(column)s; at most %(max_rows)s rows and "
                    "%(max_columns)s columns are read. Delete what stands far below or far right of the rows."
                )
                % {"row": self.at[0], "column": self.at[1], "max_rows": MAX_ROWS, "max_columns": MAX_COLUMNS}
            )
        if self.kind == "e":
            self.error = []
        elif self.kind == "n" and self.style in self.scientific:
            found.scientific.add(self.at)

    def chars(self, text: str) -> None:
        if self.error is not None:
            self.error.append(text)

    def end(self, tag: str) -> None:
        if self.error is not None and tag.rpartition(":")[2] == "v":
            self.found.errors.append((*self.at, "".join(self.error)))
            self.error = None


def _scan(archive: zipfile.ZipFile, path: str, scientific: set[str]) -> SheetScan:
    scanner = _Scanner(scientific)
    _parse(archive, path, scanner.start, scanner.end, scanner.chars)
    return scanner.found
