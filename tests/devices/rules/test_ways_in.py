"""Ways in of one receiver: which is silent, and by which it still comes; nothing is said where all or none is lost."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from devices.rules.ways_in import Way, still_by

NOW = datetime(2026, 11, 26, 18, 31, tzinfo=UTC)


def way(kind: str, minutes_ago: int | None, allowed_min: int | None = 30) -> Way:
    sign = None if minutes_ago is None else NOW - timedelta(minutes=minutes_ago)
    return Way(kind, sign, None if allowed_min is None else 60 * allowed_min)


@pytest.mark.parametrize(
    ("ways", "said"),
    [
        ([way("panel", 54), way("api", 2)], ("the panel", "the gateway")),
        ([way("api", 54), way("panel", 2)], ("the gateway", "the panel")),
        ([way("panel", 54), way("panel", 2)], ("one panel", "another panel")),
        ([way("panel", 54), way("api", 54), way("file", 300, None)], ("the panel and the gateway", "uploaded files")),
        ([way("panel", 54), way("file", 1439, None)], ("the panel", "uploaded files")),
        # A file of yesterday does not show that anything comes.
        ([way("panel", 54), way("file", 1441, None)], ("", "")),
        ([way("panel", 54), way("api", 54)], ("", "")),
        ([way("panel", 2), way("api", 2)], ("", "")),
        ([way("panel", 54), way("api", None)], ("", "")),
        ([way("panel", 54)], ("", "")),
        # Nobody supervises it, so it is not lost.
        ([way("panel", 5400, None), way("api", 2)], ("", "")),
        ([], ("", "")),
    ],
)
def test_one_way_that_is_silent_is_told_as_that_one(ways: list[Way], said: tuple[str, str]) -> None:
    assert still_by(ways, NOW) == said


def test_at_the_end_of_its_time_a_way_is_not_lost_yet() -> None:
    assert not way("panel", 30).is_lost(NOW)
    assert Way("panel", NOW - timedelta(minutes=30, seconds=1), 1800).is_lost(NOW)
