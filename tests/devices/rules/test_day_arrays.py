"""Many days merged at once come to what each of them alone comes to."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from devices.rules.day_acts import keep_acts
from devices.rules.day_arrays import Rows, States, is_plain, merge_arrays
from devices.rules.day_merge import NOTHING, DayRow, DayState, fold, merge

DAY = date(2026, 11, 1)
COUNT = st.sampled_from([0, 0, 1, 23, 96, 40_000])
KEPT = st.sampled_from([0, 0, 1, 23, 96, 32_767])
MASK = st.sampled_from([bytes(12), bytes([1, *[0] * 11]), bytes([255] * 12)]) | st.binary(min_size=12, max_size=12)
SECOND = st.integers(0, 86_399)
COUNTS = st.dictionaries(st.integers(0, 95), st.sampled_from([1, 1, 2, 300, 20_000]), max_size=4)
ACTED = st.dictionaries(st.sampled_from([0, 1, 2, 40]), COUNTS, max_size=3).map(lambda said: keep_acts(said, 1))
ACTS = st.dictionaries(st.integers(0, 95), st.sampled_from([0, 1, 2, 20_000]), max_size=4).map(
    lambda found: tuple(sorted(found.items()))
)
ROWS = st.builds(
    DayRow, st.just(1), st.just(DAY), heard=COUNT, expected=COUNT, activations=COUNT, loss_runs=COUNT,
    lowest_margin_db=st.none() | st.integers(-20, 40), flags=st.integers(0, 3), last_heard_s=st.none() | SECOND,
    presence=st.none() | MASK, acts=ACTS, source_id=st.sampled_from([0, 1, 2, 40_000]),
    interval_s=st.sampled_from([None, 60, 900, 1000, 3600, 86_400, 100_000]),
    from_s=st.sampled_from([0, 0, 899, 900, 40_000]), to_s=st.none() | st.sampled_from([0, 900, 50_000, 86_400]),
)  # fmt: skip
STATES = st.builds(
    DayState, heard=KEPT, expected=KEPT, activations=KEPT, loss_runs=KEPT,
    lowest_margin_db=st.none() | st.integers(-20, 40), flags=st.integers(0, 7), last_heard_s=st.none() | SECOND,
    presence=st.none() | MASK, acted=st.none() | ACTED, acts_source=st.sampled_from([0, 0, 1, 2]),
)  # fmt: skip


def without_acts(state):
    return state._replace(acted=None, acts_source=0)


@settings(max_examples=400)
@given(st.lists(st.tuples(st.just(NOTHING) | STATES, ROWS), min_size=1, max_size=6))
def test_arrays_give_what_the_rule_gives_for_each_plain_day(pairs):
    plain = is_plain(States.of([state for state, _ in pairs]), Rows.of([row for _, row in pairs])).tolist()
    pairs = [pair for pair, is_one in zip(pairs, plain, strict=True) if is_one]
    old, rows = States.of([state for state, _ in pairs]), Rows.of([row for _, row in pairs])
    new = merge_arrays(old, rows)
    expected = [merge(state, row) for state, row in pairs]
    assert [new.state(place) for place in range(len(pairs))] == [without_acts(state) for state in expected]
    assert list(new.differs(old)) == [merge(state, row) != state for state, row in pairs]
    assert list(new.has_acted) == [bool(state.acted) for state in expected]
    for place, ((before, row), after) in enumerate(zip(pairs, expected, strict=True)):
        if row.acts:
            assert (rows.acted[place].tobytes(), rows.acts_source[place]) == (after.acted, after.acts_source)
        else:
            assert (before.acted, before.acts_source) == (after.acted, after.acts_source)
            assert not rows.has_acts[place]


@given(ROWS, ROWS)
def test_the_first_activations_of_a_day_are_plain_and_further_ones_are_not(one, two):
    one, two = one._replace(activations=0, acts=((3, 1), (9, 1))), two._replace(acts=((9, 1),))
    after = merge(NOTHING, one)
    assert is_plain(States.of([NOTHING, after, after]), Rows.of([one, two, two._replace(acts=())])).tolist() == [
        True, False, True,
    ]  # fmt: skip
    assert not is_plain(States.nothing(1), Rows.of([one._replace(acts=((3, 2),))]))[0]


@settings(max_examples=100)
@given(st.lists(ROWS.map(lambda row: row._replace(acts=())), min_size=1, max_size=4))
def test_row_after_row_comes_to_the_same(rows):
    states = States.of([NOTHING])
    for row in rows:
        states = merge_arrays(states, Rows.of([row]))
    assert states.state(0) == fold(NOTHING, rows)


@pytest.mark.parametrize(
    "row",
    [
        DayRow(1, DAY, heard=-1), DayRow(1, DAY, activations=-1), DayRow(1, DAY, acts=((3, -1),)),
        DayRow(1, DAY, acts=((96, 1),)), DayRow(1, DAY, presence=bytes(11)),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(row):
    with pytest.raises(ValueError):
        Rows.of([DayRow(1, DAY), row])


def test_nothing_at_all_is_no_day():
    assert len(merge_arrays(States.of([]), Rows.of([])).heard) == 0


def test_days_are_put_in_their_places():
    states = States.nothing(3)
    there = DayState(heard=5, lowest_margin_db=-3, presence=bytes(range(12)))
    states.put(np.array([1]), States.of([there]))
    assert [states.state(place) for place in range(3)] == [NOTHING, there, NOTHING]
