"""The paper says of the old cells what was measured, and whether under load."""

import pytest

from maintenance.reports.service_report import _battery


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"old_v": 2.41, "old_under_load": True}, "old: 1 × CR2450, found dead, 2.41 V under load"),
        ({"old_v": 2.41, "old_under_load": False}, "old: 1 × CR2450, found dead, 2.41 V"),
        ({"old_v": 2.41}, "old: 1 × CR2450, found dead, 2.41 V"),  # an issued paper from before it was asked
        ({"old_v": None, "old_under_load": False}, "old: 1 × CR2450, found dead"),
    ],
)
def test_old_cells_are_named_with_their_reading(facts, words):
    cells = {"cells": "1 × CR2450", "lot": "26-10A", "made_on": None, "why": "found dead", "old_cells": "1 × CR2450"}
    assert _battery(cells | facts) == f"1 × CR2450, lot 26-10A; {words}"
