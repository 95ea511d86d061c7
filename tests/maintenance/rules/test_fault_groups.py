"""Lost links that are one thing to see to."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from maintenance.rules.fault_groups import TOGETHER, LostLink, together

AT = datetime(2027, 3, 1, 6, tzinfo=UTC)


def link(pk: int, source: int, minutes: int = 0) -> LostLink:
    return LostLink(pk, source, AT + timedelta(minutes=minutes))


def found(*links: LostLink) -> list[list[int]]:
    return [[one.pk for one in group] for group in together(links)]


def test_links_of_one_source_that_were_lost_about_the_same_time_belong_together() -> None:
    assert found(link(1, 9), link(2, 9, 14), link(3, 9, 29), link(4, 8)) == [[1, 2, 3]]


def test_two_have_a_line_each_and_so_has_what_was_lost_at_another_time() -> None:
    assert found(link(1, 9), link(2, 9)) == []
    late = 2 * int(TOGETHER.total_seconds() // 60)
    assert found(link(1, 9), link(2, 9), link(3, 9), link(4, 9, late)) == [[1, 2, 3]]


def test_two_sources_are_two_causes_the_older_one_first() -> None:
    assert found(*(link(pk, 7 + pk % 2, -pk) for pk in range(6))) == [[5, 3, 1], [4, 2, 0]]
