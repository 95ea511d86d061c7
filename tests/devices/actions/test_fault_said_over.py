"""A reported fault that a person ends: with a reason, in order with whatever comes in late, and taken back."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import permutations
from typing import Any

import pytest

from company.models import ChangeRow
from company.undo import undo
from devices.actions.fault_events import record_signals
from devices.actions.fault_life import settle_life_cycle
from devices.actions.faults import NotOver, say_fault_over
from devices.models import Fault, FaultReport, Registration
from tests.devices.actions.test_fault_reports import OF_RECEIVER, hour, record, say, spans
from tests.factories import NOW, make_manager, make_receiver, make_registration

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("at_now")]

WHY = "mains is back, 12.7 V"


@pytest.fixture
def slot() -> Registration:
    return make_registration(make_receiver())


def power(slot: Registration, kind: str, hours: float) -> Any:
    return say(slot, kind, hours, **OF_RECEIVER)


def end(at: datetime, reason: str = WHY) -> ChangeRow:
    return say_fault_over(fault=Fault.objects.open().get(), reason=reason, by=make_manager(), at=at)


def test_a_person_ends_a_reported_fault_and_the_log_keeps_who_and_why(slot: Registration) -> None:
    record(power(slot, "power_fault", 1))
    change = end(hour(5))
    fault = Fault.objects.get()
    assert (fault.raised_at, fault.cleared_at, fault.cause) == (hour(1), hour(5), "said to be over")
    assert (change.reason, change.subject_id) == (WHY, fault.pk)
    settle_life_cycle(at=NOW)
    assert spans() == [(hour(1), hour(5))]


def test_whatever_comes_in_late_and_in_whatever_order_it_stays_over(slot: Registration) -> None:
    late = [power(slot, "power_restored", 2), power(slot, "power_fault", 3), power(slot, "power_fault", 4)]
    for order in permutations(late):
        Fault.objects.all().delete()
        FaultReport.objects.all().delete()
        record(power(slot, "power_fault", 1))
        end(hour(5))
        for signal in order:
            record(signal)
        assert spans() == [(hour(1), hour(2)), (hour(3), hour(5))]
        assert list(Fault.objects.order_by("raised_at").values_list("cause", flat=True)) == ["", "said to be over"]


def test_reported_again_after_that_it_is_a_fault_of_its_own_and_the_end_is_not_taken_back(slot: Registration) -> None:
    record(power(slot, "power_fault", 1))
    change = end(hour(5))
    record(power(slot, "power_fault", 6))
    assert spans() == [(hour(1), hour(5)), (hour(6), None)]
    with pytest.raises(NotOver, match="reported again"):
        undo(change=change, by=make_manager(), at=NOW)
    assert spans() == [(hour(1), hour(5)), (hour(6), None)]


def test_taken_back_it_stands_as_before(slot: Registration) -> None:
    record(power(slot, "power_fault", 1))
    Fault.objects.update(cause="breaker 4")
    change = end(hour(5))
    assert Fault.objects.get().cause == "breaker 4 · said to be over"
    undo(change=change, by=make_manager(), at=hour(6))
    fault = Fault.objects.get()
    assert (fault.raised_at, fault.cleared_at, fault.cause) == (hour(1), None, "breaker 4")
    assert not FaultReport.objects.filter(is_raised=False).exists()
    record(power(slot, "power_restored", 7))
    assert spans() == [(hour(1), hour(7))]


def test_taken_back_after_a_restore_came_in_the_restore_stays_the_end(slot: Registration) -> None:
    record(power(slot, "power_fault", 1))
    change = end(hour(5))
    record(power(slot, "power_restored", 3))
    undo(change=change, by=make_manager(), at=NOW)
    assert spans() == [(hour(1), hour(3))]


@pytest.mark.parametrize(
    ("kind", "evidence", "words"),
    [("low_battery", "every", "cells are changed"), ("missing", "every", "by itself"), ("missing", "exceptions", "")],
)
def test_what_something_else_ends_is_not_ended_by_hand(kind: str, evidence: str, words: str) -> None:
    row = make_registration(make_receiver(evidence=evidence))
    record_signals(signals=[say(row, kind, 1)], source="gateway", at=NOW)
    if words:
        with pytest.raises(NotOver, match=words):
            end(hour(5))
        assert spans() == [(hour(1), None)]
    else:
        end(hour(5))
        assert spans() == [(hour(1), hour(5))]


def test_what_we_see_ourselves_and_what_has_no_reason_stays(slot: Registration) -> None:
    record(power(slot, "power_fault", 1))
    with pytest.raises(NotOver, match="Say why"):
        end(hour(5), " ")
    Fault.objects.update(kind="link_lost", found_by="watch")
    with pytest.raises(NotOver, match="heard again"):
        end(hour(5))
    assert spans() == [(hour(1), None)]
    assert not ChangeRow.objects.filter(verb="say_fault_over").exists()


def test_pressed_twice_is_once(slot: Registration) -> None:
    record(power(slot, "power_fault", 1))
    fault = Fault.objects.get()
    end(hour(5))
    with pytest.raises(NotOver, match="over already"):
        say_fault_over(fault=fault, reason="again", by=make_manager(), at=hour(6))
    assert spans() == [(hour(1), hour(5))]


def test_in_the_second_in_which_it_was_raised_it_keeps_a_length(slot: Registration) -> None:
    record(power(slot, "power_fault", 1))
    end(hour(1))
    assert spans() == [(hour(1), hour(1) + timedelta(seconds=1))]
