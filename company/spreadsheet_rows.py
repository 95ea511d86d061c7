"""The rows of one sheet as they stand in a file, tidied, with what the sheet itself shows to be wrong. No Django."""

from collections.abc import Iterable, Mapping
from datetime import date, time, timedelta
from decimal import Decimal
from typing import Any

from company.sheets import Cell, Problem, Row, Sheet, letter_of, shown, tidy_text
from company.spreadsheet_safety import SheetScan

LISTED = 50
"""More formulas or merged cells than this are counted, not listed."""


def read_sheet(raw: Any, scan: SheetScan) -> Sheet:
    """Take a sheet row by row, so that it never stands in memory twice."""
    rows = []
    values: dict[tuple[int, int], Any] = {}
    formulas, powers = _by_row(scan.formulas[:LISTED]), _by_row(scan.scientific)
    # Empty rows above the first filled cell are given, empty columns left of it are not.
    left = [""] * (raw.start[1] if raw.start else 0)
    for number, given in enumerate(raw.iter_rows(), start=1):
        cells = [*left, *given]
        for column in powers.get(number, ()):
            _restore_power(cells, column)
        for column in formulas.get(number, ()):
            values[number, column] = cells[column - 1] if column <= len(cells) else ""
        tidied = tuple(tidy(cell) for cell in cells)
        if any(cell is not None for cell in tidied):
            rows.append(Row(number, tidied))
    problems = [*_formula_problems(raw.name, scan, values), *_merge_problems(raw.name, raw.merged_cell_ranges or [])]
    return with_header(raw.name, rows, problems)


def _by_row(places: Iterable[tuple[int, int]]) -> dict[int, list[int]]:
    rows: dict[int, list[int]] = {}
    for row, column in places:
        rows.setdefault(row, []).append(column)
    return rows


def _restore_power(cells: list[Any], column: int) -> None:
    """Show a number the way the sheet shows it (1E+5), because a serial typed as 1E5 has lost its form."""
    if column <= len(cells) and isinstance(cells[column - 1], (int, float)):
        cells[column - 1] = f"{Decimal(str(cells[column - 1])).normalize():E}"


def _formula_problems(title: str, scan: SheetScan, values: Mapping[tuple[int, int], Any]) -> list[Problem]:
    problems = []
    for row, column in scan.formulas[:LISTED]:
        sentence = "The cell holds a formula, whose last result may be out of date. Paste the value in its place."
        shown_value = shown(values.get((row, column), ""))
        problems.append(Problem(title, row, "", shown_value, sentence, letter_of(column - 1)))
    if len(scan.formulas) > LISTED:
        sentence = (
            f"The sheet holds {len(scan.formulas)} formulas; the first {LISTED} are listed. Paste all cells as values."
        )
        problems.append(Problem(title, None, "", "", sentence))
    formulas = set(scan.formulas)
    for row, column, text in scan.errors[:LISTED]:
        if (row, column) not in formulas:
            sentence = f"The cell shows the error {text}. Write the value itself."
            problems.append(Problem(title, row, "", text, sentence, letter_of(column - 1)))
    return problems


def _merge_problems(title: str, ranges: Iterable[tuple[tuple[int, int], tuple[int, int]]]) -> list[Problem]:
    problems = []
    for (top, left), (bottom, right) in list(ranges)[:LISTED]:
        span = f"{letter_of(left)}{top + 1}:{letter_of(right)}{bottom + 1}"
        sentence = f"The cells {span} are merged, so all but one are empty. Unmerge them and fill in each."
        problems.append(Problem(title, top + 1, "", span, sentence, letter_of(left)))
    return problems


def tidy(cell: Any) -> Cell:
    """Give a cell as the checks take it: text without blanks around it, whole numbers as such, nothing for nothing."""
    if isinstance(cell, str):
        return tidy_text(cell).strip() or None
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 1e15:
        return int(cell)
    if cell is None or isinstance(cell, (bool, int, float, date, time, timedelta)):
        return cell
    return str(cell)


def with_header(title: str, rows: list[Row], problems: list[Problem]) -> Sheet:
    """Take the first filled row as the headings."""
    if not rows:
        return Sheet(title, problems=tuple(problems))
    header = tuple(shown(cell) for cell in rows[0].cells)
    named = [_named(problem, header) for problem in problems]
    return Sheet(title, header, rows[0].number, tuple(rows[1:]), tuple(named))


def _named(problem: Problem, header: tuple[str, ...]) -> Problem:
    """Give a problem known by its column letter the heading of that column too."""
    for index, heading in enumerate(header):
        if heading and letter_of(index) == problem.letter:
            return Problem(problem.sheet, problem.row, heading, problem.value, problem.sentence, problem.letter)
    return problem
