"""Masks of quarter hours, and days merged from them: whatever the order, however often and however cut up, one and the same."""

from datetime import UTC, date, datetime, timedelta
from itertools import groupby

import pytest
from hypothesis import given
from hypothesis import strategies as st

from devices.rules.day_merge import CAPPED, MOST, NOTHING, DayRow, DayState, combine, fold, merge
from devices.rules.presence import (
    DAY_S,
    EMPTY,
    QUARTERS,
    bits_of,
    both,
    expected_of,
    loss_runs_of,
    mask_of,
    mask_of_quarters,
    popcount,
    quarter_of,
    quarters_in,
    second_of,
)

DAY = date(2026, 11, 25)
MASKS = st.binary(min_size=12, max_size=12)
INTERVALS = st.sampled_from([60, 900, 1350, 1800, 3600, 7200, 14_400, 43_200, 86_400])


def at(hour, minute=0, second=0):
    return datetime(2026, 11, 25, hour, minute, second, tzinfo=UTC)


@pytest.mark.parametrize(
    ("moment", "quarter"), [(at(0), 0), (at(0, 14, 59), 0), (at(0, 15), 1), (at(12, 30), 50), (at(23, 59, 59), 95)]
)
def test_the_quarter_hour_of_a_moment(moment, quarter):
    assert quarter_of(moment) == quarter
    assert second_of(moment) // 900 == quarter


@given(st.sets(st.integers(0, 95)))
def test_a_mask_holds_what_was_put_in(quarters):
    mask = mask_of_quarters(quarters)
    assert len(mask) == 12
    assert list(quarters_in(mask)) == sorted(quarters)
    assert popcount(mask) == len(quarters)
    assert mask_of(bits_of(mask)) == mask


def test_quarters_are_bits_of_bytes_the_lowest_first():
    assert mask_of_quarters([0, 9, 95]) == b"\x01\x02" + bytes(9) + b"\x80"


@given(MASKS, MASKS, MASKS)
def test_merging_masks_knows_no_order_and_no_repeat(one, two, three):
    assert both(one, two) == both(two, one)
    assert both(one, one) == one
    assert both(both(one, two), three) == both(one, both(two, three))
    assert both(None, one) == both(one, None) == one


@pytest.mark.parametrize("wrong", [b"", b"\x01", bytes(13)])
def test_a_mask_of_another_length_is_no_mask(wrong):
    for read in (bits_of, popcount, lambda mask: both(mask, EMPTY), lambda mask: loss_runs_of(mask, 900)):
        with pytest.raises(ValueError, match="12 bytes"):
            read(wrong)


@pytest.mark.parametrize("wrong", [-1, 96])
def test_a_day_has_96_quarter_hours(wrong):
    with pytest.raises(ValueError, match="quarter hour"):
        mask_of_quarters([wrong])
    with pytest.raises(ValueError, match="96th"):
        mask_of(1 << QUARTERS)


@pytest.mark.parametrize(
    ("interval_s", "span", "n"),
    [
        (3600, (0, DAY_S), 24), (60, (0, DAY_S), 96), (900, (0, DAY_S), 96), (86_400, (0, DAY_S), 1), (None, (0, DAY_S), 0),
        (0, (0, DAY_S), 0), (3600, (0, 3599), 0), (3600, (0, 3600), 1), (3600, (7200, 3600), 0), (7000, (0, DAY_S), 12),
        (3600, (0, 2 * DAY_S), 24),
    ],
)  # fmt: skip
def test_how_many_check_ins_a_span_should_bring(interval_s, span, n):
    assert expected_of(interval_s, *span) == n


def without(*lost, every=4):
    return mask_of_quarters(quarter for number, quarter in enumerate(range(0, 96, every)) if number not in lost)


