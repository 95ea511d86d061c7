"""Numbers that nobody knows: few writes, however many frames, and a list that never grows without end."""

from __future__ import annotations

from datetime import timedelta

import pytest

from devices.actions.panel_strangers import MOST_NUMBERS, StrangerBook, note_stranger
from devices.models import PanelStranger
from tests.devices.panels import NOW

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]


def test_a_stranger_is_written_at_most_once_a_minute(django_assert_num_queries):
    book = StrangerBook()
    book.heard("9999", peer="192.0.2.7", example="first")
    book.write(NOW)
    book.heard("9999", peer="192.0.2.8", example="second")
    with django_assert_num_queries(0):
        book.write(NOW + timedelta(seconds=59))
    book.write(NOW + timedelta(seconds=60))
    row = PanelStranger.objects.get()
    assert (row.n_frames, row.last_peer, row.example) == (2, "192.0.2.8", "second")
    assert (row.first_at, row.last_at) == (NOW, NOW + timedelta(seconds=60))


def test_random_numbers_fill_neither_memory_nor_table():
    book = StrangerBook()
    for number in range(MOST_NUMBERS + 50):
        book.heard(f"{number:06X}", peer="192.0.2.7", example="")
    book.write(NOW)
    assert PanelStranger.objects.count() == MOST_NUMBERS
    note_stranger(number="FFFFFF", n_frames=1, peer="", example="", at=NOW)
    assert PanelStranger.objects.count() == MOST_NUMBERS


def test_a_full_list_takes_a_new_number_for_one_that_was_silent_for_a_day(monkeypatch):
    monkeypatch.setattr("devices.actions.panel_strangers.MOST_NUMBERS", 3)

    def note(number, hours):
        note_stranger(number=number, n_frames=1, peer="", example="", at=NOW + timedelta(hours=hours))
        return set(PanelStranger.objects.values_list("number", flat=True))

    for hours, number in enumerate(("A00", "B00", "C00")):
        note(number, hours)
    assert note("D00", 24) == {"A00", "B00", "C00"}, "none was silent for a day yet"
    note("A00", 24)
    assert note("D00", 26) == {"A00", "C00", "D00"}
    assert note("E00", 26) == {"A00", "C00", "D00"}


def test_a_list_that_could_not_be_written_is_written_whole_the_next_time(monkeypatch):
    book, calls = StrangerBook(), []
    for number in ("A00", "B00"):
        book.heard(number, peer="192.0.2.7", example="")

    def failing_once(**given):
        calls.append(given["number"])
        if len(calls) == 2:
            raise RuntimeError
        note_stranger(**given)

    monkeypatch.setattr("devices.actions.panel_strangers.note_stranger", failing_once)
    with pytest.raises(RuntimeError):
        book.write(NOW)
    assert not PanelStranger.objects.exists()
    book.heard("A00", peer="192.0.2.7", example="")
    book.write(NOW)
    assert dict(PanelStranger.objects.values_list("number", "n_frames")) == {"A00": 2, "B00": 1}


def test_a_stranger_silent_for_ten_minutes_is_forgotten_in_memory():
    book = StrangerBook()
    book.heard("9999", peer="192.0.2.7", example="")
    book.write(NOW)
    book.write(NOW + timedelta(minutes=11))
    assert not book._heard
