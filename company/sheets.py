"""What a workbook is once it has been read: sheets, rows, cells, columns and what is wrong with them.

Pure: no Django, no clock, no file access. `company.spreadsheets` makes these out of bytes; the `*_rows.py` modules of
`sites.rules` and `devices.rules` say which sheets and columns there are.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any

from company.sheet_words import did_you_mean as did_you_mean
from company.sheet_words import is_same as is_same
from company.sheet_words import nearest as nearest
from company.sheet_words import plain as plain
from company.sheet_words import plain_text as plain_text
from company.sheet_words import tidy_text as tidy_text

Cell = str | int | float | bool | date | datetime | time | timedelta | None
Reader = Callable[[Cell, date], Any]
Tell = Callable[[int], None]
"""Is told now and then how many rows are done."""

UNKNOWN = "unknown"
EXAMPLE_MARK = "example"


class WrongCell(ValueError):
    """One cell cannot be read; the text is a plain sentence for the person who filled it in."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing to look at in an uploaded workbook.

    Parameters
    ----------
    sheet, column, letter : str
        Where: name of the sheet, heading of the column and its letter; empty where the whole sheet or row is meant.
    row : int or None
        Row number as the spreadsheet program shows it (the first row is 1).
    value : str
        What the cell holds, as text.
    sentence : str
        What is wrong and what to do.
    is_fault : bool
        False for a remark, which does not keep the workbook from being applied.
    """

    sheet: str
    row: int | None
    column: str
    value: str
    sentence: str
    letter: str = ""
    is_fault: bool = True

    @property
    def where(self) -> str:
        """Say the place in words: sheet, row, column."""
        parts = [f"sheet “{self.sheet}”"] if self.sheet else []
        if self.row is not None:
            parts.append(f"row {self.row}")
        if self.letter and self.column:
            parts.append(f"column {self.letter} ({self.column})")
        elif self.letter or self.column:
            parts.append(f"column {self.letter or self.column}")
        return ", ".join(parts)


@dataclass(frozen=True, slots=True)
class Row:
    """One row with its number in the file; `cells` stand under the headings of the sheet."""

    number: int
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet: headings, the rows under them, and what the file itself showed to be wrong (formulas, merged cells)."""

    name: str
    header: tuple[str, ...] = ()
    header_row: int = 1
    rows: tuple[Row, ...] = ()
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True, slots=True)
class Workbook:
    """All sheets of one upload, in the order of the file."""

    sheets: tuple[Sheet, ...] = ()


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a sheet that the import knows.

    Parameters
    ----------
    key : str
        Field of the row object.
    title : str
        Heading as the template prints it.
    read : callable
        Cell and today's date to a value; raises `WrongCell`.
    is_key : bool
        Part of what tells one row from another; must be filled in.
    is_required : bool
        Must be filled in although it is no key.
    note : str
        What to write, for the sheet "about".
    example : cell
        A value for the example row of the template.
    also : tuple of str
        Other headings that mean the same.
    """

    key: str
    title: str
    read: Reader
    is_key: bool = False
    is_required: bool = False
    note: str = ""
    example: Cell = None
    also: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SheetPlan:
    """One sheet that the import knows: its name, its columns in order, other names for it, what it is for."""

    name: str
    columns: tuple[Column, ...]
    note: str = ""
    also: tuple[str, ...] = ()

    @property
    def needed(self) -> tuple[str, ...]:
        """Headings of the columns that every row must fill in."""
        return tuple(column.title for column in self.columns if column.is_key or column.is_required)

    @property
    def further(self) -> tuple[str, ...]:
        """Headings of the other columns."""
        return tuple(column.title for column in self.columns if not (column.is_key or column.is_required))

    def title(self, key: str) -> str:
        """Give the heading of the column with this key."""
        return next(column.title for column in self.columns if column.key == key)


@dataclass(slots=True)
class Read:
    """The rows of one sheet as values by key, and the place of each column for later problems.

    `partial` are rows without a key of their own (it is wrong, or stands twice): of no use, but their other cells are
    checked too, so that a person mends a row once.
    """

    plan: SheetPlan
    sheet: Sheet
    rows: list[tuple[int, dict[str, Any]]] = field(default_factory=list)
    partial: list[tuple[int, dict[str, Any]]] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    letters: dict[str, str] = field(default_factory=dict)
    raw: dict[int, Row] = field(default_factory=dict)
    places: dict[str, int] = field(default_factory=dict)

    def problem(self, row: int | None, key: str, sentence: str, *, is_fault: bool = True) -> Problem:
        """Make a problem about the column `key` of a row of this sheet."""
        value = ""
        if row in self.raw and key in self.places:
            cells = self.raw[row].cells
            value = shown(cells[self.places[key]]) if self.places[key] < len(cells) else ""
        title = self.plan.title(key) if key else ""
        return Problem(self.sheet.name, row, title, value, sentence, self.letters.get(key, ""), is_fault)


def letter_of(index: int) -> str:
    """Give the letters of a column counted from 0: 0 → A, 26 → AA."""
    letters = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def shown(value: Cell) -> str:
    """Write a cell as a person would read it, at most 200 characters."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    text = str(value)
    return text if len(text) <= 200 else text[:199] + "…"


