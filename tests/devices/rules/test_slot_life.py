"""Rules of a slot's life: what never stood, the next free slot, how far registering again is, what moved."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from devices.rules.slot_diff import Moved, diff_slot_maps, moves, tally
from devices.rules.slot_life import NO_TIME, never_stood, next_free, progress_of, recorded_on, taken_back_words
from devices.rules.slot_map import SlotRow

NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("taken", "n_slots", "after", "slot"),
    [
        (set(), 4, 0, 1), ({1, 2}, 4, 0, 3), ({1, 2, 3, 4}, 4, 0, None), ({1, 3}, 4, 3, 4), ({1, 3, 4}, 4, 3, 2),
        ({9}, 4, 0, 1), ({1}, 1, 1, None), ({2}, 4, 4, 1),
    ],
)  # fmt: skip
def test_the_next_free_slot_is_the_next_one_above_else_the_first(
    taken: set[int], n_slots: int, after: int, slot: int | None
) -> None:
    assert next_free(taken, n_slots, after) == slot


def test_only_a_span_without_time_never_stood() -> None:
    assert never_stood(NOON, NOON + NO_TIME)
    assert not never_stood(NOON, NOON + timedelta(seconds=1))
    assert not never_stood(NOON, None)


def test_the_day_of_entering_is_that_of_the_site() -> None:
    west = ZoneInfo("America/Los_Angeles")
    late = datetime(2026, 11, 25, 2, tzinfo=UTC)
    assert recorded_on({"recorded_at": late.isoformat()}, NOON - timedelta(days=9), west) == date(2026, 11, 24)
    assert recorded_on(None, late, ZoneInfo("Europe/London")) == date(2026, 11, 25)


def test_a_reason_is_kept_in_the_words_of_what_was_taken_back() -> None:
    assert taken_back_words("wrong slot") == "taken back: wrong slot"
    assert taken_back_words("") == "taken back"


def test_progress_counts_what_waits_and_what_is_done() -> None:
    assert progress_of(n_waiting=9, n_done=3).words == "3 of 12 registered again"
    assert progress_of(n_waiting=0, n_done=3).words == ""


def row(slot: int, serial: str = "", **over: object) -> SlotRow:
    return SlotRow(slot, is_taken=True, serial=serial, **over)  # type: ignore[arg-type]


def test_a_transmitter_in_another_slot_has_moved_and_one_in_several_is_left_out() -> None:
    old = [row(1, "A"), row(2, "B"), row(3, "C"), row(4, "C")]
    new = [row(5, "A"), row(2, "B"), row(6, "C"), row(7, "")]
    assert moves(old, new) == (Moved("A", 1, 5),)


def test_the_differences_are_counted_by_kind() -> None:
    old = [row(1, "A"), row(2, "B"), row(3, "C", label="Hall")]
    new = [row(2, "X"), row(3, "C", label="Office"), row(4, "D")]
    assert tally(diff_slot_maps(old, new)) == {"filled": 1, "emptied": 1, "swapped": 1, "changed": 1}
