"""Turns in any order give the same spans: what stands does not depend on how reports travelled."""

from datetime import UTC, datetime, timedelta
from itertools import permutations
from random import Random

from hypothesis import given
from hypothesis import strategies as st

from devices.rules.fault_spans import Kept, Span, Turn, keep, turns_of

BEGIN = datetime(2026, 11, 1, tzinfo=UTC)


def at(hour: int) -> datetime:
    return BEGIN + timedelta(hours=hour)


def raised(hour: int) -> Turn:
    return Turn(at(hour), False)


def ended(hour: int) -> Turn:
    return Turn(at(hour), True)


def one_by_one(turns: list[Turn], known_ends: tuple[datetime, ...] = ()) -> Kept:
    kept = Kept((), ())
    for turn in turns:
        kept = keep(turns_of(kept.spans, kept.marks) | {turn}, known_ends)
    return kept


def test_a_fault_stands_from_the_first_report_to_the_first_restore() -> None:
    assert keep([raised(1), raised(2), ended(5), ended(6)]).spans == (Span(at(1), at(5)),)


def test_a_restore_that_comes_before_its_raising_still_ends_it() -> None:
    assert one_by_one([ended(5), raised(3)]).spans == (Span(at(3), at(5)),)


def test_a_restore_older_than_the_raising_ends_nothing() -> None:
    assert one_by_one([raised(3), ended(2)]).spans == (Span(at(3), None),)


def test_a_late_restore_between_two_reports_leaves_the_second_one_standing() -> None:
    assert one_by_one([raised(1), raised(3), ended(2)]).spans == (Span(at(1), at(2)), Span(at(3), None))


def test_a_late_raising_before_a_known_fault_moves_its_beginning() -> None:
    assert one_by_one([raised(4), ended(6), raised(2)]).spans == (Span(at(2), at(6)),)


def test_cells_changed_end_what_was_reported_before_and_nothing_after() -> None:
    assert one_by_one([raised(1), raised(9)], (at(4),)).spans == (Span(at(1), at(4)), Span(at(9), None))
    assert one_by_one([raised(9), raised(1)], (at(4),)).spans == (Span(at(1), at(4)), Span(at(9), None))


def test_known_ends_are_never_kept_beside() -> None:
    assert keep([ended(8)], (at(4),)).marks == (ended(8),)
    assert keep([], [at(4), at(5)]) == Kept((), ())


def test_so_little_is_kept_that_a_sender_repeating_itself_fills_nothing() -> None:
    assert len(one_by_one([ended(hour) for hour in range(50)]).marks) == 2
    assert len(one_by_one([raised(hour) for hour in range(50)]).marks) == 1


def test_every_order_of_a_story_with_short_runs_gives_the_same_faults() -> None:
    story = [raised(1), raised(2), ended(3), ended(4), raised(5), ended(6)]
    results = {one_by_one(list(order)) for order in permutations(story)}
    standing = {tuple(span for span in kept.spans if span.end is None) for kept in results}
    assert standing == {()}
    assert all(kept.spans[-1].end == at(6) for kept in results)


TURNS = st.lists(st.tuples(st.integers(0, 40), st.booleans()).map(lambda t: Turn(at(t[0]), t[1])), max_size=12)


@given(TURNS, st.randoms(use_true_random=False))
def test_whether_it_stands_does_not_depend_on_the_order(turns: list[Turn], rng: Random) -> None:
    shuffled = turns[:]
    rng.shuffle(shuffled)
    together, single = keep(turns), one_by_one(shuffled)
    assert [span.end is None for span in together.spans[-1:]] == [span.end is None for span in single.spans[-1:]]


@given(TURNS)
def test_giving_all_at_once_is_what_the_reports_say_in_order(turns: list[Turn]) -> None:
    kept = keep(turns)
    open_, spans = None, []
    for turn in sorted(set(turns)):
        if not turn.is_end and open_ is None:
            open_ = turn.at
        if turn.is_end and open_ is not None:
            spans.append(Span(open_, turn.at))
            open_ = None
    assert kept.spans == (*spans, *([Span(open_, None)] if open_ else []))
    assert keep(turns_of(kept.spans, kept.marks)) == kept
