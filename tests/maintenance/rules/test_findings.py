"""Findings of the work: late and in nobody's round, left on test; and how long what may rest."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from maintenance.rules.findings import (
    ALL_KINDS,
    SNOOZE_DAYS,
    SNOOZE_DAYS_GRAVE,
    LateItem,
    OnTest,
    harm_of_finding,
    left_on_test,
    life_late_unplaced,
    longest_snooze_days,
)

NOW = datetime(2027, 3, 4, 20, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("what", "only_draft", "words", "deed"),
    [
        ("the cells", False, "The cells were due by 1 March 2027, and no round goes there", "Put the site in a round."),
        ("the whole unit", True, "The whole unit was due by 1 March 2027, and only a draft", "Publish the round"),
    ],
)
def test_what_is_late_says_what_and_whether_a_draft_names_it(
    what: str, only_draft: bool, words: str, deed: str
) -> None:
    item = LateItem(5, "Lantern House, R1, slot 3 (Room 3)", what, date(2027, 3, 1), slot=3, only_draft=only_draft)
    (found,) = life_late_unplaced([item])
    assert found.what.startswith(words)
    assert found.do.startswith(deed)
    assert (found.slot, found.duty, found.since_on) == (3, "life_safety", date(2027, 3, 2))
    assert harm_of_finding(found) == 0


def test_two_late_things_in_one_slot_can_be_told_apart() -> None:
    items = [LateItem(pk, "R1, slot 3", "the cells", date(2027, 3, 1), slot=3) for pk in (5, 6)]
    assert len({found.mark for found in life_late_unplaced(items)}) == 2


@pytest.mark.parametrize(
    ("hours", "is_over", "is_found"), [(11, False, False), (12, False, True), (1, True, True), (300, False, True)]
)
def test_a_site_left_on_test_is_found_once_the_visit_is_over_or_too_long(
    hours: int, is_over: bool, is_found: bool
) -> None:
    visit = OnTest(9, "Lantern House", NOW - timedelta(hours=hours), is_over)
    found = list(left_on_test([visit], NOW))
    assert bool(found) is is_found
    if found:
        assert harm_of_finding(found[0]) == 0
        assert "monitoring centre" in found[0].do


@pytest.mark.parametrize(
    ("duties", "days"),
    [
        (["security", "convenience"], SNOOZE_DAYS), (["", "security"], SNOOZE_DAYS), ([], SNOOZE_DAYS),
        (["security", "life_safety"], SNOOZE_DAYS_GRAVE),
    ],
)  # fmt: skip
def test_one_life_safety_finding_shortens_the_rest_of_all(duties: list[str], days: int) -> None:
    assert longest_snooze_days(duties) == days


def test_every_kind_has_a_name_of_its_own() -> None:
    assert len({title for _, title in ALL_KINDS.values()}) == len(ALL_KINDS)