@pytest.mark.parametrize(
    ("mask", "interval_s", "runs"),
    [
        (without(), 3600, 0), (without(5), 3600, 1), (without(5, 6, 7), 3600, 1), (without(5, 8), 3600, 2),
        (without(0), 3600, 0), (without(0, 1), 3600, 1), (without(23), 3600, 1), (EMPTY, 3600, 1), (None, 3600, 1),
        (EMPTY, 86_400, 1), (mask_of_quarters([40]), 86_400, 0), (EMPTY, None, 0),
        (without(every=1), 900, 0), (without(3, 9, 10, every=1), 900, 2), (without(3, every=1), 60, 1),
        (without(every=2), 1800, 0), (without(7, every=2), 1800, 1),
        # A clock that wanders by a quarter hour is no loss; one that skips a whole check-in is.
        (mask_of_quarters([0, 5, 9, 14, 18]) , 3600, 1), (mask_of_quarters(range(0, 96, 5)), 3600, 0),
    ],
)  # fmt: skip
def test_runs_of_losses_are_told_by_gaps(mask, interval_s, runs):
    assert loss_runs_of(mask, interval_s) == runs


def test_runs_of_losses_are_looked_for_within_the_span_only():
    mask = mask_of_quarters([40, 44, 48])
    assert loss_runs_of(mask, 3600) == 2
    assert loss_runs_of(mask, 3600, 40, 49) == 0
    assert loss_runs_of(mask, 3600, 38, 96) == 1
    assert loss_runs_of(EMPTY, 3600, 40, 43) == 0
    assert loss_runs_of(EMPTY, 3600, 40, 44) == 1


