"""Findings of the radio: each fires on its cause, is silent where another tells of it, and is weighed by harm."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest

from devices.rules.findings import KINDS, ReceiverFacts, SupervisionAsk, find, harm_of
from devices.rules.findings_facts import Silence, Stranger, WeakLink
from devices.rules.radio_record import RadioRecord, Watched
from devices.rules.slot_map import SlotRow
from devices.rules.supervision import StandingFault
from tests.devices.rules.test_findings import OUTPUTS, SOUND, TODAY

WEAK = WeakLink(date(2027, 2, 20), date(2027, 2, 27), False, 0.974, 0.781)
LOSSY = RadioRecord(84, 2000, 1900, 40, date(2026, 12, 4))
SILENCE = Silence("silent since 2 March, 14:10", date(2027, 3, 2))


def receiver(*rows: SlotRow, **over: Any) -> ReceiverFacts:
    given = {"where": "Lantern House, receiver 1", "n_slots": 4, "rows": rows, "outputs": OUTPUTS, "today": TODAY}
    return ReceiverFacts(**(given | over))


def codes(*rows: SlotRow, **over: Any) -> list[str]:
    return [finding.code for finding in find(receiver(*rows, **over))]


def test_a_weak_link_says_how_it_fell_since_when_and_that_it_is_no_battery() -> None:
    (found,) = find(receiver(SOUND, links={1: WEAK}))
    assert found.code == "link_weak"
    assert found.what == (
        "Of its check-ins 78 in 100 come now; before, 97 in 100 did. It was as usual until 20 February."
    )
    assert found.since_on == date(2027, 2, 20)
    assert "nothing about the cells" in found.why
    assert "reading" in found.do


def test_a_very_weak_link_is_worse() -> None:
    (weak,), (very,) = (find(receiver(SOUND, links={1: replace(WEAK, is_red=red)})) for red in (False, True))
    assert very.code == "link_very_weak"
    assert harm_of(KINDS[very.code][0], very.duty) < harm_of(KINDS[weak.code][0], weak.duty)


def test_a_weak_link_of_which_no_shares_are_known_is_told_all_the_same() -> None:
    (found,) = find(receiver(SOUND, links={1: WeakLink(None, TODAY, False, None, None)}))
    assert found.what == "Fewer of its check-ins come than used to."
    assert found.since_on == TODAY


def test_silence_is_told_supervised_or_not() -> None:
    for row in (SOUND, replace(SOUND, window_s=0, duty="convenience")):
        (found,) = find(receiver(row, silent={1: SILENCE}))
        assert (found.code, found.since_on) == ("silent", date(2027, 3, 2))
        assert found.what == "Silent since 2 March, 14:10"


@pytest.mark.parametrize("kind", ["receiver hears little or nothing", "receiver power"])
def test_a_receiver_that_hears_nothing_explains_the_silence_of_all(kind: str) -> None:
    dead = StandingFault(kind, "", TODAY)
    assert "silent" not in codes(SOUND, silent={1: SILENCE}, faults=[dead])
    assert "silent" in codes(SOUND, silent={1: SILENCE}, faults=[replace(dead, is_over=True)])


def test_a_lost_link_does_not_hide_who_is_silent_by_what_was_delivered() -> None:
    lost = StandingFault("link lost", "", TODAY)
    assert codes(SOUND, silent={1: SILENCE}, faults=[lost]) == ["standing_fault", "silent"]


def test_what_the_receiver_reported_missing_is_told_once() -> None:
    missing = StandingFault("missing", "Room 1", TODAY, slot=1)
    assert codes(SOUND, silent={1: SILENCE}, faults=[missing]) == ["standing_fault"]


def test_what_is_away_is_neither_silent_nor_weak() -> None:
    assert codes(replace(SOUND, is_away=True), silent={1: SILENCE}, links={1: WEAK}) == []


def test_a_silent_one_is_not_weak_as_well() -> None:
    assert codes(SOUND, silent={1: SILENCE}, links={1: WEAK}) == ["silent"]


def test_a_window_that_cries_wolf_by_its_own_record_is_told_with_how_often() -> None:
    (found,) = find(receiver(SOUND, radio={1: LOSSY}))
    assert found.code == "nuisance_faults"
    # 5 in 100 lost, 2.5 in a row: .05 / 2.5 × .6² × 8766 = 63.
    assert found.what == (
        "By the check-ins it lost, the window of 4 h would call it missing more than 50 times a year though nothing is wrong; "
        "how often it did is not on record"
    )


def test_the_faults_on_record_stand_beside_what_is_expected() -> None:
    (found,) = find(receiver(SOUND, radio={1: LOSSY}, watched={1: Watched(12, date(2026, 12, 4), 84)}))
    assert found.code == "nuisance_faults"
    assert found.what.endswith("nothing is wrong; on record: 12 missing faults since 4 December 2026")


def test_an_expectation_that_the_record_of_faults_denies_is_no_finding() -> None:
    # 63 a year over 84 days are 14.5; with 8 or fewer that is improbable (.047), with 9 it is not (.08).
    for n, is_told in ((0, False), (8, False), (9, True)):
        found = codes(SOUND, radio={1: LOSSY}, watched={1: Watched(n, date(2026, 12, 4), 84)})
        assert ("nuisance_faults" in found) == is_told


def test_gaps_that_quarter_hours_leave_open_are_no_finding() -> None:
    often = replace(SOUND, interval_s=600, window_s=1800)
    empty = RadioRecord(90, 8640, 8640 - 22, 22, date(2026, 12, 4))
    assert "nuisance_faults" not in codes(often, radio={1: empty})
    assert "nuisance_faults" in codes(replace(often, interval_s=300, window_s=900), radio={1: empty})


def test_how_often_is_said_in_steps_so_that_the_words_stay() -> None:
    # 1.7 a year: .0018 / 1.8 × (.8 / 1.8)² × 8766.
    (found,) = find(receiver(SOUND, radio={1: RadioRecord(84, 10_000, 9982, 10, date(2026, 12, 4))}))
    assert "more than once a year" in found.what


def test_what_leaves_the_site_may_only_have_been_out_of_range() -> None:
    carried = replace(SOUND, is_portable=True, window_s=0)
    for link in (WEAK, replace(WEAK, is_red=True)):
        (found,) = find(receiver(carried, links={1: link}))
        assert found.code == "link_weak"
        assert "out of range" in found.why
        assert found.do.startswith("Ask the site whether it was carried out")


@pytest.mark.parametrize(
    ("row", "record"),
    [
        (SOUND, replace(LOSSY, heard=1998, loss_runs=2)),
        (SOUND, replace(LOSSY, heard=2000, loss_runs=0)),
        (SOUND, replace(LOSSY, n_days=13)),
        (replace(SOUND, window_s=86400), LOSSY),
        (replace(SOUND, window_s=0, duty="convenience"), LOSSY),
        (replace(SOUND, interval_s=None), LOSSY),
    ],
)
def test_a_quiet_window_or_too_short_a_record_is_no_finding(row: SlotRow, record: RadioRecord) -> None:
    assert "nuisance_faults" not in codes(row, radio={1: record})


def test_a_weak_link_is_not_told_of_as_a_wrong_window_too() -> None:
    assert codes(SOUND, radio={1: LOSSY}, links={1: WEAK}) == ["link_weak"]


def test_a_transmitter_in_no_slot_is_told_of_once_it_was_heard_on_two_days() -> None:
    known = Stranger("SK-09999", 2, TODAY - timedelta(days=9), TODAY)
    (found,) = find(receiver(SOUND, strangers=[known, replace(known, serial="SK-08888", n_days=1)]))
    assert (found.code, found.mark, found.since_on) == ("stranger_heard", "SK-09999", TODAY - timedelta(days=9))
    assert "SK-09999" in found.what
    assert found.duty == "life_safety"


# T27 of the trade facts: a public design note sizes windows at three check-ins; limits of 200 s and 300 s.
@pytest.mark.parametrize(
    ("interval_s", "window_s", "within_200", "within_300"),
    [(60, 180, True, True), (90, 270, False, True), (150, 450, False, False)],
)
def test_windows_of_three_check_ins_against_two_limits(
    interval_s: int, window_s: int, within_200: bool, within_300: bool
) -> None:
    row = replace(SOUND, interval_s=interval_s, window_s=window_s)
    for limit_s, is_within in ((200, within_200), (300, within_300)):
        asks = [SupervisionAsk("life_safety", must_supervise=True, longest_window_s=limit_s, source="fire")]
        assert codes(row, asks=asks) == ([] if is_within else ["window_over_duty"])


@pytest.mark.parametrize(("window_s", "is_told"), [(119, True), (120, False)])
def test_a_window_under_two_check_ins_is_told(window_s: int, is_told: bool) -> None:
    assert ("window_under_two" in codes(replace(SOUND, interval_s=60, window_s=window_s))) == is_told


def test_whose_figure_a_window_is_held_against_is_said() -> None:
    def asked(source: str) -> str:
        asks = [SupervisionAsk("life_safety", must_supervise=True, longest_window_s=3600, source=source)]
        (found,) = find(receiver(SOUND, asks=asks))
        return found.do

    assert asked("own suggestion") == "Set a shorter window (suggested by this software until a manager sets a figure)."
    assert asked("the fire officer") == "Set a shorter window (asked by: the fire officer)."
    assert asked("") == "Set a shorter window."
