"""The nearest of what is known, for a word that was misspelt."""

from __future__ import annotations

import pytest

from company.sheet_words import nearest


@pytest.mark.parametrize(
    ("word", "known", "meant"),
    [
        ("FVC-0I", ["FVC-04", "FVC-01", "FVC-10"], "FVC-01"), ("FVC-O4", ["FVC-14", "FVC-04"], "FVC-04"),
        ("l2", ["22", "12"], "12"), ("Fvc 0l", ["FVC-07", "FVC-01"], "FVC-01"),
        ("FVC-05", ["FVC-04", "XYZ"], "FVC-04"), ("QQQQ", ["FVC-04"], None),
    ],
)  # fmt: skip
def test_letters_read_for_digits_come_before_any_other_slip(word: str, known: list[str], meant: str | None) -> None:
    assert nearest(word, known) == meant


def test_of_thousands_of_names_the_one_that_looks_the_same_is_still_found() -> None:
    known = [f"HVN-{n:05}" for n in range(3000)]
    assert nearest("HVN-OOlI7", known) == "HVN-00117"
