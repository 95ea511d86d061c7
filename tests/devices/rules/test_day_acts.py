"""Activations that several sources counted come to what happened, in whatever order they come."""

from __future__ import annotations

from collections import Counter
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from devices.rules.day_acts import MOST_KEPT, add_acts, keep_acts, read_acts, sum_acts
from devices.rules.day_merge import MOST, NOTHING, DayRow, DayState, fold, merge

DAY = date(2026, 3, 1)
QUARTER = st.integers(0, 95)
COUNTS = st.dictionaries(QUARTER, st.integers(1, MOST_KEPT), max_size=5)
SAID = st.dictionaries(st.sampled_from([0, 1, 7, 32_767]), COUNTS, max_size=4)
# Who says it, and what.
TOLD = st.lists(st.tuples(st.sampled_from([0, 0, 3, 7]), QUARTER, st.integers(1, 4)), min_size=1, max_size=25)


def row(source_id, *acts):
    return DayRow(1, DAY, acts=tuple(acts), source_id=source_id)


@given(SAID, st.sampled_from([0, 1, 7]))
def test_counts_are_kept_as_they_are(said, first):
    there = {source: counts for source, counts in said.items() if counts}
    found = read_acts(keep_acts(said, first), first)
    assert {source: counts for source, counts in found.items() if counts} == there


def test_one_source_that_counts_one_a_quarter_hour_needs_a_mask_alone():
    assert len(keep_acts({7: {3: 1, 95: 1}}, 7)) == 12
    assert len(keep_acts({7: {3: 1, 95: 2}}, 7)) == 17


def test_what_is_no_record_of_counts_is_refused():
    assert read_acts(None, 7) == read_acts(b"", 7) == {}
    for wrong in (bytes(5), bytes(14)):
        with pytest.raises(ValueError, match="entries"):
            read_acts(wrong, 7)


@given(TOLD, st.randoms(use_true_random=False))
def test_order_changes_nothing_and_the_largest_of_each_quarter_hour_counts(told, rng):
    sums, largest = Counter(), Counter()
    for source, quarter, n in told:
        sums[source, quarter] += n
        largest[source, quarter] = max(largest[source, quarter], n)
    most = Counter()
    for source, quarter in sums:
        n = sums[source, quarter] if source else largest[source, quarter]
        most[quarter] = max(most[quarter], n)
    rows = [row(source, (quarter, n)) for source, quarter, n in told]
    rng.shuffle(rows)
    found = fold(NOTHING, rows)
    assert found.activations == sum(most.values())
    said = read_acts(found.acted, found.acts_source)
    assert sum_acts(said) == found.activations


def test_a_file_between_two_batches_of_the_gateway_that_it_repeats_adds_nothing():
    gateway = [row(7, (32, 1)), row(7, (36, 1), (40, 1))]
    for others in (row(0, (32, 1), (36, 1), (40, 1)), row(9, (32, 1), (36, 1), (40, 1))):
        for order in ([gateway[0], others, gateway[1]], [others, *gateway], [*gateway, others]):
            assert fold(NOTHING, order).activations == 3


def test_counts_without_quarter_hours_stay_in_the_sum():
    day = merge(DayState(heard=4, activations=5, presence=bytes(12), acted=keep_acts({7: {3: 1}}, 7), acts_source=7),
                row(9, (3, 2), (4, 1)))  # fmt: skip
    assert day.activations == 7
    assert merge(day, DayRow(1, DAY, activations=2)).activations == 9


def test_a_count_that_was_cut_off_stays_the_largest():
    day = fold(NOTHING, [row(7, (3, 40_000)), row(7, (3, 40_000)), row(9, (3, 1))])
    assert day.activations == MOST
    assert read_acts(day.acted, 7)[7] == {3: MOST_KEPT}


def test_nothing_counted_is_no_count():
    said = {}
    add_acts(said, 7, [(3, 0)])
    assert sum_acts(said) == 0
    assert merge(NOTHING, row(7, (3, 0))).activations == 0