def match_sheets(workbook: Workbook, plans: Sequence[SheetPlan]) -> tuple[dict[str, Sheet], list[Problem]]:
    """Find the sheet of each plan by name.

    A filled sheet of another name is a fault, because a misspelt name would silently lose its rows; sheets named
    "about" or beginning with "notes" are left alone.
    """
    names = {plain(name): plan.name for plan in plans for name in (plan.name, *plan.also)}
    found: dict[str, Sheet] = {}
    problems: list[Problem] = []
    for sheet in workbook.sheets:
        name = plain(sheet.name)
        if name == "about" or name.startswith("notes"):
            continue
        if name not in names:
            if sheet.header:
                known = ", ".join(plan.name for plan in plans)
                sentence = (
                    f"There is no sheet of this name.{did_you_mean(sheet.name, names.values())} Known sheets: {known}. "
                    "Rename it, delete it, or let its name begin with “notes” to keep it out."
                )
                problems.append(Problem(sheet.name, None, "", "", sentence))
        elif names[name] in found:
            sentence = f"Two sheets are both “{names[name]}”. Put their rows into one sheet."
            problems.append(Problem(sheet.name, None, "", "", sentence))
        else:
            found[names[name]] = sheet
    if not found and not problems:
        sentence = "The workbook holds no rows. Fill in at least one sheet of the template."
        problems.append(Problem("", None, "", "", sentence))
    return found, problems


def read_rows(sheet: Sheet, plan: SheetPlan, today: date) -> Read:
    """Read every row of a sheet by the plan's columns.

    A row whose key cells cannot be read is left out of `rows` (its problems are kept); another wrong cell reads as None.
    Rows whose first filled key begins with "example" are the template's own and are left out with a remark.
    """
    read = Read(plan, sheet, problems=list(sheet.problems))
    columns = _match_header(read)
    if not columns:
        return read
    n_examples = 0
    for row in sheet.rows:
        first = row.cells[columns[0][0]] if columns[0][0] < len(row.cells) else None
        if isinstance(first, str) and first.casefold().startswith(EXAMPLE_MARK):
            n_examples += 1
            continue
        _read_row(read, row, columns, today)
    if n_examples:
        words = "1 example row was" if n_examples == 1 else f"{n_examples} example rows were"
        read.problems.append(Problem(sheet.name, None, "", "", f"{words} left out.", is_fault=False))
    return read


def _read_row(read: Read, row: Row, columns: list[tuple[int, Column]], today: date) -> None:
    read.raw[row.number] = row
    values: dict[str, Any] = {}
    has_key = True
    for index, column in columns:
        cell = row.cells[index] if index < len(row.cells) else None
        value = None
        if cell is None:
            if column.is_key or column.is_required:
                read.problems.append(
                    read.problem(row.number, column.key, f"{_capital(column.title)} must be filled in.")
                )
        else:
            try:
                value = column.read(cell, today)
            except WrongCell as wrong:
                read.problems.append(read.problem(row.number, column.key, str(wrong)))
        values[column.key] = value
        if column.is_key and value is None:
            has_key = False
    extra = [
        n
        for n, cell in enumerate(row.cells)
        if cell is not None and (n >= len(read.sheet.header) or not read.sheet.header[n])
    ]
    for n in extra[:1]:
        sentence = "This cell stands under no heading. Give the column a heading or empty the cell."
        problem = Problem(read.sheet.name, row.number, "", shown(row.cells[n]), sentence, letter_of(n))
        read.problems.append(problem)
    (read.rows if has_key else read.partial).append((row.number, values))


def _match_header(read: Read) -> list[tuple[int, Column]]:
    """Pair the headings with the plan's columns; an unknown, doubled or missing heading is a problem."""
    sheet, plan = read.sheet, read.plan
    names = {plain(name): column for column in plan.columns for name in (column.title, column.key, *column.also)}
    matched: dict[str, int] = {}
    problems: list[Problem] = []
    for index, heading in enumerate(sheet.header):
        if not heading:
            continue
        column = names.get(plain(heading))
        if column is None:
            hint = did_you_mean(heading, [c.title for c in plan.columns])
            sentence = f"The sheet has no column “{heading}”.{hint} Correct the heading or delete the column."
        elif column.key in matched:
            sentence = f"The heading “{column.title}” stands twice (also in column {letter_of(matched[column.key])})."
        else:
            matched[column.key] = index
            continue
        problems.append(Problem(sheet.name, sheet.header_row, heading, heading, sentence, letter_of(index)))
    if not matched:
        sentence = f"Row {sheet.header_row} should hold the headings: {', '.join(c.title for c in plan.columns)}."
        read.problems.append(Problem(sheet.name, sheet.header_row, "", "", sentence))
        return []
    for column in plan.columns:
        if (column.is_key or column.is_required) and column.key not in matched:
            sentence = f"The column “{column.title}” is missing; every row needs it."
            problems.append(Problem(sheet.name, sheet.header_row, column.title, "", sentence))
    read.problems.extend(problems)
    read.places = matched
    read.letters = {key: letter_of(index) for key, index in matched.items()}
    if any(column.is_key and column.key not in matched for column in plan.columns):
        return []
    return [(matched[column.key], column) for column in plan.columns if column.key in matched]


def report_doubles(read: Read, key_of: Callable[[Mapping[str, Any]], Any], key: str, words: str) -> None:
    """Report the second and later rows of one key, naming the first row.

    Parameters
    ----------
    read : Read
        The sheet; doubled rows are taken out of `read.rows`.
    key_of : callable
        Values of a row to its key.
    key : str
        Column the problem is shown at.
    words : str
        What is doubled, as the start of the sentence: "This site code".
    """
    first: dict[Any, int] = {}
    kept: list[tuple[int, dict[str, Any]]] = []
    for number, values in read.rows:
        row_key = key_of(values)
        if row_key in first:
            sentence = f"{words} already stands in row {first[row_key]}. Keep one of the two rows."
            read.problems.append(read.problem(number, key, sentence))
            read.partial.append((number, values))
            continue
        first[row_key] = number
        kept.append((number, values))
    read.rows = kept


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
