"""A latched tamper that a technician clears on site: what comes in later, and in whatever order, is put before or after that."""

from __future__ import annotations

from datetime import datetime
from itertools import permutations
from typing import Any

import pytest

from company.models import ChangeRow
from devices.actions.fault_reports import first_moved
from devices.actions.faults import acknowledge_faults, clear_latched_faults, latch_faults_again
from devices.models import Fault, FaultReport, Registration
from tests.devices.actions.test_fault_reports import hour, record, say, spans
from tests.factories import NOW, make_manager, make_receiver, make_registration, receiver_type

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

WHY = "cover closed, cleaner had it open"


@pytest.fixture
def slot() -> Registration:
    return make_registration(make_receiver(type=receiver_type(latched_faults=["tamper", "low_battery"])))


def clear(slot: Registration, at: datetime) -> list[Fault]:
    return clear_latched_faults(receiver=slot.receiver, cause=WHY, by=make_manager(), at=at)


def told() -> list[tuple[Any, ...]]:
    """From when to when, when cleared by hand, and the words."""
    return list(Fault.objects.order_by("raised_at").values_list("raised_at", "cleared_at", "latch_cleared_at", "cause"))


def test_the_restore_that_comes_after_the_clearing_is_the_end_and_the_word_of_the_clearing_stays(
    slot: Registration,
) -> None:
    record(say(slot, "tamper", 1))
    clear(slot, hour(4))
    # Nobody has reported it over: a hand at the receiver does not close a cover elsewhere.
    assert told() == [(hour(1), None, hour(4), "")]
    record(say(slot, "tamper_restored", 6))
    assert told() == [(hour(1), hour(6), hour(4), WHY)]
    record(say(slot, "tamper", 9))
    assert told() == [(hour(1), hour(6), hour(4), WHY), (hour(9), None, None, "")]


def test_a_tamper_after_the_clearing_is_a_new_one_that_nobody_has_seen_though_no_restore_came(
    slot: Registration,
) -> None:
    record(say(slot, "tamper", 1))
    first = Fault.objects.get()
    Fault.objects.update(recorded_at=hour(1))
    acknowledge_faults(faults=[first.pk], note="", by=make_manager(), at=hour(2))
    clear(slot, hour(4))
    record(say(slot, "tamper", 9))
    assert told() == [
        (hour(1), hour(4), hour(4), f"{WHY} · the receiver was cleared on site"),
        (hour(9), None, None, ""),
    ]
    new = Fault.objects.get(raised_at=hour(9))
    assert Fault.objects.earliest("raised_at").pk == first.pk
    assert (new.acknowledged_at, new.recorded_at, new.is_latched) == (None, NOW, True)
    # The restore of the first one was only late: by what is known now, that was its end.
    record(say(slot, "tamper_restored", 3))
    assert told() == [(hour(1), hour(3), hour(4), WHY), (hour(9), None, None, "")]


def test_a_tamper_that_nobody_acknowledged_before_the_clearing_is_told_anew_all_the_same(slot: Registration) -> None:
    record(say(slot, "tamper", 1))
    first = Fault.objects.get().pk
    clear(slot, hour(4))
    record(say(slot, "tamper", 9))
    assert Fault.objects.earliest("raised_at").pk == first


@pytest.mark.parametrize("hours", [{"tamper": (1, 2, 6)}, {"tamper": (1, 6), "tamper_restored": (3,)},
                                   {"tamper": (1, 6), "tamper_restored": (5,)}])  # fmt: skip
def test_reports_and_the_clearing_give_the_same_faults_in_whatever_order_they_come(
    slot: Registration, hours: dict[str, tuple[int, ...]]
) -> None:
    steps = [say(slot, kind, n) for kind, moments in hours.items() for n in moments]
    found = set()
    for order in permutations([*steps, None]):
        Fault.objects.all().delete()
        FaultReport.objects.all().delete()
        ChangeRow.objects.all().delete()
        for step in order:
            if step is None:
                clear(slot, hour(4))
            else:
                record(step)
        found.add(tuple(told()))
    assert len(found) == 1
    (first, second) = found.pop()
    assert (first[0], second[0], second[2]) == (hour(1), hour(6), None)


def test_a_late_restore_moves_the_end_of_the_tamper_that_it_belongs_to_among_several(slot: Registration) -> None:
    for n in (0, 10):
        record(say(slot, "tamper", n + 1))
        clear(slot, hour(n + 4))
    record(say(slot, "tamper", 21))
    assert [row[:2] for row in told()] == [(hour(1), hour(4)), (hour(11), hour(14)), (hour(21), None)]
    record(say(slot, "tamper_restored", 6))
    record(say(slot, "tamper_restored", 16))
    assert [row[:2] for row in told()] == [(hour(1), hour(6)), (hour(11), hour(16)), (hour(21), None)]


def test_a_restore_reads_back_to_the_clearing_only_where_it_may_move_its_end(slot: Registration) -> None:
    record(say(slot, "tamper", 1))
    clear(slot, hour(4))
    record(say(slot, "tamper", 9))
    assert first_moved([say(slot, "tamper_restored", 6)]) == hour(1)
    assert first_moved([say(slot, "tamper_restored", 12)]) == hour(12), "the one that began since ends with it"


def test_reports_of_one_batch_are_parted_by_a_clearing_that_was_recorded_before(slot: Registration) -> None:
    clear(slot, hour(4))
    record(say(slot, "tamper", 1), say(slot, "tamper", 9))
    assert [row[:3] for row in told()] == [(hour(1), hour(4), hour(4)), (hour(9), None, None)]


def test_a_clearing_taken_back_joins_what_it_had_parted(slot: Registration) -> None:
    record(say(slot, "tamper", 1), say(slot, "tamper", 9))
    faults = clear(slot, hour(4))
    assert len(spans()) == 2
    first = Fault.objects.earliest("raised_at").pk
    acknowledge_faults(faults=[first], note="seen", by=make_manager(), at=hour(2))
    latch_faults_again(
        receiver=slot.receiver, faults=[fault.pk for fault in faults], by=make_manager(), at=NOW, reason="slip"
    )
    for step in ("taken back", "reported once more"):
        assert told() == [(hour(1), None, None, "")], step
        assert Fault.objects.get().pk == first, "The one that somebody has acknowledged goes on."
        record(say(slot, "tamper", 5))


def test_a_clearing_taken_back_is_taken_back_also_of_what_came_in_after_it(slot: Registration) -> None:
    faults = clear(slot, hour(4))
    record(say(slot, "tamper", 1), say(slot, "tamper", 9), say(slot, "low_battery", 2))
    assert [row[2] for row in told()] == [hour(4), hour(4), None]
    latch_faults_again(
        receiver=slot.receiver, faults=[fault.pk for fault in faults], by=make_manager(), at=NOW, reason="slip"
    )
    assert told() == [(hour(1), None, None, ""), (hour(2), None, None, "")]


def test_clearing_the_receiver_parts_no_low_battery_because_the_cells_are_still_those(slot: Registration) -> None:
    record(say(slot, "low_battery", 1))
    clear(slot, hour(4))
    record(say(slot, "low_battery", 9))
    assert spans() == [(hour(1), None)]
