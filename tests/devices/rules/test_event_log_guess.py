"""Which column of an event log is proposed for what: above all, that figures are not taken for what happened."""

from __future__ import annotations

import pytest

from company.sheets import Cell, Row
from devices.rules.event_log_guess import look


def columns_of(head: str, *rows: tuple[Cell, ...]) -> dict[str, str]:
    """Field → heading of the column proposed for it."""
    heads = head.split(",")
    table = [tuple(heads), *rows]
    found = look([Row(number, cells) for number, cells in enumerate(table, start=1)])
    return {name: heads[at] for name, at in found.columns.items()}


TIME = "2026-11-03 14:05"


@pytest.mark.parametrize("figures", [(12, 9), ("12", "9"), (-71.5, "−80"), ("3,5", 4)])
def test_a_column_of_figures_is_not_what_happened(figures: tuple[Cell, Cell]) -> None:
    rows = [(TIME, "AB-1", figure, "check-in") for figure in figures]
    assert columns_of("Time,Serial,Signal,Event type", *rows)["event"] == "Event type"
    assert "event" not in columns_of("Time,Serial,Signal", *[row[:3] for row in rows])


@pytest.mark.parametrize("words", [("check-in", "low battery"), ("E384", "R384"), (384, 130), ("loud", 9)])
def test_a_signal_that_says_something_is_what_happened(words: tuple[Cell, Cell]) -> None:
    rows = [(TIME, "AB-1", word) for word in words]
    assert columns_of("Time,Serial,Signal", *rows)["event"] == "Signal"


@pytest.mark.parametrize("head", ["Event", "Event code", "Code", "Signal type"])
def test_numbers_under_a_heading_of_codes_may_be_codes_of_the_senders_own(head: str) -> None:
    assert columns_of(f"Time,Serial,{head}", (TIME, "AB-1", 1), (TIME, "AB-1", 2))["event"] == head


def test_numbers_of_rooms_are_not_codes_however_alike() -> None:
    rows = [(TIME, "AB-1", room) for room in (384, 130, 401)]
    assert "event" not in columns_of("Time,Serial,Room", *rows)


def test_codes_without_any_heading_are_known_by_their_look() -> None:
    found = look([Row(number, (TIME, "AB-1", code)) for number, code in enumerate((384, 130, 384), start=1)])
    assert (found.head_row, found.columns["event"]) == (0, 2)
