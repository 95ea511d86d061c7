"""One honest sentence for a site: receivers are added up only where no word becomes untrue."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import pytest

from devices.rules.supervision import ReceiverEvidence, StandingFault
from maintenance.rules.site_words import site_sentence, visit_sentence

NOW = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)
TODAY = NOW.date()


def every(n: int, heard: int, faults: int = 0, hours: float = 0) -> ReceiverEvidence:
    return ReceiverEvidence("every", n, heard, faults, watermark_at=NOW - timedelta(hours=hours), judged_at=NOW)


def exceptions(n: int, hours: float | None = 4, faults: int = 0) -> ReceiverEvidence:
    tested = NOW - timedelta(hours=hours) if hours is not None else None
    return ReceiverEvidence("exceptions", n, n_faults=faults, link_tested_at=tested)


def visits(n: int, day: date | None = date(2026, 3, 14), bad: int = 0, open_: int = 0) -> ReceiverEvidence:
    return ReceiverEvidence("visits", n, visited_on=day, n_not_in_order=bad, n_not_looked_at=open_)


@pytest.mark.parametrize(
    ("facts", "words", "tone"),
    [
        ([], "No receiver is on record", "open"),
        ([every(0, 0), visits(0)], "No transmitter is registered", "open"),
        ([every(40, 40), every(17, 17)], "All 57 heard by 10:00, the last delivery", "good"),
        ([every(40, 40), every(0, 0)], "All 40 heard by 10:00, the last delivery", "good"),
        ([every(40, 39), every(17, 17)], "56 of 57 heard by 10:00, the last delivery", "open"),
        (
            [every(40, 40, faults=1), every(17, 17, faults=2)],
            "All 57 heard by 10:00, the last delivery, 3 open faults",
            "bad",
        ),
        # What reached us last yesterday may not hide behind a receiver that was heard just now.
        (
            [every(40, 40), every(17, 0, hours=30)],
            "R2: nothing received since 24 November, 04:00; R1: all 40 heard by 10:00, the last delivery",
            "bad",
        ),
        # The oldest link test speaks for all.
        ([exceptions(4, 3), exceptions(5, 8)], "No fault reported, link tested 02:00", "good"),
        (
            [exceptions(4, 3), exceptions(5, None)],
            "R2: no fault reported, but the link was never tested; R1: no fault reported, link tested 07:00",
            "open",
        ),
        (
            [exceptions(4, 3), exceptions(5, 3, faults=2)],
            "R2: 2 faults reported and not cleared; R1: no fault reported, link tested 07:00",
            "bad",
        ),
        ([visits(4), visits(5)], "Found in order on 14 March", "good"),
        (
            [visits(4), visits(5, date(2026, 5, 2)), visits(6, None)],
            "R3: not yet visited: nothing is known; R1: found in order on 14 March; R2: found in order on 2 May",
            "open",
        ),
        (
            [every(4, 4), visits(5)],
            "R1: all 4 heard by 10:00, the last delivery; R2: found in order on 14 March",
            "good",
        ),
        (
            [every(4, 4), *[visits(5)] * 4],
            "R1: all 4 heard by 10:00, the last delivery; 4 receivers: found in order on 14 March",
            "good",
        ),
    ],
)
def test_a_site_is_told_in_one_honest_sentence(facts: list[ReceiverEvidence], words: str, tone: str) -> None:
    said = site_sentence([(f"R{n}", row) for n, row in enumerate(facts, start=1)], TODAY)
    assert (said.words, said.tone) == (words, tone)


def test_a_fresh_delivery_stays_fresh_beside_one_with_a_shorter_window() -> None:
    slow = replace(every(4, 4, hours=3), shortest_window_s=4 * 3600)
    quick = replace(every(5, 5), shortest_window_s=600)
    said = site_sentence([("R1", slow), ("R2", quick)], TODAY)
    assert (said.words, said.tone) == ("All 9 heard by 07:00, the last delivery", "good")
    stale = replace(quick, watermark_at=NOW - timedelta(minutes=11))
    said = site_sentence([("R1", slow), ("R2", stale)], TODAY)
    assert said.words.startswith(
        "R2: all 5 heard by 09:49, the last delivery, longer ago than the shortest supervision window (10 min); R1: all 4"
    )
    assert said.tone == "open"


@pytest.mark.parametrize(
    ("day", "n", "words"),
    [
        (TODAY, 0, "Next visit today"),
        (date(2026, 12, 4), 1, "Next visit on 4 December, for 1 battery"),
        (date(2027, 3, 23), 3, "Next visit on 23 March 2027, for 3 batteries"),
    ],
)
def test_the_next_visit_is_said_with_its_day_and_batteries(day: date, n: int, words: str) -> None:
    assert visit_sentence(day, n, NOW) == words


@pytest.mark.parametrize(
    ("day", "at", "words"),
    [
        (TODAY, time(10, 1), "Next visit today, about 10:01"),
        (TODAY, time(9, 59), "A visit was planned for today, about 09:59; that it is done is not on record yet"),
        (TODAY, None, "Next visit today"),
        (TODAY - timedelta(days=1), None, "A visit was planned for {day}; that it is done is not on record yet"),
    ],
)
def test_a_visit_whose_time_is_past_is_not_called_the_next(day: date, at: time | None, words: str) -> None:
    assert visit_sentence(day, 0, NOW, at) == words.format(day=f"{day.day} {day:%B}")


def test_a_deaf_receiver_is_not_added_up_with_one_that_hears():
    deaf = StandingFault(
        "receiver hears little or nothing", "", TODAY, code="outage", since_at=NOW - timedelta(hours=2)
    )
    bad = replace(every(5, 3, faults=1), faults=(deaf,))
    words = site_sentence([("R1", every(5, 5)), ("R2", bad)], TODAY).words
    assert words.startswith("R2: more than half of 5 silent at one time since 08:00")
    assert "R1: all 5 heard" in words
