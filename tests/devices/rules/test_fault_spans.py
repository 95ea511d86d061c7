"""Turns in any order give the same spans, and a fault on record stays itself when its beginning or end moves."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from devices.rules.fault_causes import ended_by, with_end, without_end
from devices.rules.fault_spans import Span, Turn, is_listed, matched, spans_of

BEGIN = datetime(2026, 11, 1, tzinfo=UTC)


def at(hour: int) -> datetime:
    return BEGIN + timedelta(hours=hour)


def raised(hour: int) -> Turn:
    return Turn(at(hour), False)


def ended(hour: int) -> Turn:
    return Turn(at(hour), True)


def span(begin: int, end: int | None = None, cause: str = "") -> Span:
    return Span(at(begin), at(end) if end is not None else None, cause)


def test_a_fault_stands_from_the_first_report_to_the_first_restore() -> None:
    assert spans_of([raised(1), raised(2), ended(5), ended(6)]) == (span(1, 5),)


def test_a_restore_older_than_the_raising_ends_nothing() -> None:
    assert spans_of([raised(3), ended(2)]) == (span(3),)


def test_reports_after_a_restore_are_a_fault_of_their_own_from_the_first_of_them() -> None:
    assert spans_of([raised(1), raised(4), raised(5), ended(2), ended(8)]) == (span(1, 2), span(4, 8))


def test_cells_changed_end_what_was_reported_before_and_nothing_after() -> None:
    assert spans_of([raised(1), raised(9)], {at(4): "cells changed"}) == (span(1, 4, "cells changed"), span(9))
    assert spans_of([], {at(4): "cells changed"}) == ()


def test_an_end_that_was_reported_in_the_moment_of_the_change_has_the_change_for_its_cause() -> None:
    assert spans_of([raised(1), ended(4)], {at(4): "cells changed"}) == (span(1, 4, "cells changed"),)
    assert spans_of([raised(1), ended(3)], {at(4): "cells changed"}) == (span(1, 3),)


@pytest.mark.parametrize(
    ("kind", "latched", "listed"),
    [
        ("trouble", False, False), ("missing", False, False), ("interference", False, False),
        ("receiver_power", False, False), ("low_battery", False, True), ("tamper", False, True),
        ("receiver_tamper", False, True), ("trouble", True, True),
    ],
)  # fmt: skip
def test_what_came_and_went_in_one_second_is_a_fault_only_where_one_signal_is_enough(
    kind: str, latched: bool, listed: bool
) -> None:
    assert is_listed(span(3, 3), kind, is_latched=latched) is listed
    assert is_listed(span(3, 4), kind, is_latched=latched)
    assert is_listed(span(3), kind, is_latched=latched)


TURNS = st.lists(st.tuples(st.integers(0, 40), st.booleans()).map(lambda t: Turn(at(t[0]), t[1])), max_size=12)


@given(TURNS)
def test_spans_are_what_the_reports_say_one_after_the_other(turns: list[Turn]) -> None:
    standing, spans = None, []
    for turn in sorted(set(turns)):
        if not turn.is_end and standing is None:
            standing = turn.at
        if turn.is_end and standing is not None:
            spans.append(Span(standing, turn.at))
            standing = None
    assert spans_of(turns) == (*spans, *([Span(standing, None)] if standing else []))


@pytest.mark.parametrize(
    ("rows", "spans", "pairs"),
    [
        ([span(4, 8)], [span(2, 8)], {0: 0}),
        ([span(4)], [span(4, 6)], {0: 0}),
        # Split by a late restore, what stands goes on as what stood; of two that are over the longer one.
        ([span(1)], [span(1, 5), span(6)], {0: 1}),
        ([span(1, 15)], [span(1, 2), span(4, 15)], {0: 1}),
        ([span(1, 3), span(8)], [span(1, 3), span(7)], {0: 0, 1: 1}),
        ([span(8, 8)], [span(4, 8)], {0: 0}),
        ([span(1, 2)], [span(4, 8)], {}),
        ([span(1, 2), span(2, 3)], [span(1, 3)], {0: 0}),
    ],
)
def test_a_fault_on_record_goes_on_as_what_it_has_most_in_common_with(
    rows: list[Span], spans: list[Span], pairs: dict[int, int]
) -> None:
    assert matched(rows, spans) == pairs


@pytest.mark.parametrize("before", ["", "cold hall"])
@pytest.mark.parametrize("end", ["cells changed", "no longer registered here"])
def test_the_cause_of_an_end_stands_behind_the_word_and_can_be_taken_off(before: str, end: str) -> None:
    both = with_end(before, end)
    assert (both, ended_by(both), without_end(both)) == (f"{before} · {end}" if before else end, end, before)


def test_a_long_word_is_cut_and_the_cause_of_the_end_is_not() -> None:
    both = with_end("x" * 120, "cells changed")
    assert (len(both), ended_by(both)) == (120, "cells changed")
    assert (with_end("cold hall", ""), ended_by("cold hall"), without_end("cold hall")) == (
        "cold hall",
        "",
        "cold hall",
    )
