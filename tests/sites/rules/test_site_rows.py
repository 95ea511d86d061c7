"""Customers and sites by themselves: what a blank cell means, what records add."""

from datetime import date

import pytest

from company.sheets import Row, Sheet
from sites.rules.site_rows import CUSTOMER_PLAN, SITE_PLAN, check_customers, check_sites

TODAY = date(2026, 3, 14)


def sheet(name, header, *rows):
    return Sheet(name, tuple(header), 1, tuple(Row(n, tuple(cells)) for n, cells in enumerate(rows, start=2)))


def sites(*rows, header=("site code", "customer code", "name", "latitude", "longitude", "time zone"), on_record=None):
    return check_sites(
        sheet("sites", header, *rows),
        TODAY,
        customers={"HARB"},
        on_record=on_record or {},
        time_zones={"Europe/London"},
    )


def test_no_sheet_is_no_row_and_no_problem():
    assert check_customers(None, TODAY) == ([], [])
    assert check_sites(None, TODAY, customers=(), on_record={}, time_zones=()) == ([], [])


def test_a_blank_cell_and_a_missing_column_both_read_as_none():
    rows, problems = check_customers(
        sheet("customers", ("customer code", "name", "paper"), ("HARB", "Harbour", None)), TODAY
    )
    assert problems == []
    assert (rows[0].paper, rows[0].language, rows[0].response_hours) == (None, None, None)


@pytest.mark.parametrize(("word", "stored"), [("letter", "letter"), ("A4", "a4")])
def test_paper_is_kept_as_its_code(word, stored):
    rows, _ = check_customers(sheet("customers", ("customer code", "name", "paper"), ("HARB", "Harbour", word)), TODAY)
    assert rows[0].paper == stored


def test_a_row_with_a_wrong_cell_still_counts_as_known_so_that_one_slip_gives_one_fault():
    rows, problems = check_customers(
        sheet("customers", ("customer code", "name", "response hours"), ("HARB", "Harbour", "soon")), TODAY
    )
    assert [row.code for row in rows] == ["HARB"]
    assert len(problems) == 1


@pytest.mark.parametrize(
    ("row", "key", "words"),
    [
        (("A", "HARB", "n", 0, 0, None), "latitude", "lies in the sea"),
        (("A", "HARB", "n", 57.1, None, None), "latitude", "both latitude and longitude"),
        (("A", "HARB", "n", None, 5.2, None), "longitude", "both latitude and longitude"),
        (("A", "HARB", "n", None, None, "London"), "time zone", "no time zone"),
        (("A", "NOBODY", "n", None, None, None), "customer code", "no customer “NOBODY”"),
    ],
)
def test_a_site_that_cannot_be_is_refused(row, key, words):
    _, problems = sites(row)
    assert [problem.column for problem in problems] == [key]
    assert words in problems[0].sentence


def test_a_site_on_record_keeps_its_customer():
    _, problems = sites(("A", "HARB", "n", None, None, None), on_record={"A": "FERRY"})
    assert "belongs to customer “FERRY”" in problems[0].sentence


@pytest.mark.parametrize("plan", [CUSTOMER_PLAN, SITE_PLAN])
def test_every_example_can_be_read_by_its_own_column(plan):
    for column in plan.columns:
        if column.example is not None:
            assert column.read(column.example, TODAY) is not None
