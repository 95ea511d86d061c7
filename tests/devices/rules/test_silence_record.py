"""Records of silences that are over, by the check-ins known now: shortened, parted or withdrawn, whatever came first."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from random import Random

from hypothesis import given
from hypothesis import strategies as st

from devices.rules.silence import ABSORBED, AWAY, LATE, Unit
from devices.rules.silence_record import HeardAt, Past, Revision, Span, revise_missing, revise_outage

BEGIN = datetime(2026, 11, 20, tzinfo=UTC)
HOUR_S = 3600


def at(hours: float) -> datetime:
    return BEGIN + timedelta(hours=hours)


def quarters(*hours: float) -> list[HeardAt]:
    """Check-ins of which only the quarter hour is known."""
    return [HeardAt(at(hour), at(hour) + timedelta(seconds=899)) for hour in sorted(hours)]


def missing(raised: float, ended: float, cause: str = "") -> Past:
    return Past(7, at(raised), at(ended), cause, transmitter_pk=1, window_s=4 * HOUR_S)


def test_a_record_that_the_check_ins_bear_out_stays_to_the_second() -> None:
    assert revise_missing(missing(10.1, 20.2), quarters(6, 20, 21)) is None
    assert revise_missing(missing(10.1, 10.2), quarters(6, 10)) is None


def test_a_silence_ends_with_its_first_check_in_and_not_with_the_last_of_a_delivery() -> None:
    told = revise_missing(missing(10, 20), quarters(6, 14, 15, 16, 17, 18, 19, 20))
    assert told == Revision(7, at(10), at(14), "")


def test_a_silence_begins_later_where_a_check_in_before_it_came_in_late() -> None:
    assert revise_missing(missing(10, 20), quarters(6, 8, 20)) == Revision(7, at(12), at(20), "")


def test_a_silence_that_late_check_ins_disprove_is_withdrawn() -> None:
    assert revise_missing(missing(10, 20), quarters(*range(6, 21))) == Revision(7, at(10), at(10), LATE)


def test_a_silence_with_one_check_in_amid_it_was_two() -> None:
    told = revise_missing(missing(10, 20), quarters(6, 14, 20))
    assert told == Revision(7, at(10), at(14), "", (Span(at(18), at(20)),))


def test_the_cause_stays_with_a_record_whose_end_does() -> None:
    assert revise_missing(missing(10, 20, AWAY), quarters(6)) is None
    assert revise_missing(missing(10, 20, AWAY), quarters(6, 8)) == Revision(7, at(12), at(20), AWAY)
    told = revise_missing(missing(10, 20, AWAY), quarters(6, 14))
    assert told == Revision(7, at(10), at(14), "", (Span(at(18), at(20), AWAY),))
    assert revise_missing(missing(10, 20, AWAY), quarters(6, 12, 16)) == Revision(7, at(10), at(12), "")


def unit(pk: int) -> Unit:
    return Unit(pk, pk * 10, 4 * HOUR_S, HOUR_S, at(-1000))


UNITS = [unit(pk) for pk in (1, 2, 3, 4)]
OUTAGE = Past(9, at(10), at(20))


def each(*hours: float) -> dict[int, list[HeardAt]]:
    return {one.transmitter_pk: quarters(*hours) for one in UNITS}


def test_an_outage_ends_when_half_of_them_was_heard_again() -> None:
    assert revise_outage(OUTAGE, UNITS, each(6, 20)) is None
    heard = each(6, 20) | {1: quarters(6, 12, 13), 2: quarters(6, 13, 14)}
    assert revise_outage(replace(OUTAGE, ended_at=at(14)), UNITS, heard) == Revision(9, at(10), at(13), "")


def test_an_outage_that_late_check_ins_disprove_is_withdrawn() -> None:
    assert revise_outage(OUTAGE, UNITS, each(*range(6, 21))) == Revision(9, at(10), at(10), LATE)


def test_an_outage_within_which_the_receiver_heard_one_round_was_two() -> None:
    told = revise_outage(OUTAGE, UNITS, each(6, 12, 20))
    assert told == Revision(9, at(10), at(12), "", (Span(at(16), at(20)),))


def test_who_was_silent_beyond_the_outage_is_missing_on_record() -> None:
    told = revise_outage(OUTAGE, UNITS, each(6, 13, 16, 19.5) | {1: quarters(6, 19.5)})
    assert told == Revision(9, at(10), at(13), "", rest=((unit(1), Span(at(10), at(19.5))),))


def test_a_check_in_of_the_quarter_hour_in_which_an_outage_began_does_not_disprove_it() -> None:
    begun = Past(9, at(10.1), at(20))
    assert revise_outage(begun, UNITS, each(6, 20) | {4: quarters(6, 10, 20)}) is None


# --- order ------------------------------------------------------------------------------------------------------------


def _told(faults: Iterable[Past], heard: Sequence[HeardAt]) -> list[Past]:
    """The records after one look."""
    told: list[Past] = []
    for fault in faults:
        revision = revise_missing(fault, heard)
        if revision is None:
            told.append(fault)
            continue
        spans = [Span(revision.raised_at, revision.ended_at, revision.cause), *revision.more]
        told += [replace(fault, raised_at=begin, ended_at=end, cause=cause) for begin, end, cause in spans]
    return [fault for fault in told if fault.cause != LATE]


HOURS = st.sets(st.integers(7, 47), max_size=20)


@given(late=HOURS, order=st.randoms(use_true_random=False))
def test_the_order_in_which_check_ins_come_in_does_not_change_the_records(late: set[int], order: Random) -> None:
    """Hours, far from the window of four and a half: within a quarter hour of it, what is known cannot decide."""
    fault = replace(missing(10.5, 48), window_s=int(4.5 * HOUR_S))
    at_once = _told([fault], quarters(6, *late, 48))
    assert _told(at_once, quarters(6, *late, 48)) == at_once
    hours = sorted(late)
    order.shuffle(hours)
    faults, known = [fault], [6, 48]
    for hour in hours:
        known.append(hour)
        faults = _told(faults, quarters(*known))
    assert sorted(one.raised_at for one in faults) == sorted(one.raised_at for one in at_once)
    assert sorted(one.ended_at for one in faults) == sorted(one.ended_at for one in at_once)


def test_a_silence_that_went_into_an_outage_keeps_that() -> None:
    assert revise_missing(missing(10, 11, ABSORBED), quarters(6, 12)) is None
