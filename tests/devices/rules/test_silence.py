"""Silence on the watermark, outages first, and links by the clock: each as a verdict on plain evidence."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from devices.rules.silence import (
    ABSORBED,
    AWAY,
    EVERY_WAY,
    GONE,
    LATE,
    NOT_SUPERVISED,
    NOT_WATCHED,
    Clock,
    End,
    Known,
    Move,
    Raise,
    Scene,
    Unit,
    judge_receiver,
    supervised_once,
)

BEGIN = datetime(2026, 11, 20, tzinfo=UTC)


def at(hours: float) -> datetime:
    return BEGIN + timedelta(hours=hours)


def unit(pk: int, heard: float | None = None, **over: Any) -> Unit:
    """Heard every hour, missing after four."""
    facts: dict[str, Any] = {"registration_pk": pk * 10, "window_s": 14400, "interval_s": 3600, "since": at(-1000)}
    return Unit(transmitter_pk=pk, heard_at=at(heard) if heard is not None else None, **(facts | over))


def scene(mark: float, *units: Unit, **over: Any) -> Scene:
    return Scene(**({"grade": "every", "watermark_at": at(mark), "now": at(mark), "units": units} | over))


def healthy(*pks: int, heard: float) -> list[Unit]:
    return [unit(pk, heard) for pk in pks]


def missing(pk: int, raised: float, unit_pk: int, **over: Any) -> Known:
    return Known(pk, "missing", at(raised), unit_pk, **over)


def test_a_transmitter_is_missing_once_its_window_has_run_out_on_the_watermark() -> None:
    others = healthy(2, 3, 4, heard=9.5)
    assert not judge_receiver(scene(10, unit(1, 6), *others))
    verdict = judge_receiver(scene(10.1, unit(1, 6), *others))
    assert verdict.raises == [Raise("missing", at(10), unit(1, 6))]


def test_the_clock_on_the_wall_makes_nobody_silent() -> None:
    assert not judge_receiver(scene(9, unit(1, 6), now=at(500)))


def test_a_missing_transmitter_is_back_when_it_is_heard() -> None:
    verdict = judge_receiver(scene(12, unit(1, 11.8), faults=[missing(7, 10, 1)]))
    assert verdict.ends == [End(7, at(11.8))]


def test_a_late_check_in_before_the_fault_began_shows_that_it_never_was() -> None:
    verdict = judge_receiver(scene(11, unit(1, 9), faults=[missing(7, 10, 1)]))
    assert verdict.ends == [End(7, at(10), LATE)]


def test_a_late_check_in_moves_the_beginning_of_a_silence_that_goes_on() -> None:
    verdict = judge_receiver(scene(20, unit(1, 9), faults=[missing(7, 10, 1)]))
    assert verdict.moves == [Move(7, at(13))]
    assert not verdict.ends


def test_a_late_check_in_amid_a_silence_ends_it_and_what_follows_is_another_one() -> None:
    verdict = judge_receiver(scene(20, unit(1, 14), faults=[missing(7, 10, 1)]))
    assert verdict.ends == [End(7, at(14))]
    assert verdict.raises == [Raise("missing", at(18), unit(1, 14))]
    assert not verdict.moves


def test_never_heard_counts_from_when_it_was_registered_here() -> None:
    assert judge_receiver(scene(5, unit(1, None, since=at(0)))).raises == [
        Raise("missing", at(4), unit(1, None, since=at(0)))
    ]
    assert not judge_receiver(scene(5, unit(1, -500, since=at(2))))


def test_who_is_away_or_not_supervised_is_never_missing() -> None:
    assert not judge_receiver(scene(50, unit(1, 0, is_away=True), unit(2, 0, window_s=None), unit(3, 0, window_s=0)))


def test_back_from_an_absence_the_window_begins_anew() -> None:
    assert not judge_receiver(scene(50, unit(1, 0, back_at=at(48))))
    assert judge_receiver(scene(50, unit(1, 0, back_at=at(44)))).raises[0].at == at(48)


def test_more_than_half_quiet_together_are_one_outage_and_nobody_is_missing() -> None:
    units = [unit(1, 6), unit(2, 6.2), unit(3, 6.4), *healthy(4, 5, heard=10)]
    verdict = judge_receiver(scene(10.1, *units))
    assert verdict.raises == [Raise("outage", at(10))]


def test_half_of_them_is_no_outage() -> None:
    verdict = judge_receiver(scene(10.1, unit(1, 6), unit(2, 6), unit(3, 10), unit(4, 10)))
    assert [one.kind for one in verdict.raises] == ["missing", "missing"]


def test_two_transmitters_are_named_one_by_one() -> None:
    assert [one.kind for one in judge_receiver(scene(11, unit(1, 6), unit(2, 6))).raises] == ["missing", "missing"]


def test_a_short_window_that_runs_out_first_finds_the_outage_by_the_check_ins_that_the_others_lack() -> None:
    strict = unit(1, 6, window_s=7200)
    verdict = judge_receiver(scene(9.5, strict, *(unit(pk, 6.2) for pk in range(2, 6))))
    assert [(one.kind, one.at) for one in verdict.raises] == [("outage", at(8.2))]


def test_long_dead_transmitters_do_not_turn_one_more_silence_into_an_outage() -> None:
    dead = [unit(1, -200), unit(2, -300)]
    standing = [missing(71, -196, 1), missing(72, -296, 2)]
    verdict = judge_receiver(scene(11, *dead, unit(3, 6), unit(4, 10.5), unit(5, 10.8), faults=standing))
    assert [(one.kind, one.unit.transmitter_pk if one.unit else 0) for one in verdict.raises] == [("missing", 3)]
    assert not verdict.ends


def test_missing_faults_that_came_before_the_outage_was_plain_go_into_it() -> None:
    units = [unit(1, 6, window_s=3600), *(unit(pk, 6.2) for pk in (2, 3, 4))]
    verdict = judge_receiver(scene(11, *units, faults=[missing(71, 7, 1)]))
    assert verdict.ends == [End(71, at(8.2), ABSORBED)]
    assert [one.kind for one in verdict.raises] == ["outage"]


def test_an_outage_ends_when_the_majority_is_heard_and_the_rest_is_missing_since_its_window_ran_out() -> None:
    outage = Known(70, "outage", at(10))
    units = [unit(1, 6), unit(2, 14), unit(3, 14.1), unit(4, 14.2), unit(5, 6.1)]
    verdict = judge_receiver(scene(14.5, *units, faults=[outage]))
    assert verdict.ends == [End(70, at(14.2))]
    assert [(one.kind, one.at) for one in verdict.raises] == [("missing", at(10)), ("missing", at(10.1))]


def test_a_silence_that_an_outage_had_taken_in_stands_again_as_the_same_fault() -> None:
    faults = [Known(70, "outage", at(10)), missing(71, 10, 1, ended_at=at(10.2))]
    units = [unit(1, 6), *healthy(2, 3, 4, heard=14)]
    verdict = judge_receiver(scene(14.5, *units, faults=faults))
    assert verdict.raises == [Raise("missing", at(10), unit(1, 6), reopens=71)]


def test_an_outage_that_begins_again_after_the_receiver_heard_is_another_fault() -> None:
    ended = Known(70, "outage", at(2), ended_at=at(9.9))
    units = [unit(pk, 6) for pk in (1, 2, 3)]
    assert judge_receiver(scene(11, *units, faults=[ended])).raises == [Raise("outage", at(10))]


def test_an_outage_whose_end_was_none_stands_again_but_as_a_new_one_where_somebody_had_acknowledged_it() -> None:
    ended = Known(70, "outage", at(10), ended_at=at(10.5))
    units = [unit(pk, 6) for pk in (1, 2, 3)]
    assert judge_receiver(scene(11, *units, faults=[ended])).raises == [Raise("outage", at(10), reopens=70)]
    seen = replace(ended, acknowledged_at=at(10.6))
    assert judge_receiver(scene(11, *units, faults=[seen])).raises == [Raise("outage", at(10.5))]


def test_where_only_exceptions_reach_us_only_what_is_reported_is_missing() -> None:
    assert not judge_receiver(scene(500, unit(1, 0), grade="exceptions"))
    reported = missing(71, 3, 1, is_reported=True)
    assert not judge_receiver(scene(500, unit(1, 0), grade="exceptions", faults=[reported]))


def test_what_we_saw_ends_when_check_ins_do_not_reach_us_any_more() -> None:
    faults = [missing(71, 3, 1), Known(70, "outage", at(4))]
    verdict = judge_receiver(scene(50, unit(1, 0), grade="visits", faults=faults))
    assert verdict.ends == [End(71, at(50), NOT_WATCHED), End(70, at(50), NOT_WATCHED)]


def test_a_reported_missing_ends_with_a_check_in_since_and_with_nothing_else() -> None:
    reported = missing(71, 8, 1, is_reported=True)
    assert not judge_receiver(scene(9, unit(1, 7.5), faults=[reported]))
    assert judge_receiver(scene(9, unit(1, 8.5), faults=[reported])).ends == [End(71, at(8.5), is_reported=True)]


def test_faults_of_who_left_is_away_or_is_supervised_no_longer_end_with_their_cause() -> None:
    faults = [missing(71, 3, 1), missing(72, 3, 2), missing(73, 3, 3)]
    verdict = judge_receiver(scene(50, unit(2, 0, is_away=True), unit(3, 0, window_s=None), faults=faults))
    assert {end.pk: end.cause for end in verdict.ends} == {71: GONE, 72: AWAY, 73: NOT_SUPERVISED}


def test_a_link_is_lost_by_the_clock_and_what_was_delivered_counts_whatever_the_clock_says() -> None:
    verdict = judge_receiver(scene(20, unit(1, 6), now=at(25), clocks=[Clock(at(20), 3600)]))
    assert verdict.raises == [Raise("link_lost", at(21)), Raise("missing", at(10), unit(1, 6))]


PANEL_LOST = Clock(at(0), 3600, "panel 7")


def test_a_transmitter_that_falls_silent_is_missing_though_another_way_of_its_receiver_is_lost() -> None:
    lost = Known(70, "link_lost", at(1))
    clocks = [PANEL_LOST, Clock(at(10.1), 3600, "feeder")]
    verdict = judge_receiver(
        scene(10.1, unit(1, 6), *healthy(2, 3, 4, heard=9.5), now=at(10.1), clocks=clocks, faults=[lost])
    )
    assert verdict.raises == [Raise("missing", at(10), unit(1, 6))]
    assert not verdict.ends


def test_a_late_check_in_moves_the_beginning_of_a_silence_while_a_way_is_lost() -> None:
    lost = Known(70, "link_lost", at(1))
    verdict = judge_receiver(scene(20, unit(1, 9), clocks=[PANEL_LOST], faults=[lost, missing(7, 10, 1)]))
    assert verdict.moves == [Move(7, at(13))]


def test_that_no_way_is_left_is_told_anew_to_whoever_acknowledged_the_first_that_was_lost() -> None:
    seen = Known(70, "link_lost", at(1), acknowledged_at=at(3))
    gateway = Clock(at(9), 3600, "feeder")
    assert not judge_receiver(scene(9, now=at(9.5), clocks=[PANEL_LOST, gateway], faults=[seen]))
    verdict = judge_receiver(scene(9, now=at(12), clocks=[PANEL_LOST, gateway], faults=[seen]))
    assert verdict.ends == [End(70, at(10), EVERY_WAY)]
    assert verdict.raises == [Raise("link_lost", at(10))]
    told = [replace(seen, ended_at=at(10)), Known(71, "link_lost", at(10), acknowledged_at=at(12))]
    assert not judge_receiver(scene(9, now=at(13), clocks=[PANEL_LOST, gateway], faults=told))


def test_a_way_with_two_clocks_of_its_own_is_one_way() -> None:
    clocks = [Clock(at(0), 3600, "feeder"), Clock(at(5), 3600, "feeder")]
    seen = Known(70, "link_lost", at(1), acknowledged_at=at(3))
    assert not judge_receiver(scene(9, now=at(12), clocks=clocks, faults=[seen]))


def test_a_link_is_back_with_its_next_sign_and_silence_is_judged_again() -> None:
    lost = Known(70, "link_lost", at(21))
    verdict = judge_receiver(scene(25, unit(1, 6), now=at(25.1), clocks=[Clock(at(25), 3600)], faults=[lost]))
    assert verdict.ends == [End(70, at(25))]
    assert [one.kind for one in verdict.raises] == ["missing"]


def test_any_of_several_ways_may_be_lost() -> None:
    clocks = [Clock(at(25), 3600, "feeder"), Clock(at(10), 3600, "panel 7")]
    assert judge_receiver(scene(25, now=at(25.1), clocks=clocks)).raises == [Raise("link_lost", at(11))]


def test_a_link_that_comes_and_goes_stays_one_fault_a_day() -> None:
    faults: list[Known] = []
    n_rows = 0
    for quarter in range(96):
        sign, now = at(quarter / 4), at(quarter / 4 + 0.2)
        for moment in (sign + timedelta(seconds=1), now):
            verdict = judge_receiver(scene(0, now=moment, clocks=[Clock(sign, 300)], faults=faults))
            for end in verdict.ends:
                faults = [replace(fault, ended_at=end.at) for fault in faults]
            for one in verdict.raises:
                n_rows += one.reopens is None
                faults = [Known(1, "link_lost", one.at)]
    assert n_rows == 1


def test_a_link_that_is_lost_again_later_or_after_somebody_acknowledged_it_is_another_fault() -> None:
    ended = Known(70, "link_lost", at(18), ended_at=at(20.8))
    lost = {"now": at(25), "clocks": [Clock(at(20), 3600)]}
    assert judge_receiver(scene(20, faults=[ended], **lost)).raises == [Raise("link_lost", at(21), reopens=70)]
    for one in (replace(ended, acknowledged_at=at(20.9)), replace(ended, ended_at=at(20.7))):
        assert judge_receiver(scene(20, faults=[one], **lost)).raises == [Raise("link_lost", at(21))]


def test_a_watch_over_a_link_that_was_given_up_ends_its_fault() -> None:
    assert judge_receiver(scene(30, faults=[Known(70, "link_lost", at(21))])).ends == [End(70, at(30), NOT_WATCHED)]


def test_a_transmitter_in_several_slots_counts_once_by_its_shortest_window() -> None:
    long, short, off = unit(1, 6), unit(1, 6, window_s=3600), unit(1, 6, window_s=None)
    assert supervised_once([off, long, short]) == [short]
    assert supervised_once([replace(short, is_away=True), long]) == [long]


# --- once is enough ---------------------------------------------------------------------------------------------------


def applied(before: Scene, verdict: Any) -> Scene:
    """The scene with a verdict on record, as `devices.actions.silence` writes it."""
    faults = {fault.pk: fault for fault in before.faults}
    for change in (*verdict.ends, *verdict.moves):
        fault = faults[change.pk]
        if isinstance(change, Move):
            faults[fault.pk] = replace(fault, raised_at=change.at)
        else:
            faults[fault.pk] = replace(fault, ended_at=max(change.at, fault.raised_at))
    for one in verdict.raises:
        if one.reopens is not None:
            old = faults[one.reopens]
            raised_at = one.at if one.unit else min(old.raised_at, one.at)
            faults[old.pk] = replace(old, raised_at=raised_at, ended_at=None)
        else:
            pk = max(faults, default=0) + 1
            faults[pk] = Known(pk, one.kind, one.at, one.unit.transmitter_pk if one.unit else None)
    return replace(before, faults=list(faults.values()))


MOMENTS = st.integers(0, 40).map(lambda hour: at(hour / 2))
UNITS = st.lists(
    st.builds(
        unit, st.just(0), st.none() | st.integers(0, 40).map(lambda hour: hour / 2),
        window_s=st.sampled_from([None, 3600, 14400, 28800]), back_at=st.none() | MOMENTS, is_away=st.booleans(),
    ),
    max_size=5,
).map(lambda units: [replace(one, transmitter_pk=pk, registration_pk=pk) for pk, one in enumerate(units, 1)])  # fmt: skip


@st.composite
def faults_on_record(draw: st.DrawFn) -> list[Known]:
    """At most one of a kind and transmitter stands."""
    found: list[Known] = []
    for kind, pk in (("outage", None), ("link_lost", None), *(("missing", pk) for pk in range(1, 7))):
        for is_over in draw(st.sampled_from([(), (False,), (True,), (True, False)])):
            raised_at = draw(MOMENTS)
            ended_at = raised_at + timedelta(hours=draw(st.integers(0, 8))) if is_over else None
            seen_at = draw(st.none() | MOMENTS)
            is_reported = kind == "missing" and draw(st.booleans())
            found.append(Known(len(found) + 1, kind, raised_at, pk, is_reported, ended_at, seen_at))
    return found


@given(
    units=UNITS, mark=MOMENTS, late_h=st.integers(0, 5), faults=faults_on_record(),
    grade=st.sampled_from(["every", "every", "exceptions"]),
    clocks=st.lists(st.builds(Clock, MOMENTS, st.sampled_from([3600, 14400]), st.sampled_from("ab")), max_size=3),
)  # fmt: skip
def test_a_verdict_that_is_on_record_is_not_given_again(
    units: list[Unit], mark: datetime, late_h: int, faults: list[Known], grade: str, clocks: list[Clock]
) -> None:
    before = Scene(grade, mark, mark + timedelta(hours=late_h), units, faults, clocks)
    after = applied(before, judge_receiver(before))
    assert not judge_receiver(after)
