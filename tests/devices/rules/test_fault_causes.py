"""The words on record with a fault, parted into what was said of it and how it ended."""

from __future__ import annotations

import pytest

from devices.rules.fault_causes import CAUSES, is_shown_otherwise, note_and_end
from devices.rules.silence import ABSORBED, ENDED_BY_US, LATE

SWAPS = ("the receiver was swapped", "the transmitter was swapped", "the swap was taken back")


@pytest.mark.parametrize("end", [*CAUSES, *ENDED_BY_US, *SWAPS])
def test_a_note_stays_apart_from_how_it_ended(end: str) -> None:
    for words, note in ((end, ""), (f"cold hall · {end}", "cold hall")):
        assert note_and_end(words)[0] == note
        assert end in note_and_end(words)[1] or end == ABSORBED


def test_a_word_that_is_no_end_is_a_note() -> None:
    assert note_and_end("battery loose") == ("battery loose", "")
    assert note_and_end("") == ("", "")


def test_what_was_disproved_or_is_told_of_the_receiver_is_not_over() -> None:
    assert is_shown_otherwise(ABSORBED)
    assert is_shown_otherwise(LATE)
    assert not is_shown_otherwise("cells changed")
    assert note_and_end(ABSORBED)[1] == "told since then as: the receiver hears little or nothing"