def runs_the_long_way(mask, interval_s, from_q, to_q):
    """Lengths of the runs of empty quarters, compared one by one with what the docstring says."""
    if (to_q - from_q) * 900 < max(interval_s, 900):
        return 0
    heard = set(quarters_in(mask))
    lengths = [len(list(run)) for is_empty, run in groupby(q not in heard for q in range(from_q, to_q)) if is_empty]
    least = min((3 * max(interval_s, 900)) // 1800, to_q - from_q)
    return sum(n >= max(least, 1) for n in lengths)


@given(MASKS, INTERVALS, st.integers(0, 95), st.integers(1, 96))
def test_runs_agree_with_counting_them_one_by_one(mask, interval_s, from_q, length):
    to_q = min(from_q + length, 96)
    assert loss_runs_of(mask, interval_s, from_q, to_q) == runs_the_long_way(mask, interval_s, from_q, to_q)


# --- days -------------------------------------------------------------------------------------------------------------


def row(*quarters, **over):
    mask = mask_of_quarters(quarters) if quarters else None
    return DayRow(1, DAY, presence=mask, last_heard_s=max(quarters) * 900 if quarters else None, **over)


def events(rng, n, sources):
    """Rows of one event each, with a margin, a flag, and now and then an activation."""
    found = []
    for _ in range(n):
        quarter, source_id = rng.randrange(96), rng.choice(sources)
        acts = ((quarter, 1),) if rng.random() < 0.3 else ()
        found.append(
            DayRow(
                1, DAY, presence=mask_of_quarters([quarter]), lowest_margin_db=rng.choice([None, *range(-5, 9)]),
                flags=rng.choice([0, 0, 1, 2]), last_heard_s=quarter * 900 + rng.randrange(900), acts=acts,
                source_id=source_id, interval_s=3600,
            )
        )  # fmt: skip
    return found


@given(st.randoms(use_true_random=False), st.integers(1, 60))
def test_one_sources_day_knows_no_order_and_no_cutting_into_batches(rng, n):
    said = events(rng, n, [7])
    whole = fold(NOTHING, said)
    rng.shuffle(said)
    batches, rest = [], said
    while rest:
        size = rng.randint(1, len(rest))
        first, *others = rest[:size]
        for other in others:
            first = combine(first, other)
        batches.append(first)
        rest = rest[size:]
    assert fold(NOTHING, batches) == whole
    assert whole.heard == len({q for one in said for q in quarters_in(one.presence)})
    assert whole.activations == sum(k for one in said for _, k in one.acts)


@given(st.randoms(use_true_random=False), st.integers(1, 40))
def test_what_needs_no_ledger_may_come_twice_and_from_several_sources(rng, n):
    said = [one._replace(acts=()) for one in events(rng, n, [0, 7, 9])]
    whole = fold(NOTHING, said)
    again = said + rng.choices(said, k=n)
    rng.shuffle(again)
    assert fold(NOTHING, again) == whole


@given(st.randoms(use_true_random=False), st.integers(1, 40))
def test_a_file_of_what_the_gateway_sent_adds_nothing_whichever_comes_first(rng, n):
    said = events(rng, n, [7])
    file = said[0]._replace(source_id=0)
    for other in said[1:]:
        file = combine(file, other._replace(source_id=0))
    gateway = said[0]
    for other in said[1:]:
        gateway = combine(gateway, other)
    sent = sum(k for one in said for _, k in one.acts)
    assert fold(NOTHING, [*said, file]).activations == sent
    assert fold(NOTHING, [file, gateway]).activations == sent


@given(st.randoms(use_true_random=False), st.integers(1, 40))
def test_a_day_that_was_closed_stays_closed_for_whatever_comes_late(rng, n):
    said = events(rng, n, [7])
    closing = DayRow(1, DAY, interval_s=3600, to_s=DAY_S)
    place = rng.randint(0, n)
    found = fold(NOTHING, [*said[:place], closing, *said[place:]])
    assert found == fold(NOTHING, [*said, closing])
    assert found.expected == 24
    assert found.loss_runs == loss_runs_of(found.presence, 3600)


def test_of_several_sources_the_one_that_counted_most_is_believed_in_each_quarter_hour():
    first = merge(NOTHING, row(4, acts=((4, 2),), source_id=7))
    assert (first.activations, first.acts_source) == (2, 7)
    other = merge(first, row(4, 5, acts=((4, 3), (5, 1)), source_id=9))
    assert (other.activations, other.acts_source) == (4, 7)
    assert merge(other, row(5, acts=((5, 2),), source_id=7)).activations == 5
    assert merge(other, row(4, acts=((4, 1),), source_id=7)).activations == 4


def test_files_and_sources_with_keys_too_large_are_not_told_apart():
    for source_id in (0, 40_000):
        day = merge(NOTHING, row(4, acts=((4, 2),), source_id=source_id))
        assert (day.activations, day.acts_source) == (2, 0)
        assert merge(day, row(4, acts=((4, 2),), source_id=source_id)) == day
        assert merge(day, row(4, acts=((4, 2),), source_id=7)).activations == 2


def test_a_sealed_days_counts_only_rise():
    sealed = DayState(heard=20, expected=24, activations=3, loss_runs=2, acts_source=7)
    late = merge(sealed, row(4, acts=((4, 5),), source_id=9, interval_s=3600))
    assert (late.heard, late.loss_runs, late.activations, late.presence, late.acted) == (20, 2, 5, None, None)
    assert merge(sealed, row(4, acts=((4, 1),), source_id=7)).activations == 4
    assert merge(sealed, row(*range(30), interval_s=3600)).heard == 30


def test_counts_beyond_16_bits_are_cut_off_and_flagged():
    day = merge(NOTHING, row(4, acts=((4, 40_000),), source_id=7))
    assert (day.activations, day.flags) == (MOST, CAPPED)
    assert merge(day, row(5, acts=((5, 1),), source_id=7)).activations == MOST


def test_rows_of_two_sources_are_not_put_together():
    with pytest.raises(ValueError, match="two sources"):
        combine(row(1, source_id=7), row(2, source_id=9))


def test_a_day_begun_late_expects_less():
    day = merge(NOTHING, row(60, interval_s=3600, from_s=43_200))
    assert (day.expected, day.loss_runs) == (3, 1)
    assert merge(day, DayRow(1, DAY, interval_s=3600, from_s=43_200, to_s=DAY_S)).expected == 12


def test_the_epoch_of_a_mask_is_midnight_of_utc_whatever_the_offset():
    moment = datetime.fromisoformat("2026-11-25T23:50:00+01:00").astimezone(UTC)
    assert quarter_of(moment) == 91
    assert moment - timedelta(minutes=50) == at(22)
